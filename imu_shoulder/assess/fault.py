"""What a fault and a criterion are made of. Every piece that some reader of them needs is asked for here."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass

from imu_shoulder.drills import Drill
from imu_shoulder.measure.registry import RepData
from imu_shoulder.segment.model import Rep

Limits = tuple[float, float]


@dataclass(frozen=True, slots=True)
class JudgeParams:
    """When a measurement is held against a person. Limits themselves are the drill's.

    fault_from: a fault is named from this probability on that its limit was truly missed; close_from: from here on it
    is told as too close to call, and blames nobody.
    least_sd_deg: standard deviation of any angle at best; change_sd_share: of how far an angle went within a rep,
    beside that, as a share of the way. station_sd_s: of how long a station was held.

    gap_s: a rep with a longer gap is not scored. clipped_s: likewise for clipped samples. heading_sd_deg: nor what
    hangs on which way the body faces, where that is known worse than this.
    shrug_deg, shrug_sds: a shrug is more than both, the second in standard deviations of the rep's own value.
    shrug_told_deg: a shrug of this size at the top must be more than that, as far as it is seen; else none is judged.
    start_margin_deg, start_margin_share: how far beyond where the set's reps usually begin a rep may set out, the
    larger of the two, in a drill that has no start range.

    Sources. fault_from, close_from, least_sd_deg, change_sd_share, station_sd_s, gap_s, clipped_s,
    heading_sd_deg, shrug_deg, shrug_sds, shrug_told_deg, start_margin_deg, start_margin_share: ours.
    """

    fault_from: float = 0.8
    close_from: float = 0.2
    least_sd_deg: float = 1.0
    change_sd_share: float = 0.05
    station_sd_s: float = 0.15
    gap_s: float = 0.15
    clipped_s: float = 0.05
    heading_sd_deg: float = 10.0
    shrug_deg: float = 3.0
    shrug_sds: float = 3.0
    shrug_told_deg: float = 12.0
    start_margin_deg: float = 6.0
    start_margin_share: float = 0.3


@dataclass(frozen=True, slots=True)
class Case:
    """What a fault is judged from.

    values: measures by name, NaN where unknown. usual_start_deg: leading angle at which the set's reps usually begin.
    """

    data: RepData
    values: Mapping[str, float]
    usual_start_deg: float
    params: JudgeParams


def heading_lost(values: Mapping[str, float], params: JudgeParams) -> bool:
    """Whether it is not known well enough which way the body faced in a rep with these measures."""
    return values["heading_sd_deg"] > params.heading_sd_deg


def _never(case: Case) -> bool:
    return False


def _no_notes(case: Case) -> Sequence[str]:
    return ()


@dataclass(frozen=True, slots=True)
class Fault:
    """One thing a rep can show.

    name: as in reps.csv. place: its place among the faults of a rep. raised: its place in the order in which a coach
    would raise them, what makes the drill pointless or risky first; both unique, smaller ones first.
    missed: probability that the rep shows it. Only what the drill asks for is judged, and unknown values never blame.
    label: in the report. advice: what to do next time, a sentence without its full stop. cue: the few words on the
    live page; cue_in_drill: other words in a drill that calls for them, "" where the usual ones do.
    quiet_in_hold: not said while an arm holds. meaning: its line in docs/outputs.md.
    of_holder: whether an arm is judged by it that is asked to hold while the other one lifts.
    untold: whether the sensors worn show it too vaguely to judge. notes: what exactly was wrong in a rep that shows it,
    or may.
    caution: a word by which the cautions of a drill speak of it. asks_more: whether its advice asks the arm for more.
    """

    name: str
    place: int
    raised: int
    missed: Callable[[Drill, Case], float]
    label: str
    advice: str
    cue: str
    meaning: str
    cue_in_drill: Callable[[Drill], str] | None = None
    quiet_in_hold: bool = False
    of_holder: bool = False
    untold: Callable[[Case], bool] = _never
    notes: Callable[[Case], Sequence[str]] = _no_notes
    caution: str = ""
    asks_more: bool = False

    def cautions_in(self, drill: Drill | None) -> list[str]:
        """Those of the drill's cautions that speak of it."""
        cautions = drill.cautions if drill is not None and self.caution else ()
        return [caution for caution in cautions if self.caution in caution]

    def __post_init__(self) -> None:
        _require_texts(self, ("name", "label", "advice", "cue", "meaning"))


@dataclass(frozen=True, slots=True)
class Criterion:
    """One thing a drill asks, and the faults that miss it.

    name: as in summary.json. place: its place among the criteria, unique, smaller ones first. label: in the report.
    asked: what a drill asks, in words; "" where it asks nothing. numbers: the measures that show it.
    limits: least and most that a drill allows of the first number (of two, the least of either where the criterion
    says so); None where it says none. lifts_only: means nothing for an arm that stays up; said_to_holder: what such
    an arm is asked instead, whatever the drill asks of the lifting one.
    sensor_needed: a rep whose first number is unknown is neither met nor missed. shown: for what every drill asks and
    few sensors show, whether a rep shows it; None where the drill decides.
    column: measure, heading and digits of its own column in the report's table of reps, where it has one.
    """

    name: str
    place: int
    label: str
    asked: Callable[[Drill], str]
    numbers: tuple[str, ...]
    faults: tuple[Fault, ...]
    limits: Callable[[Drill], Limits | None] = lambda drill: None
    lifts_only: bool = False
    said_to_holder: str = ""
    sensor_needed: bool = False
    shown: Callable[[Rep, Mapping[str, float]], bool] | None = None
    column: tuple[str, str, int] | None = None

    def __post_init__(self) -> None:
        _require_texts(self, ("name", "label"))
        if not self.numbers or not self.faults:
            raise ValueError(f"expected numbers and faults of criterion {self.name}; came none; give them")


def _require_texts(thing: Fault | Criterion, asked: tuple[str, ...]) -> None:
    for piece in asked:
        if not getattr(thing, piece).strip():
            raise ValueError(f"expected {piece} of {thing.name!r} in words; came an empty text; write it")


def at_most(limit: float | None) -> Limits | None:
    """The limits of what asks no least; None where the drill asks nothing."""
    return None if limit is None else (-float("inf"), limit)


def range_text(limits: Limits | None) -> str:
    """Limits in degrees in words; "" without any."""
    if limits is None:
        return ""
    low, high = limits
    if high == float("inf"):
        return f"at least {low:g} deg"
    return f"at most {high:g} deg" if low == -float("inf") else f"{low:g} to {high:g} deg"
