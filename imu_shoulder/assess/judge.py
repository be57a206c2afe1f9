"""A rep against its drill: which faults it shows, or why it could not be scored."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from math import inf

import numpy as np

from imu_shoulder.assess.notes import rep_notes, short_stays, skipped
from imu_shoulder.drills import Drill
from imu_shoulder.measure.hold import unbroken
from imu_shoulder.measure.pauses import missing
from imu_shoulder.measure.registry import Floor, RepData
from imu_shoulder.measure.reps import MeasuredRep
from imu_shoulder.measure.station_holds import first_order, twice_held
from imu_shoulder.model import FloatArray
from imu_shoulder.segment.model import Rep


@dataclass(frozen=True, slots=True)
class JudgeParams:
    """Margins within which a measurement does not blame. Limits themselves are the drill's.

    gap_s: a rep with a longer gap is not scored. clipped_s: likewise for clipped samples.
    shrug_deg, shrug_sds: a shrug is more than both, the second in standard deviations of the rep's own value.
    shrug_told_deg: a shrug of this size at the top must be more than that, as far as it is seen; else none is judged.
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
    shrug_told_deg: float = 12.0
    start_margin_deg: float = 6.0
    start_margin_share: float = 0.3


@dataclass(frozen=True, slots=True)
class JudgedRep:
    """A rep with its measures (column name -> value, NaN where unknown), faults and reason of exclusion.

    number: counts reps and partial reps from 1; a false start carries the number of the rep it precedes.
    texts: column name -> text: the four-field tempo, pauses, station_holds, notes. curve_deg: (CURVE_POINTS,) the
    leading angle over the rep, start to end in equal shares of its time; empty where it was not all seen.
    floor: the sensor's own noise that was taken off. untold: faults that the sensors worn show too vaguely to judge.
    """

    number: int
    rep: Rep
    values: Mapping[str, float]
    faults: tuple[str, ...]
    excluded: str
    texts: Mapping[str, str] = field(default_factory=dict)
    curve_deg: FloatArray = field(default_factory=lambda: np.empty(0))
    floor: Floor = field(default_factory=Floor)
    untold: tuple[str, ...] = ()


# A last station missed after this much of the way was aimed at and not reached; after less it was left out.
AIMED_PCT = 33.0


@dataclass(frozen=True, slots=True)
class Case:
    """What a fault is judged from."""

    data: RepData
    values: Mapping[str, float]
    usual_start_deg: float
    params: JudgeParams


def judge_set(measured: Sequence[MeasuredRep], params: JudgeParams, slipped_s: float = inf) -> tuple[JudgedRep, ...]:
    """Every rep of one arm's set against its drill.

    slipped_s: when a sensor of the arm turned on its strap; reps that end later are not scored.
    """
    usual_deg = usual_start_deg([own.rep for own in measured if own.rep.end_s <= slipped_s])
    return tuple(judge_rep(own, usual_deg, params, slipped_s) for own in measured)


def usual_start_deg(reps: Sequence[Rep]) -> float:
    """Where the reps of a set usually begin, NaN without any."""
    starts = [rep.start_deg for rep in reps if rep.kind == "rep"]
    return float(np.median(starts)) if starts else float("nan")


def judge_rep(measured: MeasuredRep, usual_deg: float, params: JudgeParams, slipped_s: float = inf) -> JudgedRep:
    """One rep against its drill. usual_deg: where the reps of its set usually begin, as far as it was seen."""
    data, rep = measured.data, measured.rep
    # What a slipped sensor shows may not even be a partial rep.
    excluded = "sensor_slip" if rep.end_s > slipped_s else _excluded(measured, params)
    faults: tuple[str, ...] = ()
    case = Case(data, measured.values, usual_deg, params)
    if not excluded and data.drill is not None:
        asked = FAULTS if rep.kind == "rep" else {name: FAULTS[name] for name in HOLDING_FAULTS}
        faults = tuple(name for name, found in asked.items() if found(data.drill, case))
    texts = {**measured.texts, "notes": ";".join(rep_notes(data, faults, params.hold_margin_s))}
    untold = ("shrug",) if _shrug_untold(case) else ()
    return JudgedRep(
        measured.number, rep, measured.values, faults, excluded, texts, measured.curve_deg, data.floor, untold
    )


