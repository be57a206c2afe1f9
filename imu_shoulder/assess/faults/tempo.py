"""How slowly the arm goes up and down."""

from __future__ import annotations

from imu_shoulder.assess.fault import Case, Criterion, Fault
from imu_shoulder.assess.limits import under, worst
from imu_shoulder.drills import Drill
from imu_shoulder.measure.movement import sd_of_stroke_s


def too_fast(drill: Drill, case: Case) -> float:
    return worst([_missed(case, *way) for way in _ways(drill, case)])


def _ways(drill: Drill, case: Case) -> list[tuple[float, float]]:
    """What a way took and what is asked of it, up and down."""
    up_s, down_s = case.values["quickest_up_s"], case.values["quickest_down_s"]
    return [(up_s, drill.lift_at_least_s), (down_s, drill.lower_at_least_s)]


def _missed(case: Case, took_s: float, asked_s: float) -> float:
    return under(took_s, asked_s, sd_of_stroke_s(case.data, took_s))


def notes(case: Case) -> list[str]:
    drill = case.data.drill
    ways = [] if drill is None else zip(("up", "down"), _ways(drill, case), strict=True)
    return [
        f"{name} in {took_s:.1f} s, asked {asked_s:g} s or more"
        for name, (took_s, asked_s) in ways
        if _missed(case, took_s, asked_s) >= case.params.close_from
    ]


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
            missed=too_fast,
            label="too fast",
            advice="Slower, each way as slow as asked",
            cue="slower",
            meaning="a way up or down took less time than asked",
            notes=notes,
        ),
    ),
)
