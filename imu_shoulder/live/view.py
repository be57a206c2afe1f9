"""The parts of a frame, in JSON types."""

from __future__ import annotations

import itertools
import math
from collections.abc import Callable, Sequence
from dataclasses import asdict
from functools import cache
from typing import Any

from imu_shoulder.assess.unseen import live_lines
from imu_shoulder.calibrate.model import ArmCalibration
from imu_shoulder.drills import Drill
from imu_shoulder.drills.judged import JUDGED
from imu_shoulder.engine.running import ATTEMPTS, FinalRep, RunningSet
from imu_shoulder.engine.watch import NEAR_DEG, ArmWatch, steady_word
from imu_shoulder.live.before import facts, way_words
from imu_shoulder.live.course import Course
from imu_shoulder.model import Side
from imu_shoulder.plan import PlannedDrill
from imu_shoulder.segment.model import Rep

LAST_HOLDS = 5


def drill_frame(course: Course) -> dict[str, Any]:
    item = course.item
    return {
        "id": item.drill.id,
        "title": item.drill.title,
        "set_up": list(item.drill.set_up),
        "cautions": list(item.drill.cautions),
        "side": item.side,
        "direction": item.drill.direction or None,
        "directions": {name: way_words(name) for name in item.drill.directions},
        "facts": facts(item),
        "asked": {"reps": dict(item.reps), "hold_s": item.drill.top.hold_s or None},
        "number": course.place + 1,
        "of": len(course.plan.drills),
        "set": course.round,
        "sets": item.sets,
    }


def sinks(watch: ArmWatch) -> bool:
    """Whether an arm that is to hold throughout has sunk under its band, on its way down or still held."""
    band, angle_deg = watch.band_deg, watch.angle_deg
    if watch.role != "hold" or watch.hold_from_s is None or watch.phase in ("rest", "unseen"):
        return False
    return band is not None and angle_deg is not None and angle_deg < band[0] - NEAR_DEG


def told_frame(drill: Drill, arms: Sequence[ArmCalibration]) -> dict[str, Any]:
    """What its leading angle is about, where that is not the trunk, and what it asks that these arms do not show."""
    about = any(arm.upper_arm is not None and not arm.about_trunk for arm in arms)
    reads = f"{drill.leading_angle} about gravity" if about and drill.leading_angle in ("elevation", "plane") else ""
    return {"reads": reads, "not_seen": live_lines(drill, arms)}


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


def arm_frame(
    live: RunningSet, side: Side, now_s: float, glance: Callable[[Side, str], float] | None = None
) -> dict[str, Any]:
    """An arm in a set. now_s: of the newest row of the common grid. glance: gives an angle in it, which the set has a
    little later.
    """
    watch = live.watches[side]
    drill = live.drill_of(side)
    assert drill is not None
    told = [final.judged for final in live.final.get(side, [])]
    holds = [j.values for j in told if j.rep.kind == "rep"][-LAST_HOLDS:]
    # An arm that holds while the other one lifts holds throughout.
    target = watch.hold_target_s if watch.role == "lift" else None
    hold_s = watch.hold_s(now_s)
    steadiness = watch.steadiness_deg()
    of = drill.dose.reps if side in live.asked else None
    return _empty(drill, watch.role) | {
        "angle_deg": _round(_angle_now(watch, side, live.told_by[side][1], glance)),
        "band_deg": None if watch.band_deg is None else [_open(end) for end in watch.band_deg],
        "peak_deg": _round(watch.peak_deg),
        "of": of,
        "phase": watch.phase,
        "station": watch.station,
        "next_station": watch.next_station,
        "hold_s": None if hold_s is None else round(hold_s, 2),
        "hold_target_s": target,
        "held_s": _round(watch.held_s, 2),
        "hold_done": bool(target and hold_s is not None and hold_s >= target),
        "sinks": sinks(watch),
        "steadiness_deg": _round(steadiness, 2),
        "steady": steady_word(steadiness, [values["hold_sd_deg"] for values in holds]),
        "last_holds_s": [round(v["hold_s"], 1) for v in holds if math.isfinite(v["hold_s"])],
        "missed": list(told[-1].faults) if told else [],
        # A false start has the number of the rep after it, and is none.
        "unseen": [j.number for j in told if j.excluded == "gap" and j.rep.kind in ATTEMPTS],
    }


def _angle_now(watch: ArmWatch, side: Side, name: str, glance: Callable[[Side, str], float] | None) -> float | None:
    """What is no longer seen stays so until the set sees it again."""
    newest_deg = math.nan if watch.angle_deg is None or glance is None else glance(side, name)
    return newest_deg if math.isfinite(newest_deg) else watch.angle_deg


def rep_events(live: RunningSet) -> list[dict[str, Any]]:
    """The attempts of a set: told ones, which change only where they are said to be revised, and those under way.

    extra: a rep beyond those asked.
    """
    out = []
    for side, finals in live.final.items():
        told = [final for final in finals if final.judged.rep.kind in ATTEMPTS]
        own = [_final_event(live.number, side, final) for final in told]
        for number, rep in enumerate(live.open.get(side, []), start=len(told) + 1):
            own.append(_event(live.number, side, number, rep))
        asked = live.asked[side].dose.reps if side in live.asked else math.inf
        done = itertools.accumulate(event["kind"] == "rep" for event in own)
        out += [event | {"extra": event["kind"] == "rep" and n > asked} for event, n in zip(own, done, strict=True)]
    return out


def _final_event(set_number: int, side: Side, final: FinalRep) -> dict[str, Any]:
    judged = final.judged
    return _event(set_number, side, judged.number, judged.rep) | {
        "final": True,
        "known_s": final.known_s,
        "hold_s": _round(judged.values["hold_s"], 6),
        "faults": list(judged.faults),
        "excluded": judged.excluded,
        "revised": final.revised,
    }


def _event(set_number: int, side: Side, number: int, rep: Rep) -> dict[str, Any]:
    return {
        "id": f"{set_number}-{side}-{number}",
        "final": False,
        "set": set_number,
        "side": side,
        "rep": number,
        "kind": rep.kind,
        "start_s": rep.start_s,
        "top_start_s": rep.top_start_s,
        "top_end_s": rep.top_end_s,
        "end_s": rep.end_s,
        "top_deg": rep.top_deg,
    }


def _empty(drill: Drill, role: str) -> dict[str, Any]:
    return _nothing_shown(drill.leading_angle) | {
        "role": role,
        "hold_target_s": (drill.top.hold_s or None) if role == "lift" else None,
    }


@cache
def _nothing_shown(leading_angle: str) -> dict[str, Any]:
    angle = JUDGED[leading_angle]
    return {
        "role": None,
        "angle_name": angle.name,
        "angle_deg": None,
        "band_deg": None,
        "range_deg": list(angle.gauge_deg),
        "dial": asdict(angle.dial),
        "peak_deg": None,
        "of": None,
        "phase": "rest",
        "station": None,
        "next_station": None,
        "hold_s": None,
        "hold_target_s": None,
        "held_s": None,
        "hold_done": False,
        "sinks": False,
        "steadiness_deg": None,
        "steady": None,
        "last_holds_s": [],
        # What is shown, of which by measurement; by hand where that was corrected.
        "count": 0,
        "counted": 0,
        "by_hand": None,
        "extra": 0,
        "done": False,
        "missed": [],
        "unseen": [],
    }


def _open(end: float) -> float | None:
    return None if math.isinf(end) else round(end, 1)


def _round(value: float | None, digits: int = 1) -> float | None:
    return None if value is None or not math.isfinite(value) else round(float(value), digits)
