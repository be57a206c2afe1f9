"""Whether the thumb points as asked at the top."""

from __future__ import annotations

from imu_shoulder.assess.fault import Case, Criterion, Fault, outside, range_text
from imu_shoulder.drills import Drill


def thumb_down(drill: Drill, case: Case) -> bool:
    return outside(case.values["thumb_up_deg"], drill.form.thumb_up_deg, case.params.form_margin_deg)


CRITERION = Criterion(
    name="thumb",
    place=40,
    label="Thumb",
    asked=lambda drill: range_text(drill.form.thumb_up_deg),
    numbers=("thumb_up_deg",),
    limits=lambda drill: drill.form.thumb_up_deg,
    sensor_needed=True,
    column=("thumb_up_deg", "Thumb up °", 0),
    faults=(
        Fault(
            name="thumb_down",
            place=60,
            raised=30,
            found=thumb_down,
            label="thumb turned down",
            advice="Turn the thumb up",
            cue="thumb up",
            meaning="the thumb is outside its asked range at the top",
            of_holder=True,
        ),
    ),
)
