"""Whether the elbow is bent as asked at the top."""

from __future__ import annotations

from imu_shoulder.assess.fault import Case, Criterion, Fault, outside, range_text
from imu_shoulder.drills import Drill


def elbow_off(drill: Drill, case: Case) -> bool:
    return outside(case.values["elbow_deg"], drill.form.elbow_deg, case.params.form_margin_deg)


def cue(drill: Drill) -> str:
    limits = drill.form.elbow_deg
    if limits is None:
        return ""
    return "elbow straight" if limits[0] < 0 else "elbow bent, at your side"


CRITERION = Criterion(
    name="elbow",
    place=50,
    label="Elbow",
    asked=lambda drill: range_text(drill.form.elbow_deg),
    numbers=("elbow_deg",),
    limits=lambda drill: drill.form.elbow_deg,
    sensor_needed=True,
    column=("elbow_deg", "Elbow °", 0),
    faults=(
        Fault(
            name="elbow_off",
            place=70,
            raised=40,
            found=elbow_off,
            label="elbow off its angle",
            advice="Keep the elbow where the drill asks for it",
            cue="mind the elbow",
            cue_in_drill=cue,
            meaning="the elbow is outside its asked range at the top",
            of_holder=True,
        ),
    ),
)
