"""Wrong ways of a rep that have a size: an angle that is elsewhere at one place of it. Degrees.

Where the faults of `motions` are one plausible mistake each, a deviation puts any angle anywhere: a little off, as a
person who does the drill well, or far off.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass

import numpy as np

from imu_shoulder.drills import Drill
from imu_shoulder.errors import ParameterError
from imu_shoulder.frames import X_AXIS
from imu_shoulder.simulate.kinematics import chain, elbow, shoulder
from imu_shoulder.simulate.motions import ARM_CHANNELS, Posture

ARM_ANGLES = (*ARM_CHANNELS, "thumb_up")
TRUNK_ANGLES = ("lean_back", "lean_away", "turn_out")
IN_HOLD = ("hold", "bounce")


@dataclass(frozen=True, slots=True)
class Deviation:
    """One angle of one rep that is elsewhere than the drill's motion has it.

    angle: a channel of the working arm; thumb_up, the thumb side above the level, got by turning upper arm and forearm
    half each; or the trunk's, which goes there with the lift and back with the lowering: lean_back, lean_away from the
    working arm, turn_out about its own length towards that arm.
    deg: where the angle is. above: "start" or a station's name, where it counts from the arm's own angle there.
    at: where in the rep: "start" (before it), a station, "all" (start, stations and what lies between), "hold" (the
    arm gets there over the last station's hold), "bounce" (twice out of that hold and back), or "holder" (the arm that
    stays up goes there during the rep, and stays there). The trunk's are always "all".
    """

    angle: str
    deg: float
    at: str = "all"
    above: str | None = None

    def check(self, drill: Drill) -> None:
        """Raises ParameterError where this drill cannot be done in that way."""
        stations = [station.name for station in drill.stations]
        holder = ("holder",) if drill.arms == "hold_and_lift" else ()
        places = ("all",) if self.angle in TRUNK_ANGLES else ("start", "all", *stations, *IN_HOLD, *holder)
        bases: tuple[str | None, ...] = (None,)
        if self.angle in ARM_CHANNELS and self.at in (*stations, *IN_HOLD):
            earlier = stations[: stations.index(self.at)] if self.at in stations else stations
            bases = (None, "start", *earlier)
        for value, allowed in ((self.angle, (*ARM_ANGLES, *TRUNK_ANGLES)), (self.at, places), (self.above, bases)):
            if value not in allowed:
                raise ParameterError(
                    f"in a deviation of {drill.id} one of {', '.join(map(str, allowed))}",
                    f"it was {value!r}",
                    "use one of these",
                )

    def put_in(self, posture: Posture, base: Posture | None = None, carrying_deg: float = 0.0) -> dict[str, float]:
        """The posture with this angle elsewhere. base: the posture it counts from.

        An arm raised in another plane is turned the other way, so that the hand stays as it is: wholly at 90 deg.
        """
        changed = dict(posture)
        if self.angle == "thumb_up":
            by_deg = _turn_of_thumb_deg(posture, self.deg, carrying_deg)
            changed["rotation"] += by_deg / 2
            changed["forearm"] -= by_deg / 2
            return changed
        changed[self.angle] = self.deg + (0.0 if base is None else base[self.angle])
        if self.angle == "plane":
            more = changed["plane"] - posture["plane"]
            changed["rotation"] -= more * float(1 - np.cos(np.radians(posture["elevation"])))
        return changed


def _turn_of_thumb_deg(posture: Posture, up_deg: float, carrying_deg: float) -> float:
    """By how much the arm must turn out for the thumb side to be up_deg above the level, or as near as it comes.

    A thumb that comes to point lower is turned in, as people do it.
    """
    turns_deg = np.arange(-200.0, 200.5, 0.5)
    values = {name: np.full(turns_deg.shape, value) for name, value in posture.items()}
    upper = shoulder(values["elevation"], values["plane"], values["rotation"] + turns_deg / 2)
    forearm = chain(upper, elbow(values["elbow"], carrying_deg, values["forearm"] - turns_deg / 2))
    got_deg = np.degrees(np.arcsin(np.clip(forearm.apply(X_AXIS)[:, 1], -1, 1)))
    missed_deg = np.abs(got_deg - up_deg)
    if up_deg < np.interp(0.0, turns_deg, got_deg):
        missed_deg[turns_deg > 0] = np.inf
    near = np.flatnonzero(missed_deg <= missed_deg.min() + 1.0)
    return float(turns_deg[near[np.abs(turns_deg[near]).argmin()]])


def deviated_start(start: Posture, deviations: Iterable[Deviation]) -> Posture:
    for deviation in deviations:
        if deviation.at in ("start", "all") and deviation.angle in ARM_ANGLES:
            start = deviation.put_in(start)
    return start


def deviated_stations(
    stations: Iterable[tuple[str, Posture]], start: Posture, deviations: Iterable[Deviation], carrying_deg: float
) -> list[Posture]:
    """The postures of the stations, by name and in the drill's order, with what deviates in them."""
    places: dict[str, Posture] = {"start": start}
    for name, asked in stations:
        posture = asked
        for deviation in deviations:
            if deviation.at in (name, "all") and deviation.angle in ARM_ANGLES:
                base = None if deviation.above is None else places[deviation.above]
                posture = deviation.put_in(posture, base, carrying_deg)
        places[name] = posture
    return list(places.values())[1:]


def trunk_deg(deviations: Iterable[Deviation]) -> Mapping[str, float]:
    """How far the trunk goes in each of its angles."""
    found = dict.fromkeys(TRUNK_ANGLES, 0.0)
    for deviation in deviations:
        if deviation.angle in TRUNK_ANGLES:
            found[deviation.angle] += deviation.deg
    return found
