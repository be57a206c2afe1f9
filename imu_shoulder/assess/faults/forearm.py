"""Whether the forearm is turned as the form asks."""

from __future__ import annotations

from imu_shoulder.assess import limits
from imu_shoulder.assess.fault import Criterion, Fault

CRITERION = Criterion(
    name="forearm",
    place=58,
    label="Forearm",
    asked=lambda drill: limits.asked_text(drill, "forearm"),
    numbers=("forearm_at_top_deg",),
    limits=lambda drill: drill.form.ends_of("forearm"),
    sensor_needed=True,
    faults=(
        Fault(
            name="forearm_off",
            place=76,
            raised=47,
            missed=lambda drill, case: limits.missed(drill, case, "forearm"),
            label="forearm turned otherwise than asked",
            advice="Keep the palm as the drill asks",
            cue="mind the palm",
            meaning="the forearm is turned in or out more than the form asks",
            of_holder=True,
            notes=lambda case: limits.notes(case, "forearm"),
        ),
    ),
)
