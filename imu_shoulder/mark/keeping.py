"""events.tsv as the page gets it and gives it back: nothing is written over what somebody else wrote meanwhile."""

from __future__ import annotations

import hashlib
import threading
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from imu_shoulder.errors import OutputError, RecordingError
from imu_shoulder.files import refusing, write_beside_earlier
from imu_shoulder.limits import MAX_EVENTS
from imu_shoulder.model import Event
from imu_shoulder.sources.events import NOTHING, OPTIONAL, REQUIRED, cells_of, events_tsv, parse_events, read_events
from imu_shoulder.sources.folder import EVENTS

Cells = dict[str, str]


class ChangedError(OutputError):
    """events.tsv is not what the page has read."""


@dataclass(frozen=True, slots=True)
class Marked:
    """What is on the disk. version: a digest of the file, empty where there is none."""

    version: str
    events: tuple[Event, ...]

    @property
    def rows(self) -> list[Cells]:
        return [cells_of(event) for event in self.events]


@dataclass(frozen=True, slots=True)
class Saved:
    """What came of saving. kept: name of the file that has what was there before, empty where nothing was written
    over. changed: whether anything was written."""

    version: str
    kept: str
    changed: bool
    events: tuple[Event, ...]


class Keeper:
    """The events.tsv of one recording folder."""

    def __init__(self, folder: Path) -> None:
        self.path = folder / EVENTS
        self._lock = threading.Lock()

    @property
    def version(self) -> str:
        try:
            return hashlib.sha256(self.path.read_bytes()).hexdigest()
        except FileNotFoundError:
            return ""

    def read(self) -> Marked:
        """Raises RecordingError where the file is no events.tsv."""
        with self._lock:
            version = self.version
            return Marked(version, read_events(self.path) if version else ())

    def keep(self, version: str, rows: object) -> Saved:
        """Write the rows if the file still is the one of that version; what was there stays as a numbered copy.

        rows: of the page, each a column's cell by its name. Raises ChangedError, RecordingError for rows that are no
        events, and OutputError; nothing is written then.
        """
        events = parse_events(_text(rows), EVENTS)
        text = events_tsv(events)
        with self._lock:
            now = self.version
            if version != now:
                raise ChangedError(
                    f"{EVENTS} as this page read it",
                    "it was changed meanwhile, by another page or program",
                    "look at what is there now before you save",
                )
            if now == hashlib.sha256(text.encode()).hexdigest():
                return Saved(now, "", False, events)
            with refusing(self.path, "free some space or check your rights to the folder; nothing was changed"):
                kept = write_beside_earlier(self.path, text)
            return Saved(self.version, "" if kept is None else kept.name, True, events)


def _text(rows: object) -> str:
    """The page's rows as the text of an events.tsv, not yet checked. Raises RecordingError for what is no rows."""
    if not isinstance(rows, list) or not all(isinstance(row, dict) for row in rows) or len(rows) > MAX_EVENTS:
        raise RecordingError(f"a list of at most {MAX_EVENTS} marks", "something else came", "reload the page")
    columns = list(dict.fromkeys((*REQUIRED, *(name for row in rows for name in row if name in OPTIONAL))))
    if unknown := next((name for row in rows for name in row if name not in columns), None):
        raise RecordingError(f"the columns of {EVENTS}", f"there is {str(unknown)[:40]!r}", "reload the page")
    lines = [columns, *([_cell(row.get(name)) for name in columns] for row in rows)]
    return "\n".join("\t".join(line) for line in lines)


def _cell(value: object) -> str:
    if isinstance(value, bool) or not isinstance(value, str | int | float | None):
        raise RecordingError("texts and numbers in the marks", f"there is {type(value).__name__}", "reload the page")
    # A tab or a line's end inside a note would be another cell or row.
    return NOTHING if value is None else " ".join(str(value).split()) or NOTHING


def calibration_of(events: Sequence[Event]) -> tuple[Event, ...]:
    """The marks that angles hang on."""
    return tuple(event for event in events if event.trial_type != "set")
