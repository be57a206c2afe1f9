"""A user's file checked as it is read: is it there, and the values of a TOML table, each mistake by file and key."""

from __future__ import annotations

import contextlib
import json
import math
import reprlib
import sys
import tomllib
from collections.abc import Iterator, Mapping, Sequence
from datetime import datetime
from pathlib import Path
from typing import Any

from imu_shoulder.errors import RecordingError, ShoulderError
from imu_shoulder.limits import (
    MAX_COLUMNS,
    MAX_FILE_BYTES,
    MAX_ITEMS,
    MAX_JSON_BYTES,
    MAX_NAME_LETTERS,
    MAX_NESTING,
    MAX_TEXT_LETTERS,
    MAX_TOML_BYTES,
)

# No count that people ask for is larger.
MOST_WHOLE = 1_000_000


def require_file(
    path: Path, what: str, error: type[ShoulderError] = RecordingError, most: int = MAX_FILE_BYTES
) -> None:
    """Raises `error` where `path` is no file (a pipe or folder is none), is empty or has more than `most` bytes."""
    try:
        there, size = path.is_file(), path.stat().st_size if path.is_file() else 0
    except OSError as caught:
        raise error(f"a readable {what}", f"{path} is not ({caught.strerror})", "check its name and rights") from caught
    if not there:
        raise error(f"{what} at {path}", "there is no such file", "check the name and the path")
    if size == 0:
        raise error(f"rows in {path.name}", "the file is empty", "correct the file or export it again")
    if size > most:
        raise error(
            f"a file of at most {most / 1e6:.0f} MB",
            f"{path.name} has {size / 1e6:.0f} MB",
            "cut the recording into parts" if most == MAX_FILE_BYTES else "check that it is the right file",
        )


def read_text(path: Path, what: str, error: type[ShoulderError], most: int) -> str:
    """The text of a file of at most so many bytes. Raises `error` for one that cannot be had or is no UTF-8."""
    require_file(path, what, error, most)
    try:
        return path.read_text(encoding="utf-8-sig")
    except (OSError, UnicodeDecodeError) as caught:
        raise error(f"a readable {path.name}", f"it is not ({caught})", "save it as UTF-8 text") from caught


def read_json(path: Path, what: str, error: type[ShoulderError], do: str) -> dict[str, Any]:
    """The object in a JSON file. Raises `error` where it cannot be read, is none, or is nested over MAX_NESTING."""
    text = read_text(path, what, error, MAX_JSON_BYTES)
    try:
        found = json.loads(text)
        if _deep(found):
            raise RecursionError
    except ValueError as caught:
        raise error(what, f"{path} is not one ({caught})", do) from caught
    except RecursionError:
        raise error(what, f"{path} is nested more than {MAX_NESTING} deep", do) from None
    if not isinstance(found, dict):
        raise error(what, f"{path} holds {type(found).__name__} in place of an object", do)
    return found


def _deep(value: object) -> bool:
    """Whether tables and lists are nested over MAX_NESTING."""
    level = [value]
    for _ in range(MAX_NESTING + 1):
        level = [
            inner
            for one in level
            if isinstance(one, dict | list)
            for inner in (one.values() if isinstance(one, dict) else one)
        ]
        if not level:
            return False
    return any(isinstance(one, dict | list) for one in level)


@contextlib.contextmanager
def complete(what: str, path: Path, error: type[ShoulderError], do: str) -> Iterator[None]:
    """What is read from `path` in many places of the block must be there and of its kind; else `error` is raised."""
    try:
        yield
    except (LookupError, TypeError, ValueError, AttributeError, ArithmeticError) as caught:
        raise error(f"a complete {what}", f"{path} is not ({type(caught).__name__}: {caught})", do) from caught


def whole(table: Mapping[str, Any], kinds: Mapping[str, type | tuple[type, ...]]) -> str | None:
    """What is wrong with an object of JSON, None for nothing. kinds: what stands under each key that it must have."""
    for key, kind in kinds.items():
        if key not in table:
            return f"{key!r} is missing"
        kinds_of_it = kind if isinstance(kind, tuple) else (kind,)
        if not isinstance(table[key], kind) or (isinstance(table[key], bool) and bool not in kinds_of_it):
            return f"{key!r} is {str(table[key])[:60]!r}"
    return None


