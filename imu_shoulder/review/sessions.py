"""The pages of a session and of a set: what was done, curves, notes, and what the coach says of a rep instead."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pandas as pd
from markupsafe import Markup

from imu_shoulder.assess.faults import FAULTS
from imu_shoulder.history import sessions as stored
from imu_shoulder.history.adding import RESULTS
from imu_shoulder.history.keeping import folder_of
from imu_shoulder.history.migrate import StoreError
from imu_shoulder.history.people import find_athlete
from imu_shoulder.history.remarks import SAYS, notes, verdicts
from imu_shoulder.history.schema import MEASURES
from imu_shoulder.one_run import ANGLES, REPORT, REPS
from imu_shoulder.report import figure, headlines, sections, words
from imu_shoulder.report.html import advice_lines, plan_lines
from imu_shoulder.review.desk import Desk
from imu_shoulder.texts import as_written

Row = dict[str, Any]
_NOT_STORED = ("stations", "pauses", "close_notes")


@dataclass(frozen=True, slots=True)
class Material:
    """A session as the report's pieces take it. folder: of its results, None where no curves are kept."""

    row: Row
    summary: Mapping[str, Any]
    reps: pd.DataFrame
    angles: pd.DataFrame
    folder: Path | None


def results_of(desk: Desk, row: Mapping[str, Any]) -> Path | None:
    """The folder with the results of a session, None where nothing is kept or a killed process left none."""
    if row["kept"] is None:
        return None
    folder = folder_of(desk.store.kept, row["kept"]) / RESULTS
    return folder if (folder / ANGLES).is_file() and (folder / REPS).is_file() else None


def material(desk: Desk, session_id: int) -> Material:
    """What is known of a session. Raises StoreError where there is none."""
    row = stored.session(desk.store, session_id)
    folder = results_of(desk, row)
    summary = {"sets": [], **(row["summary"] or {})}
    if folder is None:
        return Material(row, summary, _stored_reps(desk, session_id), pd.DataFrame({"time_s": []}), None)
    reps = as_written(pd.read_csv(folder / REPS))
    return Material(row, summary, reps, pd.read_parquet(folder / ANGLES), folder)


def _stored_reps(desk: Desk, session_id: int) -> pd.DataFrame:
    """The reps of a session without a kept recording, in the columns of reps.csv that the history has."""
    found = []
    for own in stored.sets(desk.store, session_id):
        shared = {"set": own["number"], "side": own["side"], "role": own["role"], "drill": own["drill"]}
        for rep in stored.reps(desk.store, own["id"]):
            found.append(
                {**rep, **(rep["more"] or {}), **shared, "rep": rep["number"], **dict.fromkeys(_NOT_STORED, "")}
            )
    columns = ["set", "side", "role", "rep", "start_s", "top_start_s", "top_end_s", "end_s", *MEASURES]
    empty = [*columns, "faults", "close", "excluded", *_NOT_STORED]
    table = pd.DataFrame(found) if found else pd.DataFrame(columns=empty)
    return table.drop(columns=["more", "set_id", "place", "number"], errors="ignore")


def _shared(desk: Desk, row: Row) -> dict[str, Any]:
    """What both pages show of whose session it is."""
    return {
        "session": row,
        "athlete": find_athlete(desk.store, row["athlete_id"]),
        "notes": notes(desk.store, row["athlete_id"], row["id"]),
        "verdicts": verdicts(desk.store, row["id"]),
        "fault_words": words.fault,
    }


