"""A rep against its drill: which faults it shows, or why it could not be scored."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from math import inf

import numpy as np

from imu_shoulder.assess.notes import rep_notes, short_stays, skipped
from imu_shoulder.drills import Drill
from imu_shoulder.measure.curves import SetCurves, quietest_rms
from imu_shoulder.measure.hold import unbroken
from imu_shoulder.measure.movement import rep_tempo
from imu_shoulder.measure.pauses import missing, pauses_text
from imu_shoulder.measure.registry import Floor, RepData, all_measures
from imu_shoulder.measure.stations import first_order, station_text, twice_held
from imu_shoulder.model import BoolArray, FloatArray
from imu_shoulder.segment.model import ArmSet, Rep


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


CURVE_POINTS = 101
# The quietest stillness of a set is the sensor's own noise, unless it is louder than this: then it is the person.
LOUDEST_FLOOR = Floor(tremor_deg=0.0016, tremor_deg_s=0.1)
# A last station missed after this much of the way was aimed at and not reached; after less it was left out.
AIMED_PCT = 33.0


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
    slipped_s: float = inf,
) -> tuple[JudgedRep, ...]:
    """Measure and judge every rep of one arm's set. angles: column -> (M,) on the whole grid; seen, clipped: (M,).

    slipped_s: when a sensor of the arm turned on its strap; reps that end later are not scored.
    """
    rows = slice(*arm_set.rows)
    inside = {name: values[rows] for name, values in angles.items()}
    times = time_s[rows]
    drill = None if arm_set.counted_only else arm_set.drill
    curves = SetCurves(rate_hz, arm_set.curve_deg, inside)
    floor = _floor(curves)
    starts = [rep.start_deg for rep in arm_set.counted if rep.end_s <= slipped_s]
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
            curves,
            span.start,
            floor,
        )
        values = {m.name: m.compute(data) for m in all_measures()}
        excluded = _excluded(rep, rate_hz, seen[rows][span], clipped[rows][span], params)
        # What a slipped sensor shows may not even be a partial rep.
        excluded = "sensor_slip" if rep.end_s > slipped_s else excluded
        faults: tuple[str, ...] = ()
        case = Case(data, values, usual_start, params)
        if not excluded and drill is not None:
            asked = FAULTS if rep.kind == "rep" else {name: FAULTS[name] for name in HOLDING_FAULTS}
            faults = tuple(name for name, found in asked.items() if found(drill, case))
        texts = {
            "tempo": rep_tempo(data),
            "pauses": pauses_text(data),
            "station_holds": station_text(data),
            "notes": ";".join(rep_notes(data, faults, params.hold_margin_s)),
        }
        untold = ("shrug",) if _shrug_untold(case) else ()
        out.append(JudgedRep(number, rep, values, faults, excluded, texts, _normalised(data), floor, untold))
        number += rep.kind != "false_start"
    return tuple(out)


def _floor(curves: SetCurves) -> Floor:
    """The tremor band's own noise: what it shows in the quietest two seconds of the set, its rests included."""
    default, loudest = Floor(), LOUDEST_FLOOR
    rms, rate_rms = (
        quietest_rms(values, curves.lead_deg, curves.rate_hz)
        for values in (curves.tremor_deg, curves.tremor_rate_deg_s)
    )
    if not (np.isfinite(rms) and np.isfinite(rate_rms)):
        return default
    return Floor(default.sd_deg, min(rms, loudest.tremor_deg), min(rate_rms, loudest.tremor_deg_s))


def _normalised(data: RepData) -> FloatArray:
    values = data.lead_deg
    if len(values) < 2 or not np.isfinite(values).all():
        return np.empty(0)
    return np.interp(np.linspace(0, len(values) - 1, CURVE_POINTS), np.arange(len(values)), values)


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