class Checked:
    """One table of a TOML file. Every method raises the given error for a value that is missing or wrong."""

    def __init__(self, table: object, file: str, error: type[ShoulderError], path: str = "", item: str = "") -> None:
        """path: dotted, of the table in the file or in the item of an array of tables; empty for the top."""
        self._file, self._error, self._path, self._item = file, error, path, item
        if not isinstance(table, dict):
            raise self._refused(self._where, "a table", table)
        self._table: dict[str, Any] = table

    @classmethod
    def read(cls, path: Path, error: type[ShoulderError], what: str | None = None) -> Checked:
        """The top table of a file. what: the file is, for messages."""
        require_file(path, what or path.name, error, MAX_TOML_BYTES)
        try:
            text = path.read_text(encoding="utf-8-sig")
        except (OSError, UnicodeDecodeError) as caught:
            raise error(f"{path.name} to be TOML", f"it is not ({caught})", "correct that line") from caught
        return cls.parse(text, path.name, error)

    @classmethod
    def parse(cls, text: str, file: str, error: type[ShoulderError]) -> Checked:
        """The top table of a text. file: its name, for messages."""
        try:
            table = tomllib.loads(text)
            if _deep(table):
                raise RecursionError
        # Beside what is no TOML: a number of thousands of digits.
        except ValueError as caught:
            raise error(f"{file} to be TOML", f"it is not ({caught})", "correct that line") from caught
        except RecursionError:
            came = f"it is nested more than {MAX_NESTING} deep"
            raise error(f"{file} to be tables and values", came, "take out the brackets or dots") from None
        return cls(table, file, error)

    def __contains__(self, key: str) -> bool:
        return key in self._table

    def __iter__(self) -> Iterator[str]:
        return iter(self._table)

    def get(self, key: str) -> object:
        """The value as it stands, None where it is missing."""
        return self._table.get(key)

    @property
    def _where(self) -> str:
        return " of ".join(part for part in (f"[{self._path}]" if self._path else "", self._item) if part)

    def _refused(self, place: str, expected: str, came: object, do: str | None = None) -> ShoulderError:
        said = "it is missing" if came is None else f"it is {reprlib.repr(came)}"
        return self._error(f"{place} in {self._file} to be {expected}", said, do or f"correct {self._file}")

    def wrong(self, key: str, expected: str, came: object, do: str | None = None) -> ShoulderError:
        return self._refused(f"{key} of {self._where}" if self._where else key, expected, came, do)

    def known(self, allowed: Sequence[str]) -> None:
        for key in self._table:
            if key not in allowed:
                place = f"{self._where} in {self._file}" if self._where else self._file
                raise self._error(f"keys of {place} out of {', '.join(allowed)}", f"there is {key!r}", "remove it")

    def table(self, key: str, *, required: bool = False) -> Checked:
        """The table under key; where it is missing and not required an empty one."""
        found = self._table.get(key, None if required else {})
        return Checked(found, self._file, self._error, f"{self._path}.{key}" if self._path else key, self._item)

    def tables(self, key: str, least: int = 1) -> list[Checked]:
        """The tables [[key]], at least so many."""
        found = self._table.get(key, [] if least == 0 else None)
        if not isinstance(found, list) or len(found) < least:
            raise self.wrong(f"[[{key}]]", f"one [[{key}]] table or more" if least else f"[[{key}]] tables", found)
        if len(found) > MAX_ITEMS:
            raise self._refused(f"[[{key}]]", f"at most {MAX_ITEMS} tables", len(found))
        names = [f"[[{key}]] {place}" for place in range(1, len(found) + 1)]
        items = [f"{name} of {self._where}" if self._where else name for name in names]
        return [Checked(table, self._file, self._error, "", item) for table, item in zip(found, items, strict=True)]

    def schema(self, version: int) -> None:
        found = self._table.get("schema")
        if found != version or isinstance(found, bool):
            raise self.wrong("schema", str(version), self._table.get("schema"))

    def text(self, key: str, default: str | None = None, blank: bool = False) -> str:
        """blank: whether white space alone will do."""
        value = self._table.get(key, default)
        if not isinstance(value, str) or not (value == default or (value if blank else value.strip())):
            raise self.wrong(key, "a text", value)
        return self._short(key, value, MAX_TEXT_LETTERS)

    def name(self, key: str) -> str:
        """A text that names somebody or something."""
        return self._short(key, self.text(key), MAX_NAME_LETTERS)

    def _short(self, key: str, value: str, most: int) -> str:
        if len(value) > most:
            raise self.wrong(key, f"at most {most} letters", value)
        return value

    def choice(self, key: str, options: Sequence[str], default: str | None = None) -> Any:
        """One of the texts."""
        value = self._table.get(key, default)
        if not isinstance(value, str) or value not in options:
            raise self.wrong(key, f"one of {', '.join(options)}", value)
        return value

    def number(
        self, key: str, default: float | None = None, *, least: float = -math.inf, most: float = math.inf
    ) -> float:
        """A finite number within limits."""
        value = self._table.get(key, default)
        if isinstance(value, bool) or not isinstance(value, int | float) or not least <= value <= most:
            within = f" from {least:g} to {most:g}" if most < math.inf else f" of {least:g} or more"
            raise self.wrong(key, "a number" + (within if least > -math.inf else ""), value)
        if abs(value) > sys.float_info.max:  # infinite, or a whole number beyond every float
            raise self.wrong(key, "a finite number", value)
        return float(value)

    def ends(self) -> tuple[float, float]:
        """at_least and at_most of a range, either of which may be missing and is infinite then."""
        low, high = (self.number(key) if key in self else None for key in ("at_least", "at_most"))
        ends = -math.inf if low is None else low, math.inf if high is None else high
        if (low is None and high is None) or not ends[0] < ends[1]:
            expected = "a range with at_least, at_most or both, the first under the second"
            raise self._refused(self._where, expected, self._table)
        return ends

    def positive(self, key: str) -> float:
        value = self._table.get(key)
        if isinstance(value, bool) or not isinstance(value, int | float) or not 0 < value <= sys.float_info.max:
            raise self.wrong(key, "a number over 0", value)
        return float(value)

    def whole(self, key: str, default: int | None = None, least: int = 0, most: int = MOST_WHOLE) -> int:
        value = self._table.get(key, default)
        if isinstance(value, bool) or not isinstance(value, int) or not least <= value <= most:
            within = f"of {least} or more" if most == MOST_WHOLE else f"from {least} to {most}"
            raise self.wrong(key, f"a whole number {within}", value)
        return value

    def flag(self, key: str, default: bool) -> bool:
        value = self._table.get(key, default)
        if not isinstance(value, bool):
            raise self.wrong(key, "true or false", value)
        return value

    def unit(self, key: str, units: Mapping[str, float]) -> float:
        """The size of the named unit."""
        value = self._table.get(key)
        if not isinstance(value, str) or value not in units:
            raise self.wrong(key, " or ".join(f'"{unit}"' for unit in units), value)
        return units[value]

    def texts(self, key: str, count: int | None = None) -> tuple[str, ...]:
        """A list of so many texts; of any number, also none, where no count is given."""
        value = self._table.get(key, [] if count is None else None)
        if not isinstance(value, list) or count not in (None, len(value)) or not all(isinstance(v, str) for v in value):
            raise self.wrong(key, "a list of texts" if count is None else f"a list of {count} texts", value)
        if count is not None and "" in value:
            raise self.wrong(key, f"a list of {count} texts", value)
        if len(value) > MAX_ITEMS:
            raise self.wrong(key, f"at most {MAX_ITEMS} texts", len(value))
        return tuple(self._short(key, text, MAX_TEXT_LETTERS) for text in value)

    def column(self, key: str) -> str | int:
        """A column of a table: its name, or its number from 1."""
        return self._column(key, self._table.get(key))

    def columns(self, key: str, count: int) -> tuple[str | int, ...]:
        """A list of so many columns, each by name or number."""
        value = self._table.get(key)
        if not isinstance(value, list) or len(value) != count:
            raise self.wrong(key, f"a list of {count} columns, by name or by number from 1", value)
        return tuple(self._column(key, one) for one in value)

    def _column(self, key: str, value: object) -> str | int:
        if isinstance(value, int) and not isinstance(value, bool) and 1 <= value <= MAX_COLUMNS:
            return value
        if not isinstance(value, str) or not value:
            raise self.wrong(key, f"a column's name, or its number from 1 to {MAX_COLUMNS}", value)
        return self._short(key, value, MAX_NAME_LETTERS)

    def numbers(self, key: str) -> tuple[float, ...]:
        """A list of finite numbers, one at least."""
        value = self._table.get(key)
        if not isinstance(value, list) or not value:
            raise self.wrong(key, "a list of numbers", value)
        for one in value:
            if isinstance(one, bool) or not isinstance(one, int | float) or not abs(one) <= sys.float_info.max:
                raise self.wrong(key, "a list of numbers", value)
        return tuple(map(float, value))

    def moment(self, key: str) -> str:
        """A date and time of ISO 8601, as text."""
        value = self._table.get(key)
        if isinstance(value, datetime):
            return value.isoformat()
        try:
            datetime.fromisoformat(self.text(key))
        except ValueError:
            raise self.wrong(key, "a date and time of ISO 8601, such as 2026-05-04T09:30:00+02:00", value) from None
        return str(value)
