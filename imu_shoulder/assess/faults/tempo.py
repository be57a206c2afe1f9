"""How slowly the arm goes up and down."""

from __future__ import annotations

from imu_shoulder.assess.fault import Case, Criterion, Fault
from imu_shoulder.drills import Drill


def too_fast(drill: Drill, case: Case) -> bool:
    up_s, down_s = case.values["quickest_up_s"], case.values["quickest_down_s"]
    return up_s < drill.lift_at_least_s or down_s < drill.lower_at_least_s


CRITERION = Criterion(
    name="tempo",
    place=30,
    label="Tempo",
    asked=lambda drill: f"at least {drill.lift_at_least_s:g} s up and {drill.lower_at_least_s:g} s down",
    numbers=("quickest_up_s", "quickest_down_s"),
    limits=lambda drill: (drill.lift_at_least_s, drill.lower_at_least_s),
    lifts_only=True,
    faults=(
        Fault(
            name="too_fast",
            place=50,
            raised=110,
            found=too_fast,
            label="too fast",
            advice="Slower, both ways",
            cue="slower",
            meaning="a way up or down took less time than asked",
        ),
    ),
)
