"""What the simulated person is asked to do: blocks in order, and the whole scenario."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from types import MappingProxyType
from typing import Literal

from imu_shoulder.drills import Drill, load_shipped
from imu_shoulder.errors import ParameterError
from imu_shoulder.model import EVENT_SIDES, PLACEMENTS, SIDES, Side
from imu_shoulder.simulate.athlete import Athlete
from imu_shoulder.simulate.damage import Damage
from imu_shoulder.simulate.deviations import Deviation
from imu_shoulder.simulate.motions import RANGE_MOTIONS
from imu_shoulder.simulate.sensor import SensorModel
from imu_shoulder.units import STANDARD_GRAVITY_M_S2

FaultsByRep = Mapping[int, tuple[str, ...]]
ATTEMPTS = ("partial", "false_start")
NO_FAULTS: FaultsByRep = MappingProxyType({})
NO_DEVIATIONS: Mapping[int, tuple[Deviation, ...]] = MappingProxyType({})


@dataclass(frozen=True, slots=True)
class Pose:
    """Stand in the neutral pose. still_s: how long the person means to be still; the event lies inside."""

    still_s: float = 6.0


@dataclass(frozen=True, slots=True)
class ElbowBends:
    """Bend and straighten both elbows with the upper arms hanging.

    stop_deg: where the elbows stop when they are straightened as far as they go; None straightens them as they hang.
    """

    count: int = 4
    top_deg: float = 125.0
    each_way_s: float = 1.2
    stop_deg: float | None = None


@dataclass(frozen=True, slots=True)
class ForwardRaises:
    """Raise both straight arms forward to shoulder height and lower them."""

    count: int = 3
    top_deg: float = 90.0
    each_way_s: float = 1.8


@dataclass(frozen=True, slots=True)
class BendsAtShoulderHeight:
    """Raise both arms to the side with the thumbs up, bend and straighten the elbows there, and lower the arms."""

    count: int = 2
    top_deg: float = 95.0
    each_way_s: float = 1.2


@dataclass(frozen=True, slots=True)
class Pause:
    """Between sets: stand, walk a few steps and turn, or fidget with the arms."""

    duration_s: float = 6.0
    activity: Literal["stand", "walk", "fidget"] = "walk"


@dataclass(frozen=True, slots=True)
class Chore:
    """Something of a day that is no exercise, for about duration_s: one of those that simulate/daily.py does, or work
    that simulate/housework.py has."""

    activity: str
    duration_s: float = 60.0


@dataclass(frozen=True, slots=True)
class PartWay:
    """A pause within every rep of a drill with one station: on the way up or down, at a share of the arc."""

    way: Literal["up", "down"]
    share: float
    stay_s: float

    def __post_init__(self) -> None:
        if self.way not in ("up", "down") or not 0 < self.share < 1 or not self.stay_s > 0:
            raise ParameterError(
                'a pause on the way "up" or "down", at a share of the arc between 0 and 1, of a length above 0 s',
                f"it was {self.way!r}, {self.share:g} and {self.stay_s:g} s",
                "correct it",
            )


@dataclass(frozen=True, slots=True)
class SetScript:
    """One set of a drill and how it is done. Degrees and seconds.

    side: the arm that works (full_can_hold_and_lift: the arm that lifts; the other one holds).
    reps, hold_s: None takes the drill's own; the hold is then a little longer than asked, as a person counts slowly.
    reps may differ between the arms. pauses: in every rep, in the order in which they are passed.
    faults: names per 1-based rep, for every working arm; faults_by_side adds to one arm only. Besides the faults a
    drill is judged by: partial (given up under half the arc) and false_start (a few degrees and back, before
    the rep). start_missed at rep k: the rep sets out from a start that was not reached.
    deviations: angles that are elsewhere per 1-based rep, for every working arm.
    top_deg: another goal for the angle that makes the arc. fade: share of the arc lost by the last rep.
    uneven_deg: the left arm tops out this much lower. start_shift_deg: from the second half on the start is
    this much higher. start_rotation_deg: every start is turned out by this much more.
    hold_*: injected on the angle that makes the arc in every hold (for hold_and_lift:
    on the holding arm). sag: late drop. tremor_deg: None takes the athlete's. rotation_wander_deg: on the
    axial rotation in every hold.
    """

    drill: str
    side: str = "right"
    reps: int | Mapping[Side, int] | None = None
    hold_s: float | None = None
    lift_s: float = 2.0
    lower_s: float = 2.2
    rest_s: float = 1.2
    pauses: tuple[PartWay, ...] = ()
    faults: FaultsByRep = field(default_factory=lambda: NO_FAULTS)
    faults_by_side: Mapping[Side, FaultsByRep] = field(default_factory=dict)
    deviations: Mapping[int, tuple[Deviation, ...]] = field(default_factory=lambda: NO_DEVIATIONS)
    top_deg: float | None = None
    fade: float = 0.0
    uneven_deg: float = 0.0
    start_shift_deg: float = 0.0
    start_rotation_deg: float = 0.0
    hold_wander_deg: float = 0.0
    rotation_wander_deg: float = 0.0
    hold_drift_deg_s: float = 0.0
    hold_sag_deg: float = 0.0
    tremor_deg: float | None = None
    load_kg: float | None = None
    pain: float | None = None
    note: str | None = None

    def __post_init__(self) -> None:
        drill = load_shipped(self.drill)
        if self.side not in EVENT_SIDES:
            raise ParameterError(f"a side out of {', '.join(EVENT_SIDES)}", f"it was {self.side!r}", "use one of these")
        if drill.arms == "hold_and_lift" and self.side == "both":
            raise ParameterError("one lifting arm", "the side was 'both'", "say which arm lifts")
        if isinstance(self.reps, Mapping) and set(self.reps) != set(self.sides):
            raise ParameterError(
                f"reps of {' and '.join(self.sides)}",
                f"they were of {', '.join(self.reps) or 'none'}",
                "count each arm",
            )
        if self.pauses and drill.by_stations:
            raise ParameterError("pauses in a drill with one station", f"{self.drill} has several", "leave them out")
        possible = possible_faults(drill)
        holder = other_side(self.side) if drill.arms == "hold_and_lift" else None
        named = [(None, self.faults), *self.faults_by_side.items()]
        for side, by_rep in named:
            allowed = {"hold_broken"} if side is not None and side == holder else possible
            for rep, faults in by_rep.items():
                if not 1 <= rep <= self.rep_count:
                    raise ParameterError(
                        f"faults at reps 1 to {self.rep_count}", f"one was at rep {rep}", "move it into the set"
                    )
                unknown = set(faults) - allowed
                if unknown:
                    raise ParameterError(
                        f"faults of {self.drill} out of {', '.join(sorted(allowed))}",
                        f"{', '.join(sorted(unknown))} was asked for",
                        "use faults this drill can show",
                    )
        for rep, deviations in self.deviations.items():
            if not 1 <= rep <= self.rep_count:
                raise ParameterError(
                    f"deviations at reps 1 to {self.rep_count}", f"one was at rep {rep}", "move it into the set"
                )
            for deviation in deviations:
                deviation.check(drill)

    @property
    def rep_count(self) -> int:
        """Reps of the arm that does the most."""
        return max(self.reps_of(side) for side in self.sides)

    def reps_of(self, side: Side) -> int:
        if self.reps is None:
            return load_shipped(self.drill).dose.reps
        return self.reps[side] if isinstance(self.reps, Mapping) else self.reps

    @property
    def sides(self) -> tuple[Side, ...]:
        """The arms that do reps."""
        return tuple(side for side in SIDES if self.side in (side, "both"))

    def faults_of(self, side: Side, rep: int) -> tuple[str, ...]:
        """Every fault of one arm at one rep. The trunk is shared: its fault is both arms' fault."""
        found = [*self.faults.get(rep, ()), *self.faults_by_side.get(side, {}).get(rep, ())]
        for other in self.sides:
            found += [f for f in self.faults_by_side.get(other, {}).get(rep, ()) if f == "trunk_moved"]
        return tuple(dict.fromkeys(found))


