"""Whether the arm is in the asked plane at the top."""

from __future__ import annotations

from imu_shoulder.assess import limits
from imu_shoulder.assess.fault import Case, Criterion, Fault
from imu_shoulder.drills import Drill


def untold(case: Case) -> bool:
    return limits.untold(case, "plane")


def cue(drill: Drill) -> str:
    said = {"forward": "straight ahead", "diagonal": "a little in front", "side": "out to the side"}
    usual = "a little in front" if drill.leading_angle == "elevation" else ""
    return said.get(drill.direction, usual)


CRITERION = Criterion(
    name="plane",
    place=60,
    label="Plane",
    asked=lambda drill: limits.asked_text(drill, "plane"),
    numbers=("plane_deg",),
    limits=lambda drill: drill.form.ends_of("plane"),
    sensor_needed=True,
    column=("plane_deg", "Plane °", 0),
    faults=(
        Fault(
            name="plane_off",
            place=80,
            raised=130,
            missed=lambda drill, case: limits.missed(drill, case, "plane"),
            label="arm left its plane",
            advice="Raise the arm in the asked direction",
            cue="mind the direction",
            cue_in_drill=cue,
            meaning="the arm is outside its asked plane at the top",
            of_holder=True,
            notes=lambda case: limits.notes(case, "plane"),
            untold=untold,
        ),
    ),
)
