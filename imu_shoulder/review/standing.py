"""How an athlete stands: what changed, sides that are apart, criteria that are met. Worked out once for each state."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from imu_shoulder.assess.words import drill_title
from imu_shoulder.history.change import JUDGED, Statement
from imu_shoulder.history.queries import latest_advice
from imu_shoulder.history.standing import Standings as Statements
from imu_shoulder.history.store import Store
from imu_shoulder.review.words import amount, with_unit

# Drill, direction and arm.
Arm = tuple[str, str, str]


@dataclass(frozen=True, slots=True)
class Said:
    """A statement of change, and of which drill and arm. load_kg: first and latest of the window, or empty."""

    drill: str
    direction: str
    side: str
    statement: Statement
    load_kg: Sequence[float] = ()
    text: str = ""

    @property
    def title(self) -> str:
        return drill_title(self.drill, self.direction)

    @property
    def arm(self) -> Arm:
        return self.drill, self.direction, self.side


@dataclass(frozen=True, slots=True)
class Stand:
    """apart: sentences on the sides. criteria: drills and sides that met the criteria set, not decided on yet."""

    said: Sequence[Said] = ()
    apart: Sequence[str] = ()
    criteria: Sequence[tuple[str, str]] = ()

    def of(self, arm: Arm, measure: str) -> Statement | None:
        return next((one.statement for one in self.said if one.arm == arm and one.statement.measure == measure), None)


class Standings:
    """How everybody stands; only what changed since is worked out anew."""

    def __init__(self, store: Store) -> None:
        self._store, self._said = store, Statements(store)
        self._known: dict[int, tuple[object, Stand]] = {}

    def of(self, athletes: Sequence[Mapping[str, Any]]) -> dict[int, Stand]:
        """By athlete. athletes: rows of the roster's query."""
        stale = [row for row in athletes if self._known.get(row["athlete_id"], (None,))[0] != _state(row)]
        if stale:
            said = self._said.every()
            with self._store.read() as connection:
                for row in stale:
                    athlete_id = row["athlete_id"]
                    stand = _stand(said.get(athlete_id, []), latest_advice(connection, athlete_id))
                    self._known[athlete_id] = _state(row), stand
        return {row["athlete_id"]: self._known[row["athlete_id"]][1] for row in athletes}


def _state(row: Mapping[str, Any]) -> object:
    return row["changes"], row["decision_id"]


def _stand(statements: Iterable[Mapping[str, Any]], advice: Iterable[Mapping[str, Any]]) -> Stand:
    fields = Statement.__dataclass_fields__
    said = [
        Said(
            *(row["drill"], row["direction"], row["side"]),
            Statement(**{name: row[name] for name in fields}),
            *(row["load_kg"], row["text"]),
        )
        for row in statements
    ]
    met = [item for item in advice if item["advice"] == "criteria_met" and item["decision"] is None]
    return Stand(said, apart(said), [(item["drill"], item["side"]) for item in met])


def apart(said: Sequence[Said]) -> list[str]:
    """Sentences on drills whose arms differ by more than the minimal detectable change, by the arm that is behind."""
    left = {(one.drill, one.direction, one.statement.measure): one for one in said if one.side == "left"}
    found: dict[tuple[str, str], list[str]] = {}
    for one in said:
        other = left.get((one.drill, one.direction, one.statement.measure)) if one.side == "right" else None
        ahead = 0 if other is None else _ahead(one.statement, other.statement)
        if other is None or not ahead:
            continue
        behind, before = (other, one) if ahead > 0 else (one, other)
        name = one.statement.measure
        told = f"{JUDGED[name].title} {amount(behind.statement.latest, name)} against "
        found.setdefault((one.title, behind.side), []).append(told + with_unit(before.statement.latest, name))
    return [f"{title}: {side} arm behind in {'; '.join(told)}." for (title, side), told in found.items()]


def _ahead(right: Statement, left: Statement) -> int:
    """1 where the right arm is ahead of the left by more than chance, -1 where it is behind, else 0."""
    own = JUDGED[right.measure]
    ends = [(one.latest, one.first, one.mdc_high) for one in (right, left)]
    on = [[float(own.on_scale(np.array([v]))[0]) for v in row if v is not None] for row in ends]
    if any(len(row) < 3 for row in on):
        return 0
    mdc = max(high - first for _, first, high in on)
    difference = (on[0][0] - on[1][0]) * own.better
    return 0 if abs(difference) < mdc else 1 if difference > 0 else -1