@dataclass(frozen=True, slots=True)
class RangeTestScript:
    """One active range test. goals_deg: how far each trial goes, for both arms or one list per arm; hold_s: at the end.

    top: angles that differ at the top, such as an elbow that opens.
    """

    test: str
    side: str = "right"
    goals_deg: tuple[float, ...] | Mapping[Side, tuple[float, ...]] = (60.0, 65.0, 62.0)
    hold_s: float = 2.0
    each_way_s: float = 2.2
    top: Mapping[str, float] | None = None

    def __post_init__(self) -> None:
        if self.test not in RANGE_MOTIONS:
            raise ParameterError(
                f"a range test out of {', '.join(RANGE_MOTIONS)}", f"it was {self.test!r}", "use one of these"
            )
        if self.side not in EVENT_SIDES:
            raise ParameterError(f"a side out of {', '.join(EVENT_SIDES)}", f"it was {self.side!r}", "use one of these")

    def goals_of(self, side: Side) -> tuple[float, ...]:
        return self.goals_deg[side] if isinstance(self.goals_deg, Mapping) else self.goals_deg


Block = Pose | ElbowBends | ForwardRaises | BendsAtShoulderHeight | Pause | Chore | SetScript | RangeTestScript


def other_side(side: str) -> Side:
    return "left" if side == "right" else "right"


