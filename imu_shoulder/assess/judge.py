"""A rep against its drill: which faults it shows, or why it could not be scored."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from math import inf, isfinite, nan

import numpy as np

from imu_shoulder.assess.fault import Case, JudgeParams
from imu_shoulder.assess.faults import FAULTS, RAISED
from imu_shoulder.assess.limits import untold
from imu_shoulder.measure.registry import Floor
from imu_shoulder.measure.reps import MeasuredRep
from imu_shoulder.model import FloatArray
from imu_shoulder.segment.model import Rep


@dataclass(frozen=True, slots=True)
class JudgedRep:
    """A rep with its measures (column name -> value, NaN where unknown), faults and reason of exclusion.

    number: counts reps and partial reps from 1; a false start carries the number of the rep it precedes.
    texts: column name -> text: the four-field tempo, pauses, station_holds, notes, close_notes. curve_deg:
    (CURVE_POINTS,) the leading angle over the rep, start to end in equal shares of its time; empty where it was not all
    seen.
    floor: the sensor's own noise that was taken off. untold: faults that the sensors worn show too vaguely to judge.
    close: faults that are too close to call. Such a rep is done, and nobody is blamed for it.
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
    close: tuple[str, ...] = ()


def judge_set(measured: Sequence[MeasuredRep], params: JudgeParams, slipped_s: float = inf) -> tuple[JudgedRep, ...]:
    """Every rep of one arm's set against its drill.

    slipped_s: when a sensor of the arm turned on its strap; reps that end later are not scored.
    """
    usual_deg = usual_start_deg([own.rep for own in measured if own.rep.end_s <= slipped_s])
    return tuple(judge_rep(own, usual_deg, params, slipped_s) for own in measured)


def usual_start_deg(reps: Sequence[Rep]) -> float:
    """Where the reps of a set usually begin, NaN without any."""
    starts = [rep.start_deg for rep in reps if rep.kind == "rep" and not rep.cut and isfinite(rep.start_deg)]
    return float(np.median(starts)) if starts else float("nan")


def judge_rep(measured: MeasuredRep, usual_deg: float, params: JudgeParams, slipped_s: float = inf) -> JudgedRep:
    """One rep against its drill. usual_deg: where the reps of its set usually begin, as far as it was seen."""
    data, rep = measured.data, measured.rep
    # What a slipped sensor shows may not even be a partial rep.
    excluded = "sensor_slip" if rep.end_s > slipped_s else _excluded(measured, params)
    probable: dict[str, float] = {}
    case = Case(data, measured.values, usual_deg, params)
    if not excluded and data.drill is not None:
        drill, lifts = data.drill, rep.kind == "rep"
        probable = {f.name: f.missed(drill, case) for f in FAULTS.values() if lifts or f.of_holder}
    faults = tuple(name for name, share in probable.items() if share >= params.fault_from)
    close = tuple(name for name, share in probable.items() if params.close_from <= share < params.fault_from)
    texts = {**measured.texts, "notes": _notes(faults, case), "close_notes": _notes(close, case)}
    vague = tuple(fault.name for fault in FAULTS.values() if fault.untold(case))
    return JudgedRep(
        measured.number, rep, measured.values, faults, excluded, texts, measured.curve_deg, data.floor, vague, close
    )


def _notes(names: Sequence[str], case: Case) -> str:
    """What was seen of these faults, in a coach's order."""
    return ";".join(line for fault in RAISED if fault.name in names for line in fault.notes(case))


def _excluded(measured: MeasuredRep, params: JudgeParams) -> str:
    if measured.rep.cut:
        return "cut_by_mark"
    if measured.rep.kind in ("partial", "false_start"):
        return measured.rep.kind
    if measured.longest_gap_s > params.gap_s:
        return "gap"
    if measured.clipped_s > params.clipped_s:
        return "clipping"
    drill = measured.data.drill
    case = Case(measured.data, measured.values, nan, params)
    lost = drill is not None and any(untold(case, asked.angle, asked.above) for asked in drill.counted_by)
    return "heading_lost" if lost else ""


def clean(judged: Sequence[JudgedRep]) -> list[JudgedRep]:
    """Scored reps without a fault."""
    return [j for j in judged if not j.excluded and not j.faults]
