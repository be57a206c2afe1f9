"""A user's file checked as it is read: that it is there, and the values of a TOML table, each mistake by file and key."""

from __future__ import annotations

import math
import tomllib
from collections.abc import Mapping, Sequence
from datetime import datetime
from pathlib import Path
from typing import Any

from imu_shoulder.errors import RecordingError, ShoulderError

# Over this a file is refused before it is read: the whole of it is held in memory.
MAX_FILE_BYTES = 500_000_000


def require_file(path: Path, what: str, error: type[ShoulderError] = RecordingError) -> None:
    """Raises `error` where `path` is no file, is empty or is larger than MAX_FILE_BYTES."""
    if not path.is_file():
        raise error(f"{what} at {path}", "there is no such file", "check the name and the path")
    try:
        size = path.stat().st_size
    except OSError as caught:
        raise error(f"a readable {what}", f"{path} is not ({caught})", "check its rights") from caught
    if size == 0:
        raise error(f"rows in {path.name}", "the file is empty", "correct the file or export it again")
    if size > MAX_FILE_BYTES:
        raise error(
            f"a file of at most {MAX_FILE_BYTES / 1e6:.0f} MB",
            f"{path.name} has {size / 1e6:.0f} MB",
            "cut the recording into parts",
        )


class Checked:
    """One table of a TOML file. Every method raises the given error for a value that is missing or wrong."""

    def __init__(self, table: object, file: str, error: type[ShoulderError], where: str = "") -> None:
        """where: which table this is, for messages: empty for the top of the file."""
        self._file, self._error, self._where = file, error, where
        if not isinstance(table, dict):
            raise self.wrong("this", "a table", table)
        self._table: dict[str, Any] = table

    @classmethod
    def read(cls, path: Path, error: type[ShoulderError]) -> Checked:
        """The top table of a file."""
        require_file(path, path.name, error)
        try:
            table = tomllib.loads(path.read_text(encoding="utf-8"))
        except (OSError, UnicodeDecodeError, tomllib.TOMLDecodeError) as caught:
            raise error(f"{path.name} to be TOML", f"it is not ({caught})", "correct that line") from caught
        return cls(table, path.name, error)

    def __contains__(self, key: str) -> bool:
        return key in self._table

    def wrong(self, key: str, expected: str, came: object) -> ShoulderError:
        said = "it is missing" if came is None else f"it is {came!r}"
        place = f"{key} of {self._where}" if self._where else key
        return self._error(f"{place} in {self._file} to be {expected}", said, f"correct {self._file}")

    def known(self, allowed: Sequence[str]) -> None:
        for key in self._table:
            if key not in allowed:
                place = f"{self._where} in {self._file}" if self._where else self._file
                raise self._error(f"keys of {place} out of {', '.join(allowed)}", f"there is {key!r}", "remove it")

    def table(self, key: str) -> Checked:
        """The table under key; an empty one if it is missing."""
        return Checked(self._table.get(key, {}), self._file, self._error, f"[{key}]")

    def tables(self, key: str) -> list[Checked]:
        """The tables [[key]], at least one."""
        found = self._table.get(key)
        if not isinstance(found, list) or not found:
            raise self.wrong(f"[[{key}]]", "one table or more", found)
        return [Checked(table, self._file, self._error, f"[[{key}]] {place}") for place, table in enumerate(found, 1)]

    def schema(self, version: int) -> None:
        if self._table.get("schema") != version:
            raise self.wrong("schema", str(version), self._table.get("schema"))

    def text(self, key: str, default: str | None = None, blank: bool = False) -> str:
        """blank: whether white space alone will do."""
        value = self._table.get(key, default)
        if not isinstance(value, str) or not (value if blank else value.strip()):
            raise self.wrong(key, "a text", value)
        return value

    def positive(self, key: str) -> float:
        value = self._table.get(key)
        if isinstance(value, bool) or not isinstance(value, int | float) or not 0 < value < math.inf:
            raise self.wrong(key, "a number over 0", value)
        return float(value)

    def whole(self, key: str, default: int, least: int = 0) -> int:
        value = self._table.get(key, default)
        if isinstance(value, bool) or not isinstance(value, int) or value < least:
            raise self.wrong(key, f"a whole number of {least} or more", value)
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

    def texts(self, key: str, count: int) -> tuple[str, ...]:
        value = self._table.get(key)
        if not isinstance(value, list) or len(value) != count or not all(isinstance(v, str) and v for v in value):
            raise self.wrong(key, f"a list of {count} texts", value)
        return tuple(value)

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
