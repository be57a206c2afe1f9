"""Whether the thumb points as asked at the top."""

from __future__ import annotations

from imu_shoulder.assess import limits
from imu_shoulder.assess.fault import Criterion, Fault

CRITERION = Criterion(
    name="thumb",
    place=40,
    label="Thumb",
    asked=lambda drill: limits.asked_text(drill, "thumb_up"),
    numbers=("thumb_up_deg",),
    limits=lambda drill: drill.form.ends_of("thumb_up"),
    sensor_needed=True,
    column=("thumb_up_deg", "Thumb up °", 0),
    faults=(
        Fault(
            name="thumb_down",
            place=60,
            raised=30,
            missed=lambda drill, case: limits.missed(drill, case, "thumb_up"),
            label="thumb turned down",
            advice="Turn the thumb up",
            cue="thumb up",
            meaning="the thumb is outside its asked range at the top",
            of_holder=True,
            notes=lambda case: limits.notes(case, "thumb_up"),
        ),
    ),
)
