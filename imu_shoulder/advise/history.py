"""Earlier sessions: the summaries that earlier analyses wrote."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from imu_shoulder.analysis import BY_OPTION
from imu_shoulder.checked import read_json, whole
from imu_shoulder.errors import ShoulderError
from imu_shoulder.identity import person
from imu_shoulder.one_run import SUMMARY, require_one_run
from imu_shoulder.parameters import require_same
from imu_shoulder.report.summary import SCHEMA

Summary = Mapping[str, Any]


class HistoryError(ShoulderError):
    """An earlier session's results cannot be used."""


def load_history(paths: Iterable[Path]) -> tuple[Summary, ...]:
    """Summaries by path of a results folder or of its summary.json. Raises HistoryError, and RecordingError for a
    folder whose files are of different runs."""
    return tuple(_load(path) for path in paths)


def _load(path: Path) -> Summary:
    file = path / SUMMARY if path.is_dir() else path
    do = "give a folder that analyse has written"
    summary = read_json(file, "a summary.json of an earlier session", HistoryError, do)
    require_one_run(file.parent)
    missing = "" if summary.get("schema") == SCHEMA else f"its schema is {summary.get('schema')!r}"
    missing = missing or _incomplete(summary)
    if missing:
        raise HistoryError(f"a whole summary of schema {SCHEMA}", f"in {file} {missing}", "analyse that session again")
    return summary


def _incomplete(summary: Summary) -> str:
    """What advice needs of a summary and is not there, in words; empty where all is."""
    missing = whole(summary, {"recording": dict, "sets": list})
    missing = missing or whole(summary["recording"], {"name": str, "athlete": str, "start": str})
    if missing:
        return missing
    if not isinstance(summary.get("parameters_changed", {}), dict):
        return "'parameters_changed' is no table"
    for number, entry in enumerate(summary["sets"], start=1):
        missing = _incomplete_set(entry)
        if missing:
            return f"in set {number} {missing}"
    return ""


def _incomplete_set(entry: object) -> str | None:
    if not isinstance(entry, dict):
        return "there is no table"
    nothing, number = type(None), (int, float)
    missing = whole(entry, {"set": int, "drill": (str, nothing), "side": str, "role": str, "judged": bool})
    missing = missing or whole(entry, {"done": dict, "asked": dict, "criteria": list})
    if missing:
        return missing
    missing = whole(entry["done"], dict.fromkeys(("reps", "clean", "scored"), (*number, nothing)))
    missing = missing or whole(entry["asked"], {"reps": (*number, nothing)})
    if not isinstance(entry.get("pain"), (*number, nothing)):
        return "'pain' is no number"
    for criterion in entry["criteria"]:
        missing = missing or whole(criterion if isinstance(criterion, dict) else {}, _REPS)
        missing = missing or next((f"{key!r} holds no numbers" for key in _REPS if not _numbers(criterion[key])), None)
    return missing


_REPS: Mapping[str, type] = dict.fromkeys(("met", "missed", "unknown"), list)


def _numbers(values: Iterable[object]) -> bool:
    return all(isinstance(value, int) for value in values)


def in_time(history: Sequence[Summary], now: Summary) -> tuple[Summary, ...]:
    """The sessions from the latest back, this one first.

    Raises HistoryError for another athlete's, a later one, or one that was judged by other parameters.
    """
    mine = now["recording"]
    for summary in history:
        other = summary["recording"]
        do = "give earlier sessions of the same athlete, each once"
        if person(other["athlete"]) != person(mine["athlete"]):
            raise HistoryError(f"earlier sessions of {mine['athlete']}", f"one is of {other['athlete']}", do)
        if _start(summary) >= _start(now):
            came = f"{other['name']} began at {other['start']}"
            raise HistoryError(f"sessions before {mine['start']}", came, do)
        theirs = summary.get("parameters_changed", {})
        require_same(now.get("parameters_changed", {}), theirs, f"the session {other['name']}", HistoryError, BY_OPTION)
    starts = [_start(summary) for summary in history]
    if len(set(starts)) < len(starts):
        raise HistoryError("each earlier session once", "one came twice", "leave out one of the two")
    return (now, *sorted(history, key=_start, reverse=True))


def _start(summary: Summary) -> datetime:
    """Start of a session. One without a zone is taken as UTC: sessions are hours apart."""
    text = summary["recording"]["start"]
    try:
        start = datetime.fromisoformat(text)
    except (TypeError, ValueError) as error:
        do = "correct start in its recording.toml and analyse it again"
        raise HistoryError("an ISO 8601 start of each session", f"one was {text!r}", do) from error
    return start if start.tzinfo else start.replace(tzinfo=UTC)
