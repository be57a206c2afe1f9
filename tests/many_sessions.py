"""A large history in little time, for measuring what it costs: rows as the package writes them, put in bulk.

Reps are drawn numbers and no movement; what pages read is there in full: sets, reps, the value of each measure by drill
and arm, and advice.
"""

from __future__ import annotations

import json
import time
from collections.abc import Iterable, Sequence
from typing import Any

import numpy as np

from imu_shoulder.history.rows import Row, SessionRows, drill_summaries
from imu_shoulder.history.schema import ARM_SET, ATHLETE, DRILL_SUMMARY, MEASURES, REP, SESSION
from imu_shoulder.history.store import Store

REPS, SETS = 100, 10
DRILLS, ARMS = ("full_can", "band_external_rotation"), ("right", "left")
# Of the first session; one a day follows.
BEGIN_S = 1_700_000_000
_DAY_S = 86400
_ADVICE = {"title": "Full can raise", "role": "lift", "advice": "stay", "rule": "x" * 100, "text": "x" * 400}
SUMMARY = {
    "first_lines": ["x" * 200] * 5,
    "sets": [{"text": "x" * 1000}] * SETS,
    "advice": [{**_ADVICE, "drill": drill, "side": side} for drill in DRILLS for side in ARMS],
}
_TIMES = ("start_s", "top_start_s", "top_end_s", "end_s")


def day_of(number: int) -> str:
    """The moment of a session of that number, in UTC."""
    return time.strftime("%Y-%m-%dT%H:%M:%SZ", time.gmtime(BEGIN_S + number * _DAY_S))


def rows_of(number: int, rng: np.random.Generator) -> SessionRows:
    """One session: sets of both arms and two drills, ten reps each."""
    values = rng.normal(5.0, 1.0, (SETS, REPS // SETS, len(MEASURES))).round(4).tolist()
    clean = rng.integers(6, 11, SETS).tolist()
    sets = [(_set(place, clean[place]), [_rep(k, own) for k, own in enumerate(values[place])]) for place in range(SETS)]
    start = day_of(number)
    session = {
        "kind": "recorded",
        "start_utc": start,
        "start": start,
        "name": f"session_{number}",
        "added_at": start,
        "version": "0.1.0",
        "sets_asked": SETS,
        "sets_done": SETS,
        **dict.fromkeys(("reps_asked", "reps_done", "reps_scored"), REPS),
        "reps_clean": sum(clean),
        "pain_highest": 1.0,
        "pain_over": False,
        "effort": 4.0,
        "note": "",
        "summary": SUMMARY,
    }
    return SessionRows(session, sets)


def _set(place: int, clean: int) -> Row:
    return {
        "number": place // 2 + 1,
        "side": ARMS[place % 2],
        "role": "lift",
        "direction": "",
        "drill": DRILLS[place // 2 % 2],
        "start_s": 0.0,
        "end_s": 60.0,
        "headline": "",
        "band": None,
        **dict.fromkeys(("reps_asked", "reps_done", "reps_scored"), REPS // SETS),
        "reps_clean": clean,
        "load_kg": 1.0,
        "pain": 0.0,
        "effort": 4.0,
    }


def _rep(place: int, values: Sequence[float]) -> Row:
    texts = {"faults": "", "close": "", "excluded": ""}
    return {
        "number": place + 1,
        **dict.fromkeys(_TIMES, 1.0 * place),
        **texts,
        **dict(zip(MEASURES, values, strict=True)),
        "more": None,
    }


def fill(store: Store, people: Sequence[int], first: int, count: int, seed: int = 0) -> None:
    """Sessions of these numbers of every athlete, each athlete's in one transaction."""
    for who in people:
        rng = np.random.default_rng([seed, who, first])
        made = [(who * 100_000 + number, rows_of(number, rng)) for number in range(first, first + count)]
        with store.write() as connection:
            raw = connection.connection.driver_connection
            _put(raw, SESSION.name, (_session(who, key, rows.session) for key, rows in made))
            _put(raw, ARM_SET.name, (own for key, rows in made for own in _sets(key, rows)))
            _put(raw, REP.name, (own for key, rows in made for own in _reps(key, rows)))
            _put(raw, DRILL_SUMMARY.name, (own for key, rows in made for own in _summaries(who, key, rows)))
            changed = ATHLETE.update().where(ATHLETE.c.id == who)
            connection.execute(changed.values(changes=ATHLETE.c.changes + count))
    if not store.on_sqlite:
        with store.write() as connection:
            for table in (SESSION.name, ARM_SET.name):
                connection.exec_driver_sql(f"SELECT setval('{table}_id_seq', (SELECT max(id) FROM {table}))")
            connection.exec_driver_sql("ANALYZE")


def _session(who: int, key: int, own: Row) -> Row:
    return {"id": key, "athlete_id": who, **own, "summary": json.dumps(own["summary"])}


def _sets(key: int, rows: SessionRows) -> Iterable[Row]:
    return ({"id": key * SETS + place, "session_id": key, **own} for place, (own, _) in enumerate(rows.sets))


def _reps(key: int, rows: SessionRows) -> Iterable[Row]:
    for place, (_, reps) in enumerate(rows.sets):
        yield from ({"set_id": key * SETS + place, "place": k, **own} for k, own in enumerate(reps))


def _summaries(who: int, key: int, rows: SessionRows) -> Iterable[Row]:
    shared = {"athlete_id": who, "session_id": key, "start_utc": rows.session["start_utc"], "made_by": "0.1.0"}
    return ({**own, **shared} for own in drill_summaries(rows.sets))


def _put(raw: Any, table: str, rows: Iterable[Row]) -> None:
    """Rows of the same columns, as fast as the driver takes them."""
    ready = iter(rows)
    first = next(ready)
    columns = ", ".join(first)
    values = (tuple(row.values()) for row in _and(first, ready))
    if raw.__class__.__module__.startswith("sqlite3"):
        raw.executemany(f"INSERT INTO {table} ({columns}) VALUES ({', '.join('?' * len(first))})", values)
        return
    with raw.cursor() as cursor, cursor.copy(f"COPY {table} ({columns}) FROM STDIN") as copy:
        for row in values:
            copy.write_row(row)


def _and(first: Row, rest: Iterable[Row]) -> Iterable[Row]:
    yield first
    yield from rest
