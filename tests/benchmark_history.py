"""What the history and the coach's pages cost beside bare SQL: python tests/benchmark_history.py [ATHLETES SESSIONS].

200 athletes with 300 sessions of 100 reps unless said otherwise, on SQLite, or with --db URL on an empty PostgreSQL
database; at a tenth and at all of the sessions, in one run. The least of many, to which a busy machine only adds: of
SQLite the processor's time, as the database works in the same process, of PostgreSQL the time that passes.
"""

from __future__ import annotations

import argparse
import json
import math
import re
import sqlite3
import tempfile
import time
from collections.abc import Callable, Sequence
from contextlib import closing
from dataclasses import dataclass
from datetime import date, timedelta
from pathlib import Path
from typing import Any

import numpy as np
from many_sessions import REPS, day_of, fill, rows_of

from imu_shoulder.analysis import Params
from imu_shoulder.history import queries
from imu_shoulder.history.adding import How
from imu_shoulder.history.people import add_athlete
from imu_shoulder.history.rows import Row, SessionRows, drill_summaries
from imu_shoulder.history.sessions import put
from imu_shoulder.history.standing import say_what_changed
from imu_shoulder.history.store import Store, open_store
from imu_shoulder.review import athlete, roster
from imu_shoulder.review.desk import Desk
from imu_shoulder.review.trends import SHOWN_DAYS

# Of what an athlete's page shows.
OF_ATHLETE = (
    *(queries.ENTRY, queries.RECENT_OF, queries.SESSIONS_SINCE, queries.TREND_SINCE, queries.ADVICE),
    "SELECT * FROM athlete WHERE id = :athlete_id",
    "SELECT * FROM plan_version WHERE athlete_id = :athlete_id ORDER BY number DESC",
    "SELECT * FROM note WHERE athlete_id = :athlete_id ORDER BY at DESC, id DESC",
    "SELECT * FROM decision WHERE athlete_id = :athlete_id ORDER BY id DESC",
)
# Pages, and what is done to a new session. Name -> how often it is timed.
TIMES, NEW_SESSIONS, ADDED = 15, 7, 30


@dataclass(frozen=True)
class Cost:
    """In ms; bare: None where nothing bare does it."""

    ours: float
    bare: float | None = None

    def __str__(self) -> str:
        if self.bare is None:
            return f"{self.ours:.1f} | | "
        return f"{self.ours:.1f} | {self.bare:.1f} | {self.ours / self.bare:.1f}"


@dataclass(frozen=True)
class Bare:
    """A connection of the driver's own, and the clock that both are timed by."""

    connection: Any
    on_sqlite: bool

    @property
    def clock(self) -> Callable[[], float]:
        return time.process_time if self.on_sqlite else time.perf_counter

    def least_ms(
        self, run: Callable[[], object], times: int = TIMES, before: Callable[[], object] | None = None
    ) -> float:
        """before: what comes before each run and is not timed."""
        found = []
        for _ in range(times):
            if before is not None:
                before()
            begun = self.clock()
            run()
            found.append(1e3 * (self.clock() - begun))
        return min(found)

    def ask(self, asked: Sequence[str], given: Row) -> None:
        for query in asked:
            text = query if self.on_sqlite else re.sub(r":(\w+)", r"%(\1)s", query)
            self.connection.execute(text, given).fetchall()

    def insert(self, table: str, rows: Sequence[Sequence[object]], columns: Sequence[str]) -> None:
        marks = ", ".join(["?" if self.on_sqlite else "%s"] * len(columns))
        self.connection.cursor().executemany(f"INSERT INTO {table} ({', '.join(columns)}) VALUES ({marks})", rows)

    def insert_one(self, table: str, values: Row) -> int:
        marks = ", ".join(["?" if self.on_sqlite else "%s"] * len(values))
        text = f"INSERT INTO {table} ({', '.join(values)}) VALUES ({marks}) RETURNING id"
        return int(self.connection.execute(text, list(values.values())).fetchone()[0])


def bare_of(store: Store) -> Bare:
    if store.on_sqlite:
        connection = sqlite3.connect(store.place, isolation_level=None)
        for pragma in ("journal_mode = WAL", "synchronous = FULL", "foreign_keys = ON"):
            connection.execute(f"PRAGMA {pragma}")
        return Bare(connection, on_sqlite=True)
    import psycopg

    url = store.engine.url.set(drivername="postgresql").render_as_string(hide_password=False)
    return Bare(psycopg.connect(url, autocommit=True), on_sqlite=False)


def bare_insert(bare: Bare, who: int, rows: SessionRows, summaries: Sequence[Row]) -> None:
    """The rows of a session, as a program that knows them beforehand would write them."""
    bare.connection.execute("BEGIN IMMEDIATE" if bare.on_sqlite else "BEGIN")
    values = {**rows.session, "summary": json.dumps(rows.session["summary"]), "athlete_id": who}
    session = bare.insert_one("session", values)
    for own, reps in rows.sets:
        found = bare.insert_one("arm_set", {**own, "session_id": session})
        columns = ["set_id", "place", *reps[0]]
        bare.insert("rep", [(found, place, *rep.values()) for place, rep in enumerate(reps)], columns)
    shared = {"athlete_id": who, "session_id": session, "start_utc": values["start_utc"], "made_by": "0.1.0"}
    lines = [{**row, **shared} for row in summaries]
    bare.insert("drill_summary", [tuple(row.values()) for row in lines], list(lines[0]))
    bare.connection.execute("COMMIT")


