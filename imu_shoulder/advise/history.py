"""Earlier sessions: the summaries that earlier analyses wrote."""

from __future__ import annotations

import json
from collections.abc import Iterable, Mapping, Sequence
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from imu_shoulder.analysis import BY_OPTION
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
    try:
        summary = json.loads(file.read_text(encoding="utf-8"))
    except (OSError, ValueError) as error:
        do = "give a folder that analyse has written"
        raise HistoryError("a summary.json of an earlier session", f"{file} is not one ({error})", do) from error
    require_one_run(file.parent)
    keys = ("schema", "recording", "sets")
    if not isinstance(summary, dict) or not all(key in summary for key in keys) or summary["schema"] != SCHEMA:
        do = "analyse that session again"
        raise HistoryError(f"a summary of schema {SCHEMA} with {', '.join(keys)}", f"{file} has none", do)
    return summary


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
