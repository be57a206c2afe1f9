"""How an athlete stands: the statements of change of every drill and arm, sides that are apart, criteria that are met."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any

import numpy as np
from sqlalchemy import Connection

from imu_shoulder.history.change import JUDGED, Series, Statement, statements
from imu_shoulder.history.noise import NOTHING, Part, Scatter, of_person, part_of, pooled
from imu_shoulder.history.queries import TREND, rows
from imu_shoulder.review.words import amount, drill_title

Key = tuple[str, str, str, str]


@dataclass(frozen=True, slots=True)
class Said:
    """A statement of change, and whose."""

    drill: str
    direction: str
    side: str
    role: str
    statement: Statement

    @property
    def title(self) -> str:
        return drill_title(self.drill, self.direction)

    @property
    def key(self) -> Key:
        return self.drill, self.direction, self.side, self.role


@dataclass(frozen=True, slots=True)
class Stand:
    """apart: sentences on the sides. criteria: drills and sides that met the criteria set and are not decided on yet."""

    said: Sequence[Said] = ()
    apart: Sequence[str] = ()
    criteria: Sequence[tuple[str, str]] = ()

    def of(self, key: Key, measure: str) -> Statement | None:
        return next((one.statement for one in self.said if one.key == key and one.statement.measure == measure), None)


def series_of(trend: Iterable[Mapping[str, Any]]) -> dict[tuple[Key, str], Series]:
    trend = list(trend)
    latest = trend[-1]["made_by"] if trend else ""
    found: dict[tuple[Key, str], tuple[list[float], list[float]]] = {}
    for row in trend:
        if row["made_by"] != latest:
            continue
        day = datetime.fromisoformat(row["start_utc"]).timestamp() / 86400.0
        for name in JUDGED:
            if row[name] is not None:
                key = (row["drill"], row["direction"], row["side"], row["role"]), name
                days, values = found.setdefault(key, ([], []))
                days.append(day)
                values.append(row[name])
    return {key: Series(key[1], np.array(days), np.array(values)) for key, (days, values) in found.items()}


def everybody(connection: Connection, athletes: Sequence[int]) -> dict[tuple[str, str], Scatter]:
    parts: dict[tuple[str, str], list[Part]] = {}
    for athlete in athletes:
        for (key, measure), own in series_of(rows(connection, TREND, athlete_id=athlete)).items():
            part = part_of(own.days, JUDGED[measure].on_scale(own.values))
            parts.setdefault((key[0], measure), []).append(part)
    return {key: found for key, own in parts.items() if (found := pooled(own)) is not None}


def stand_of(trend, advice, decided, scatters) -> Stand:
    series = series_of(trend)
    keys = list(series)

    def scatter(own: Series) -> Scatter | None:
        key = next(k for k, v in series.items() if v.measure == own.measure and v.values[-1] == own.values[-1] and v.days[-1] == own.days[-1])
        base = scatters.get((key[0][0], key[1]))
        if base is None:
            return None
        whole = series[key]
        return of_person(part_of(whole.days, JUDGED[own.measure].on_scale(whole.values)), base)

    said = [Said(*key[0], one) for key, one in zip(keys, statements(list(series.values()), scatter), strict=True)]
    criteria = [
        (item["drill"], item["side"])
        for item in advice
        if item["advice"] == "criteria_met" and (item["drill"], item["side"]) not in decided
    ]
    return Stand(said, apart(said), criteria)


def apart(said: Sequence[Said]) -> list[str]:
    """Sentences on drills whose arms differ by more than the minimal detectable change, by the arm that is behind."""
    left = {(one.drill, one.direction, one.role, one.statement.measure): one for one in said if one.side == "left"}
    found: dict[tuple[str, str], list[str]] = {}
    for one in said:
        other = left.get((one.drill, one.direction, one.role, one.statement.measure)) if one.side == "right" else None
        if other is None:
            continue
        ahead = _ahead(one.statement, other.statement)
        if ahead:
            behind, before = (other, one) if ahead > 0 else (one, other)
            name = one.statement.measure
            told = f"{JUDGED[name].title} {amount(behind.statement.latest, name)} against "
            told += amount(before.statement.latest, name)
            found.setdefault((one.title, behind.side), []).append(told)
    return [f"{title}: {side} arm behind in {'; '.join(told)}." for (title, side), told in found.items()]


def _ahead(right: Statement, left: Statement) -> int:
    """1 where the right arm is ahead of the left by more than chance, -1 where it is behind, else 0."""
    if None in (right.latest, left.latest, right.first, right.mdc_high, left.first, left.mdc_high):
        return 0
    own = JUDGED[right.measure]

    def on(value: float | None) -> float:
        return float(own.on_scale(np.array([value]))[0])

    mdc = max(on(one.mdc_high) - on(one.first) for one in (right, left))
    difference = (on(right.latest) - on(left.latest)) * own.better
    return 0 if abs(difference) < mdc else 1 if difference > 0 else -1


class Standings:
    """How everybody stands, worked out once for each state of an athlete's sessions."""

    def __init__(self) -> None:
        self._known: dict[int, tuple[Any, Stand]] = {}
        self._scatters: dict[tuple[str, str], Scatter] | None = None

    def of(self, connection: Connection, athletes: Sequence[Mapping[str, Any]]) -> dict[int, Stand]:
        """athletes: rows of the roster's query."""
        out = {}
        for row in athletes:
            key = row["changes"], row["decision_id"]
            known = self._known.get(row["athlete_id"])
            if known is None or known[0] != key:
                known = self._known[row["athlete_id"]] = key, self._work_out(connection, row["athlete_id"], athletes)
            out[row["athlete_id"]] = known[1]
        return out

    def _work_out(self, connection: Connection, athlete_id: int, athletes) -> Stand:
        from sqlalchemy import text as t
        if self._scatters is None:
            ids = connection.execute(t("SELECT id FROM athlete")).scalars().all()
            self._scatters = everybody(connection, ids)
        trend = rows(connection, TREND, athlete_id=athlete_id)
        from imu_shoulder.history.schema import SESSION, DECISION
        from sqlalchemy import select
        q = select(SESSION.c.id, SESSION.c.summary).where(SESSION.c.athlete_id == athlete_id, SESSION.c.kind=="recorded").order_by(SESSION.c.start_utc.desc()).limit(1)
        found = connection.execute(q).first()
        advice, decided = [], set()
        if found is not None:
            advice = (found[1] or {}).get("advice") or []
            decided = {tuple(r) for r in connection.execute(select(DECISION.c.drill, DECISION.c.side).where(DECISION.c.session_id==found[0]))}
        return stand_of(trend, advice, decided, self._scatters)
