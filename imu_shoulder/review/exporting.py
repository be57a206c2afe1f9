"""What a page shows as a file: CSV that a spreadsheet takes for data, and JSON."""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from dataclasses import asdict
from typing import Any

import pandas as pd

from imu_shoulder.history import sessions as stored
from imu_shoulder.history.exporting import results_csv
from imu_shoulder.history.people import find_athlete
from imu_shoulder.history.plans import plan_versions
from imu_shoulder.history.queries import SESSIONS, TREND, rows
from imu_shoulder.history.remarks import decisions, notes, verdicts
from imu_shoulder.review import roster
from imu_shoulder.review.desk import Desk
from imu_shoulder.texts import csv_text

FORMS = {"csv": "text/csv; charset=utf-8", "json": "application/json"}


def roster_rows(desk: Desk) -> list[dict[str, Any]]:
    """One row per athlete with the reasons in words, in the order of the page."""
    keys = (
        *("athlete_id", "name", "start_utc", "recent_sessions", "reps_done", "reps_asked", "reps_clean"),
        *("pain_highest", "pain_ceiling", "plan_number"),
    )
    return [
        {**{key: entry[key] for key in keys}, "reasons": " ".join(f"{r.word}: {r.text}" for r in entry["reasons"])}
        for entry in roster.entries(desk)
    ]


def athlete_whole(desk: Desk, athlete_id: int) -> dict[str, Any]:
    """Everything that the athlete's page shows, and what it is made of."""
    athlete = find_athlete(desk.store, athlete_id)
    entry = roster.entries(desk, athlete_id)[0]
    stand = desk.standings.of([entry])[athlete_id]
    with desk.store.read() as connection:
        sessions = rows(connection, SESSIONS, athlete_id=athlete_id)
        trend = rows(connection, TREND, athlete_id=athlete_id)
    return {
        "athlete": asdict(athlete),
        "reasons": [asdict(reason) for reason in entry["reasons"]],
        "statements": [asdict(one) for one in stand.said],
        "trend": trend,
        "sessions": sessions,
        "plans": [asdict(version) for version in plan_versions(desk.store, athlete_id)],
        "notes": notes(desk.store, athlete_id),
        "decisions": decisions(desk.store, athlete_id),
    }


def session_rows(desk: Desk, session_id: int, number: int | None = None) -> list[dict[str, Any]]:
    """One row per rep of a session, or of a set of it, with what the coach says in place of the program."""
    said = {(v["set_number"], v["side"], v["rep"]): v for v in verdicts(desk.store, session_id)}
    out = []
    for own in stored.sets(desk.store, session_id):
        if number not in (None, own["number"]):
            continue
        shared = {key: own[key] for key in ("side", "role", "drill", "direction", "load_kg", "pain", "effort")}
        for rep in stored.reps(desk.store, own["id"]):
            verdict: Mapping[str, Any] = said.get((own["number"], own["side"], rep["number"]), {})
            measured = {key: value for key, value in rep.items() if key not in ("set_id", "place", "number", "more")}
            coach = {"coach_says": verdict.get("says", ""), "coach_why": verdict.get("why", "")}
            out.append({"set": own["number"], "rep": rep["number"], **shared, **measured, **coach})
    return out


def session_whole(desk: Desk, session_id: int) -> dict[str, Any]:
    """A session with its sets, reps, notes and verdicts."""
    row = stored.session(desk.store, session_id)
    return {
        **row,
        "sets": stored.sets(desk.store, session_id),
        "reps": session_rows(desk, session_id),
        "notes": notes(desk.store, row["athlete_id"], session_id),
        "verdicts": verdicts(desk.store, session_id),
    }


def athlete_csv(desk: Desk, athlete_id: int) -> str:
    """One row per session, drill and arm: what the trends are drawn of. Raises StoreError."""
    find_athlete(desk.store, athlete_id)
    return results_csv(desk.store, athlete_id)


def text_of(found: Sequence[Mapping[str, Any]] | Mapping[str, Any] | str, form: str) -> str:
    """The file's text, if it is none yet. form: of FORMS."""
    if isinstance(found, str):
        return found
    if form == "json":
        return json.dumps(found, indent=1, ensure_ascii=False)
    return csv_text(pd.DataFrame(found if isinstance(found, list) else [found]))
