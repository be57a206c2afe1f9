"""events.tsv: what happened when, in the columns of the Brain Imaging Data Structure's events files.

Source of the column names onset, duration, trial_type and of n/a: BIDS specification 1.8, Task events.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from dataclasses import replace
from pathlib import Path

from imu_shoulder.errors import RecordingError
from imu_shoulder.model import EVENT_SIDES, TRIAL_TYPES, Event

REQUIRED = ("onset", "duration", "trial_type", "drill", "side")
OPTIONAL = ("pain", "load_kg", "note", "direction")
NOTHING = "n/a"
# A pain rating that is given anew within this time corrects a slip. Our own choice: long enough to see it, too short
# for pain to have gone.
CORRECTED_WITHIN_S = 20.0


def read_events(path: Path) -> tuple[Event, ...]:
    """The rows of an events.tsv, sorted by onset. Raises RecordingError naming row and column."""
    try:
        text = path.read_text(encoding="utf-8-sig")
    except (OSError, UnicodeDecodeError) as error:
        raise RecordingError(f"a readable {path.name}", f"it is not ({error})", "save it as UTF-8 text") from error
    rows = [[cell.strip() for cell in line.split("\t")] for line in text.split("\n")]
    header = rows[0]
    _check_header(path.name, header)
    events = [_event(path.name, number, header, row) for number, row in enumerate(rows[1:], start=2) if any(row)]
    return tuple(sorted(events, key=lambda event: event.onset_s))


def _check_header(name: str, header: list[str]) -> None:
    missing = [column for column in REQUIRED if column not in header]
    if missing:
        raise RecordingError(
            f"the columns {', '.join(REQUIRED)} in {name}, separated by tabs",
            f"{', '.join(missing)} {'is' if len(missing) == 1 else 'are'} missing",
            "add them, with n/a where there is nothing to say",
        )
    for column in header:
        if column not in (*REQUIRED, *OPTIONAL) or header.count(column) > 1:
            raise RecordingError(
                f"each column of {name} once, out of {', '.join((*REQUIRED, *OPTIONAL))}",
                f"there is {column!r}" + (" twice" if header.count(column) > 1 else ""),
                "rename or remove it",
            )


def _event(name: str, number: int, header: list[str], row: list[str]) -> Event:
    if len(row) != len(header):
        raise RecordingError(
            f"{len(header)} cells in {name}, row {number}", f"there are {len(row)}", "separate the cells by tabs"
        )
    cells = {column: cell for column, cell in zip(header, row, strict=True) if cell not in (NOTHING, "")}

    def fail(column: str, expected: str) -> RecordingError:
        came = f"it is {cells[column]!r}" if column in cells else "it is n/a"
        return RecordingError(f"{expected} in {name}, row {number}, column {column}", came, "correct that cell")

    def number_in(column: str, low: float = 0.0, high: float = math.inf) -> float:
        try:
            value = float(cells[column])
        except (KeyError, ValueError):
            raise fail(column, "a number") from None
        if not low <= value <= high or math.isinf(value):
            raise fail(column, f"a number from {low:g} to {high:g}" if high < math.inf else f"{low:g} or more")
        return value

    trial_type = cells.get("trial_type")
    if trial_type not in TRIAL_TYPES:
        raise fail("trial_type", f"one of {', '.join(TRIAL_TYPES)}")
    side = cells.get("side")
    if side is not None and side not in EVENT_SIDES:
        raise fail("side", f"one of {', '.join(EVENT_SIDES)} or n/a")
    return Event(
        onset_s=number_in("onset", low=-math.inf),
        duration_s=number_in("duration"),
        trial_type=trial_type,
        drill=cells.get("drill"),
        side=side,
        pain=number_in("pain", high=10.0) if "pain" in cells else None,
        load_kg=number_in("load_kg") if "load_kg" in cells else None,
        note=cells.get("note"),
        direction=cells.get("direction"),
    )


def with_ratings(event: Event, ratings: Iterable[tuple[float, float]]) -> Event:
    """The event with its pain as it was rated: (second, pain), in time. Where there are several, the note has them.

    Soon after a number another one is the correction of a slip. Later a higher one is taken and a lower one is not:
    that pain has gone does not undo that it was there.
    """
    since_s = 0.0
    for at_s, pain in ratings:
        before = event.pain
        if before is None:
            event, since_s = replace(event, pain=pain), at_s
            continue
        if at_s - since_s <= CORRECTED_WITHIN_S:
            event = with_note(replace(event, pain=pain), f"pain corrected from {before:g} to {pain:g}")
        else:
            said = f"pain rated {before:g} and later {pain:g}: the higher counts"
            event = with_note(replace(event, pain=max(before, pain)), said)
        since_s = at_s if pain > before else since_s
    return event


def with_note(event: Event, note: str) -> Event:
    """The event with one more note, behind those it has."""
    return replace(event, note="; ".join(filter(None, [event.note, note])))


def events_tsv(events: Iterable[Event]) -> str:
    """The text of an events.tsv; optional columns only where an event fills one."""
    rows = [_row(event) for event in events]
    columns = [*REQUIRED, *(column for column in OPTIONAL if any(row[column] != NOTHING for row in rows))]
    lines = [columns, *([row[column] for column in columns] for row in rows)]
    return "".join("\t".join(line) + "\n" for line in lines)


def _row(event: Event) -> Mapping[str, str]:
    def text(value: object) -> str:
        if value is None or value == "":
            return NOTHING
        if isinstance(value, float):
            return f"{value:.6f}".rstrip("0").rstrip(".")
        # A tab or line break inside a note would break the table.
        return " ".join(str(value).split())

    return {
        "onset": text(float(event.onset_s)),
        "duration": text(float(event.duration_s)),
        "trial_type": event.trial_type,
        "drill": text(event.drill),
        "side": text(event.side),
        "pain": text(event.pain),
        "load_kg": text(event.load_kg),
        "note": text(event.note),
        "direction": text(event.direction),
    }
