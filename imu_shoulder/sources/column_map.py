"""Foreign CSV files through a TOML column map, which says what each column is. Nothing is guessed.

docs/column_map_sample.toml is a map with every key explained.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path

import numpy as np

from imu_shoulder.checked import Checked, require_file
from imu_shoulder.errors import ColumnMapError, RecordingError
from imu_shoulder.limits import MAX_HOURS
from imu_shoulder.model import Event, FloatArray, Recording, SensorStream
from imu_shoulder.sources.events import read_events
from imu_shoulder.sources.folder import make_stream, require_placement
from imu_shoulder.sources.possible import require_possible_sensors
from imu_shoulder.sources.tables import file_sha256, read_header, read_numbers
from imu_shoulder.units import ACC_UNIT_M_S2, GYR_UNIT_RAD_S

SCHEMA = 1
TIME_UNIT_S = {"s": 1.0, "ms": 1e-3, "us": 1e-6, "ns": 1e-9}
_KEYS = ("schema", "athlete", "start", "events", "table", "sensor")
_TABLE_KEYS = ("delimiter", "decimal", "skip_rows", "time_column", "time_unit", "tick_rate_hz", "zero_at_first")
_SENSOR_KEYS = (
    *("placement", "file", "time_column", "sample_rate_hz", "acc_columns", "acc_unit", "acc_scale", "acc_range"),
    *("acc_axes", "acc_sign", "gyr_columns", "gyr_unit", "gyr_scale", "gyr_range", "gyr_axes"),
    "mag_columns",
)
_AXES = {"x": (0, 1.0), "y": (1, 1.0), "z": (2, 1.0), "-x": (0, -1.0), "-y": (1, -1.0), "-z": (2, -1.0)}


def read_mapped(map_path: Path, data_path: Path) -> Recording:
    """The recording that a column map makes of a foreign CSV file, or of a folder of them.

    Raises ColumnMapError for a map that cannot be used, RecordingError for data that are not as the map says.
    """
    head = Checked.read(map_path, ColumnMapError)
    head.known(_KEYS)
    head.schema(SCHEMA)
    athlete, start = head.name("athlete"), head.moment("start")
    layout = head.table("table")
    layout.known(_TABLE_KEYS)
    if not data_path.exists():
        raise RecordingError(f"a CSV file or a folder at {data_path}", "there is none", "check the path")
    hashes = {map_path.name: file_sha256(map_path)}
    streams: dict[str, SensorStream] = {}
    for table in head.tables("sensor"):
        stream, path = _read_sensor(table, layout, data_path, streams, map_path.name)
        streams[stream.placement] = stream
        hashes[path.name] = file_sha256(path)
    events: tuple[Event, ...] = ()
    if "events" in head:
        events_path = (data_path if data_path.is_dir() else data_path.parent) / head.name("events")
        require_file(events_path, "the events file of the column map")
        events = read_events(events_path)
        hashes[events_path.name] = file_sha256(events_path)
    if layout.flag("zero_at_first", default=False):
        first_s = min(float(stream.time_s[0]) for stream in streams.values())
        streams = {name: replace(stream, time_s=stream.time_s - first_s) for name, stream in streams.items()}
    require_possible_sensors(streams)
    return Recording(data_path.resolve().stem, athlete, start, streams, events, hashes)


def _read_sensor(
    table: Checked, layout: Checked, data_path: Path, taken: Mapping[str, SensorStream], map_name: str
) -> tuple[SensorStream, Path]:
    table.known(_SENSOR_KEYS)
    placement = require_placement(table.text("placement"), taken, map_name, ColumnMapError)
    path = data_path / table.name("file") if data_path.is_dir() else data_path
    require_file(path, f"the file of {placement}")
    rate_hz = table.positive("sample_rate_hz")
    delimiter = layout.text("delimiter", ",", blank=True)
    decimal = layout.text("decimal", ".")
    skip_rows = layout.whole("skip_rows", 0)
    if len(delimiter) != 1 or delimiter in '\r\n"':
        raise layout.wrong("delimiter", "one character, and no line break or quotation mark", delimiter)
    if decimal not in (".", ",") or decimal == delimiter:
        raise layout.wrong("decimal", '"." or ",", and not the delimiter', decimal)

    timed, tick_s = _time_column(table, layout)
    columns = [*timed, *table.texts("acc_columns", 3), *table.texts("gyr_columns", 3)]
    if "mag_columns" in table:
        columns += table.texts("mag_columns", 3)
    if len(set(columns)) != len(columns):
        raise table.wrong("each column", "named once", next(name for name in columns if columns.count(name) > 1))
    header = read_header(path, delimiter, skip_rows)
    for name in columns:
        if header.count(name) != 1:
            raise RecordingError(
                f"the columns of {map_name} in {path.name}, each once",
                f"{name!r} is there {header.count(name)} times; the header is {', '.join(header)[:200]!r}",
                "correct the column names, the delimiter or skip_rows in the map",
            )
    values = read_numbers(path, columns, int(MAX_HOURS * 3600 * rate_hz), delimiter, skip_rows, decimal)
    time_s = values[:, 0] * tick_s if timed else np.arange(len(values)) / rate_hz
    rest = values[:, len(timed) :]
    acc_unit, gyr_unit = table.unit("acc_unit", ACC_UNIT_M_S2), table.unit("gyr_unit", GYR_UNIT_RAD_S)
    acc = rest[:, 0:3] @ _axes(table, "acc_axes").T * (_sign(table) * _scale(table, "acc_scale") * acc_unit)
    gyr = rest[:, 3:6] @ _axes(table, "gyr_axes").T * (_scale(table, "gyr_scale") * gyr_unit)
    ranges = (
        table.positive("acc_range") * acc_unit if "acc_range" in table else None,
        table.positive("gyr_range") * gyr_unit if "gyr_range" in table else None,
    )
    stacked = np.column_stack([time_s, acc, gyr, rest[:, 6:9]])
    return make_stream(placement, stacked, rate_hz, path.name, ranges), path


def _time_column(table: Checked, layout: Checked) -> tuple[list[str], float]:
    """The time column, if there is one, and the seconds of one of its units."""
    source = table if "time_column" in table else layout
    if "time_column" not in source:
        return [], 1.0
    if "tick_rate_hz" in layout:
        if "time_unit" in layout:
            raise layout.wrong("time_unit", "left out where tick_rate_hz is given", layout.text("time_unit"))
        return [source.text("time_column")], 1.0 / layout.positive("tick_rate_hz")
    return [source.text("time_column")], layout.unit("time_unit", TIME_UNIT_S)


def _axes(table: Checked, key: str) -> FloatArray:
    """(3, 3) matrix that takes the file's x, y, z to the right-handed x, y, z that the map names."""
    if key not in table:
        return np.eye(3)
    names = table.texts(key, 3)
    if any(name not in _AXES for name in names) or len({_AXES[name][0] for name in names}) != 3:
        raise table.wrong(key, 'x, y and z once each, with a "-" where it is turned round', list(names))
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
