"""Foreign files through a TOML column map, which says what each column is. Nothing is guessed here.

docs/column_map_sample.toml is a map with every key explained. `imu_shoulder.draft` writes one from what it sees.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from imu_shoulder.checked import Checked, require_file
from imu_shoulder.errors import ColumnMapError, RecordingError
from imu_shoulder.limits import MAX_HOURS
from imu_shoulder.model import Event, FloatArray, Recording, SensorStream
from imu_shoulder.sources.events import read_events
from imu_shoulder.sources.folder import make_stream, require_placement
from imu_shoulder.sources.instruments import Files, Instrument, joined
from imu_shoulder.sources.opened import on_disk
from imu_shoulder.sources.possible import LEAST_RATE_HZ, MOST_RATE_HZ, require_possible_sensors
from imu_shoulder.sources.stamps import TIME_UNIT_S, is_text
from imu_shoulder.sources.tables import file_sha256
from imu_shoulder.sources.text_tables import Layout
from imu_shoulder.units import ACC_UNIT_M_S2, GYR_UNIT_RAD_S

SCHEMA = 1
_KEYS = ("schema", "athlete", "start", "events", "table", "sensor")
LAYOUT_KEYS = ("delimiter", "decimal", "encoding", "comment", "line_end", "skip_rows", "header_rows")
TIME_KEYS = ("time_column", "time_unit", "tick_rate_hz")
_TABLE_KEYS = (*LAYOUT_KEYS, *TIME_KEYS, "zero_at_first")
_SENSOR_KEYS = (
    *("placement", "file", "rows", "sample_rate_hz", "offset_s", *LAYOUT_KEYS, *TIME_KEYS),
    *("acc_columns", "gravity_columns", "acc_unit", "acc_scale", "acc_range", "acc_axes", "acc_sign"),
    *("gyr_file", "gyr_rows", "gyr_time_column", "gyr_offset_s"),
    *("gyr_columns", "gyr_unit", "gyr_scale", "gyr_range", "gyr_axes", "mag_columns"),
)
_AXES = {"x": (0, 1.0), "y": (1, 1.0), "z": (2, 1.0), "-x": (0, -1.0), "-y": (1, -1.0), "-z": (2, -1.0)}
# Of a number of lines before or in a header.
_MOST_LINES = 10_000


@dataclass(frozen=True, slots=True)
class _Sensor:
    """One [[sensor]] table, checked. ranges: of the accelerometer in m/s^2, of the gyroscope in rad/s."""

    placement: str
    rate_hz: float
    acc: Instrument
    gyr: Instrument
    gravity: Instrument | None
    mag: Instrument | None
    acc_m_s2: FloatArray  # (3, 3): the file's numbers to m/s^2
    gyr_rad_s: FloatArray
    ranges: tuple[float | None, float | None]


def read_mapped(map_path: Path, data_path: Path | None = None) -> Recording:
    """The recording that a column map makes of foreign files.

    data_path: the file, or the folder that files are named in; without it they lie where the map is. Raises
    ColumnMapError for a map that cannot be used, RecordingError for data that are not as the map says.
    """
    head = Checked.read(map_path, ColumnMapError, "the column map")
    place = map_path.parent if data_path is None else data_path
    named = (map_path if data_path is None else data_path).resolve()
    # A map that has no name of its own goes by its folder's.
    name = named.parent.name if data_path is None and named.stem == "map" else named.stem
    return recording_of(head, map_path.name, place, name, {map_path.name: file_sha256(map_path)})


def recording_of(head: Checked, map_name: str, place: Path, name: str, hashes: Mapping[str, str]) -> Recording:
    """The recording of that name that a map's tables make of the file at `place`, or of the files in that folder.

    hashes: of what was read already, to be kept with those of the files. Raises as `read_mapped`.
    """
    head.known(_KEYS)
    head.schema(SCHEMA)
    athlete, start = head.name("athlete"), head.moment("start")
    table = head.table("table")
    table.known(_TABLE_KEYS)
    if not place.exists():
        raise RecordingError(f"a file or a folder at {place}", "there is none", "check the path")
    folder = place if place.is_dir() else place.parent
    sensors: dict[str, _Sensor] = {}
    for one in head.tables("sensor"):
        sensor = _checked(one, table, place, sensors, map_name)
        sensors[sensor.placement] = sensor
    hashes = dict(hashes)
    files = Files(
        map_name, [part for one in sensors.values() for part in (one.acc, one.gyr, one.gravity, one.mag) if part]
    )
    streams = {name: _stream(sensor, files) for name, sensor in sensors.items()}
    events: tuple[Event, ...] = ()
    if "events" in head:
        events_path = folder / head.name("events")
        require_file(events_path, "the events file of the column map")
        events = read_events(events_path)
        hashes[_named(events_path, folder)] = file_sha256(events_path)
    hashes |= {_named(path, folder): file_sha256(path) for path in (on_disk(own)[0] for own in files.paths)}
    if table.flag("zero_at_first", default=False):
        first_s = min(float(stream.time_s[0]) for stream in streams.values())
        streams = {name: replace(stream, time_s=stream.time_s - first_s) for name, stream in streams.items()}
    require_possible_sensors(streams)
    return Recording(name, athlete, start, streams, events, hashes)


def _named(path: Path, folder: Path) -> str:
    """Under which a file's hash is kept: files of one name in different folders have one each."""
    resolved, base = path.resolve(), folder.resolve()
    return resolved.relative_to(base).as_posix() if resolved.is_relative_to(base) else path.as_posix()


