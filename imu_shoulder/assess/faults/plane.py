"""Whether the arm is in the asked plane at the top."""

from __future__ import annotations

from imu_shoulder.assess.fault import Case, Criterion, Fault, heading_lost, outside, range_text
from imu_shoulder.drills import Drill


def plane_off(drill: Drill, case: Case) -> bool:
    return outside(case.values["plane_deg"], drill.form.plane_deg, case.params.form_margin_deg) and not untold(case)


def untold(case: Case) -> bool:
    return heading_lost(case.values, case.params)


CRITERION = Criterion(
    name="plane",
    place=60,
    label="Plane",
    asked=lambda drill: range_text(drill.form.plane_deg),
    numbers=("plane_deg",),
    limits=lambda drill: drill.form.plane_deg,
    sensor_needed=True,
    column=("plane_deg", "Plane °", 0),
    faults=(
        Fault(
            name="plane_off",
            place=80,
            raised=130,
            found=plane_off,
            label="arm left its plane",
            advice="Raise the arm in the asked direction",
            cue="mind the direction",
            cue_in_drill=lambda drill: "a little in front" if drill.leading_angle == "elevation" else "",
            meaning="the arm is outside its asked plane at the top",
            of_holder=True,
            untold=untold,
        ),
    ),
)
