"""One arm's set against its drill, as plain data for summary.json. Every figure names the reps it comes from."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np

from imu_shoulder.assess import words
from imu_shoulder.assess.across import consistency, fatigue, first_last
from imu_shoulder.assess.across import slope_over_reps as slope_over_reps
from imu_shoulder.assess.fault import Criterion
from imu_shoulder.assess.faults import CRITERIA, FAULTS
from imu_shoulder.assess.judge import JudgedRep, clean
from imu_shoulder.drills import Drill
from imu_shoulder.measure.movement import tempo_text
from imu_shoulder.segment.model import ArmSet

# A holding arm that went up or down by less than this over the set stayed where it was.
HOLDER_MOVED_DEG = 3.0
# Below this the sensor, not the person, is unsteady: tilt noise of a consumer accelerometer is about 0.03 deg.
STEADINESS_FLOOR_DEG = 0.05
# Measures that are said to be at the floor there; the tremor's floor is what the recording itself shows.
SD_MEASURES = ("hold_sd_deg", "hold_wander_deg", "hold_elevation_sd_deg", "hold_rotation_sd_deg", "station_sway_deg")
TREMOR_MEASURES = ("hold_tremor_deg_s", "hold_tremor_power_deg2")


def assess_set(arm_set: ArmSet, judged: Sequence[JudgedRep]) -> dict[str, Any]:
    """The summary entry of one arm's set."""
    drill = arm_set.drill
    scored = [j for j in judged if not j.excluded]
    lifting = arm_set.role == "lift"
    asked = drill.dose.reps if drill is not None and lifting else None
    holds = [j.values["hold_s"] for j in scored]
    reps = sum(j.rep.kind == "rep" for j in judged) if lifting else 0
    judging = None if arm_set.counted_only else drill
    start_deg = float(np.median([j.rep.start_deg for j in scored])) if scored else 0.0
    band = None if judging is None else judging.top_band_deg(start_deg)
    return {
        "set": arm_set.number,
        "drill": None if drill is None else drill.id,
        "title": "Free movement" if drill is None else words.titled(drill),
        "direction": "" if drill is None else drill.direction,
        "cautions": [] if drill is None else list(drill.cautions),
        "side": arm_set.side,
        "role": arm_set.role,
        "start_s": arm_set.start_s,
        "end_s": arm_set.end_s,
        "angle": arm_set.angle,
        "band_deg": None if band is None else [None if np.isinf(end) else end for end in band],
        "asked": _asked(drill, asked),
        "done": {
            "reps": reps,
            "scored": len(scored) if lifting else 0,
            "clean": len(clean(judged)) if lifting and judging is not None else None,
            "extra": max(0, reps - asked) if lifting and asked is not None else 0,
            "excluded": len(judged) - len(scored),
        },
        "unseen_s": round(arm_set.unseen_s, 1),
        "headline": words.headline(judging, judged, asked, float(np.median(holds)) if holds else None, arm_set.unseen_s)
        if lifting
        else holder_headline(judged),
        "change": words.change(drill, judged) if lifting else words.holder_change(judged),
        "criteria": [] if judging is None else _criteria(judging, scored, lifting),
        "faults": words.faults_by_rep(judged),
        "holding": None if lifting else _holding(scored),
        "excluded": [
            {
                "rep": j.number,
                "start_s": j.rep.start_s,
                "why": j.excluded,
                "text": words.excluded(j),
            }
            for j in judged
            if j.excluded
        ],
        "steadiness": {name: _median(scored, name) for name in STEADINESS},
        "tempo": _tempo(scored),
        "fatigue": fatigue(scored, asked_hold=drill is not None and drill.top.hold_s > 0),
        "consistency": consistency(scored),
        "first_last": first_last(scored) if lifting else None,
        "notes": [{"rep": j.number, "text": j.texts["notes"]} for j in scored if j.texts.get("notes")],
        "close": [_close(j) for j in scored if j.close],
        "asked_ranges": [] if judging is None else _asked_ranges(judging),
        "visits": [] if judging is None or not judging.by_stations else _visits(judging, judged),
        "judged": judging is not None,
        "side_difference": None,
    }


def _close(judged: JudgedRep) -> dict[str, Any]:
    """What of a rep is too close to a limit to call, and what was seen of it."""
    text = judged.texts.get("close_notes") or ", ".join(FAULTS[name].label for name in judged.close)
    return {"rep": judged.number, "faults": list(judged.close), "text": text}


def _asked_ranges(drill: Drill) -> list[dict[str, Any]]:
    """Each range that a station or the form asks of an angle, and where: a station's name, top, hold or all."""
    ranges = [(station.name, asked) for station in drill.stations for asked in station.ranges]
    ranges += [(limit.where, limit.asked) for limit in drill.form.limits]
    return [
        {
            "angle": asked.angle,
            "where": where,
            "low_deg": None if np.isinf(asked.low_deg) else asked.low_deg,
            "high_deg": None if np.isinf(asked.high_deg) else asked.high_deg,
            "above": asked.above,
        }
        for where, asked in ranges
    ]


def _visits(drill: Drill, judged: Sequence[JudgedRep]) -> list[dict[str, Any]]:
    """The stays at the drill's stations, rep by rep."""
    return [
        {
            "rep": j.number,
            "station": visit.name,
            "start_s": visit.start_s,
            "end_s": visit.end_s,
            "top": visit.name == drill.top.name,
        }
        for j in judged
        for visit in j.rep.visits
    ]


