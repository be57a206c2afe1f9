"""What the coach's pages cost beside bare SQL: python tests/benchmark_review.py [ATHLETES SESSIONS].

200 athletes with 300 sessions of two drills and both arms unless said otherwise, at a tenth and at all of the sessions,
in one run: the least of many, to which a busy machine only adds. Rows of reps are left out: these pages read none.
`first` is an athlete's page whose trends are drawn anew, `again` one that was seen before.
"""

from __future__ import annotations

import argparse
import math
import random
import sqlite3
import tempfile
import time
from collections.abc import Callable
from datetime import date, timedelta
from pathlib import Path

from imu_shoulder.analysis import Params
from imu_shoulder.history import queries
from imu_shoulder.history.adding import How
from imu_shoulder.history.people import add_athlete
from imu_shoulder.history.schema import ATHLETE, DRILL_SUMMARY, MEASURES, SESSION
from imu_shoulder.history.store import Store, open_store
from imu_shoulder.review import athlete, roster
from imu_shoulder.review.desk import Desk

BEGIN = date(2025, 1, 1)
DRILLS, ARMS = ("full_can", "band_external_rotation"), ("right", "left")
ADVICE = {"title": "Full can raise", "role": "lift", "advice": "stay", "rule": "x" * 100, "text": "x" * 400}
# What the two pages ask for, and how often the athlete's page asks it.
OF_ATHLETE = (
    *(queries.ENTRY, queries.RECENT_OF, queries.SESSIONS_SINCE, queries.TREND_SINCE, queries.ADVICE),
    "SELECT * FROM athlete WHERE id = :athlete_id",
    "SELECT * FROM plan_version WHERE athlete_id = :athlete_id ORDER BY number DESC",
    "SELECT * FROM note WHERE athlete_id = :athlete_id ORDER BY at DESC, id DESC",
    "SELECT * FROM decision WHERE athlete_id = :athlete_id ORDER BY id DESC",
)


def fill(store: Store, people: list[int], first: int, count: int, rng: random.Random) -> None:
    """One session a day of every athlete, with the value of each measure by drill and arm."""
    for who in people:
        sessions, summaries = [], []
        for number in range(first, first + count):
            start = f"{BEGIN + timedelta(days=number)}T17:30:00Z"
            advice = [{**ADVICE, "drill": drill, "side": side} for drill in DRILLS for side in ARMS]
            own = {
                "id": who * 100_000 + number,
                "athlete_id": who,
                "kind": "recorded",
                "start_utc": start,
                "start": start,
            }
            own |= {
                "name": f"session_{number}",
                "added_at": start,
                "version": "0.1.0",
                "pain_highest": 1.0,
                "effort": 4.0,
            }
            own |= dict.fromkeys(("reps_asked", "reps_done", "reps_scored"), 100) | {
                "reps_clean": rng.randrange(60, 100)
            }
            own |= {"sets_asked": 10, "sets_done": 10, "pain_over": False, "note": "", "summary": {"advice": advice}}
            sessions.append(own)
            for drill in DRILLS:
                for side in ARMS:
                    row = {"athlete_id": who, "session_id": own["id"], "start_utc": start, "made_by": "0.1.0"}
                    row |= {"drill": drill, "direction": "", "side": side, "role": "lift", "sets": 5, "more": None}
                    row |= {"reps_asked": 50, "reps_done": 50, "reps_scored": 50, "clean_share": rng.uniform(0.6, 1.0)}
                    row |= {"load_kg": 1.0, "effort": 4.0, "pain": 1.0}
                    summaries.append({**row, **{name: rng.gauss(5.0, 1.0) for name in MEASURES}})
        with store.write() as connection:
            connection.execute(SESSION.insert(), sessions)
            connection.execute(DRILL_SUMMARY.insert(), summaries)
            connection.execute(ATHLETE.update().where(ATHLETE.c.id == who).values(changes=ATHLETE.c.changes + count))


def least_ms(run: Callable[[], object], times: int = 15) -> float:
    found = []
    for _ in range(times):
        begun = time.perf_counter()
        run()
        found.append(1e3 * (time.perf_counter() - begun))
    return min(found)


def measure(store: Store, path: Path, who: int, today: date) -> dict[str, tuple[float, float]]:
    """Of each page what the server takes and what bare SQL does, in ms."""
    desk = Desk(store, How(Params(), {}), "Coach", lambda: today)
    begun = time.perf_counter()
    roster.entries(desk)
    print(f"  all statements anew: {time.perf_counter() - begun:.1f} s")
    given = {
        "since": f"{today - timedelta(days=roster.RECENT_DAYS)}",
        "athlete_id": who,
    }
    recent = {"since": f"{today - timedelta(days=183)}T17:30:00Z", "athlete_id": who}
    connection = sqlite3.connect(path)

    def bare(*asked: str) -> None:
        for query in asked:
            of_half_a_year = query in (queries.SESSIONS_SINCE, queries.TREND_SINCE)
            connection.execute(query, recent if of_half_a_year else given).fetchall()

    def whole() -> str:
        return desk.fill("roster.html.j2", roster.context(desk))

    def page() -> str:
        return desk.fill("athlete.html.j2", athlete.context(desk, who))

    def anew() -> str:
        desk.forget()
        return page()

    found = {
        "roster": (least_ms(whole), least_ms(lambda: bare(queries.ROSTER))),
        "athlete, first": (least_ms(anew), least_ms(lambda: bare(*OF_ATHLETE))),
        "athlete, again": (least_ms(page), least_ms(lambda: bare(*OF_ATHLETE))),
    }
    connection.close()
    return found


def main() -> None:
    parser = argparse.ArgumentParser()
    parser.add_argument("athletes", type=int, nargs="?", default=200)
    parser.add_argument("sessions", type=int, nargs="?", default=300)
    given = parser.parse_args()
    rng = random.Random(0)
    with tempfile.TemporaryDirectory() as folder, open_store(Path(folder) / "h.db") as store:
        people = [add_athlete(store, f"athlete {k:03d}").id for k in range(given.athletes)]
        tenth, found = max(1, given.sessions // 10), []
        for first, count in ((0, tenth), (tenth, given.sessions - tenth)):
            fill(store, people, first, count, rng)
            print(f"{given.athletes} athletes, {first + count} sessions each")
            today = BEGIN + timedelta(days=first + count)
            found.append(measure(store, Path(folder) / "h.db", people[0], today))
            for name, (ours, bare) in found[-1].items():
                print(f"  {name}: {ours:.1f} ms, bare SQL {bare:.1f} ms, {ours / bare:.1f} times", flush=True)
        for name in found[0]:
            growth = math.log(found[1][name][0] / found[0][name][0]) / math.log(given.sessions / tenth)
            print(f"  {name}: grows with sessions to the power of {growth:.2f}")


if __name__ == "__main__":
    main()
