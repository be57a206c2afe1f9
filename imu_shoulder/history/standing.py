"""What is said of each athlete after the latest session, worked out once for each session that comes or changes."""

from __future__ import annotations

import contextlib
from collections.abc import Collection, Hashable, Mapping, Sequence
from dataclasses import asdict, replace
from datetime import date
from itertools import groupby
from typing import Any

import numpy as np
from sqlalchemy import Connection, select

from imu_shoulder.assess.words import drill_title
from imu_shoulder.history.change import JUDGED, UNKNOWN, Series, Statement, statements, words
from imu_shoulder.history.migrate import StoreError
from imu_shoulder.history.noise import NOTHING, Known, Part, learn, part_of
from imu_shoulder.history.queries import CHANGES, TREND, rows
from imu_shoulder.history.rows import Row
from imu_shoulder.history.schema import ATHLETE, SCATTER, STANDING
from imu_shoulder.history.sessions import changed
from imu_shoulder.history.store import Store
from imu_shoulder.model import FloatArray

_EPOCH = date(1970, 1, 1).toordinal()
# Drill, direction and arm of a series.
_Arm = tuple[str, str, str]


class Standings:
    """What is said of every athlete, for a server that asks often: only what changed is read again."""

    def __init__(self, store: Store) -> None:
        self._store = store
        # By athlete: the athlete's `changes` then, and the statements.
        self._known: dict[int, tuple[int, list[Row]]] = {}

    def every(self) -> dict[int, list[Row]]:
        """By athlete, the statements after the latest session: those of `Statement`, with `drill`, `direction`, `side`,
        `load_kg` (first and latest of the window, or empty) and the whole in words (`text`).
        """
        changes = work_out_what_changed(self._store)
        old = [who for who, (_, made) in changes.items() if self._known.get(who, (None,))[0] != made]
        if old:
            query = select(STANDING).where(STANDING.c.athlete_id.in_(old))
            with self._store.read() as connection:
                for row in connection.execute(query):
                    self._known[row.athlete_id] = row.changes, row.statements
        return {who: self._known[who][1] for who in changes if who in self._known}


def standings(store: Store) -> dict[int, list[Row]]:
    """What is said of every athlete, once; see `Standings.every`."""
    return Standings(store).every()


def work_out_what_changed(store: Store) -> dict[int, tuple[int, int | None]]:
    """Make the statements of every athlete whose sessions are others than before; returns what `_changes` does."""
    with store.read() as connection:
        changes = _changes(connection)
    if all(made == now for now, made in changes.values()):
        return changes
    with store.write() as connection:
        _work_out(connection, {who: now for who, (now, made) in _changes(connection).items() if made != now})
    with store.read() as connection:
        return _changes(connection)


def say_what_changed(store: Store) -> None:
    """After a session was added, so that nobody who looks waits for it. A busy database leaves it to them."""
    with contextlib.suppress(StoreError):
        work_out_what_changed(store)


def _changes(connection: Connection) -> dict[int, tuple[int, int | None]]:
    """By athlete, how often sessions changed, and how often they had when the statements were made."""
    return {row["id"]: (row["now"], row["made"]) for row in rows(connection, CHANGES)}


def _work_out(connection: Connection, stale: dict[int, int]) -> None:
    """stale: by athlete how often sessions changed; those of whom more is known now are put into it."""
    trends = {athlete_id: _by_arm(rows(connection, TREND, athlete_id=athlete_id)) for athlete_id in stale}
    for athlete_id, arms in trends.items():
        connection.execute(SCATTER.delete().where(SCATTER.c.athlete_id == athlete_id))
        parts = [
            {
                **dict(zip(("drill", "direction", "side"), arm, strict=True)),
                **asdict(part),
                "athlete_id": athlete_id,
                "measure": measure,
            }
            for arm, own in arms.items()
            for measure, part in _parts(own).items()
        ]
        if parts:
            connection.execute(SCATTER.insert(), parts)
    every = _every_part(connection)
    known = learn({key: list(own.values()) for key, own in every.items()})
    for athlete_id in _told_more(connection, known, stale):
        trends[athlete_id] = _by_arm(rows(connection, TREND, athlete_id=athlete_id))
        changed(connection, athlete_id)  # so that whoever remembers what was said asks again
        stale[athlete_id] = connection.execute(select(ATHLETE.c.changes).where(ATHLETE.c.id == athlete_id)).scalar_one()
    for athlete_id, arms in trends.items():
        said = _said(athlete_id, arms, known, every)
        connection.execute(STANDING.delete().where(STANDING.c.athlete_id == athlete_id))
        unknown = {f"{one['drill']} {one['measure']}" for one in said if one["why"] == UNKNOWN}
        values = {"athlete_id": athlete_id, "changes": stale[athlete_id], "statements": said}
        values["unknown"] = ",".join(sorted(unknown))
        connection.execute(STANDING.insert(), values)


