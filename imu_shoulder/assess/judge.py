"""A rep against its drill: which faults it shows, or why it could not be scored."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from imu_shoulder.drills import AngleRange, Drill
from imu_shoulder.measure.hold import unbroken
from imu_shoulder.measure.registry import RepData, all_measures
from imu_shoulder.model import BoolArray, FloatArray
from imu_shoulder.segment.model import ArmSet, Rep


@dataclass(frozen=True, slots=True)
class JudgeParams:
    """Margins within which a measurement does not blame. Limits themselves are the drill's.

    gap_s: a rep with a longer gap is not scored. clipped_s: likewise for clipped samples.
    shrug_deg, shrug_sds: a shrug is more than both, the second in standard deviations of the rep's own value.
    start_margin_deg, start_margin_share: how far from the start a rep may set out, beyond the drill's start range
    or, where the drill has none, beyond where the set's reps usually begin (the larger of the two).
    """

    gap_s: float = 0.15
    clipped_s: float = 0.05
    hold_margin_s: float = 0.25
    arc_margin_deg: float = 1.0
    form_margin_deg: float = 1.0
    shrug_deg: float = 3.0
    shrug_sds: float = 3.0
    start_margin_deg: float = 6.0
    start_margin_share: float = 0.3


@dataclass(frozen=True, slots=True)
class JudgedRep:
    """A rep with its measures (column name -> value, NaN where unknown), faults and reason of exclusion.

    number: counts reps and partial reps from 1; a false start carries the number of the rep it precedes.
    """

    number: int
    rep: Rep
    values: Mapping[str, float]
    faults: tuple[str, ...]
    excluded: str


@dataclass(frozen=True, slots=True)
class Case:
    """What a fault is judged from."""

    data: RepData
    values: Mapping[str, float]
    usual_start_deg: float
    params: JudgeParams


def band_deg(drill: Drill | None, start_deg: float) -> tuple[float, float] | None:
    """The absolute band asked of the leading angle at the top, for a rep that starts at start_deg."""
    top = None if drill is None else drill.leading_range(drill.top)
    if top is None:
        return None
    shift = start_deg if top.above == "start" else 0.0
    return top.low_deg + shift, top.high_deg + shift


def judge_set(
    arm_set: ArmSet,
    time_s: FloatArray,
    rate_hz: float,
    angles: Mapping[str, FloatArray],
    seen: BoolArray,
    clipped: BoolArray,
    params: JudgeParams,
) -> tuple[JudgedRep, ...]:
    """Measure and judge every rep of one arm's set. angles: column -> (M,) on the whole grid; seen, clipped: (M,)."""
    rows = slice(*arm_set.rows)
    inside = {name: values[rows] for name, values in angles.items()}
    times = time_s[rows]
    drill = None if arm_set.counted_only else arm_set.drill
    starts = [rep.start_deg for rep in arm_set.counted]
    usual_start = float(np.median(starts)) if starts else float("nan")
    out = []
    number = 1
    for rep in arm_set.reps:
        span = slice(*np.searchsorted(times, [rep.start_s - 1e-9, rep.end_s + 1e-9]))
        data = RepData(
            rep,
            drill,
            rate_hz,
            times[span],
            arm_set.curve_deg[span],
            {name: values[span] for name, values in inside.items()},
            band_deg(drill, rep.start_deg),
        )
        values = {m.name: m.compute(data) for m in all_measures()}
        excluded = _excluded(rep, rate_hz, seen[rows][span], clipped[rows][span], params)
        faults: tuple[str, ...] = ()
        if not excluded and drill is not None:
            case = Case(data, values, usual_start, params)
            asked = FAULTS if rep.kind == "rep" else {name: FAULTS[name] for name in HOLDING_FAULTS}
            faults = tuple(name for name, found in asked.items() if found(drill, case))
        out.append(JudgedRep(number, rep, values, faults, excluded))
        number += rep.kind != "false_start"
    return tuple(out)


def _excluded(rep: Rep, rate_hz: float, seen: BoolArray, clipped: BoolArray, params: JudgeParams) -> str:
    if rep.kind in ("partial", "false_start"):
        return rep.kind
    if _longest(~seen) > params.gap_s * rate_hz:
        return "gap"
    if np.count_nonzero(clipped) > params.clipped_s * rate_hz:
        return "clipping"
    return ""


def _longest(mask: BoolArray) -> int:
    edges = np.flatnonzero(np.diff(np.concatenate([[False], mask, [False]]).astype(np.int8)))
    return int((edges[1::2] - edges[::2]).max(initial=0))


