"""Tables of foreign text files: whatever separates their cells, however they are encoded, with what stands between.

A table is read by the places of its columns, since names may be missing or come twice.
"""

from __future__ import annotations

import codecs
import csv
import io
import re
import warnings
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, cast

import numpy as np
import pandas as pd

from imu_shoulder.errors import RecordingError
from imu_shoulder.limits import MAX_COLUMNS, MAX_NAME_LETTERS
from imu_shoulder.sources.opened import read_unpacked
from imu_shoulder.sources.tables import of_two_values

# What programs write where nothing was measured.
MISSING = ("", "nan", "NaN", "NAN", "-nan", "n/a", "N/A", "NA", "null", "NULL", "None", "-", "--", "#N/A")
# Blanks in a row separate as one, as in columns that are lined up.
BLANKS = " "
_MARKS = {codecs.BOM_UTF8: "utf-8", codecs.BOM_UTF16_LE: "utf-16", codecs.BOM_UTF16_BE: "utf-16"}
_TO_DO = "correct the file or export it again"
_LINE_LETTERS = 100_000

_TRUTH = re.compile("true|false", re.IGNORECASE)


@dataclass(frozen=True, slots=True)
class Layout:
    """How a table is written.

    encoding: "" for that of its byte order mark, else UTF-8. comment: lines that begin with it are none of the table.
    line_end: what stands at the end of each row and belongs to no cell.
    skip_rows: lines of the file before the header. header_rows: the first has the names, others are passed over.
    """

    delimiter: str = ","
    decimal: str = "."
    encoding: str = ""
    comment: str = ""
    skip_rows: int = 0
    header_rows: int = 1
    line_end: str = ""


def encoding_of(data: bytes) -> str:
    """That of the byte order mark; without one, UTF-16 where every other byte is zero; else UTF-8."""
    for mark, name in _MARKS.items():
        if data.startswith(mark):
            return name
    head = data[:4000]
    if len(head) > 3 and head[1::2].count(0) > 0.4 * len(head[1::2]):
        return "utf-16-le"
    if len(head) > 3 and head[0::2].count(0) > 0.4 * len(head[0::2]):
        return "utf-16-be"
    return "utf-8"


def decoded(data: bytes, encoding: str, name: str) -> str:
    """The text, with line feeds alone at the ends of lines. Raises RecordingError."""
    try:
        text = data.decode(encoding or encoding_of(data))
    except (UnicodeError, LookupError) as error:
        do = 'say its encoding in the column map, such as encoding = "latin-1"'
        raise RecordingError(f"{name} to be a text in {encoding or 'UTF-8'}", f"it is not ({error})", do) from error
    return text.removeprefix("\ufeff").replace("\r\n", "\n").replace("\r", "\n")


def cells_of(line: str, delimiter: str) -> list[str]:
    """The cells of one line, without blanks about them. Raises csv.Error."""
    if delimiter == BLANKS:
        return line.split()
    return [cell.strip() for cell in next(csv.reader([line], delimiter=delimiter, skipinitialspace=True), [])]