def _checked(one: Checked, table: Checked, place: Path, taken: Mapping[str, _Sensor], map_name: str) -> _Sensor:
    one.known(_SENSOR_KEYS)
    placement = require_placement(one.text("placement"), taken, map_name, ColumnMapError)
    rate_hz = one.positive("sample_rate_hz")
    if not LEAST_RATE_HZ <= rate_hz <= MOST_RATE_HZ:
        raise one.wrong("sample_rate_hz", f"from {LEAST_RATE_HZ:g} to {MOST_RATE_HZ:g} Hz", rate_hz)
    layout = _layout(one, table)
    time_unit, unit_s = _time_unit(one, table)
    path = place / one.name("file") if place.is_dir() else place
    gyr_path = place / one.name("gyr_file") if place.is_dir() and "gyr_file" in one else path
    timed = one if "time_column" in one else table
    time_column = timed.column("time_column") if "time_column" in timed else None
    offset_s = one.number("offset_s", 0.0)

    def instrument(key: str, of_gyroscope: bool = False) -> Instrument:
        own = of_gyroscope and "gyr_time_column" in one
        rows = "gyr_rows" if of_gyroscope and "gyr_rows" in one else "rows"
        return Instrument(
            path=gyr_path if of_gyroscope else path,
            layout=layout,
            columns=tuple(one.columns(key, 3)),
            time_column=one.column("gyr_time_column") if own else time_column,
            time_unit=time_unit,
            unit_s=unit_s,
            rows=tuple(sorted(_rows(one, rows).items())),
            rate_hz=rate_hz,
            offset_s=offset_s + (one.number("gyr_offset_s", 0.0) if of_gyroscope else 0.0),
            what=f"the file of {placement}",
        )

    acc, gyr = instrument("acc_columns"), instrument("gyr_columns", of_gyroscope=True)
    gravity = instrument("gravity_columns") if "gravity_columns" in one else None
    mag = instrument("mag_columns") if "mag_columns" in one else None
    _require_once(one, [part for part in (acc, gyr, gravity, mag) if part is not None])
    acc_unit, gyr_unit = one.unit("acc_unit", ACC_UNIT_M_S2), one.unit("gyr_unit", GYR_UNIT_RAD_S)
    ranges = (
        one.positive("acc_range") * acc_unit if "acc_range" in one else None,
        one.positive("gyr_range") * gyr_unit if "gyr_range" in one else None,
    )
    acc_m_s2 = _axes(one, "acc_axes") * (_sign(one) * _scale(one, "acc_scale") * acc_unit)
    gyr_rad_s = _axes(one, "gyr_axes") * (_scale(one, "gyr_scale") * gyr_unit)
    return _Sensor(placement, rate_hz, acc, gyr, gravity, mag, acc_m_s2, gyr_rad_s, ranges)


def _require_once(one: Checked, parts: Sequence[Instrument]) -> None:
    """No column may be two things of a sensor, unless they stand in other rows or another file."""
    for part in parts:
        seen = [(other.path, other.rows, column) for other in parts for column in other.columns]
        seen += [] if part.time_column is None else [(part.path, part.rows, part.time_column)]
        for column in part.columns:
            if seen.count((part.path, part.rows, column)) > 1:
                raise one.wrong("each column", "named once", column)


def _stream(sensor: _Sensor, files: Files) -> SensorStream:
    with np.errstate(over="ignore", invalid="ignore"):  # what is too large is refused below
        stacked = _stacked(sensor, files)
    if not np.isfinite(stacked).all():
        came = "scaled as the map says, they are not"
        raise RecordingError(
            f"finite numbers of {sensor.placement}", came, "correct the scales and the time in the map"
        )
    most = int(MAX_HOURS * 3600 * sensor.rate_hz)
    if len(stacked) > most:
        raise RecordingError(
            f"at most {MAX_HOURS:g} hours, {most} rows at the declared rate",
            f"{sensor.acc.path.name} has {len(stacked)} rows",
            "cut the recording into parts or correct the declared rate",
        )
    return make_stream(sensor.placement, stacked, sensor.rate_hz, sensor.acc.path.name, sensor.ranges)