def _short_arc(drill: Drill, case: Case) -> bool:
    band = case.data.band_deg
    return band is not None and case.values["top_deg"] < band[0] - case.params.arc_margin_deg


def _over_arc(drill: Drill, case: Case) -> bool:
    band = case.data.band_deg
    return band is not None and case.values["top_deg"] > band[1] + case.params.arc_margin_deg


def _hold_broken(drill: Drill, case: Case) -> bool:
    asked = case.data.rep.kind == "hold" or (drill.top.hold_s > 0 and len(drill.stations) == 1)
    return asked and len(unbroken(case.data)) > 1


def _hold_short(drill: Drill, case: Case) -> bool:
    if len(drill.stations) > 1:
        return any(
            stay < station.hold_s - case.params.hold_margin_s
            for station in drill.stations
            if (stay := _stay_s(case.data.rep, station.name)) > 0
        )
    broken = _hold_broken(drill, case)
    return not broken and case.values["hold_s"] < drill.top.hold_s - case.params.hold_margin_s


def _too_fast(drill: Drill, case: Case) -> bool:
    return case.values["lift_s"] < drill.lift_at_least_s or case.values["lower_s"] < drill.lower_at_least_s


def _outside(value: float, limits: tuple[float, float] | None, margin: float) -> bool:
    """Whether a known value lies outside its limits; an unknown one blames nobody."""
    return limits is not None and (value < limits[0] - margin or value > limits[1] + margin)


def _thumb_down(drill: Drill, case: Case) -> bool:
    return _outside(case.values["thumb_up_deg"], drill.form.thumb_up_deg, case.params.form_margin_deg)


def _elbow_off(drill: Drill, case: Case) -> bool:
    return _outside(case.values["elbow_deg"], drill.form.elbow_deg, case.params.form_margin_deg)


def _plane_off(drill: Drill, case: Case) -> bool:
    return _outside(case.values["plane_deg"], drill.form.plane_deg, case.params.form_margin_deg)


def _trunk_moved(drill: Drill, case: Case) -> bool:
    limit = drill.form.trunk_deg
    return limit is not None and case.values["trunk_lean_deg"] > limit + case.params.form_margin_deg


def _shrug(drill: Drill, case: Case) -> bool:
    limit = max(case.params.shrug_deg, case.params.shrug_sds * case.values["shrug_sd_deg"])
    return case.values["shrug_deg"] > limit


def _start_missed(drill: Drill, case: Case) -> bool:
    start_deg, params = case.values["start_deg"], case.params
    start: AngleRange | None = next((r for r in drill.start if r.angle == drill.leading_angle), None)
    if start is not None:
        return start_deg > start.high_deg + params.start_margin_deg
    margin = max(params.start_margin_deg, params.start_margin_share * abs(case.values["arc_deg"]))
    return start_deg > case.usual_start_deg + margin


def _stay_s(rep: Rep, station: str) -> float:
    return max((v.end_s - v.start_s for v in rep.visits if v.name == station), default=0.0)


def _station_skipped(drill: Drill, case: Case) -> bool:
    visited = {visit.name for visit in case.data.rep.visits}
    return len(drill.stations) > 1 and any(station.name not in visited for station in drill.stations)


def _order_wrong(drill: Drill, case: Case) -> bool:
    if len(drill.stations) < 2:
        return False
    asked = [station.name for station in drill.stations]
    first_visits: list[str] = []
    for visit in case.data.rep.visits:
        if visit.name not in first_visits:
            first_visits.append(visit.name)
    return first_visits != [name for name in asked if name in first_visits]


# Name -> whether the rep shows it. Only what the drill asks for is judged; unknown values never blame.
FAULTS: Mapping[str, Callable[[Drill, Case], bool]] = {
    "short_arc": _short_arc,
    "over_arc": _over_arc,
    "hold_short": _hold_short,
    "hold_broken": _hold_broken,
    "too_fast": _too_fast,
    "thumb_down": _thumb_down,
    "elbow_off": _elbow_off,
    "plane_off": _plane_off,
    "trunk_moved": _trunk_moved,
    "start_missed": _start_missed,
    "shrug": _shrug,
    "station_skipped": _station_skipped,
    "order_wrong": _order_wrong,
}
# What an arm is judged by that is asked to hold while the other one lifts.
HOLDING_FAULTS = ("short_arc", "over_arc", "hold_broken", "thumb_down", "elbow_off", "plane_off", "trunk_moved")


def clean(judged: Sequence[JudgedRep]) -> list[JudgedRep]:
    """Scored reps without a fault."""
    return [j for j in judged if not j.excluded and not j.faults]