def _told_more(connection: Connection, known: Known, stale: Collection[int]) -> list[int]:
    """Other athletes with statements that nothing was known for, and something is now: by others' sessions."""
    usual = set(known.usual)
    waiting = connection.execute(select(STANDING.c.athlete_id, STANDING.c.unknown).where(STANDING.c.unknown != ""))
    return [row.athlete_id for row in waiting if row.athlete_id not in stale and usual & _kinds(row.unknown)]


def _kinds(text: str) -> set[Hashable]:
    """Of which nothing was known: drills and measures, from the column's text."""
    return {tuple(kind.split(" ")) for kind in text.split(",")}


def _every_part(connection: Connection) -> dict[tuple[int, tuple[str, str]], dict[_Arm, Part]]:
    """Of each athlete, and of each drill and measure."""
    found: dict[tuple[int, tuple[str, str]], dict[_Arm, Part]] = {}
    for row in connection.execute(select(SCATTER)):
        arm = (row.drill, row.direction, row.side)
        own = found.setdefault((row.athlete_id, (row.drill, row.measure)), {})
        own[arm] = Part(row.sum_squares, row.freedom, row.sessions)
    return found


def _by_arm(trend: Sequence[Row]) -> dict[_Arm, list[Row]]:
    """Rows of lifting arms, in time."""
    found: dict[_Arm, list[Row]] = {}
    for row in trend:
        if row["role"] == "lift":
            found.setdefault((row["drill"], row["direction"], row["side"]), []).append(row)
    return found


def _parts(own: Sequence[Row]) -> dict[str, Part]:
    """Of each measure the scatter; only neighbours of one version and parameters are held against each other."""
    found = {}
    for measure, judged in JUDGED.items():
        part = NOTHING
        for _, run in groupby(own, key=lambda row: row["made_by"]):
            days, values = _daily(list(run), measure)
            part += part_of(days, judged.on_scale(values))
        if part.sessions:
            found[measure] = part
    return found


def _daily(own: Sequence[Row], measure: str) -> tuple[FloatArray, FloatArray]:
    """Days (N,) since 1970 and the measure's value on each: sessions of one day are one, their mean."""
    by_day: dict[str, list[float]] = {}
    for row in own:
        if row[measure] is not None:
            by_day.setdefault(row["start_utc"][:10], []).append(row[measure])
    days = [float(date.fromisoformat(day).toordinal() - _EPOCH) for day in by_day]
    return np.array(days), np.array([sum(values) / len(values) for values in by_day.values()])


def _said(
    athlete_id: int,
    arms: Mapping[_Arm, Sequence[Row]],
    known: Known,
    every: Mapping[tuple[int, tuple[str, str]], Mapping[_Arm, Part]],
) -> list[Row]:
    """The family: every measure of every drill and arm of the latest session."""
    latest = max((own[-1]["start_utc"] for own in arms.values()), default=None)
    family = []
    for arm, own in arms.items():
        if own[-1]["start_utc"] != latest:
            continue
        mine = [row for row in own if row["made_by"] == own[-1]["made_by"]]
        for measure in JUDGED:
            days, values = _daily(mine, measure)
            if len(days):
                family.append((arm, mine, len(mine) < len(own), Series(measure, days, values)))
    scatters = []
    for arm, _, _, series in family:
        kind = (arm[0], series.measure)
        part = every.get((athlete_id, kind), {}).get(arm, NOTHING)
        scatters.append(known.scatter(athlete_id, kind, part))
    found = statements([series for _, _, _, series in family], scatters)
    return [_row(arm, mine, others, statement) for (arm, mine, others, _), statement in zip(family, found, strict=True)]


def _row(arm: _Arm, mine: Sequence[Row], others: bool, statement: Statement) -> Row:
    loads = [row["load_kg"] for row in mine[-max(1, statement.days) :] if row["load_kg"] is not None]
    ends = [loads[0], loads[-1]] if loads else []
    if others and statement.days < 2:
        why = "earlier sessions are of another version: work them out anew with history redo"
        statement = replace(statement, why=why)
    drill, direction, side = arm
    text = words(statement, drill_title(drill, direction), side, ends)
    return {**asdict(statement), "drill": drill, "direction": direction, "side": side, "load_kg": ends, "text": text}


def statements_of(store: Store, athlete_id: int) -> list[dict[str, Any]]:
    """What is said of one athlete after the latest session; see `standings`."""
    return standings(store).get(athlete_id, [])
