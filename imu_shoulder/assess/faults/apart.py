"""Whether two arms under one band stay as far apart as they were."""

from __future__ import annotations

from imu_shoulder.assess.fault import Case, Criterion, Fault, at_most
from imu_shoulder.assess.limits import over
from imu_shoulder.drills import Drill


def arms_together(drill: Drill, case: Case) -> float:
    limit = drill.form.closing_deg
    return 0.0 if limit is None else over(case.values["arms_closing_deg"], limit, case.params.least_sd_deg)


def asked(drill: Drill) -> str:
    limit = drill.form.closing_deg
    return "" if limit is None else f"arms drift together by no more than {limit:g} deg"


CRITERION = Criterion(
    name="apart",
    place=70,
    label="Arms apart",
    asked=asked,
    numbers=("arms_closing_deg",),
    limits=lambda drill: at_most(drill.form.closing_deg),
    sensor_needed=True,
    faults=(
        Fault(
            name="arms_together",
            place=100,
            raised=120,
            missed=arms_together,
            label="arms drifted together",
            advice="Keep pressing out: the arms drift together",
            cue="press out",
            meaning="both arms under one band drift together in the hold by more than allowed",
        ),
    ),
)
