"""The recording folder, read with its checks into a Recording, and written. Its page: docs/recording_folder.md."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import Any, Literal

import numpy as np

from imu_shoulder.checked import Checked, require_file
from imu_shoulder.errors import RecordingError, ShoulderError
from imu_shoulder.files import whole_folder, write_text
from imu_shoulder.limits import MAX_HOURS
from imu_shoulder.model import PLACEMENTS, FloatArray, Recording, SensorStream
from imu_shoulder.sources.events import events_tsv, read_events
from imu_shoulder.sources.possible import (
    LEAST_RATE_HZ,
    MOST_RATE_HZ,
    require_possible_readings,
    require_possible_sensors,
    require_possible_times,
)
from imu_shoulder.sources.tables import file_sha256, read_header, read_numbers, write_numbers
from imu_shoulder.spill import copied
from imu_shoulder.texts import toml_quoted
from imu_shoulder.units import ACC_UNIT_M_S2, GYR_UNIT_RAD_S

SCHEMA = 1
HEAD, EVENTS, REFERENCE = "recording.toml", "events.tsv", "reference.csv"
TIME = "time_s"
ACC = ("acc_x", "acc_y", "acc_z")
GYR = ("gyr_x", "gyr_y", "gyr_z")
MAG = ("mag_x", "mag_y", "mag_z")

_SENSOR_KEYS = ("placement", "file", "sample_rate_hz", "acc_unit", "gyr_unit", "mag_unit", "acc_range", "gyr_range")
_KEYS = ("schema", "athlete", "start", "sensor")


def read_recording(folder: Path) -> Recording:
    """A recording folder, in SI units, with the SHA-256 of every file that was read.

    Raises RecordingError for whatever cannot be read as the format says.
    """
    if not folder.is_dir():
        came = "it is a file" if folder.exists() else "there is no such folder"
        raise RecordingError(f"a recording folder at {folder}", came, "give the folder that holds recording.toml")
    head_path = folder / HEAD
    head = Checked.read(head_path, RecordingError)
    head.known(_KEYS)
    head.schema(SCHEMA)
    athlete, start = head.name("athlete"), head.moment("start")
    hashes = {head_path.name: file_sha256(head_path)}
    streams: dict[str, SensorStream] = {}
    for table in head.tables("sensor"):
        stream, path = _read_sensor(folder, table, streams)
        if path.name in hashes:
            raise RecordingError("one file per sensor", f"{path.name} is named twice", "correct recording.toml")
        streams[stream.placement] = stream
        hashes[path.name] = file_sha256(path)
    require_possible_sensors(streams)
    events_path = folder / EVENTS
    events = read_events(events_path) if events_path.exists() else ()
    for optional in (events_path, folder / REFERENCE):
        if optional.is_file():
            hashes[optional.name] = file_sha256(optional)
    return Recording(
        name=folder.resolve().name,
        athlete=athlete,
        start=start,
        streams=streams,
        events=events,
        file_sha256=hashes,
    )


def make_stream(
    placement: str, values: FloatArray, rate_hz: float, name: str, ranges: tuple[float | None, float | None]
) -> SensorStream:
    """A stream from (N, 7) or (N, 10) columns time, acc, gyr[, mag] in SI units. Raises RecordingError.

    name: the file's, for messages. ranges: of the accelerometer in m/s^2 and the gyroscope in rad/s.
    """
    time_s = copied(values[:, 0])
    if not LEAST_RATE_HZ <= rate_hz <= MOST_RATE_HZ:
        expected = f"a rate of {placement} from {LEAST_RATE_HZ:g} to {MOST_RATE_HZ:g} Hz"
        raise RecordingError(expected, f"{rate_hz:g} Hz is declared", "correct sample_rate_hz")
    require_possible_times(time_s, rate_hz, name)
    require_possible_readings(values[:, 1:7], name)
    return SensorStream(
        placement=placement,
        time_s=time_s,
        acc_m_s2=copied(values[:, 1:4]),
        gyr_rad_s=copied(values[:, 4:7]),
        declared_rate_hz=rate_hz,
        mag=copied(values[:, 7:10]) if values.shape[1] > 7 else None,
        acc_range_m_s2=ranges[0],
        gyr_range_rad_s=ranges[1],
    )


def require_placement(
    placement: str, taken: Mapping[str, Any], where: str, error: type[ShoulderError] = RecordingError
) -> str:
    """The placement, known and not taken yet. Raises `error`."""
    if placement not in PLACEMENTS:
        expected = f"a placement in {where} out of {', '.join(PLACEMENTS)}"
        raise error(expected, f"it is {placement!r}", "use one of these names")
    if placement in taken:
        raise error(f"each placement in {where} once", f"{placement} comes twice", "correct one of them")
    return placement


def _read_sensor(folder: Path, table: Checked, taken: Mapping[str, SensorStream]) -> tuple[SensorStream, Path]:
    table.known(_SENSOR_KEYS)
    placement = require_placement(table.text("placement"), taken, "recording.toml")
    name = table.name("file")
    if Path(name).name != name or Path(name).suffix not in (".csv", ".parquet"):
        raise table.wrong("file", "the name of a .csv or .parquet file in the folder", name)
    rate_hz = table.positive("sample_rate_hz")
    acc_scale, gyr_scale = table.unit("acc_unit", ACC_UNIT_M_S2), table.unit("gyr_unit", GYR_UNIT_RAD_S)
    acc_range = table.positive("acc_range") * acc_scale if "acc_range" in table else None
    gyr_range = table.positive("gyr_range") * gyr_scale if "gyr_range" in table else None
    if "mag_unit" in table:
        table.text("mag_unit")
    path = folder / name
    require_file(path, f"the file of {placement}")
    columns = _columns(read_header(path), name)
    values = read_numbers(path, columns, max_rows=int(MAX_HOURS * 3600 * rate_hz))
    values[:, 1:4] *= acc_scale
    values[:, 4:7] *= gyr_scale
    return make_stream(placement, values, rate_hz, name, (acc_range, gyr_range)), path


def _columns(header: list[str], name: str) -> tuple[str, ...]:
    required = (TIME, *ACC, *GYR)
    wanted = (*required, *MAG) if any(column in header for column in MAG) else required
    for column in header:
        if column not in (*required, *MAG) or header.count(column) > 1:
            raise RecordingError(
                f"the columns {', '.join(required)} and optionally {', '.join(MAG)} in {name}",
                f"there is {column!r}" + (" twice" if header.count(column) > 1 else ""),
                "rename or remove it, or describe the file in a column map",
            )
    missing = [column for column in wanted if column not in header]
    if missing:
        raise RecordingError(
            f"the columns {', '.join(wanted)} in {name}",
            f"{', '.join(missing)} {'is' if len(missing) == 1 else 'are'} missing",
            "add what is missing, or describe the file in a column map",
        )
    return wanted


def write_recording(
    recording: Recording,
    folder: Path,
    *,
    acc_unit: str = "m/s^2",
    gyr_unit: str = "rad/s",
    reference_csv: str | None = None,
    file_format: Literal["csv", "parquet"] = "csv",
    beside: Mapping[str, str] | None = None,
) -> None:
    """Write a recording folder. It appears whole or not at all; a folder that is there already is refused.

    file_format: in csv numbers keep 6 significant digits, times 1e-6 s; parquet keeps all of them, smaller, with a
    checksum on every page. reference_csv: text of the optional reference.csv. beside: texts of files that belong to
    the recording but are no part of the format, by name. Raises OutputError.
    """
    texts = dict(beside or {})
    if recording.events:
        texts[EVENTS] = events_tsv(recording.events)
    if reference_csv is not None:
        texts[REFERENCE] = reference_csv
    with whole_folder(folder) as scratch:
        _write_sensors(recording, scratch, acc_unit, gyr_unit, file_format)
        for name, text in texts.items():
            write_text(scratch / name, text)


def _write_sensors(recording: Recording, scratch: Path, acc_unit: str, gyr_unit: str, file_format: str) -> None:
    acc_scale, gyr_scale = ACC_UNIT_M_S2[acc_unit], GYR_UNIT_RAD_S[gyr_unit]
    head = [
        f"schema = {SCHEMA}",
        f"athlete = {toml_quoted(recording.athlete)}",
        f"start = {toml_quoted(recording.start)}",
    ]
    for stream in recording.streams.values():
        name = f"{stream.placement}.{file_format}"
        head += ["", "[[sensor]]", f"placement = {toml_quoted(stream.placement)}", f"file = {toml_quoted(name)}"]
        head += [f"sample_rate_hz = {float(stream.declared_rate_hz)!r}"]
        head += [f"acc_unit = {toml_quoted(acc_unit)}", f"gyr_unit = {toml_quoted(gyr_unit)}"]
        if stream.acc_range_m_s2 is not None:
            head.append(f"acc_range = {stream.acc_range_m_s2 / acc_scale:.9g}")
        if stream.gyr_range_rad_s is not None:
            head.append(f"gyr_range = {stream.gyr_range_rad_s / gyr_scale:.9g}")
        parts = [stream.time_s[:, None], stream.acc_m_s2 / acc_scale, stream.gyr_rad_s / gyr_scale]
        columns = [TIME, *ACC, *GYR]
        if stream.mag is not None:
            parts.append(stream.mag)
            columns += MAG
        write_numbers(scratch / name, columns, np.hstack(parts))
    write_text(scratch / HEAD, "\n".join(head) + "\n")
