"""events.tsv: what happened when, in the columns of the Brain Imaging Data Structure's events files.

Source of the column names onset, duration, trial_type and of n/a: BIDS specification 1.8, Task events.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from dataclasses import replace
from itertools import pairwise
from pathlib import Path

from imu_shoulder.checked import read_text
from imu_shoulder.errors import RecordingError
from imu_shoulder.limits import MAX_EVENTS, MAX_HOURS, MAX_NAME_LETTERS, MAX_SETS, MAX_TABLE_BYTES
from imu_shoulder.model import EVENT_SIDES, MAYBE_SET, SIDES, TRIAL_TYPES, ArmCount, Event, Proposal

REQUIRED = ("onset", "duration", "trial_type", "drill", "side")
# Of each arm in a set, as a live session counted: right_counted and so on.
COUNTS = ("counted", "extra", "corrected")
OPTIONAL = ("pain", "effort", "load_kg", *(f"{side}_{name}" for side in SIDES for name in COUNTS), "note", "direction")
# Of a file of proposals: they are read past, so that it is used as it is once somebody has looked at it.
PROPOSED = ("probability", "alternatives", "doubt")
NOTHING = "n/a"
# Marks of two sets may share so much of the shorter one: they are set by hand, and one set may begin as the other ends.
MOST_SHARED = 0.5
_CUT = "cut the recording into parts"
# A pain rating that is given anew within this time corrects a slip. Our own choice: long enough to see it, too short
# for pain to have gone.
CORRECTED_WITHIN_S = 20.0


def read_events(path: Path) -> tuple[Event, ...]:
    """The rows of an events.tsv, sorted by onset. Raises RecordingError naming row and column."""
    return parse_events(read_text(path, "events", RecordingError, MAX_TABLE_BYTES), path.name)


def parse_events(text: str, name: str) -> tuple[Event, ...]:
    """The same from text; `name` is used in messages. Raises RecordingError."""
    rows = [[cell.strip() for cell in line.split("\t")] for line in text.split("\n")]
    header = rows[0]
    _check_header(name, header)
    # What may be a set is none until somebody says so, by another word in its row.
    kind = header.index("trial_type")
    numbered = [(number, row) for number, row in enumerate(rows[1:], start=2) if any(row)]
    numbered = [(number, row) for number, row in numbered if row[kind : kind + 1] != [MAYBE_SET]]
    sets = sum("set" in row for _, row in numbered)
    if sets > MAX_SETS:
        raise RecordingError(f"at most {MAX_SETS} sets in {name}", f"there are {sets}", _CUT)
    if len(numbered) > MAX_EVENTS:
        raise RecordingError(f"at most {MAX_EVENTS} events in {name}", f"there are {len(numbered)}", _CUT)
    events = [(number, _event(name, number, header, row)) for number, row in numbered]
    _check_sets(name, events)
    return tuple(sorted((event for _, event in events), key=lambda event: event.onset_s))


def _check_sets(name: str, events: Iterable[tuple[int, Event]]) -> None:
    """events: each with the number of its row."""
    sets = sorted(((n, e) for n, e in events if e.trial_type == "set"), key=lambda one: one[1].onset_s)
    for (row, one), (other_row, other) in pairwise(sets):
        shared_s = min(one.end_s, other.end_s) - other.onset_s
        arms = [event.side if event.side in SIDES else None for event in (one, other)]
        if shared_s > MOST_SHARED * min(one.duration_s, other.duration_s) and (None in arms or arms[0] == arms[1]):
            raise RecordingError(
                f"each set of {name} once, one arm in one set at a time",
                f"rows {min(row, other_row)} and {max(row, other_row)} mark the same set twice: they share "
                f"{shared_s:.1f} s",
                "leave out one of the two, or correct their onset and duration",
            )


def _check_header(name: str, header: list[str]) -> None:
    missing = [column for column in REQUIRED if column not in header]
    if missing:
        raise RecordingError(
            f"the columns {', '.join(REQUIRED)} in {name}, separated by tabs",
            f"{', '.join(missing)} {'is' if len(missing) == 1 else 'are'} missing",
            "add them, with n/a where there is nothing to say",
        )
    for column in header:
        if column not in (*REQUIRED, *OPTIONAL, *PROPOSED) or header.count(column) > 1:
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

    for column, cell in cells.items():
        if column not in ("note", "alternatives", "doubt") and len(cell) > MAX_NAME_LETTERS:
            expected = f"at most {MAX_NAME_LETTERS} letters in {name}, row {number}, column {column}"
            raise RecordingError(expected, f"there are {len(cell)}", "shorten that cell")

    def number_in(column: str, low: float = 0.0, high: float = math.inf) -> float:
        try:
            value = float(cells[column])
        except (KeyError, ValueError):
            raise fail(column, "a number") from None
        if not low <= value <= high or math.isinf(value):
            raise fail(column, f"a number from {low:g} to {high:g}" if high < math.inf else f"{low:g} or more")
        return value

    def whole_in(column: str, low: float = 0.0) -> int:
        value = number_in(column, low)
        if value != int(value):
            raise fail(column, "a whole number")
        return int(value)

    trial_type = cells.get("trial_type")
    if trial_type not in TRIAL_TYPES:
        raise fail("trial_type", f"one of {', '.join(TRIAL_TYPES)}")
    side = cells.get("side")
    if side is not None and side not in EVENT_SIDES:
        raise fail("side", f"one of {', '.join(EVENT_SIDES)} or n/a")
    event = Event(
        onset_s=number_in("onset", low=-math.inf),
        duration_s=number_in("duration", high=MAX_HOURS * 3600),
        trial_type=trial_type,
        drill=cells.get("drill"),
        side=side,
        pain=number_in("pain", high=10.0) if "pain" in cells else None,
        load_kg=number_in("load_kg") if "load_kg" in cells else None,
        note=cells.get("note"),
        direction=cells.get("direction"),
        effort=number_in("effort", high=10.0) if "effort" in cells else None,
    )
    for arm in SIDES:
        counted, extra, corrected = (f"{arm}_{name}" for name in COUNTS)
        event = event.with_count(
            ArmCount(
                arm,
                whole_in(counted) if counted in cells else None,
                whole_in(extra) if extra in cells else 0,
                whole_in(corrected, low=-math.inf) if corrected in cells else 0,
            )
        )
    return event


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


def cells_of(event: Event) -> dict[str, str]:
    """A row's cells by column, without those that say nothing."""
    return {column: cell for column, cell in _row(event).items() if cell != NOTHING}


