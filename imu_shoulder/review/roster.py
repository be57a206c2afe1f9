"""The first page: every athlete, who needs attention first, and why."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import timedelta
from typing import Any

from imu_shoulder.assess.words import counted
from imu_shoulder.history.queries import ENTRY, RECENT, RECENT_OF, ROSTER, rows
from imu_shoulder.report import words as report_words
from imu_shoulder.review.attention import Recent, order, reasons
from imu_shoulder.review.desk import Desk
from imu_shoulder.review.words import ago

# Sessions are counted over so many days.
RECENT_DAYS = 28
# Kinds for which a coach does something; the others are good to know.
PRESSING = ("pain", "fell_back", "unseen", "dose", "sides")


def entries(desk: Desk, athlete_id: int | None = None) -> list[dict[str, Any]]:
    """Everybody, or one athlete, the most pressing first: the roster's columns with `reasons`, `ago` and `done`."""
    today = desk.today()
    since = (today - timedelta(days=RECENT_DAYS)).isoformat()
    one = {} if athlete_id is None else {"athlete_id": athlete_id}
    with desk.store.read() as connection:
        found = rows(connection, ENTRY if one else ROSTER, since=since, **one)
        latest: dict[int, list[Mapping[str, Any]]] = {}
        for row in rows(connection, RECENT_OF if one else RECENT, **one):
            latest.setdefault(row["athlete_id"], []).append(row)
    stands = desk.standings.of(found)
    out = []
    for row in found:
        own = reasons(Recent(row, latest.get(row["athlete_id"], [])), stands[row["athlete_id"]], today)
        seen = "" if row["start_utc"] is None else ago(row["start_utc"], today)
        out.append({**row, "reasons": own, "ago": seen, "done": _done(row)})
    return sorted(out, key=lambda entry: (order(entry["reasons"]), entry["name"]))


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
