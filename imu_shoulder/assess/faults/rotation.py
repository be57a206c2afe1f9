"""Whether the upper arm is turned as the form asks."""

from __future__ import annotations

from imu_shoulder.assess import limits
from imu_shoulder.assess.fault import Criterion, Fault

CRITERION = Criterion(
    name="rotation",
    place=57,
    label="Rotation",
    asked=lambda drill: limits.asked_text(drill, "rotation"),
    numbers=("rotation_at_top_deg",),
    limits=lambda drill: drill.form.ends_of("rotation"),
    sensor_needed=True,
    faults=(
        Fault(
            name="rotation_off",
            place=74,
            raised=45,
            missed=lambda drill, case: limits.missed(drill, case, "rotation"),
            label="arm turned otherwise than asked",
            advice="Turn the upper arm as the drill asks",
            cue="mind the rotation",
            meaning="the upper arm is turned more or less than the form asks",
            of_holder=True,
            untold=lambda case: limits.untold(case, "rotation"),
            notes=lambda case: limits.notes(case, "rotation"),
        ),
    ),
)
