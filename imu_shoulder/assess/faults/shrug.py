"""Whether the shoulder blade rises with the arm: asked by every drill, seen by a sensor on it alone."""

from __future__ import annotations

from collections.abc import Mapping
from math import isfinite

from imu_shoulder.assess.fault import Case, Criterion, Fault
from imu_shoulder.drills import Drill
from imu_shoulder.segment.model import Rep


def shrug(drill: Drill, case: Case) -> float:
    return float(case.values["shrug_deg"] > limit_deg(case) and not untold(case))


def limit_deg(case: Case) -> float:
    return max(case.params.shrug_deg, case.params.shrug_sds * case.values["shrug_sd_deg"])


def untold(case: Case) -> bool:
    """Whether even a large shrug would stay within the limit: one that grows with the lift, cut off at the reach.

    Where it is not known how much of the lift was seen, it may.
    """
    told_deg = case.params.shrug_told_deg * case.values["shrug_shown_pct"] / 100.0
    return isfinite(case.values["shrug_deg"]) and not limit_deg(case) <= told_deg


def shown(rep: Rep, values: Mapping[str, float]) -> bool:
    return rep.kind == "rep" and isfinite(values["scapula_up_deg"])


CRITERION = Criterion(
    name="shrug",
    place=110,
    label="Shrug",
    asked=lambda drill: "the shoulder blade turns up no more than it does with the arm in the other reps",
    numbers=("shrug_deg",),
    sensor_needed=True,
    shown=shown,
    column=("shrug_deg", "Shrug °", 0),
    faults=(
        Fault(
            name="shrug",
            place=120,
            raised=10,
            missed=shrug,
            label="shoulder shrugged",
            advice="Keep the shoulder down while the arm rises",
            cue="shoulder down",
            meaning="the shoulder blade turned up by more than goes with the arm ([shrug.md](shrug.md))",
            untold=untold,
            caution="hitch",
        ),
    ),
)