def session_context(desk: Desk, session_id: int) -> dict[str, Any]:
    """Of a session's page. Raises StoreError where there is none."""
    row = stored.session(desk.store, session_id)
    summary = row["summary"] or {}
    found = stored.sets(desk.store, session_id)
    folder = results_of(desk, row)
    earlier = [own for own in stored.sessions(desk.store, row["athlete_id"]) if own["start_utc"] < row["start_utc"]]
    shared = _shared(desk, row)
    ceiling = shared["athlete"].profile.pain_ceiling
    if row["plan_version_id"] is not None:  # that of the plan it was held against
        ceiling = (summary.get("pain") or {}).get("ceiling", ceiling)
    return {
        **shared,
        "ceiling": ceiling,
        "sets": [{**own, "title": _title(summary, own)} for own in found],
        "first_lines": [words.degrees(line) for line in summary.get("first_lines") or ()],
        "plan_lines": plan_lines(summary.get("plan")),
        "advice": advice_lines(summary.get("advice") or []),
        "dose": summary.get("dose") or (),
        "report": folder is not None and (folder / REPORT).is_file(),
        "kept": row["kept"] is not None,
        "unmarked": row["kept"] is not None and _unmarked(summary, found),
        "before": earlier[0] if earlier else None,
        "curves": folder is not None,
    }


def _unmarked(summary: Mapping[str, Any], found: Sequence[Mapping[str, Any]]) -> bool:
    """Whether nobody said what was done: sets are the program's proposals, or have no drill."""
    proposed = any(own["kind"] == "set" for own in summary.get("proposals") or ())
    return proposed or not any(own["drill"] for own in found)


def _title(summary: Mapping[str, Any], own: Mapping[str, Any]) -> str:
    entries = summary.get("sets") or ()
    return headlines.title(next((e for e in entries if e["set"] == own["number"] and e["title"]), {}))


def set_context(desk: Desk, session_id: int, number: int) -> dict[str, Any]:
    """Of a set's page: each arm of it as the report shows it. Raises StoreError where there is none."""
    found = material(desk, session_id)
    entries = [entry for entry in found.summary["sets"] if entry["set"] == number]
    if not entries:
        there = ", ".join(map(str, dict.fromkeys(entry["set"] for entry in found.summary["sets"]))) or "none"
        raise StoreError(f"a set of the session out of {there}", f"it is {number}", "go back to the session")
    of_set = {**found.summary, "sets": entries}
    built = sections.build(of_set, found.reps, found.angles)
    own = [one for one in verdicts(desk.store, session_id) if one["set_number"] == number]
    numbers = list(dict.fromkeys(entry["set"] for entry in found.summary["sets"]))
    place = numbers.index(number)
    arms = [
        {"section": section, "entry": entry, "overruled": _overruled(own, entry["side"])}
        for section, entry in zip(built, headlines.in_order(of_set), strict=True)
    ]
    shared = _shared(desk, found.row)
    shared["notes"] = [note for note in shared["notes"] if note["set_number"] in (number, None)]
    return {
        **shared,
        "verdicts": own,
        "number_of_set": number,
        "arms": arms,
        "before": numbers[place - 1] if place else None,
        "after": numbers[place + 1] if place + 1 < len(numbers) else None,
        "says": SAYS,
        "faults": [(name, fault.label) for name, fault in FAULTS.items()],
        "curves": found.folder is not None,
        "data": {
            "body": figure.page_geometry(),
            "curves": [section.curve for section in built if section.curve is not None],
        },
        "trunks": [(name, Markup(figure.trunk_svg(view))) for view, name in enumerate(figure.VIEWS)],
    }


def _overruled(own: Sequence[Mapping[str, Any]], side: str) -> dict[str, str]:
    """By rep what the coach says of it, the latest on each fault."""
    latest: dict[tuple[int, str], Mapping[str, Any]] = {}
    for verdict in own:
        if verdict["side"] == side:
            latest[verdict["rep"], verdict["fault"]] = verdict
    found: dict[str, list[str]] = {}
    for (rep, fault), verdict in latest.items():
        about = f"{words.fault(fault)}: " if fault else ""
        found.setdefault(str(rep), []).append(f"{about}{verdict['says']} ({verdict['why']})")
    return {rep: "; ".join(told) for rep, told in found.items()}
