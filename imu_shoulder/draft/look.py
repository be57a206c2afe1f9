"""How a foreign file is written: its encoding, what separates its cells, where its table begins, what columns hold."""

from __future__ import annotations

import csv
import re
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import pandas as pd

from imu_shoulder.draft.evidence import possible_rate, since_1970
from imu_shoulder.errors import RecordingError
from imu_shoulder.limits import MAX_COLUMNS
from imu_shoulder.sources.opened import read_unpacked
from imu_shoulder.sources.stamps import CLOCK, ISO
from imu_shoulder.sources.text_tables import BLANKS, MISSING, Layout, TextTable, cells_of, decoded, encoding_of

# So many lines are looked at to tell how the file is written.
_LINES = 600
_ROWS = 150
_DELIMITERS = ("\t", ";", ",", "|", BLANKS)
_COMMENTS = ("#", "//", "%", "!")
_LEAST_NUMBERS = 3
_NUMBER = re.compile(r"[+-]?(\d+\.?\d*|\.\d+)([eE][+-]?\d+)?")
_STAMPS = (
    (ISO, re.compile(r"\d{4}-\d\d?-\d\d?[T ]\d\d?:\d\d(:\d\d([.,]\d+)?)?\s?(Z|[+-]\d\d:?\d\d)?")),
    (CLOCK, re.compile(r"\d{1,2}:\d\d:\d\d([.,:]\d+)?")),
)
# Other dates with a time, by the patterns of strptime.
_PATTERNS = tuple(
    f"{day} {clock}"
    for day in ("%d.%m.%Y", "%m/%d/%Y", "%d/%m/%Y", "%Y/%m/%d", "%d-%m-%Y", "%Y.%m.%d")
    for clock in ("%H:%M:%S.%f", "%H:%M:%S", "%I:%M:%S.%f %p", "%I:%M:%S %p")
)
NUMBER, TEXT, EMPTY = "number", "text", "empty"


@dataclass(frozen=True, slots=True)
class Looked:
    """A file that was looked at.

    path: as it is opened. name: as it is shown, and named in the map. names, units, groups: of each column, from the
    lines above the data, "" where there is none. kinds: number, text, empty, or a stamp's unit. before: lines above.
    """

    path: Path
    name: str
    table: TextTable
    names: tuple[str, ...]
    units: tuple[str, ...]
    groups: tuple[str, ...]
    kinds: tuple[str, ...]
    before: tuple[str, ...]
    sample: pd.DataFrame

    @property
    def layout(self) -> Layout:
        return self.table.layout

    def column(self, place: int) -> str | int:
        """How the map calls a column: by its name where that is the only one of its kind, else by number from 1."""
        name = self.names[place]
        plain = self.layout.header_rows and name and self.table.names.count(name) == 1
        return name if plain else place + 1


