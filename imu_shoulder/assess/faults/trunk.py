"""Whether the trunk stays where it was."""

from __future__ import annotations

from imu_shoulder.assess.fault import Case, Criterion, Fault, at_most
from imu_shoulder.assess.limits import over, worst
from imu_shoulder.drills import Drill


def trunk_moved(drill: Drill, case: Case) -> float:
    limit = drill.form.trunk_deg
    if limit is None:
        return 0.0
    moved_deg = case.values["trunk_lean_deg"], abs(case.values["trunk_turn_deg"])
    return worst([over(moved, limit, case.params.least_sd_deg) for moved in moved_deg])


def notes(case: Case) -> list[str]:
    lean_deg, turn_deg = case.values["trunk_lean_deg"], abs(case.values["trunk_turn_deg"])
    word, moved_deg = ("turned", turn_deg) if turn_deg > lean_deg else ("leaned", lean_deg)
    return [f"trunk {word} by {moved_deg:.0f} deg"]


def asked(drill: Drill) -> str:
    limit = drill.form.trunk_deg
    return "" if limit is None else f"moves no more than {limit:g} deg"


CRITERION = Criterion(
    name="trunk",
    place=80,
    label="Trunk",
    asked=asked,
    numbers=("trunk_lean_deg", "trunk_turn_deg"),
    limits=lambda drill: at_most(drill.form.trunk_deg),
    sensor_needed=True,
    column=("trunk_lean_deg", "Trunk °", 0),
    faults=(
        Fault(
            name="trunk_moved",
            place=90,
            raised=20,
            missed=trunk_moved,
            label="trunk moved",
            advice="Keep the trunk still",
            cue="body still",
            meaning="the trunk leaned or turned by more than allowed during the rep",
            of_holder=True,
            notes=notes,
        ),
    ),
)
