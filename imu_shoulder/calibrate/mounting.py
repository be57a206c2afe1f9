"""Sensors that do not sit where the recording says: swapped on an arm, swapped between arms, or not on the limb at all.

Only what a movement shows beyond doubt is said, with what to do about it; nothing is repaired.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from math import radians

import numpy as np

from imu_shoulder.calibrate.coarse import block_length, block_means, block_middles
from imu_shoulder.drills import Drill
from imu_shoulder.filters import moving_mean
from imu_shoulder.findings import finding_of
from imu_shoulder.frames import rotation_from_quat
from imu_shoulder.model import (
    SIDES,
    UPPER_ARM,
    WRIST,
    Event,
    Finding,
    FloatArray,
    Side,
    Track,
    limb_words,
    limbs_of,
    on_arm,
)
from imu_shoulder.orient.attitude import Attitude


@dataclass(frozen=True, slots=True)
class MountingParams:
    """What counts as moving and as still.

    sway_rad_s: slower turning than this is sway and not counted. turned_rad: a sensor that turned this far in all, in
    one movement, moved; times: and this many times as far as one that hardly did. raised_rad: a limb tilted by this
    much was raised; still_rad: one tilted by less was not. further: the sensor further out on a raised arm is
    shaken this many times as much at least, shaken_m_s2 or more. person_rad_s: a person is never quieter (RMS).

    Sources. sway_rad_s, turned_rad, times, raised_rad, still_rad, further, shaken_m_s2, person_rad_s: ours.
    """

    sway_rad_s: float = radians(10.0)
    turned_rad: float = radians(180.0)
    times: float = 4.0
    raised_rad: float = radians(50.0)
    still_rad: float = radians(18.0)
    further: float = 1.4
    shaken_m_s2: float = 0.3
    person_rad_s: float = radians(0.15)


@dataclass(frozen=True, slots=True)
class _Motion:
    """How one sensor moved in one event: turned in all, largest tilt from where it was, RMS acceleration 0.2-3 Hz, and
    its mean squared rate, shaking taken off, over so many seconds.
    """

    turned_rad: float
    tilted_rad: float
    shaken_m_s2: float
    rate_squared: float
    lasted_s: float


@dataclass(frozen=True, slots=True)
class Stretch:
    """One event, its number among the sets (0 for a calibration movement), and who moved how, by placement."""

    event: Event
    set_number: int
    motions: Mapping[str, _Motion]

    def shows(self, side: Side) -> bool:
        return self.event.side in (side, "both", None)


def stretch_of(
    event: Event,
    sets: int,
    time_s: FloatArray,
    rate_hz: float,
    tracks: Mapping[str, Track],
    attitudes: Mapping[str, Attitude],
    params: MountingParams,
) -> Stretch | None:
    """What an event that is over shows of every sensor; None for a pose, which asks for stillness.

    time_s: (M,) rows that the event lies in. sets: how many sets began so far, this one included.
    """
    if event.trial_type == "neutral_pose":
        return None
    first, last = np.searchsorted(time_s, [event.onset_s, event.end_s])
    rows = slice(int(first), int(last))
    motions = {p: _motion(rows, rate_hz, tracks[p], attitude, params) for p, attitude in attitudes.items()}
    number = sets if event.trial_type == "set" else 0
    return Stretch(event, number, {p: motion for p, motion in motions.items() if motion is not None})


def mounting_findings(
    stretches: Sequence[Stretch], drills: Mapping[str, Drill], params: MountingParams
) -> list[Finding]:
    """Findings swapped_segments, swapped_sides and not_on_limb, by placement.

    drills: those named in events, by id. What the marked movements do not show is not said.
    """
    found = _lying_still(stretches, params)
    wrong = {finding.placement for finding in found}
    for finding in (*_swapped_sides(stretches, params), *_swapped_segments(stretches, params)):
        if finding.placement not in wrong:
            found.append(finding)
    # A swap explains every stillness of its sensors.
    swapped = {part for f in found if f.code == "swapped_sides" for part in _both_sides(f.placement)}
    swapped |= {f"{f.placement.split('_')[0]}_{p}" for f in found if f.code == "swapped_segments" for p in _PARTS}
    return found + [f for f in _left_behind(stretches, drills, params) if f.placement not in wrong | swapped]


_PARTS = (WRIST, UPPER_ARM)


def _both_sides(placement: str) -> list[str]:
    return [on_arm(side, placement.split("_", 1)[1]) for side in SIDES]


def _motion(rows: slice, rate_hz: float, track: Track, attitude: Attitude, params: MountingParams) -> _Motion | None:
    """In blocks in which the sensor was seen throughout. None where it has no data to speak of."""
    length = block_length(rate_hz)
    rate_rad_s, acc = block_means(attitude.rate_earth_rad_s[rows], length), block_means(track.acc_m_s2[rows], length)
    seen = np.isfinite(rate_rad_s).all(axis=1) & np.isfinite(acc).all(axis=1)
    block_hz = rate_hz / length
    if np.count_nonzero(seen) < block_hz:
        return None
    middle = block_middles(rows.stop - rows.start, length)[seen] + rows.start
    earth_from_sensor = rotation_from_quat(attitude.quat_earth_from_sensor[middle]).as_matrix()
    force, up = np.einsum("nij,nj->ni", earth_from_sensor, acc[seen]), earth_from_sensor[:, 2]
    shaken = _smooth(force, 0.17 * block_hz) - _smooth(force, 3.5 * block_hz)
    rate = np.linalg.norm(rate_rad_s[seen], axis=1)
    steady = _smooth(rate_rad_s[seen], 0.5 * block_hz)
    return _Motion(
        float(rate[rate > params.sway_rad_s].sum() / block_hz),
        float(np.arccos(np.clip(up @ up[0], -1.0, 1.0)).max()),
        float(np.sqrt(np.mean(np.sum(shaken**2, axis=1)))),
        float(np.mean(np.sum(steady**2, axis=1))),
        len(force) / block_hz,
    )


def _smooth(values: FloatArray, width: float) -> FloatArray:
    """(B, 3), the mean over so many rows around each."""
    return moving_mean(values, max(1, round(width)))


def _lying_still(stretches: Sequence[Stretch], params: MountingParams) -> list[Finding]:
    """Sensors stiller than any person in all the events, while others moved."""
    if not any(m.turned_rad > params.turned_rad for s in stretches for m in s.motions.values()):
        return []
    out = []
    for placement in dict.fromkeys(p for s in stretches for p in s.motions):
        own = [s.motions[placement] for s in stretches if placement in s.motions]
        squared = np.average([m.rate_squared for m in own], weights=[m.lasted_s for m in own])
        if squared < params.person_rad_s**2:
            text = (
                f"The {limb_words(placement)} sensor lay still all the time, stiller than any person: it was not worn."
            )
            out.append(_finding(placement, "not_on_limb", f"{text} Strap it on and record again."))
    return out


def _swapped_segments(stretches: Sequence[Stretch], params: MountingParams) -> list[Finding]:
    """Elbow bends turn the wrist and hardly the upper arm; without them, the wrist of a raised arm is shaken more."""
    out = []
    for side in SIDES:
        upper, wrist = limbs_of(side)
        pairs = [
            (s.event, s.motions[wrist], s.motions[upper])
            for s in stretches
            if s.shows(side) and {wrist, upper} <= set(s.motions)
        ]
        bends = [(w, u) for event, w, u in pairs if event.trial_type == "elbow_bends"]
        lower, higher = (sum(pair[n].turned_rad for pair in bends) for n in range(2))
        why = ""
        if max(lower, higher) > params.turned_rad:
            if higher > params.times * lower:
                turned = f"the upper-arm sensor turned by {np.degrees(higher):.0f} deg and the wrist sensor by"
                why = f"in the elbow bends {turned} {np.degrees(lower):.0f}"
        else:
            raised = [(w, u) for _, w, u in pairs if min(w.tilted_rad, u.tilted_rad) > params.raised_rad]
            if raised:
                out_there, near = (float(np.median([pair[n].shaken_m_s2 for pair in raised])) for n in range(2))
                if near > max(params.further * out_there, params.shaken_m_s2):
                    why = "when the arm is raised, the upper-arm sensor swings further than the wrist sensor"
        if why:
            text = f"The {side} wrist and upper-arm sensors seem to be swapped: {why}."
            out.append(
                _finding(wrist, "swapped_segments", f"{text} Swap their straps, or their names, and start again.")
            )
    return out


def _swapped_sides(stretches: Sequence[Stretch], params: MountingParams) -> list[Finding]:
    """In a set of one arm, the other arm's sensor moved and the named one's stayed still."""
    out = []
    for part in _PARTS:
        pairs: list[tuple[Stretch, float, float]] = []
        for stretch in stretches:
            named = stretch.event.side
            if stretch.set_number and named in SIDES:
                other = SIDES[1 - SIDES.index(named)]
                motions = [stretch.motions.get(f"{side}_{part}") for side in (named, other)]
                if motions[0] is not None and motions[1] is not None:
                    pairs.append((stretch, motions[0].turned_rad, motions[1].turned_rad))
        wrong = [s for s, own, other in pairs if other > max(params.turned_rad, params.times * own)]
        if not wrong:
            continue
        right = [s for s, own, other in pairs if own > max(params.turned_rad, params.times * other)]
        where = ", ".join(f"set {s.set_number} ({s.event.side})" for s in wrong)
        text = f"In {where} the {limb_words(part)} sensor of the other arm moved and that of the named arm did not. "
        text += (
            "Other sets show the sensors on the right arms: correct the side of that set in events.tsv."
            if right
            else "The left and right sensors are swapped, or the set is marked with the wrong side: correct it."
        )
        span = (wrong[0].event.onset_s, wrong[-1].event.end_s)
        out.append(_finding(f"{wrong[0].event.side}_{part}", "swapped_sides", text, span))
    return out


def _left_behind(stretches: Sequence[Stretch], drills: Mapping[str, Drill], params: MountingParams) -> list[Finding]:
    """A sensor that stays still while its neighbour shows the arm raised, or the other wrist shows the elbows bent."""
    out = []
    for side in SIDES:
        upper, wrist = limbs_of(side)
        raises = [
            s
            for s in stretches
            if s.shows(side)
            and (s.event.trial_type == "forward_raises" or _leads_with_elevation(s.event, drills))
            and {wrist, upper} <= set(s.motions)
        ]
        for own, neighbour in ((upper, wrist), (wrist, upper)):
            tilted = [max((s.motions[p].tilted_rad for s in raises), default=0.0) for p in (own, neighbour)]
            if tilted[0] < params.still_rad and tilted[1] > params.raised_rad:
                text = (
                    f"The {limb_words(own)} sensor stayed still while the {limb_words(neighbour)} sensor was raised by "
                )
                text += (
                    f"{np.degrees(tilted[1]):.0f} deg: it does not move with the limb. Strap it on and record again."
                )
                out.append(_finding(own, "not_on_limb", text))
        other = on_arm(SIDES[1 - SIDES.index(side)], WRIST)
        bends = [s for s in stretches if s.event.trial_type == "elbow_bends" and {wrist, other} <= set(s.motions)]
        turned = [sum(s.motions[p].turned_rad for s in bends) for p in (wrist, other)]
        known = wrist in {f.placement for f in out}
        if not known and turned[1] > params.turned_rad and turned[1] > params.times**2 * turned[0]:
            text = f"The {limb_words(wrist)} sensor stayed still in the elbow bends "
            text += f"while the {limb_words(other)} sensor turned."
            out.append(_finding(wrist, "not_on_limb", f"{text} Strap it on, or bend both elbows, and record again."))
    return out


def _leads_with_elevation(event: Event, drills: Mapping[str, Drill]) -> bool:
    drill = None if event.drill is None else drills.get(event.drill)
    return event.trial_type == "set" and drill is not None and drill.leading_angle == "elevation"


def _finding(placement: str, code: str, text: str, span: tuple[float, float] | None = None) -> Finding:
    start_s, end_s = span or (None, None)
    return finding_of(placement, code, text, start_s=start_s, end_s=end_s)
