"""The first page: every athlete, who needs attention first, and why."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import date, timedelta
from typing import Any

from markupsafe import Markup

from imu_shoulder.assess.words import counted
from imu_shoulder.history.queries import ENTRY, RECENT, RECENT_OF, ROSTER, rows, table
from imu_shoulder.report import words as report_words
from imu_shoulder.review.attention import Recent, order, reasons
from imu_shoulder.review.desk import Desk
from imu_shoulder.review.words import ago

# Sessions are counted over so many days.
RECENT_DAYS = 28
# From so many changed athletes on their sessions are looked up all at once.
FEW = 20
# Kinds for which a coach does something; the others are good to know.
PRESSING = ("pain", "fell_back", "unseen", "ahead", "dose", "sides")


def entries(desk: Desk, athlete_id: int | None = None) -> list[dict[str, Any]]:
    """Everybody, or one athlete, the most pressing first: the query's row with `reasons`, `ago`, `done`, `drawn`."""
    today = desk.today()
    since = (today - timedelta(days=RECENT_DAYS)).isoformat()
    with desk.store.read() as connection:
        if athlete_id is None:
            names, found = table(connection, ROSTER, since=since)
        else:
            names, found = table(connection, ENTRY, since=since, athlete_id=athlete_id)
    place = names.index("athlete_id")
    if athlete_id is None:
        desk.forget_others({row[place] for row in found})
    stale = [row for row in found if desk.entries.get(row[place], _NOTHING)[0] != (today, row)]
    changed = [dict(zip(names, row, strict=True)) for row in stale]
    for row, entry in zip(stale, _entries(desk, changed, today), strict=True):
        desk.entries[row[place]] = (today, row), entry
    return sorted([desk.entries[row[place]][1] for row in found], key=_order)


def _order(entry: Mapping[str, Any]) -> Any:
    return entry["order"]


_NOTHING: tuple[object, dict[str, Any]] = None, {}


def _entries(desk: Desk, found: Sequence[Mapping[str, Any]], today: date) -> list[dict[str, Any]]:
    """Of athletes of whom something changed. found: rows of the roster's query."""
    if not found:
        return []
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
        entry |= {"pressing": why[0].kind in PRESSING, "met": any(reason.kind == "criteria" for reason in why)}
        out.append({**entry, "drawn": Markup(desk.fill("roster_row.html.j2", {"e": entry}, reads=True))})
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
    first = [entry["drawn"] for entry in found if entry["pressing"]]
    rest = [entry["drawn"] for entry in found if not entry["pressing"]]
    met = sum(entry["met"] for entry in found)
    said = f"{counted(len(first), 'athlete')} to look at first" if first else "Nobody to look at first"
    said += f", {met} {'meets' if met == 1 else 'meet'} the criteria set" if met else ""
    groups = (("Look at first", first), ("Good to know", rest))
    return {"said": f"{said}.", "groups": [(title, Markup("").join(rows)) for title, rows in groups if rows]}
