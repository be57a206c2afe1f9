"""Whether the arm sets out from where it should."""

from __future__ import annotations

from imu_shoulder.assess.fault import Case, Criterion, Fault
from imu_shoulder.assess.limits import angle_sd_deg, over
from imu_shoulder.drills import Drill


def start_missed(drill: Drill, case: Case) -> float:
    params = case.params
    if drill.start:
        first = slice(0, 1)
        sd_deg = max(angle_sd_deg(case, asked.angle, first) for asked in drill.start)
        return over(case.values["start_off_deg"], 0.0, sd_deg) if case.values["start_off_deg"] > 0 else 0.0
    margin = max(params.start_margin_deg, params.start_margin_share * abs(case.values["arc_deg"]))
    # Beside the set's other starts what is constant cancels.
    return over(case.values["start_deg"], case.usual_start_deg + margin, params.least_sd_deg)


def notes(case: Case) -> list[str]:
    drill = case.data.drill
    if drill is None or not drill.start:
        return [f"set out from {case.values['start_deg']:.0f} deg, usually {case.usual_start_deg:.0f}"]
    return [f"set out {case.values['start_off_deg']:.0f} deg outside of the start"]


CRITERION = Criterion(
    name="start",
    place=90,
    label="Return",
    asked=lambda drill: "comes back to the start",
    numbers=("start_off_deg", "return_deg"),
    lifts_only=True,
    faults=(
        Fault(
            name="start_missed",
            place=110,
            raised=140,
            missed=start_missed,
            label="did not return to the start",
            advice="Come all the way back before setting out again",
            cue="all the way back",
            meaning="the rep set out from outside the drill's start posture, or from above where the set's reps begin",
            notes=notes,
        ),
    ),
)
