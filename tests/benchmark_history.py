"""What the history costs beside bare SQL: python tests/benchmark_history.py [ATHLETES SESSIONS] [--folder FOLDER].

200 athletes with 300 sessions of 100 reps unless said otherwise. The roster, an athlete's page and one more session are
timed through the package and by the same statements on a bare connection, in one run, at a tenth and all of the
sessions: the least of many, to which a busy machine only adds.
"""

from __future__ import annotations

import argparse
import json
import random
import sqlite3
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

import numpy as np

from imu_shoulder.history import queries
from imu_shoulder.history.people import add_athlete
from imu_shoulder.history.rows import MEASURES, Row, SessionRows, drill_summaries
from imu_shoulder.history.schema import ATHLETE
from imu_shoulder.history.sessions import put
from imu_shoulder.history.standing import Standings, standings
from imu_shoulder.history.store import Store, open_store

REPS, SETS, DRILLS = 100, 10, ("full_can", "band_external_rotation")
SUMMARY = {"first_lines": ["x" * 200] * 5, "sets": [{"text": "x" * 1000}] * SETS}


def rows_of(number: int, rng: random.Random) -> SessionRows:
    """One session: sets of both arms and two drills, ten reps each."""
    day = number * 86400 + 1_700_000_000
    start = time.strftime("%Y-%m-%dT%H:%M:%SZ", time.gmtime(day))
    sets = []
    for place in range(SETS):
        reps = [
            {
                "number": k + 1,
                **dict.fromkeys(("start_s", "top_start_s", "top_end_s", "end_s"), 1.0 * k),
                "faults": "",
                "close": "",
                "excluded": "",
                **{name: rng.gauss(5.0, 1.0) for name in MEASURES},
                "more": None,
            }
            for k in range(REPS // SETS)
        ]
        own = {
            "number": place // 2 + 1,
            "side": ("right", "left")[place % 2],
            "role": "lift",
            "direction": "",
            "drill": DRILLS[place // 2 % 2],
            "start_s": 0.0,
            "end_s": 60.0,
            "headline": "",
            "band": None,
            **dict.fromkeys(("reps_asked", "reps_done", "reps_scored"), 10),
            "reps_clean": rng.randrange(6, 11),
            "load_kg": 1.0,
            "pain": 0.0,
            "effort": 4.0,
        }
        sets.append((own, reps))
    session = {
        "kind": "recorded",
        "start_utc": start,
        "start": start,
        "name": f"session_{number}",
        "added_at": start,
        "version": "0.1.0",
        "sets_asked": SETS,
        "sets_done": SETS,
        "reps_done": REPS,
        "reps_asked": REPS,
        "pain_highest": 1.0,
        "pain_over": False,
        "effort": 4.0,
        "note": "",
        "summary": SUMMARY,
    }
    return SessionRows(session, sets)


def fill(store: Store, athletes: list[int], first: int, count: int, rng: random.Random) -> None:
    for athlete in athletes:
        with store.write() as connection:
            for number in range(first, first + count):
                put(connection, athlete, rows_of(number, rng))


def least_ms(run: Callable[[], object], times: int, clock: Callable[[], float] = time.perf_counter) -> float:
    found = []
    for _ in range(times):
        begun = clock()
        run()
        found.append(1e3 * (clock() - begun))
    return min(found)


def bare(connection: sqlite3.Connection, query: str, given: dict[str, object]) -> list[sqlite3.Row]:
    return connection.execute(query, given).fetchall()


def measure(store: Store, path: Path, athlete: int, since: str) -> dict[str, tuple[float, float]]:
    """Through the package and bare, in ms."""
    connection = sqlite3.connect(path)
    asked = Standings(store)
    asked.every()

    def roster() -> None:
        with store.read() as reader:
            queries.rows(reader, queries.ROSTER, since=since)
        asked.every()

    def page() -> None:
        with store.read() as reader:
            queries.rows(reader, queries.SESSIONS, athlete_id=athlete)
            queries.rows(reader, queries.TREND, athlete_id=athlete)

    found = {
        "roster": (
            least_ms(roster, 15),
            least_ms(
                lambda: (bare(connection, queries.ROSTER, {"since": since}), bare(connection, queries.CHANGES, {})), 15
            ),
        ),
        "athlete": (
            least_ms(page, 15),
            least_ms(
                lambda: [bare(connection, q, {"athlete_id": athlete}) for q in (queries.SESSIONS, queries.TREND)], 15
            ),
        ),
    }
    connection.close()
    return found


def bare_insert(connection: sqlite3.Connection, athlete: int, given: tuple[SessionRows, list[Row]]) -> None:
    """The rows of a session, as a program that knows them beforehand would write them."""
    rows, summaries = given
    connection.execute("BEGIN IMMEDIATE")
    values = {**rows.session, "summary": json.dumps(rows.session["summary"]), "athlete_id": athlete}
    session = _insert(connection, "session", values)
    for own, reps in rows.sets:
        found = _insert(connection, "arm_set", {**own, "session_id": session})
        columns = ["set_id", "place", *reps[0]]
        marks = ", ".join("?" * len(columns))
        lines = [(found, place, *rep.values()) for place, rep in enumerate(reps)]
        connection.executemany(f"INSERT INTO rep ({', '.join(columns)}) VALUES ({marks})", lines)
    shared = {"athlete_id": athlete, "session_id": session, "start_utc": values["start_utc"], "made_by": "0.1.0"}
    for row in summaries:
        _insert(connection, "drill_summary", {**row, **shared})
    connection.commit()


def _insert(connection: sqlite3.Connection, table: str, values: dict[str, object]) -> int:
    marks = ", ".join("?" * len(values))
    done = connection.execute(f"INSERT INTO {table} ({', '.join(values)}) VALUES ({marks})", list(values.values()))
    return int(done.lastrowid or 0)


def adding(store: Store, path: Path, athlete: int, rng: random.Random) -> tuple[float, float]:
    connection = sqlite3.connect(path, isolation_level=None)
    for pragma in ("journal_mode = WAL", "synchronous = FULL", "foreign_keys = ON"):
        connection.execute(f"PRAGMA {pragma}")
    ours = iter([rows_of(100_000 + k, rng) for k in range(40)])
    theirs = iter([(rows, drill_summaries(rows.sets)) for rows in (rows_of(200_000 + k, rng) for k in range(40))])

    def through() -> None:
        with store.write() as writer:
            put(writer, athlete, next(ours))

    # The disk is the same for both, and waited for: the processor's time is what differs.
    cpu = time.process_time
    found = least_ms(through, 30, cpu), least_ms(lambda: bare_insert(connection, athlete, next(theirs)), 30, cpu)
    connection.close()
    return found


def main() -> None:
    parser = argparse.ArgumentParser()
    parser.add_argument("athletes", type=int, nargs="?", default=200)
    parser.add_argument("sessions", type=int, nargs="?", default=300)
    given = parser.parse_args()
    rng = random.Random(0)
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "h.db"
        with open_store(path) as store:
            people = [add_athlete(store, f"athlete {k:03d}").id for k in range(given.athletes)]
            tenth = max(1, given.sessions // 10)
            found = []
            for first, count in ((0, tenth), (tenth, given.sessions - tenth)):
                fill(store, people, first, count, rng)
                since = time.strftime("%Y-%m-%dT%H:%M:%SZ", time.gmtime(1_700_000_000 + 86400 * (first + count - 28)))
                begun = time.perf_counter()
                standings(store)
                print(f"{first + count} sessions each: {time.perf_counter() - begun:.1f} s for all statements anew")
                found.append(measure(store, path, people[0], since))
            with store.read() as reader:
                assert len(reader.execute(ATHLETE.select()).all()) == given.athletes
            added = adding(store, path, people[0], rng)
            size = path.stat().st_size / 1e6
    reps = given.athletes * given.sessions * REPS
    print(f"\n{given.athletes} athletes, {given.sessions} sessions each, {reps} reps, {size:.0f} MB\n")
    print("| | package, ms | bare SQL, ms | times | exponent in sessions |\n|---|---|---|---|---|")
    for name in ("roster", "athlete"):
        ours, theirs = found[1][name]
        exponent = np.log(ours / found[0][name][0]) / np.log(given.sessions / tenth)
        print(f"| {name} | {ours:.1f} | {theirs:.1f} | {ours / theirs:.1f} | {exponent:.2f} |")
    print(f"| session added, CPU | {added[0]:.1f} | {added[1]:.1f} | {added[0] / added[1]:.1f} | |")


if __name__ == "__main__":
    main()
