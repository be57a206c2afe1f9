"""The SQL that the roster and an athlete's page stand on: bare, alike on SQLite and PostgreSQL, by index alone.

None of them reads a rep: what pages show of a session was summed up when it was added. The roster looks up each
athlete's latest session in the index, so that it grows with athletes and hardly with sessions.
"""

from __future__ import annotations

import json
from functools import cache
from typing import Any

from sqlalchemy import Connection, text

# One row per athlete. since: moment in UTC from which sessions count as recent.
ROSTER = """
SELECT a.id AS athlete_id, a.name, a.dominant_side, a.involved_side, a.pain_ceiling, a.after_surgery, a.instability,
       a.changes, (SELECT max(d.id) FROM decision d WHERE d.athlete_id = a.id) AS decision_id,
       s.id AS session_id, s.kind, s.start_utc, s.start, s.done, s.sets_asked, s.sets_done,
       s.reps_asked, s.reps_done, s.reps_scored, s.reps_clean, s.pain_before, s.pain_highest, s.pain_next_morning,
       s.pain_over, s.effort, s.note,
       (SELECT count(*) FROM session r WHERE r.athlete_id = a.id AND r.start_utc >= :since) AS recent_sessions,
       (SELECT max(p.number) FROM plan_version p WHERE p.athlete_id = a.id) AS plan_number
FROM athlete a
LEFT JOIN session s ON s.id = (
    SELECT l.id FROM session l WHERE l.athlete_id = a.id ORDER BY l.start_utc DESC LIMIT 1
)
ORDER BY a.person
"""

# The latest five sessions of every athlete, the latest first.
RECENT = """
SELECT s.athlete_id, s.id AS session_id, s.kind, s.start_utc, s.plan_version_id, s.done, s.reps_asked, s.reps_done
FROM athlete a
JOIN session s ON s.id IN (SELECT l.id FROM session l WHERE l.athlete_id = a.id ORDER BY l.start_utc DESC LIMIT 5)
ORDER BY s.athlete_id, s.start_utc DESC
"""

# The same of one athlete.
ENTRY = ROSTER.replace("ORDER BY a.person", "WHERE a.id = :athlete_id")
RECENT_OF = RECENT.replace("ORDER BY s.athlete_id", "WHERE a.id = :athlete_id ORDER BY s.athlete_id")

# All sessions of one athlete, the latest first.
SESSIONS = """
SELECT id AS session_id, kind, start_utc, start, name, version, parameters_sha256, plan_version_id, done,
       sets_asked, sets_done, reps_asked, reps_done, reps_scored, reps_clean,
       pain_before, pain_highest, pain_next_morning, pain_over, effort, note
FROM session WHERE athlete_id = :athlete_id ORDER BY start_utc DESC
"""

# The latest few of them; those from a moment on; how many there are.
SESSIONS_LATEST = SESSIONS.rstrip() + " LIMIT :most"
SESSIONS_SINCE = SESSIONS.replace("ORDER BY", "AND start_utc >= :since ORDER BY")
SESSION_COUNT = "SELECT count(*) AS found FROM session WHERE athlete_id = :athlete_id"

# The trend of every drill and arm of one athlete, in time.
TREND = """
SELECT session_id, start_utc, made_by, drill, direction, side, role, sets, reps_asked, reps_done, reps_scored,
       clean_share, load_kg, effort, pain, hold_sd_deg, hold_s, arc_deg, lift_s, lower_s, top_deg, time_in_band_pct
FROM drill_summary WHERE athlete_id = :athlete_id ORDER BY start_utc
"""

# The same from a moment on.
TREND_SINCE = TREND.replace("ORDER BY", "AND start_utc >= :since ORDER BY")

# The summary of an athlete's latest session with sensors, once for each decision on its advice, the latest last.
ADVICE = """
SELECT s.id AS session_id, s.summary, d.drill, d.side, d.decision, d.why, d.who, d.at
FROM session s
LEFT JOIN decision d ON d.athlete_id = s.athlete_id AND d.session_id = s.id
WHERE s.id = (
    SELECT l.id FROM session l
    WHERE l.athlete_id = :athlete_id AND l.kind = 'recorded' ORDER BY l.start_utc DESC LIMIT 1
)
ORDER BY d.id
"""

# Which athletes' statements are older than their sessions.
CHANGES = """
SELECT a.id, a.changes AS now, s.changes AS made FROM athlete a LEFT JOIN standing s ON s.athlete_id = a.id
"""

_prepared = cache(text)


def rows(connection: Connection, query: str, **given: Any) -> list[dict[str, Any]]:
    """What one of these queries finds. given: what stands behind its colons."""
    names, found = table(connection, query, **given)
    return [dict(zip(names, row, strict=True)) for row in found]


def table(connection: Connection, query: str, **given: Any) -> tuple[tuple[str, ...], list[tuple[Any, ...]]]:
    """The same as names of columns and rows."""
    found = connection.execute(_prepared(query), given)
    names, own = tuple(found.keys()), found.cursor
    # The driver's own rows: these queries have no types of which SQLAlchemy would make something else.
    return names, list(own.fetchall()) if own is not None else []


def latest_advice(connection: Connection, athlete_id: int) -> list[dict[str, Any]]:
    """The advice of the latest session with sensors, each with its `session_id` and the `decision` taken, or None."""
    found = rows(connection, ADVICE, athlete_id=athlete_id)
    if not found:
        return []
    decided = {(row["drill"], row["side"]): row for row in found if row["decision"] is not None}
    # SQLite gives JSON as text.
    summary = found[0]["summary"]
    summary = json.loads(summary) if isinstance(summary, str) else summary or {}
    return [
        {**item, "session_id": found[0]["session_id"], "decision": decided.get((item["drill"], item["side"]))}
        for item in summary.get("advice") or []
    ]
