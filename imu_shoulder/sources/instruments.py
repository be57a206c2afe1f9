"""An instrument of a foreign sensor: three columns of a file with their times; two of them brought onto one clock."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pandas as pd

from imu_shoulder.checked import require_file
from imu_shoulder.errors import RecordingError
from imu_shoulder.limits import MAX_HOURS
from imu_shoulder.model import FloatArray
from imu_shoulder.sources.possible import MOST_RATE_HZ
from imu_shoulder.sources.stamps import is_text, seconds_of
from imu_shoulder.sources.tables import read_frame, read_header, require_numeric
from imu_shoulder.sources.text_tables import Layout, TextTable

# Between samples further apart than so many usual steps nothing is laid: the gap is to show.
_LONGEST_STEPS = 2.5
# As in possible.py: more repeated stamps than these are those of packets of rows.
_PACKET_SHARE = 0.05
# Times this near are the same: stamps since 1970 are known no better in a float.
_SAME_S = 1e-6


@dataclass(frozen=True, slots=True)
class Instrument:
    """Where three numbers and their time stand. Columns by name, or by number from 1.

    time_unit: as of stamps, or "tick"; unit_s: seconds of one where it counts. rows: a column, and the text that its
    rows have there. what: the file is, for messages.
    """

    path: Path
    layout: Layout
    columns: tuple[str | int, ...]
    time_column: str | int | None
    time_unit: str
    unit_s: float
    rows: tuple[tuple[str, str], ...]
    rate_hz: float
    offset_s: float
    what: str

    @property
    def group(self) -> tuple[Path, Layout, tuple[tuple[str, str], ...]]:
        """Instruments of one group are read from the same rows at once."""
        return self.path, self.layout, self.rows


class Files:
    """All files that instruments need, each read once."""

    def __init__(self, map_name: str, instruments: Sequence[Instrument]) -> None:
        self._map_name = map_name
        self._tables: dict[tuple[Path, Layout], TextTable] = {}
        self._frames: dict[object, pd.DataFrame] = {}
        self._places: dict[object, dict[str | int, int | str]] = {}
        self._groups: dict[object, list[Instrument]] = {}
        for one in instruments:
            self._groups.setdefault(one.group, []).append(one)

    @property
    def paths(self) -> list[Path]:
        return list(dict.fromkeys(one.path for group in self._groups.values() for one in group))

    def values(self, one: Instrument) -> tuple[FloatArray, FloatArray]:
        """Times (N,) in seconds and values (N, 3) of one, as numbers stand there; N >= 1. Raises RecordingError."""
        if one.group not in self._frames:
            self._read(one)
        frame, places = self._frames[one.group], self._places[one.group]
        columns = [places[column] for column in one.columns]
        values = np.ascontiguousarray(frame[columns].to_numpy(dtype=np.float64))
        measured = ~np.isnan(values).all(axis=1)
        bad = measured & ~np.isfinite(values).all(axis=1)
        if bad.any():
            row = int(np.flatnonzero(bad)[0])
            name = one.columns[int(np.flatnonzero(~np.isfinite(values[row]))[0])]
            raise RecordingError(
                f"finite numbers in {one.path.name}",
                f"{int(bad.sum())} of {len(values)} rows hold nan, inf or nothing, first row {frame.index[row]}, "
                f"column {name}",
                "leave out rows that were not recorded, or leave all three cells empty",
            )
        if not measured.any():
            where = f"columns {', '.join(map(str, one.columns))} of {one.path.name}"
            raise RecordingError(f"rows of numbers in {where}", "there are none", "correct the columns in the map")
        time_s = self._times(one, frame, places)[measured]
        if not np.isfinite(time_s).all():
            row = int(np.flatnonzero(~np.isfinite(time_s))[0])
            raise RecordingError(
                f"a time in {one.path.name}, row {frame.index[measured][row]}, column {one.time_column}",
                "there is none",
                "correct that cell",
            )
        return time_s + one.offset_s, values[measured]

    def _times(self, one: Instrument, frame: pd.DataFrame, places: Mapping[str | int, int | str]) -> FloatArray:
        if one.time_column is None:
            return np.arange(len(frame)) / one.rate_hz
        column = frame[places[one.time_column]]
        if is_text(one.time_unit):
            return seconds_of(column, one.time_unit, f"{one.path.name}, column {one.time_column}")
        return column.to_numpy(dtype=np.float64) * one.unit_s

    def _read(self, one: Instrument) -> None:
        group = self._groups[one.group]
        times = [(part.time_column, part.time_unit) for part in group if part.time_column is not None]
        columns = [column for part in group for column in part.columns]
        named = list(dict.fromkeys([*(column for column, _ in times), *columns]))
        if one.path.suffix == ".parquet":
            self._frames[one.group] = self._of_parquet(one, named)
            return
        key = (one.path, one.layout)
        if key not in self._tables:
            self._tables[key] = TextTable.read(*key, one.what)
        table = self._tables[key]
        found = {column: table.place_of(column, self._map_name) for column in named}
        self._places[one.group] = dict(found)
        texts = [found[column] for column, unit in times if is_text(unit)]
        rows = {table.place_of(_column(name, table.names), self._map_name): text for name, text in one.rows}
        frame = table.read_columns(list(dict.fromkeys(found.values())), texts, rows)
        self._frames[one.group] = frame

    def _of_parquet(self, one: Instrument, named: Sequence[str | int]) -> pd.DataFrame:
        require_file(one.path, one.what)
        names = read_header(one.path)
        places = {column: _parquet_name(column, names, one.path.name) for column in named}
        rows = {_parquet_name(_column(name, names), names, one.path.name): text for name, text in one.rows}
        self._places[one.group] = dict(places)
        most = round(MAX_HOURS * 3600 * MOST_RATE_HZ)
        frame = read_frame(one.path, list(dict.fromkeys([*places.values(), *rows])), most)
        if len(frame) > most:
            came = f"{one.path.name} has {len(frame)} rows"
            raise RecordingError(f"at most {MAX_HOURS:g} hours", came, "cut the recording into parts")
        for name, text in rows.items():
            frame = frame[frame[name].astype(str).str.strip() == text]
        texts = {
            places[part.time_column] for part in self._groups[one.group] if part.time_column and is_text(part.time_unit)
        }
        require_numeric(one.path, frame, [name for name in places.values() if name not in texts])
        return frame


def _column(name: str, names: Sequence[str]) -> str | int:
    """A column of `rows`, whose keys are texts: a name if there is one like it, else a number."""
    return int(name) if name not in names and name.isdecimal() and len(name) < 6 else name


def _parquet_name(column: str | int, names: Sequence[str], file: str) -> str:
    if isinstance(column, int) and 1 <= column <= len(names):
        return names[column - 1]
    if column not in names:
        raise RecordingError(f"the column {column} in {file}", f"it has {', '.join(names)[:200]}", "correct the map")
    return str(column)


def joined(
    one: tuple[FloatArray, FloatArray], other: tuple[FloatArray, FloatArray], file: str
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Times and values of `one`, and the other's at these times, by straight lines between its samples.

    Times outside the other's, and in its gaps, are left out. file: the other's. Raises RecordingError where none is
    left.
    """
    time_s, values = one
    other_s, others = other
    if len(time_s) == len(other_s) and np.abs(time_s - other_s).max() < _SAME_S:
        return time_s, values, others
    if (np.diff(other_s) == 0).mean() > _PACKET_SHARE or (np.diff(time_s) == 0).mean() > _PACKET_SHARE:
        raise RecordingError(
            f"a time of its own for each row, where accelerometer and gyroscope have different ones ({file})",
            "many rows repeat the time of the row before",
            "export finer times, or leave the time column out where both have one rate and begin together",
        )
    # A clock that steps back says nothing of when the rows before it came again.
    forward = np.concatenate([[True], np.diff(np.maximum.accumulate(other_s)) > 0])
    other_s, others = other_s[forward], others[forward]
    at = np.clip(np.searchsorted(other_s, time_s), 1, max(1, len(other_s) - 1))
    near = np.zeros(len(time_s), dtype=np.bool_)
    if len(other_s) > 1:
        steps = np.diff(other_s)
        near = (
            (time_s >= other_s[0] - _SAME_S)
            & (time_s <= other_s[-1] + _SAME_S)
            & (steps[at - 1] <= _LONGEST_STEPS * np.median(steps))
        )
    if not near.any():
        raise RecordingError(
            f"accelerometer and gyroscope of one sensor at the same times ({file})",
            f"one goes from {time_s[0]:.6g} to {time_s[-1]:.6g} s, the other from {other_s[0]:.6g} to "
            f"{other_s[-1]:.6g} s",
            "correct the time columns, or say how far their clocks are apart by gyr_offset_s",
        )
    laid = np.column_stack([np.interp(time_s[near], other_s, column) for column in others.T])
    return time_s[near], values[near], laid
