"""The parts of a frame, in JSON types."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Any

from imu_shoulder.assess.unseen import live_lines
from imu_shoulder.calibrate.model import ArmCalibration
from imu_shoulder.drills import Drill
from imu_shoulder.live.sets import NOTHING_TOLD, LiveSet
from imu_shoulder.live.watch import steady_word
from imu_shoulder.model import Side
from imu_shoulder.plan import Plan, PlannedDrill

# The gauge's axis of each leading angle.
RANGES_DEG = {
    "elevation": (0.0, 180.0),
    "plane": (-30.0, 120.0),
    "rotation": (-60.0, 120.0),
    "elbow": (0.0, 150.0),
    "forearm": (-90.0, 90.0),
    "thumb_up": (-90.0, 90.0),
}


def drill_frame(plan: Plan, place: int, round_number: int) -> dict[str, Any]:
    item = plan.drills[place]
    return {
        "id": item.drill.id,
        "title": item.drill.title,
        "set_up": list(item.drill.set_up),
        "side": item.side,
        "asked": {"reps": max(item.reps.values(), default=None), "hold_s": item.drill.top.hold_s or None},
        "number": place + 1,
        "of": len(plan.drills),
        "set": round_number,
        "sets": item.sets,
    }


def told_frame(drill: Drill, arms: Sequence[ArmCalibration]) -> dict[str, Any]:
    """What its leading angle is about, where that is not the trunk, and what it asks that these arms do not show."""
    about = any(arm.upper_arm is not None and not arm.about_trunk for arm in arms)
    reads = f"{drill.leading_angle} about gravity" if about and drill.leading_angle in ("elevation", "plane") else ""
    return {"reads": reads, "not_seen": live_lines(drill, arms)}


def pain_frame(pain: float | None, ceiling: float) -> dict[str, Any]:
    stop = pain is not None and pain > ceiling
    if stop:
        text = (
            f"Stop here: pain was {pain:g} of 10, over the ceiling of {ceiling:g}. Do no further sets, and ask the "
            "licensed practitioner who set the drills before the next session."
        )
    else:
        text = "Not rated." if pain is None else f"Pain {pain:g} of 10, the ceiling is {ceiling:g}."
    return {"ceiling": ceiling, "stop": stop, "text": text}


def resting_frame(item: PlannedDrill, side: Side, angle_deg: float | None) -> dict[str, Any]:
    """An arm between sets."""
    lifts = item.drill.arms == "each" or side in item.sides
    out = _empty(item.drill, "lift" if lifts else "hold")
    return out | {
        "angle_deg": _round(angle_deg),
        "band_deg": None,
        "of": item.reps.get(side),
        "phase": "rest" if angle_deg is not None else "unseen",
    }


def arm_frame(live: LiveSet, side: Side, now_s: float) -> dict[str, Any]:
    """An arm in a set. now_s: of the newest row of the common grid."""
    watch = live.watches[side]
    drill = live.asked.get(side, live.drill)
    told = live.told.get(side, NOTHING_TOLD)
    target = watch.hold_target_s
    hold_s = watch.hold_s(now_s)
    steadiness = watch.steadiness_deg()
    of = drill.dose.reps if side in live.asked else None
    counted = live.counted(side)
    under_way = watch.phase in ("lift", "hold", "lower", "unseen") and watch.role == "lift"
    return _empty(drill, watch.role) | {
        "angle_deg": _round(watch.angle_deg),
        "band_deg": None if watch.band_deg is None else [_open(end) for end in watch.band_deg],
        "peak_deg": _round(watch.peak_deg),
        "rep": max(counted + 1, 1) if under_way else counted,
        "of": of,
        "phase": watch.phase,
        "station": watch.station,
        "next_station": watch.next_station,
        "hold_s": None if hold_s is None else round(hold_s, 2),
        "hold_target_s": target,
        "held_s": _round(watch.held_s, 2),
        "let_go": bool(target and hold_s is not None and hold_s >= target),
        "steadiness_deg": _round(steadiness, 2),
        "steady": steady_word(steadiness, told.hold_sds_deg),
        "last_holds_s": list(told.holds_s),
        "counted": counted,
        "missed": list(told.faults),
        "unseen": list(told.unseen),
    }


def _empty(drill: Drill, role: str) -> dict[str, Any]:
    return {
        "role": role,
        "angle_name": drill.leading_angle,
        "angle_deg": None,
        "band_deg": None,
        "range_deg": list(RANGES_DEG[drill.leading_angle]),
        "peak_deg": None,
        "rep": 0,
        "of": None,
        "phase": "rest",
        "station": None,
        "next_station": None,
        "hold_s": None,
        "hold_target_s": drill.top.hold_s or None,
        "held_s": None,
        "let_go": False,
        "steadiness_deg": None,
        "steady": None,
        "last_holds_s": [],
        "counted": 0,
        "missed": [],
        "unseen": [],
    }


def _open(end: float) -> float | None:
    return None if math.isinf(end) else round(end, 1)


def _round(value: float | None, digits: int = 1) -> float | None:
    return None if value is None or not math.isfinite(value) else round(float(value), digits)
