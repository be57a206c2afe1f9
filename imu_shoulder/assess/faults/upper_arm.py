"""Whether the upper arm stays where the drill asks: at the side, at shoulder height."""

from __future__ import annotations

from imu_shoulder.assess import limits
from imu_shoulder.assess.fault import Case, Criterion, Fault, range_text
from imu_shoulder.drills import Drill

# Under this the upper arm is asked to hang at the side: ours.
SIDE_DEG = 45.0


def upper_arm_off(drill: Drill, case: Case) -> float:
    swing = drill.form.upper_arm_swing_deg
    swung = 0.0
    if swing is not None:
        swung_deg = case.values["upper_arm_swing_deg"]
        swung = limits.over(swung_deg, swing, limits.changed_sd_deg(swung_deg, case))
    return limits.worst([swung, limits.missed(drill, case, "elevation")])


def at_side(drill: Drill) -> bool:
    """Whether the drill asks for the elbow at the side."""
    ends = drill.form.ends_of("elevation")
    return drill.form.upper_arm_swing_deg is not None or (ends is not None and ends[1] <= SIDE_DEG)


def notes(case: Case) -> list[str]:
    drill = case.data.drill
    if drill is None or not at_side(drill):
        return limits.notes(case, "elevation")
    swing, swung_deg = drill.form.upper_arm_swing_deg, case.values["upper_arm_swing_deg"]
    away = limits.notes(case, "elevation")
    if swing is not None and swung_deg > swing:
        away.insert(0, f"elbow left the side by {swung_deg:.0f} deg, asked {range_text((-float('inf'), swing))}")
    return away


def asked(drill: Drill) -> str:
    swing = drill.form.upper_arm_swing_deg
    stays = [] if swing is None else [f"within {swing:g} deg of where it set out"]
    return "; ".join(filter(None, [limits.asked_text(drill, "elevation"), *stays]))


CRITERION = Criterion(
    name="upper_arm",
    place=55,
    label="Upper arm",
    asked=asked,
    numbers=("upper_arm_swing_deg", "elevation_at_top_deg"),
    limits=lambda drill: (
        None if drill.form.upper_arm_swing_deg is None else (-float("inf"), drill.form.upper_arm_swing_deg)
    ),
    sensor_needed=True,
    faults=(
        Fault(
            name="upper_arm_off",
            place=72,
            raised=35,
            missed=upper_arm_off,
            label="upper arm left its place",
            advice="Keep the upper arm where the drill asks for it",
            cue="mind the upper arm",
            cue_in_drill=lambda drill: "elbow to your side" if at_side(drill) else "",
            meaning="the upper arm is raised more or less than asked, or swung from where it set out: "
            "an elbow that leaves the side",
            of_holder=True,
            notes=notes,
            caution="elbow leaves",
        ),
    ),
)
