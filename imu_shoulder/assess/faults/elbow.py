"""Whether the elbow is bent as asked at the top."""

from __future__ import annotations

from imu_shoulder.assess import limits
from imu_shoulder.assess.fault import Criterion, Fault
from imu_shoulder.drills import Drill


def cue(drill: Drill) -> str:
    ends = drill.form.ends_of("elbow")
    if ends is None:
        return ""
    return "elbow straight" if ends[0] < 0 else "elbow bent"


CRITERION = Criterion(
    name="elbow",
    place=50,
    label="Elbow",
    asked=lambda drill: limits.asked_text(drill, "elbow"),
    numbers=("elbow_deg",),
    limits=lambda drill: drill.form.ends_of("elbow"),
    sensor_needed=True,
    column=("elbow_deg", "Elbow °", 0),
    faults=(
        Fault(
            name="elbow_off",
            place=70,
            raised=40,
            missed=lambda drill, case: limits.missed(drill, case, "elbow"),
            label="elbow off its angle",
            advice="Keep the elbow bent as the drill asks",
            cue="mind the elbow",
            cue_in_drill=cue,
            meaning="the elbow is bent more or less than asked, at the top or where the drill asks it",
            of_holder=True,
            notes=lambda case: limits.notes(case, "elbow"),
        ),
    ),
)