def possible_faults(drill: Drill) -> set[str]:
    """The faults a rep of this drill can show: those it is judged by, a shrug, and broken-off attempts."""
    ends = {r.high_deg for r in drill.top.ranges if r.angle in ("elevation", "rotation")}
    form = drill.form
    asked = {
        "short_arc": True,
        "over_arc": max(ends, default=float("inf")) < float("inf"),
        "hold_short": drill.top.hold_s > 0,
        "hold_broken": drill.top.hold_s > 0,
        "too_fast": True,
        "thumb_down": bool(form.of("thumb_up")),
        "elbow_off": bool(form.of("elbow")),
        "plane_off": bool(form.of("plane")),
        "trunk_moved": form.trunk_deg is not None,
        "start_missed": bool(drill.start),
        "station_skipped": drill.by_stations,
        "order_wrong": drill.by_stations,
        "shrug": True,
    }
    return {name for name, can in asked.items() if can} | set(ATTEMPTS)


@dataclass(frozen=True, slots=True)
class Scenario:
    """Everything but the seed: who, what, wearing which sensors, and what goes wrong with them.

    placements: out of model.PLACEMENTS. sensors, damage: per placement, others take the default.
    mountings: quat_segment_from_sensor (4,) per placement, scalar first; others are strapped on at random.
    gravity_m_s2: the local gravity.
    """

    athlete: Athlete
    blocks: tuple[Block, ...]
    placements: tuple[str, ...] = PLACEMENTS[:4]
    rate_hz: float = 100.0
    name: str = "simulated"
    start: str = "2025-03-04T09:30:00+01:00"
    gravity_m_s2: float = STANDARD_GRAVITY_M_S2
    sensor: SensorModel = field(default_factory=SensorModel)
    sensors: Mapping[str, SensorModel] = field(default_factory=dict)
    damage: Mapping[str, Damage] = field(default_factory=dict)
    mountings: Mapping[str, tuple[float, float, float, float]] = field(default_factory=dict)

    def __post_init__(self) -> None:
        for placement in (*self.placements, *self.sensors, *self.damage, *self.mountings):
            if placement not in PLACEMENTS:
                raise ParameterError(
                    f"placements out of {', '.join(PLACEMENTS)}", f"{placement!r} was asked for", "use one of these"
                )
        if not self.rate_hz >= 20:
            raise ParameterError("rate_hz of 20 or more", f"it was {self.rate_hz}", "raise the rate")