@dataclass
class TextTable:
    """A file's text and where its table begins."""

    name: str
    layout: Layout
    text: str
    names: list[str] = field(init=False)
    _start: int = field(init=False)
    _first_line: int = field(init=False)
    _header: str = field(init=False)

    def __post_init__(self) -> None:
        if self.layout.line_end:
            self.text = self.text.replace(f"{self.layout.line_end}\n", "\n").removesuffix(self.layout.line_end)
        heads: list[str] = []
        at = line_number = 0
        while at < len(self.text) and (line_number < self.layout.skip_rows or len(heads) < self.layout.header_rows):
            end = self.text.find("\n", at)
            end = len(self.text) if end < 0 else end
            line = self.text[at:end]
            line_number, at = line_number + 1, end + 1
            if line_number > self.layout.skip_rows and line.strip() and not self._is_comment(line):
                heads.append(line)
        self._start, self._first_line = at, line_number + 1
        self._header = heads[0] if heads else ""
        try:
            self.names = cells_of(self._header[:_LINE_LETTERS], self.layout.delimiter) if heads else []
        except csv.Error as error:
            raise RecordingError(f"a header in {self.name}", f"it cannot be read ({error})", _TO_DO) from error
        longest = max(map(len, self.names), default=0)
        if len(self.names) > MAX_COLUMNS or longest > MAX_NAME_LETTERS:
            raise RecordingError(
                f"at most {MAX_COLUMNS} columns in {self.name}, with names of at most {MAX_NAME_LETTERS} letters",
                f"there are {len(self.names)}, the longest name with {longest} letters",
                _TO_DO,
            )

    @classmethod
    def read(cls, path: Path, layout: Layout, what: str = "the file") -> TextTable:
        """Raises RecordingError for a file that cannot be had, or is no text in that encoding."""
        return cls(path.name, layout, decoded(read_unpacked(path, what), layout.encoding, path.name))

    def place_of(self, column: str | int, map_name: str) -> int:
        """The place, from 0, of a column that is named or numbered from 1. Raises RecordingError."""
        if isinstance(column, int):
            width = len(self.names) or self._width()
            if not 1 <= column <= width:
                came = f"{self.name} has {width}"
                raise RecordingError(f"a column {column} of {map_name}", came, "correct the number or the delimiter")
            return column - 1
        count = self.names.count(column)
        if count != 1:
            shown = ", ".join(self.names)[:200]
            raise RecordingError(
                f"the columns of {map_name} in {self.name}, each once",
                f"{column!r} is there {count} times; the header is {shown!r}",
                "correct the column names, the delimiter or skip_rows in the map"
                if count == 0
                else "name the column by its number, from 1",
            )
        return self.names.index(column)

    def _width(self) -> int:
        """Cells of the first rows of data."""
        lines = self.text[self._start : self._start + _LINE_LETTERS].split("\n")
        try:
            return max((len(cells_of(line, self.layout.delimiter)) for line in lines[:20] if line.strip()), default=0)
        except csv.Error:
            return 0

    def read_columns(
        self, places: Sequence[int], texts: Iterable[int] = (), rows: Mapping[int, str] | None = None
    ) -> pd.DataFrame:
        """Columns by place: floats with NaN where nothing is said, or texts; the index is the line of the file.

        rows: only those with this text at that place. A last line that was cut off is left out. Raises RecordingError
        with row and column of the first cell that is no number.
        """
        texts = set(texts)
        plain = (
            not rows and not self.layout.comment and (not self._header or self.text.find(self._header, self._start) < 0)
        )
        if plain:
            frame = self._parsed(io.StringIO(self.text[self._start :]), places, texts, len(self.names) or self._width())
            if frame is not None and not self._odd(frame, places):
                frame.index = pd.RangeIndex(self._first_line, self._first_line + len(frame))
                return frame
        lines = list(self._lines(rows or {}))
        if not lines:
            raise RecordingError(f"rows of numbers in {self.name}", self._nothing(rows or {}), _TO_DO)
        width = max(self._counted(line) for _, line in lines)
        if len(lines) > 1 and self._counted(lines[-1][1]) < min(self._counted(line) for _, line in lines[:-1]):
            del lines[-1]
        frame = self._parsed(
            io.StringIO("\n".join(line for _, line in lines)), places, texts, max(width, max(places) + 1)
        )
        if frame is None or len(frame) != len(lines):
            raise self._first_bad(lines, [place for place in places if place not in texts])
        frame.index = pd.Index([number for number, _ in lines])
        return frame

    def _odd(self, frame: pd.DataFrame, places: Sequence[int]) -> bool:
        """Whether rows are to be looked at closely: cells that say nothing, or blank lines, which count as rows."""
        return not len(frame) or bool(frame[list(places)].isna().to_numpy().any()) or "\n\n" in self.text

    def _nothing(self, rows: Mapping[int, str]) -> str:
        wanted = ", ".join(f"{text!r} in column {place + 1}" for place, text in rows.items())
        return f"none has {wanted}" if rows else "there is only a header"

    def _is_comment(self, line: str) -> bool:
        return bool(self.layout.comment) and line.lstrip().startswith(self.layout.comment)

    def _counted(self, line: str) -> int:
        return len(line.split()) if self.layout.delimiter == BLANKS else line.count(self.layout.delimiter) + 1

    def _lines(self, rows: Mapping[int, str]) -> Iterable[tuple[int, str]]:
        """The lines of data with their numbers, without blank ones, comments, headers that come again, other rows."""
        header = self._header.strip()
        for number, line in enumerate(self.text[self._start :].split("\n"), start=self._first_line):
            if not line.strip() or self._is_comment(line) or (header and line.strip() == header):
                continue
            if rows:
                try:
                    cells = cells_of(line, self.layout.delimiter)
                except csv.Error:
                    continue
                if any(place >= len(cells) or cells[place] != text for place, text in rows.items()):
                    continue
            yield number, line

    def _parsed(self, stream: io.StringIO, places: Sequence[int], texts: set[int], width: int) -> pd.DataFrame | None:
        """None where a cell is no number, or a row has more cells than `width`."""
        wanted = sorted({*places, *texts})
        if not wanted or wanted[-1] >= max(width, 1):
            return None
        blanks = self.layout.delimiter == BLANKS
        try:
            with warnings.catch_warnings():
                warnings.simplefilter("error", pd.errors.ParserWarning)
                frame = pd.read_csv(
                    stream,
                    sep=r"\s+" if blanks else self.layout.delimiter,
                    decimal=self.layout.decimal,
                    header=None,
                    names=list(range(width)),
                    usecols=wanted,
                    index_col=False,
                    dtype={place: str if place in texts else np.float64 for place in wanted},
                    keep_default_na=False,
                    na_values=cast(Any, {place: MISSING for place in wanted if place not in texts}),
                    skip_blank_lines=True,
                    skipinitialspace=not blanks,
                )
        except (ValueError, OverflowError, pd.errors.ParserError, pd.errors.ParserWarning) as error:
            if "out of memory" in str(error):  # the reader's own words for it
                raise MemoryError(str(error)) from error
            return None
        # The reader takes columns of true and false for numbers.
        of_two = of_two_values(frame[[place for place in wanted if place not in texts]])
        return None if of_two and _TRUTH.search(stream.getvalue()) else frame

    def _first_bad(self, lines: Sequence[tuple[int, str]], places: Sequence[int]) -> RecordingError:
        """Walks the lines one by one, which is slow, only after the fast reader gave up."""
        for number, line in lines:
            try:
                cells = cells_of(line, self.layout.delimiter)
            except csv.Error as error:
                return RecordingError(f"cells in {self.name}, row {number}", f"it cannot be read ({error})", _TO_DO)
            for place in places:
                cell = cells[place] if place < len(cells) else ""
                try:
                    float("nan" if cell in MISSING else cell.replace(self.layout.decimal, "."))
                except ValueError:
                    where = f"a number in {self.name}, row {number}, column {self.label(place)}"
                    return RecordingError(where, f"it is {cell!r}", _TO_DO)
        return RecordingError(f"a table of numbers in {self.name}", "its rows cannot be told apart", _TO_DO)

    def label(self, place: int) -> str:
        """A column's name where it is the only one of that name, else its number."""
        named = place < len(self.names) and self.names[place] and self.names.count(self.names[place]) == 1
        return self.names[place] if named else str(place + 1)
