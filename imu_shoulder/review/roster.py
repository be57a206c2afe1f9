"""The first page: every athlete, who needs attention first, and why."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import date, timedelta
from typing import Any

from markupsafe import Markup

from imu_shoulder.assess.words import counted
from imu_shoulder.history.queries import ENTRY, RECENT, RECENT_OF, ROSTER, rows
from imu_shoulder.report import words as report_words
from imu_shoulder.review.attention import Recent, order, reasons
from imu_shoulder.review.desk import Desk
from imu_shoulder.review.words import ago

# Sessions are counted over so many days.
RECENT_DAYS = 28
# From so many changed athletes on their sessions are looked up all at once.
FEW = 20
# Kinds for which a coach does something; the others are good to know.
PRESSING = ("pain", "fell_back", "unseen", "dose", "sides")


def entries(desk: Desk, athlete_id: int | None = None) -> list[dict[str, Any]]:
    """Everybody, or one athlete, the most pressing first: the query's row with `reasons`, `ago`, `done`, `drawn`."""
    today = desk.today()
    since = (today - timedelta(days=RECENT_DAYS)).isoformat()
    with desk.store.read() as connection:
        if athlete_id is None:
            found = rows(connection, ROSTER, since=since)
        else:
            found = rows(connection, ENTRY, since=since, athlete_id=athlete_id)
    states = [(today, *row.values()) for row in found]
    known = [desk.entries.get(row["athlete_id"], _NOTHING) for row in found]
    stale = [row for row, state, (before, _) in zip(found, states, known, strict=True) if state != before]
    for row, entry in zip(stale, _entries(desk, stale, today), strict=True):
        desk.entries[row["athlete_id"]] = (today, *row.values()), entry
    out = [desk.entries[row["athlete_id"]][1] for row in found]
    return sorted(out, key=lambda entry: entry["order"])


_NOTHING: tuple[tuple[Any, ...], dict[str, Any]] = (), {}


def _entries(desk: Desk, found: Sequence[Mapping[str, Any]], today: date) -> list[dict[str, Any]]:
    """Of athletes of whom something changed. found: rows of the roster's query."""
    latest: dict[int, list[Mapping[str, Any]]] = {}
    with desk.store.read() as connection:
        if len(found) < FEW:
            recent = [own for row in found for own in rows(connection, RECENT_OF, athlete_id=row["athlete_id"])]
        else:
            recent = rows(connection, RECENT)
    for own in recent:
        latest.setdefault(own["athlete_id"], []).append(own)
    stands = desk.standings.of(found)
    out = []
    for row in found:
        why = reasons(Recent(row, latest.get(row["athlete_id"], [])), stands[row["athlete_id"]], today)
        seen = "" if row["start_utc"] is None else ago(row["start_utc"], today)
        entry = {**row, "reasons": why, "ago": seen, "done": _done(row), "order": (order(why), row["name"])}
        shown = {"e": entry, "pressing": PRESSING}
        out.append({**entry, "drawn": Markup(desk.fill("roster_row.html.j2", shown, reads=True))})
    return out


def _done(row: Mapping[str, Any]) -> str:
    """How much of the last session was done, in a few words."""
    if row["session_id"] is None:
        return report_words.MISSING
    if row["kind"] != "recorded":
        return {"yes": "done, no sensors", "partly": "part, no sensors", "no": "not done"}[row["done"]]
    if row["reps_done"] is None:
        return report_words.MISSING
    asked = f" of {row['reps_asked']}" if row["reps_asked"] else ""
    clean = "" if row["reps_clean"] is None else f", {row['reps_clean']} clean"
    return f"{row['reps_done']}{asked} reps{clean}"


def context(desk: Desk) -> dict[str, Any]:
    """What the template needs."""
    found = entries(desk)
    pressing = sum(entry["reasons"][0].kind in PRESSING for entry in found)
    met = sum(any(reason.kind == "criteria" for reason in entry["reasons"]) for entry in found)
    said = f"{counted(pressing, 'athlete')} to look at first" if pressing else "Nobody to look at first"
    said += f", {met} {'meets' if met == 1 else 'meet'} the criteria set" if met else ""
    return {"entries": found, "said": f"{said}.", "pressing": PRESSING}
