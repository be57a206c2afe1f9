"""Which set of a session was asked by which line of the plan."""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass

from imu_shoulder.drills import Drill
from imu_shoulder.identity import person
from imu_shoulder.model import SIDES, Event, Side
from imu_shoulder.plan import Plan, PlanError


@dataclass(frozen=True, slots=True)
class Match:
    """One arm's set against the plan. item: place in plan.drills, None where the plan does not ask it at all.

    extra: more than was asked.
    """

    drill: str
    item: int | None
    extra: bool


Matches = Mapping[int, Mapping[Side, Match]]


def check_athlete(plan: Plan, athlete: str) -> None:
    """Raises PlanError where the plan is another athlete's: its limits and pain ceiling are not this one's."""
    if person(plan.athlete) != person(athlete):
        raise PlanError(
            f"a plan of the recording's athlete {athlete}",
            f"{plan.name} is of {plan.athlete}",
            "give the plan of this athlete, or correct the name",
        )


def match_sets(plan: Plan, events: Sequence[Event], apart: Collection[str] = ()) -> Matches:
    """Number of the set event (from 1) -> arm -> match. A set goes to the first line that still asks for it.

    A set whose row names a direction is one of a line that asks this direction; it may name none. A set whose row names
    no side counts for both arms. apart: drill names of set events that are no drill.
    """
    due = {(k, side): item.sets for k, item in enumerate(plan.drills) for side in item.sides}
    found: dict[int, dict[Side, Match]] = {}
    for number, event in enumerate((e for e in events if e.trial_type == "set"), start=1):
        if event.drill is None or event.drill in apart:
            continue
        arms = [side for side in SIDES if event.side in (side, "both", None)]
        found[number] = {side: _match(plan, due, event.drill, event.direction, side) for side in arms}
    return found


def _match(plan: Plan, due: dict[tuple[int, Side], int], drill: str, direction: str | None, side: Side) -> Match:
    lines = [
        k
        for k, item in enumerate(plan.drills)
        if item.drill.id == drill and side in item.sides and direction in (None, item.drill.direction)
    ]
    waiting = [k for k in lines if due[k, side] > 0]
    if waiting:
        due[waiting[0], side] -= 1
        return Match(drill, waiting[0], False)
    return Match(drill, lines[-1] if lines else None, True)


def asked_by(plan: Plan, matches: Matches) -> dict[int, dict[Side, Drill]]:
    """What the plan asks of each matched set: number of the set -> arm -> drill. Extra sets keep its limits too."""
    return {
        number: {
            side: plan.drills[match.item].asked_of(side, f"the plan {plan.name}")
            for side, match in arms.items()
            if match.item is not None
        }
        for number, arms in matches.items()
    }