def events_tsv(events: Iterable[Event]) -> str:
    """The text of an events.tsv; optional columns only where an event fills one."""
    rows = [_row(event) for event in events]
    columns = [*REQUIRED, *(column for column in OPTIONAL if any(row[column] != NOTHING for row in rows))]
    lines = [columns, *([row[column] for column in columns] for row in rows)]
    return "".join("\t".join(line) + "\n" for line in lines)


def proposals_tsv(marked: Iterable[Event], proposals: Iterable[Proposal]) -> str:
    """The text of an events.tsv of what is proposed beside what is marked, with how sure it is."""
    told = [(own.event, own) for own in proposals]
    known = {event for event, _ in told}
    rows = [(event, None) for event in marked if event not in known]
    cells = []
    for event, own in sorted([*told, *rows], key=lambda pair: pair[0].onset_s):
        extra = dict.fromkeys(PROPOSED, NOTHING)
        if own is not None:
            others = ", ".join(f"{name} {probability:.2f}" for name, probability in own.alternatives)
            extra = {
                "probability": f"{own.probability:.2f}",
                "alternatives": others or NOTHING,
                "doubt": own.doubt or NOTHING,
            }
            extra["trial_type"] = own.kind
        cells.append({**_row(event), **extra})
    columns = [*REQUIRED, *(c for c in OPTIONAL if any(row[c] != NOTHING for row in cells)), *PROPOSED]
    lines = [columns, *([row[column] for column in columns] for row in cells)]
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
        "effort": text(event.effort),
        "load_kg": text(event.load_kg),
        **{
            f"{side}_{name}": text(value)
            for side in SIDES
            for name, value in zip(COUNTS, _counts(event.count_of(side)), strict=True)
        },
        "note": text(event.note),
        "direction": text(event.direction),
    }


def _counts(count: ArmCount) -> tuple[int | None, ...]:
    """In the order of COUNTS; None for what there is nothing to say of."""
    return count.counted, count.extra or None, count.corrected or None