STEADINESS = (
    *("hold_sd_deg", "hold_drift_deg_s", "hold_tremor_deg_s", "time_in_band_pct"),
    *("settling_s", "hold_sag_deg", "hold_sway_deg_s", "hold_wander_deg", "hold_corrections_per_s"),
    *("hold_tremor_power_deg2", "hold_tremor_share_pct", "hold_elevation_sd_deg", "hold_rotation_sd_deg"),
    *("hold_rotation_drift_deg_s", "hold_working_sd_deg", "hold_waiting_sd_deg", "dip_deg", "station_sway_deg"),
)


def _tempo(scored: Sequence[JudgedRep]) -> dict[str, Any]:
    """Medians of the phases, and the four-field tempo they make."""
    out: dict[str, Any] = {name: _median(scored, name) for name in ("lift_s", "hold_s", "lower_s", "rest_s")}
    fields = [out[name]["median"] for name in ("lower_s", "rest_s", "lift_s", "hold_s")]
    out["text"] = "" if None in fields else tempo_text(*fields)
    # The four fields stand for lowering, bottom pause, lifting and top pause; a drill begins with the lift.
    out["order"] = "3-4-1-2"
    return out


def holder_headline(judged: Sequence[JudgedRep]) -> str:
    if not judged:
        return "The holding arm was not seen."
    values = judged[0].values
    text = f"Stayed in the band {values['time_in_band_pct']:.0f} % of the set"
    working, waiting = values["hold_working_sd_deg"], values["hold_waiting_sd_deg"]
    if np.isfinite(working) and np.isfinite(waiting):
        text += f", steady to {working:.1f} deg while the other arm moved and {waiting:.1f} deg while it was still"
    elif np.isfinite(values["hold_sd_deg"]):
        text += f", steady to {values['hold_sd_deg']:.1f} deg"
    moved_deg = _moved_deg(judged[0])
    if abs(moved_deg) >= HOLDER_MOVED_DEG:
        text += f"; {'sank' if moved_deg < 0 else 'rose'} by {abs(moved_deg):.0f} deg in all"
    if values["hold_breaks"] > 0:
        times = "once" if values["hold_breaks"] == 1 else f"{values['hold_breaks']:.0f} times"
        text += f"; left the hold {times}, by {abs(values['break_deg']):.0f} deg at most"
    return text + "."


def _moved_deg(judged: JudgedRep) -> float:
    """How far a holding arm rose over its hold (negative: sank), by its steady drift."""
    return judged.values["hold_drift_deg_s"] * judged.values["hold_s"]


def _holding(scored: Sequence[JudgedRep]) -> dict[str, Any]:
    """Of an arm that holds: how far it rose (negative: sank), and whether it sank further than the drill allows."""
    moved = [_moved_deg(j) for j in scored]
    return {"moved_deg": min(moved, default=None), "sank": any(map(words.sank, scored))}


def _asked(drill: Drill | None, reps: int | None) -> dict[str, Any]:
    if drill is None:
        return {"reps": None, "hold_s": None, "lift_at_least_s": None, "lower_at_least_s": None, "sets": None}
    return {
        "reps": reps,
        "sets": drill.dose.sets,
        "by": "plan" if drill.dose.asked else "usual",
        "hold_s": drill.top.hold_s or None,
        "lift_at_least_s": drill.lift_at_least_s,
        "lower_at_least_s": drill.lower_at_least_s,
        "source": drill.dose.source,
    }


def _criteria(drill: Drill, scored: Sequence[JudgedRep], lifting: bool) -> list[dict[str, Any]]:
    asked = asked_texts(drill)
    if not lifting:
        asked = {name: text for name, text in asked.items() if not CRITERIA[name].lifts_only}
        asked |= {name: own.said_to_holder for name, own in CRITERIA.items() if own.said_to_holder}
    for name, own in CRITERIA.items():
        if own.shown is not None and any(own.shown(j.rep, j.values) for j in scored):
            asked[name] = own.asked(drill)
    return [_criterion(CRITERIA[name], text, drill, scored) for name, text in asked.items()]


def _criterion(own: Criterion, text: str, drill: Drill, scored: Sequence[JudgedRep]) -> dict[str, Any]:
    faults = {fault.name for fault in own.faults}
    unknown = [j.number for j in scored if own.sensor_needed and _unknown(own, faults, j)]
    missed = [j.number for j in scored if faults & set(j.faults)]
    met = [j.number for j in scored if j.number not in missed and j.number not in unknown]
    judged = len(met) + len(missed)
    limits = own.limits(drill)
    return {
        "name": own.name,
        "asked": text,
        "met": met,
        "missed": missed,
        "unknown": unknown,
        "share": len(met) / judged if judged else None,
        "numbers": {measure: _median(scored, measure) for measure in own.numbers},
        "limits": None if limits is None else [float(end) for end in limits],
    }


def _unknown(own: Criterion, faults: set[str], judged: JudgedRep) -> bool:
    """Whether the sensors worn do not show the criterion in this rep, or too vaguely."""
    return bool(faults & set(judged.untold)) or not np.isfinite(judged.values[own.numbers[0]])


def asked_texts(drill: Drill) -> dict[str, str]:
    """What the drill asks, criterion by criterion, in words."""
    found = {name: own.asked(drill) for name, own in CRITERIA.items() if own.shown is None}
    return {name: text for name, text in found.items() if text}


def _median(scored: Sequence[JudgedRep], name: str) -> dict[str, Any]:
    values = np.array([j.values[name] for j in scored])
    values = values[np.isfinite(values)]
    found: dict[str, Any] = {"median": float(np.median(values)) if len(values) else None, "n": len(values)}
    if name in (*SD_MEASURES, *TREMOR_MEASURES):
        floor = STEADINESS_FLOOR_DEG if name in SD_MEASURES else 0.0
        found["at_floor"] = bool(len(values)) and float(np.median(values)) <= floor
    return found
