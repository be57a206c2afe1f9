"""How long a plan takes, before it is begun: sets, rests and calibration.

Sources. All times here are ours: common paces of slow drills, to plan an evening with, no limit and no target.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import ceil
from typing import Any

from imu_shoulder.assess.words import counted
from imu_shoulder.drills import Drill
from imu_shoulder.plan import Plan, PlannedDrill

# Of one way to a station or back, where the drill asks no more.
WAY_S = 2.0
# Between two reps.
BETWEEN_REPS_S = 1.0
# Pose, elbow bends and forward raises.
CALIBRATION_S = 60.0


@dataclass(frozen=True, slots=True)
class Duration:
    """Seconds of a plan or a part of it."""

    sets_s: float
    rests_s: float
    calibration_s: float = 0.0

    @property
    def total_s(self) -> float:
        return self.sets_s + self.rests_s + self.calibration_s

    @property
    def minutes(self) -> int:
        """Rounded up: nobody is helped by a plan that takes longer than it said."""
        return ceil(self.total_s / 60.0 - 1e-9)


def rep_s(drill: Drill) -> float:
    """One rep: every way, every hold and every pause that is asked, and the moment before the next one."""
    up_s = max(drill.lift_at_least_s, WAY_S) * len(drill.stations)
    holds_s = sum(station.hold_s for station in drill.stations) + sum(pause.hold_s for pause in drill.pauses)
    return up_s + holds_s + max(drill.lower_at_least_s, WAY_S) + BETWEEN_REPS_S


def drill_duration(item: PlannedDrill) -> Duration:
    """All sets of one drill, with a rest after each. Two arms move together; where one holds, each has its own sets."""
    apart = item.drill.arms == "hold_and_lift"
    reps = sum(item.reps.values()) if apart else max(item.reps.values())
    sets = item.sets * (len(item.reps) if apart else 1)
    return Duration(item.sets * reps * rep_s(item.drill), sets * item.rest_s)


def plan_duration(plan: Plan) -> Duration:
    """The whole plan, calibration before it and no rest behind the last set."""
    every = [drill_duration(item) for item in plan.drills]
    rests_s = sum(found.rests_s for found in every) - plan.drills[-1].rest_s
    return Duration(sum(found.sets_s for found in every), rests_s, CALIBRATION_S)


def overview(plan: Plan) -> dict[str, Any]:
    """The plan before it is begun, in JSON types: what comes first, whole time in minutes, and each drill with its own.

    Keys: `athlete`, `limits_first`, `pain_ceiling`, `days`, `note`, `minutes`, `text`, and `drills` (`title`, `arm`,
    `dose`, `load`, `note`).
    """
    whole = plan_duration(plan)
    sets, rests, calibration = (s / 60.0 for s in (whole.sets_s, whole.rests_s, whole.calibration_s))
    return {
        "athlete": plan.athlete,
        "limits_first": list(plan.limits_first),
        "pain_ceiling": plan.pain_ceiling,
        "days": list(plan.days),
        "note": plan.note,
        "minutes": whole.minutes,
        "text": f"About {counted(whole.minutes, 'minute')} in all: {sets:.0f} of sets, {rests:.0f} of rests, "
        f"{calibration:.0f} of calibration.",
        "drills": [_item(item) for item in plan.drills],
    }


def _item(item: PlannedDrill) -> dict[str, Any]:
    return {
        "title": item.title,
        "arm": "both arms" if item.side == "both" else f"{item.side} arm",
        "dose": dose_text(item),
        "load": load_text(item),
        "note": item.note,
    }


def dose_text(item: PlannedDrill) -> str:
    """Sets, reps and hold in words."""
    reps = set(item.reps.values())
    each = " and ".join(f"{n} {side}" for side, n in item.reps.items()) if len(reps) > 1 else f"{reps.pop()}"
    hold = f", held {item.drill.top.hold_s:g} s" if item.drill.top.hold_s > 0 else ""
    return f"{counted(item.sets, 'set')} of {each} {'rep' if each == '1' else 'reps'}{hold}"


def load_text(item: PlannedDrill) -> str:
    """What the plan says; else how the athlete's own is chosen."""
    if item.band is not None:
        return item.band
    return item.drill.dose.load if item.load_kg is None else f"{item.load_kg:g} kg"