def pages(store: Store, bare: Bare, who: int, days: int) -> dict[str, Cost]:
    """What the server takes for a page, and bare SQL for what it shows."""
    today = date.fromisoformat(day_of(days)[:10])
    desk = Desk(store, How(Params(), {}), "Coach", lambda: today)
    begun = time.perf_counter()
    roster.entries(desk)
    print(f"  statements of all athletes anew: {time.perf_counter() - begun:.1f} s", flush=True)
    of_roster = {"since": f"{today - timedelta(days=roster.RECENT_DAYS)}"}
    of_athlete = {"since": f"{today - timedelta(days=SHOWN_DAYS)}T17:30:00Z", "athlete_id": who}

    def page() -> str:
        return desk.fill("athlete.html.j2", athlete.context(desk, who))

    shown = bare.least_ms(lambda: bare.ask(OF_ATHLETE, of_athlete))
    return {
        "roster": Cost(
            bare.least_ms(lambda: desk.fill("roster.html.j2", roster.context(desk))),
            bare.least_ms(lambda: bare.ask([queries.ROSTER], of_roster)),
        ),
        "athlete": Cost(bare.least_ms(page), shown),
        "athlete, trends not drawn ahead": Cost(bare.least_ms(page, before=desk.forget), shown),
    }


def adding(store: Store, bare: Bare, who: int, first: int) -> dict[str, Cost]:
    """A new session, and what follows it until an athlete's page shows it."""
    rng = np.random.default_rng(1)
    days = iter(range(first, first + 10_000))
    desk = Desk(store, How(Params(), {}), "Coach", lambda: date.fromisoformat(day_of(first)[:10]))
    athlete.context(desk, who)

    def new() -> SessionRows:
        return rows_of(next(days), rng)

    def through(rows: SessionRows) -> None:
        with store.write() as writer:
            put(writer, who, rows)

    def page() -> str:
        return desk.fill("athlete.html.j2", athlete.context(desk, who))

    def added() -> None:
        through(new())
        say_what_changed(store)

    def drawn() -> None:
        added()
        athlete.context(desk, who)

    ours, theirs = (iter([new() for _ in range(ADDED)]) for _ in range(2))
    known = iter([(rows, drill_summaries(rows.sets)) for rows in theirs])
    of_athlete = {"since": day_of(first - SHOWN_DAYS), "athlete_id": who}
    found = {
        "session added": Cost(
            bare.least_ms(lambda: through(next(ours)), ADDED),
            bare.least_ms(lambda: bare_insert(bare, who, *next(known)), ADDED),
        ),
        "statements made after it": Cost(
            bare.least_ms(lambda: say_what_changed(store), NEW_SESSIONS, lambda: through(new()))
        ),
        "page drawn ahead after it": Cost(bare.least_ms(lambda: athlete.context(desk, who), NEW_SESSIONS, added)),
    }
    shown = bare.least_ms(lambda: bare.ask(OF_ATHLETE, of_athlete))
    return found | {"first view of an athlete after it": Cost(bare.least_ms(page, NEW_SESSIONS, drawn), shown)}


def run(store: Store, athletes: int, sessions: int) -> None:
    people = [add_athlete(store, f"athlete {k:03d}").id for k in range(athletes)]
    tenth, found = max(1, sessions // 10), []
    with closing(bare_of(store).connection) as connection:
        bare = Bare(connection, store.on_sqlite)
        for first, count in ((0, tenth), (tenth, sessions - tenth)):
            begun = time.perf_counter()
            fill(store, people, first, count)
            print(f"{first + count} sessions each: {time.perf_counter() - begun:.0f} s to fill", flush=True)
            found.append(pages(store, bare, people[0], first + count))
        more = adding(store, bare, people[0], sessions)
    size = f", {Path(store.place).stat().st_size / 1e6:.0f} MB" if store.on_sqlite else ""
    print(f"\n{athletes} athletes, {sessions} sessions each, {athletes * sessions * REPS} reps{size}\n")
    print("| | package, ms | bare SQL, ms | times | exponent in sessions |\n|---|---|---|---|---|")
    for name, cost in found[1].items():
        growth = math.log(cost.ours / found[0][name].ours) / math.log(sessions / tenth)
        print(f"| {name} | {cost} | {growth:.2f} |")
    for name, cost in more.items():
        print(f"| {name} | {cost} | |")


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("athletes", type=int, nargs="?", default=200)
    parser.add_argument("sessions", type=int, nargs="?", default=300)
    parser.add_argument("--db", help="URL of an empty PostgreSQL database")
    parser.add_argument("--folder", type=Path, help="where the file of SQLite is made for the time being: 2.5 GB")
    given = parser.parse_args()
    with tempfile.TemporaryDirectory(dir=given.folder) as folder:
        kept = Path(folder) / "kept"
        with open_store(given.db or Path(folder) / "h.db", kept) as store:
            run(store, given.athletes, given.sessions)


if __name__ == "__main__":
    main()