def _stacked(sensor: _Sensor, files: Files) -> FloatArray:
    """(N, 7) or (N, 10) columns time, acc, gyr[, mag] in SI units."""
    acc_s, acc = files.values(sensor.acc)
    if sensor.gravity is not None:
        acc_s, acc, pull = joined((acc_s, acc), files.values(sensor.gravity), sensor.gravity.path.name)
        acc = acc + pull
    time_s, acc, gyr = joined((acc_s, acc), files.values(sensor.gyr), sensor.gyr.path.name)
    parts = [acc @ sensor.acc_m_s2.T, gyr @ sensor.gyr_rad_s.T]
    if sensor.mag is not None:
        mag_s, mag = files.values(sensor.mag)
        parts.append(np.column_stack([np.interp(time_s, mag_s, column) for column in mag.T]))
    return np.column_stack([time_s, *parts])


def _layout(one: Checked, table: Checked) -> Layout:
    """How the sensor's files are written: as its own keys say, else those of [table]."""

    def said(key: str) -> Checked:
        return one if key in one else table

    delimiter = said("delimiter").text("delimiter", ",", blank=True)
    decimal = said("decimal").text("decimal", ".")
    encoding, comment, line_end = (
        said(key).text(key) if key in said(key) else "" for key in ("encoding", "comment", "line_end")
    )
    if len(delimiter) != 1 or delimiter in '\r\n"':
        raise said("delimiter").wrong("delimiter", "one character, and no line break or quotation mark", delimiter)
    if decimal not in (".", ",") or decimal == delimiter:
        raise said("decimal").wrong("decimal", '"." or ",", and not the delimiter', decimal)
    skip_rows = said("skip_rows").whole("skip_rows", 0, most=_MOST_LINES)
    header_rows = said("header_rows").whole("header_rows", 1, most=_MOST_LINES)
    return Layout(delimiter, decimal, encoding, comment, skip_rows, header_rows, line_end)


def _time_unit(one: Checked, table: Checked) -> tuple[str, float]:
    """The unit of the time column, and the seconds of one where it counts; none where there is no time."""
    if "time_column" not in one and "time_column" not in table:
        return "", 1.0
    ticks = one if "tick_rate_hz" in one or "time_unit" in one else table
    if "tick_rate_hz" in ticks:
        if "time_unit" in ticks:
            raise ticks.wrong("time_unit", "left out where tick_rate_hz is given", ticks.text("time_unit"))
        return "tick", 1.0 / ticks.positive("tick_rate_hz")
    unit = ticks.get("time_unit")
    if isinstance(unit, str) and is_text(unit):
        return ticks.name("time_unit"), 1.0
    return str(unit), ticks.unit("time_unit", TIME_UNIT_S)


def _rows(one: Checked, key: str) -> Mapping[str, str]:
    """Which rows of its file are the sensor's: a text for each column that tells."""
    if key not in one:
        return {}
    rows = one.table(key)
    found = {column: rows.get(column) for column in rows}
    for column, value in found.items():
        if not isinstance(value, str | int) or isinstance(value, bool):
            raise rows.wrong(column, "the text that its rows have in that column", value)
    if not found:
        raise one.wrong(key, 'a column and the text in it, as { Device = "unit_1" }', found)
    return {column: str(value).strip() for column, value in found.items()}


def _axes(table: Checked, key: str) -> FloatArray:
    if key not in table:
        return np.eye(3)
    names = table.texts(key, 3)
    if any(name not in _AXES for name in names) or len({_AXES[name][0] for name in names}) != 3:
        raise table.wrong(key, 'x, y and z once each, with a "-" where it is turned round', list(names))
    return axes_matrix(names)


def axes_matrix(names: Sequence[str]) -> FloatArray:
    """(3, 3) matrix that takes a file's x, y, z to those which the map names so, each of "x" to "-z"."""
    matrix = np.zeros((3, 3))
    for row, name in enumerate(names):
        column, sign = _AXES[name]
        matrix[row, column] = sign
    return matrix


def _sign(table: Checked) -> float:
    if "acc_sign" not in table:
        return 1.0
    sign = table.whole("acc_sign", 1, least=-1)
    if sign == 0 or sign > 1:
        raise table.wrong("acc_sign", "1, or -1 where the accelerometer reads -1 g upward at rest", sign)
    return float(sign)


def _scale(table: Checked, key: str) -> float:
    return table.positive(key) if key in table else 1.0