def look(path: Path, name: str) -> Looked:
    """Raises RecordingError for a file that holds no table of numbers."""
    data = read_unpacked(path)
    text, encoding = _text(data, name)
    lines = text.split("\n", _LINES)[:_LINES]
    comment = _comment(lines)
    body = [line for line in lines if line.strip() and not (comment and line.lstrip().startswith(comment))]
    line_end = _line_end(body)
    body = [line.rstrip().removesuffix(line_end) for line in body]
    lines = [line.rstrip(" ").removesuffix(line_end) for line in lines] if line_end else lines
    delimiter, decimal = _delimiter(body[-max(20, len(body) * 2 // 3) :][:_ROWS], name)
    layout = Layout(delimiter, decimal, encoding, comment, 0, 0, line_end)
    first = _first_data(lines, layout)
    if first is None:
        raise _no_table(name, "no row of it has three numbers")
    width = max(len(_cells(line, layout)) for line in lines[first:] if line.strip())
    names, units, groups, skip_rows, header_rows = _header(lines[:first], layout, width)
    layout = replace(
        layout, skip_rows=skip_rows if header_rows else _without_header(lines[:first], layout), header_rows=header_rows
    )
    told = _told_in_rows(lines[first:], layout) if not header_rows else None
    if told is not None:
        layout, before = replace(layout, skip_rows=layout.skip_rows + len(told)), [*lines[:first], *told]
        first += len(told)
    else:
        before = lines[:first]
    table = TextTable(name, layout, text)
    if not 1 <= width <= MAX_COLUMNS:
        raise _no_table(name, f"it has {width} columns")
    sample = _sample(lines[first:], layout, width)
    kinds = tuple(_kind(sample[place], decimal) for place in sample)
    return Looked(path, name, table, names, units, groups, kinds, tuple(before), sample)


def _no_table(name: str, came: str) -> RecordingError:
    return RecordingError(f"{name} to be a table of numbers in a text file", came, "export it as CSV")


def _text(data: bytes, name: str) -> tuple[str, str]:
    """The text, with line feeds alone, and the encoding to be named in a map: "" where it needs none."""
    encoding = encoding_of(data)
    try:
        text = decoded(data, encoding, name)
    except RecordingError:
        encoding = "latin-1"
        text = decoded(data, encoding, name)
    head = text[:5000]
    odd = sum(letter < " " and letter not in "\t\r\n\f" for letter in head)
    if odd > 0.01 * len(head):
        raise _no_table(name, "it holds what is no text")
    return text, "" if encoding == "utf-8" else encoding


def _comment(lines: Sequence[str]) -> str:
    """What lines begin with that are none of the table, where some do."""
    for mark in _COMMENTS:
        marked = [line for line in lines if line.lstrip().startswith(mark)]
        if marked and len(marked) < 0.5 * len([line for line in lines if line.strip()]):
            return mark
    return ""


def _line_end(body: Sequence[str]) -> str:
    """A mark at the end of rows that no cell is separated by."""
    rows = body[len(body) // 2 :]
    ended = [line for line in rows if line.rstrip().endswith(";")]
    return ";" if rows and len(ended) > 0.9 * len(rows) and all(line.count(";") == 1 for line in ended) else ""


def _cells(line: str, layout: Layout) -> list[str]:
    try:
        return cells_of(line, layout.delimiter)
    except csv.Error:
        return []


def is_number(cell: str, decimal: str) -> bool:
    return bool(_NUMBER.fullmatch(cell.replace(decimal, ".") if decimal == "," else cell))


def _delimiter(rows: Sequence[str], name: str) -> tuple[str, str]:
    """What separates cells, and the decimal mark: what gives the most numbers, in rows that are alike.

    A cell that is neither number nor stamp, and holds digits, speaks against both.
    """
    best, found = 0.0, ("", ".")
    for delimiter in _DELIMITERS:
        split = [_cells(row, Layout(delimiter)) for row in rows]
        for decimal in (".", ","):
            if decimal == delimiter:
                continue
            counts = [sum(is_number(cell, decimal) for cell in cells) for cells in split]
            broken = [sum(_is_broken(cell, decimal) for cell in cells) for cells in split]
            worth = (sum(counts) - 2.0 * sum(broken)) / max(1, len(rows))
            # Whole numbers are numbers under either mark: the point is usual.
            if worth > best + 1e-9:
                best, found = worth, (delimiter, decimal)
    if best < _LEAST_NUMBERS - 0.5:
        raise _no_table(name, "its rows do not hold three numbers each")
    return found


def _is_broken(cell: str, decimal: str) -> bool:
    if not cell or is_number(cell, decimal) or _stamp(cell):
        return False
    return bool(re.fullmatch(r"[\d.,;:\s|+-]+", cell))


def _stamp(cell: str) -> str:
    return next((unit for unit, pattern in _STAMPS if pattern.fullmatch(cell)), "")


def _is_data(line: str, layout: Layout) -> bool:
    cells = _cells(line, layout)
    numbers = sum(is_number(cell, layout.decimal) for cell in cells)
    others = sum(bool(cell) and not _stamp(cell) and cell not in MISSING for cell in cells) - numbers
    return numbers >= _LEAST_NUMBERS and numbers >= others


def _first_data(lines: Sequence[str], layout: Layout) -> int | None:
    """The first line from which on rows are data; one odd row among them does not count."""
    for place, line in enumerate(lines):
        if _passed(line, layout) or not _is_data(line, layout):
            continue
        after = [one for one in lines[place + 1 : place + 12] if not _passed(one, layout)]
        if sum(_is_data(one, layout) for one in after) >= 0.7 * len(after):
            return place
    return None


def _passed(line: str, layout: Layout) -> bool:
    return not line.strip() or bool(layout.comment and line.lstrip().startswith(layout.comment))


def _without_header(before: Sequence[str], layout: Layout) -> int:
    """Lines to skip where there is no header: up to the last one that is neither blank nor comment."""
    told = [place + 1 for place, line in enumerate(before) if not _passed(line, layout)]
    return told[-1] if told else 0


def _header(
    before: Sequence[str], layout: Layout, width: int
) -> tuple[tuple[str, ...], tuple[str, ...], tuple[str, ...], int, int]:
    """Names, units and groups of the columns, lines before the names, and lines of header (0 where there is none)."""
    none = ("",) * width
    rows = [(place, _cells(line, layout)) for place, line in enumerate(before) if not _passed(line, layout)]
    fitting: list[tuple[int, list[str]]] = []
    for place, cells in reversed(rows):
        if not width - 1 <= len(cells) <= width + 1 or (width > 1 and len(cells) < 2):
            break
        if sum(is_number(cell, layout.decimal) for cell in cells) > 0.2 * len([cell for cell in cells if cell]):
            break
        fitting.insert(0, (place, (cells + [""] * width)[:width]))
    fitting = fitting[-4:]
    if not fitting:
        return _named_in_comment(before, layout, width), none, none, 0, 0
    named = max(range(len(fitting)), key=lambda k: (_wordy(fitting[k][1]), k))
    names = tuple(fitting[named][1])
    units = tuple(fitting[named + 1][1]) if named + 1 < len(fitting) else none
    groups = none
    for _, cells in fitting[:named]:
        groups = tuple(f"{a} {b}".strip() for a, b in zip(groups, _filled(cells), strict=True))
    return names, units, groups, fitting[named][0], len(fitting) - named


def _wordy(cells: Sequence[str]) -> float:
    """How much a row reads like names: cells that have letters, units for less."""
    lettered = [cell for cell in cells if re.search(r"[A-Za-zÄÖÜäöü]", cell)]
    bare = [
        cell
        for cell in lettered
        if re.fullmatch(
            r"[\[(]?\s*(m/s\S*|m/\(s\S*|m?g|\w?rad/s|m?deg\S*|°/s|dps|[mnuµ]?s|CAL|RAW|no units?)\s*[\])]?", cell
        )
    ]
    return len(lettered) - 0.6 * len(bare)


def _filled(cells: Sequence[str]) -> list[str]:
    """A group's name stands over the first of its columns."""
    out: list[str] = []
    for cell in cells:
        out.append(cell or (out[-1] if out else ""))
    return out


def _named_in_comment(before: Sequence[str], layout: Layout, width: int) -> tuple[str, ...]:
    """Names from the last comment line, where it has as many cells as the table."""
    for line in reversed(before):
        if layout.comment and line.lstrip().startswith(layout.comment):
            cells = _cells(line.lstrip().removeprefix(layout.comment).strip(), layout)
            if len(cells) == width > 2:
                return tuple(cells)
            break
    return ("",) * width


def _told_in_rows(lines: Sequence[str], layout: Layout) -> list[str] | None:
    """What two rows before the values say, as wristbands write them: when it began, since 1970, and the rate in Hz."""
    rows = [_cells(line, layout) for line in lines[:2]]
    if len(rows) < 2 or any(len(set(cells)) != 1 or not is_number(cells[0], layout.decimal) for cells in rows):
        return None
    began_s, rate_hz = (float(cells[0].replace(layout.decimal, ".")) for cells in rows)
    if not (since_1970(began_s) and possible_rate(rate_hz)):
        return None
    return [f"began {cells[0]} s after 1970" if k == 0 else f"rate {rate_hz:g} Hz" for k, cells in enumerate(rows)]


def _sample(lines: Sequence[str], layout: Layout, width: int) -> pd.DataFrame:
    """Cells of the first rows of data, as texts."""
    rows = [(_cells(line, layout) + [""] * width)[:width] for line in lines if not _passed(line, layout)]
    return pd.DataFrame(rows, columns=list(range(width)), dtype=str)


def _kind(cells: pd.Series, decimal: str) -> str:
    told = [cell for cell in cells if cell not in MISSING]
    if not told:
        return EMPTY
    kinds = Counter(NUMBER if is_number(cell, decimal) else _stamp(cell) or TEXT for cell in told)
    kind, count = kinds.most_common(1)[0]
    if count < 0.9 * len(told):
        return TEXT
    return _pattern(told) if kind == TEXT else kind


def _pattern(told: Sequence[str]) -> str:
    """The pattern of dates that all these texts have, else that they are texts."""
    if not re.search(r"\d{1,2}:\d\d:\d\d", told[0]):
        return TEXT
    few = pd.Series(told[:50]).str.replace(",", ".", regex=False)
    for pattern in _PATTERNS:
        try:
            if pd.to_datetime(few, format=pattern, errors="coerce").notna().all():
                return pattern
        except ValueError:
            continue
    return TEXT