def _excluded(measured: MeasuredRep, params: JudgeParams) -> str:
    if measured.rep.kind in ("partial", "false_start"):
        return measured.rep.kind
    if measured.longest_gap_s > params.gap_s:
        return "gap"
    return "clipping" if measured.clipped_s > params.clipped_s else ""


def _short_arc(drill: Drill, case: Case) -> bool:
    if len(drill.stations) > 1:
        return _only_top_missed(drill, case) and case.values["top_share_pct"] >= AIMED_PCT
    band = case.data.band_deg
    return band is not None and case.values["top_deg"] < band[0] - case.params.arc_margin_deg


def _only_top_missed(drill: Drill, case: Case) -> bool:
    return skipped(case.data) == [drill.top.name]


def _over_arc(drill: Drill, case: Case) -> bool:
    band = case.data.band_deg
    return band is not None and case.values["top_deg"] > band[1] + case.params.arc_margin_deg


def _hold_broken(drill: Drill, case: Case) -> bool:
    if len(drill.stations) > 1:
        return bool(twice_held(case.data))
    asked = case.data.rep.kind == "hold" or drill.top.hold_s > 0
    return asked and len(unbroken(case.data)) > 1


def _hold_short(drill: Drill, case: Case) -> bool:
    if _hold_broken(drill, case):
        return False
    if missing(case.data, drill.pauses):
        return True
    if len(drill.stations) > 1:
        return bool(short_stays(case.data, case.params.hold_margin_s))
    return case.values["hold_s"] < drill.top.hold_s - case.params.hold_margin_s


def _too_fast(drill: Drill, case: Case) -> bool:
    up_s, down_s = case.values["quickest_up_s"], case.values["quickest_down_s"]
    return up_s < drill.lift_at_least_s or down_s < drill.lower_at_least_s


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
    if limit is None:
        return False
    most = limit + case.params.form_margin_deg
    return case.values["trunk_lean_deg"] > most or abs(case.values["trunk_turn_deg"]) > most


def _arms_together(drill: Drill, case: Case) -> bool:
    limit = drill.form.closing_deg
    return limit is not None and case.values["arms_closing_deg"] > limit + case.params.form_margin_deg


def _shrug(drill: Drill, case: Case) -> bool:
    return case.values["shrug_deg"] > _shrug_limit_deg(case) and not _shrug_untold(case)


def _shrug_limit_deg(case: Case) -> float:
    return max(case.params.shrug_deg, case.params.shrug_sds * case.values["shrug_sd_deg"])


def _shrug_untold(case: Case) -> bool:
    """Whether even a large shrug would stay within the limit: one that grows with the lift, cut off at the reach."""
    return _shrug_limit_deg(case) > case.params.shrug_told_deg * case.values["shrug_shown_pct"] / 100.0


def _start_missed(drill: Drill, case: Case) -> bool:
    start_deg, params = case.values["start_deg"], case.params
    if drill.start:
        return case.values["start_off_deg"] > params.start_margin_deg
    margin = max(params.start_margin_deg, params.start_margin_share * abs(case.values["arc_deg"]))
    return start_deg > case.usual_start_deg + margin


def _station_skipped(drill: Drill, case: Case) -> bool:
    return len(drill.stations) > 1 and bool(skipped(case.data)) and not _short_arc(drill, case)


def _order_wrong(drill: Drill, case: Case) -> bool:
    visited = first_order(case.data)
    return len(drill.stations) > 1 and visited != [s.name for s in drill.stations if s.name in visited]


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
    "arms_together": _arms_together,
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
