"""An athlete's page: what changed, the trends, the plan, advice to decide on, notes, and every session."""

from __future__ import annotations

import contextlib
import threading
from collections.abc import Mapping, Sequence
from dataclasses import asdict
from datetime import datetime, timedelta
from typing import Any

from markupsafe import Markup

from imu_shoulder.errors import ShoulderError
from imu_shoulder.history.change import JUDGED
from imu_shoulder.history.migrate import StoreError
from imu_shoulder.history.people import AGE_BANDS, INVOLVED, find_athlete
from imu_shoulder.history.plans import PlanVersion, plan_versions
from imu_shoulder.history.queries import (
    SESSION_COUNT,
    SESSIONS,
    SESSIONS_LATEST,
    SESSIONS_SINCE,
    TREND_SINCE,
    latest_advice,
    rows,
)
from imu_shoulder.history.remarks import decisions, notes
from imu_shoulder.history.store import utc
from imu_shoulder.model import SIDES
from imu_shoulder.plan.duration import overview as plan_overview
from imu_shoulder.review import roster, trends
from imu_shoulder.review.desk import Desk
from imu_shoulder.review.words import SHOWN

FEW_SESSIONS = 12
FEW_NOTES = 8
# How often it is looked whether sessions came.
LOOK_EVERY_S = 2.0


def context(desk: Desk, athlete_id: int, *, everything: bool = False) -> dict[str, Any]:
    """What the template needs. everything: all sessions and the trends from the first one on. Raises StoreError."""
    entry = _entry(desk, athlete_id)
    athlete = find_athlete(desk.store, athlete_id)
    versions = plan_versions(desk.store, athlete_id)
    stand = desk.standings.of([entry])[athlete_id]
    with desk.store.read() as connection:
        if everything:
            sessions = rows(connection, SESSIONS, athlete_id=athlete_id)
        else:
            sessions = rows(connection, SESSIONS_LATEST, athlete_id=athlete_id, most=FEW_SESSIONS)
        count = rows(connection, SESSION_COUNT, athlete_id=athlete_id)[0]["found"]
        advice = latest_advice(connection, athlete_id)
    since = "" if everything or not sessions else _before(sessions[0]["start_utc"], trends.SHOWN_DAYS)
    state = (athlete_id, entry["changes"], [own.number for own in versions], since, athlete.profile.pain_ceiling)

    def draw() -> Markup:
        with desk.store.read() as connection:
            trend = rows(connection, TREND_SINCE, athlete_id=athlete_id, since=since)
            rated = rows(connection, SESSIONS_SINCE, athlete_id=athlete_id, since=since)
        pictures = {
            "drills": trends.drill_trends(trend, stand, versions),
            "pain": trends.pain_trend(rated[::-1], athlete.profile.pain_ceiling),
        }
        return Markup(desk.fill("trends.html.j2", pictures, reads=True))

    return {
        "drawn": desk.drawn(repr(state), draw),
        "athlete": athlete,
        "profile": asdict(athlete.profile),
        "entry": entry,
        "overview": trends.overview(stand),
        "judged": [SHOWN[name] for name in JUDGED],
        "versions": versions,
        "plan": _plan(versions),
        "advice": advice,
        "decisions": decisions(desk.store, athlete_id)[:FEW_NOTES],
        "notes": notes(desk.store, athlete_id)[: None if everything else FEW_NOTES],
        "sessions": sessions,
        "count": count,
        "everything": everything,
        "sides": SIDES,
        "involved": INVOLVED,
        "age_bands": AGE_BANDS,
        "host": desk.served,
    }


def draw_ahead(desk: Desk, stop: threading.Event) -> None:
    """Work out and draw what sessions say before somebody asks: everybody's, then of whom something changed.

    Goes on until it is to stop.
    """
    drawn: dict[int, Mapping[str, Any]] = {}
    while not stop.is_set():
        # A database that is busy, or gone: who asks for a page is told. The next look tries again.
        with contextlib.suppress(ShoulderError):
            for entry in roster.entries(desk):
                if stop.is_set():
                    return
                athlete_id = entry["athlete_id"]
                if drawn.get(athlete_id) is not entry:  # the roster makes a new one of whom something changed
                    context(desk, athlete_id)
                    drawn[athlete_id] = entry
        stop.wait(LOOK_EVERY_S)


def _before(start_utc: str, days: int) -> str:
    """A moment so many days before another one."""
    return utc(datetime.fromisoformat(start_utc) - timedelta(days=days))


def _entry(desk: Desk, athlete_id: int) -> Mapping[str, Any]:
    entry = next((own for own in roster.entries(desk, athlete_id)), None)
    if entry is None:
        raise StoreError("an athlete of the history", f"number {athlete_id} is none", "go back to the roster")
    return entry


def _plan(versions: Sequence[PlanVersion]) -> dict[str, Any] | None:
    """The newest version in words; its text alone where this version of the program cannot read it."""
    if not versions:
        return None
    try:
        plan = versions[0].plan
    except ShoulderError as error:
        return {"failed": str(error)}
    return {**plan_overview(plan), "days": plan.days, "note": plan.note}
