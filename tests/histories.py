"""Histories for tests: invented sessions of a few reps, put in without an analysis."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

import numpy as np

from imu_shoulder.history.invented import Day, Level, invent
from imu_shoulder.history.people import add_athlete
from imu_shoulder.history.plans import put_plan
from imu_shoulder.history.sessions import put
from imu_shoulder.plan import parse_plan

# Texts that would do harm where they were pasted into SQL, a page, a path or a spreadsheet.
HARMFUL = ("'; DROP TABLE session; --", "<script>alert(1)</script>", "../../etc/passwd", "=1+1", 'a"b\\c', "名前 ü")
FIRST = datetime(2026, 3, 2, 17, 30, tzinfo=UTC)


def plan_toml(athlete: str, reps: int = 3, more: str = "") -> str:
    head = f'schema = 1\nathlete = "{athlete}"\n{more}\n'
    return f'{head}[[drill]]\nid = "full_can"\nside = "right"\nsets = 1\nreps = {reps}\n'


def rows_of(athlete: str, number: int, level: Level | None = None, reps: int = 3, pain: float = 0.0):
    """The rows of an athlete's session of a given number, two days after the one before."""
    day = Day(
        f"session_{number:03d}",
        (FIRST + timedelta(days=2 * number)).isoformat(),
        {("full_can", "right"): level or Level()},
        pain=pain,
    )
    plan = parse_plan(plan_toml(athlete, reps), "plan, version 1")
    return invent(plan, day, np.random.default_rng([number, len(athlete)]))


def fill(store, athlete: str = "M.K.", sessions: int = 3, **how) -> int:
    """An athlete with a plan and sessions; returns the id."""
    found = add_athlete(store, athlete).id
    put_plan(store, found, plan_toml(athlete), "Coach", "first plan", FIRST - timedelta(days=1))
    for number in range(sessions):
        with store.write() as connection:
            put(connection, found, rows_of(athlete, number, **how))
    return found
