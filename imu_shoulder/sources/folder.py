"""The recording folder, read with its checks into a Recording, and written. Its page: docs/recording_folder.md."""

from __future__ import annotations

import json
import math
import os
import shutil
import tempfile
import tomllib
from collections.abc import Mapping
from datetime import datetime
from pathlib import Path
from typing import Any

import numpy as np

from imu_shoulder.errors import OutputError, RecordingError
from imu_shoulder.model import PLACEMENTS, FloatArray, Recording, SensorStream
from imu_shoulder.sources.events import events_tsv, read_events
from imu_shoulder.sources.tables import MAX_HOURS, file_sha256, read_header, read_numbers, require_file
from imu_shoulder.units import ACC_UNIT_M_S2, GYR_UNIT_RAD_S

SCHEMA = 1
TIME = "time_s"
ACC = ("acc_x", "acc_y", "acc_z")
GYR = ("gyr_x", "gyr_y", "gyr_z")
MAG = ("mag_x", "mag_y", "mag_z")
REFERENCE_COLUMNS = ("time_s", "angle", "side", "reading_deg")

_SENSOR_KEYS = ("placement", "file", "sample_rate_hz", "acc_unit", "gyr_unit", "mag_unit", "acc_range", "gyr_range")
_KEYS = ("schema", "athlete", "start", "sensor")


def read_recording(folder: Path) -> Recording:
    """A recording folder, in SI units, with the SHA-256 of every file that was read.

    Raises RecordingError for whatever cannot be read as the format says.
    """
    if not folder.is_dir():
        came = "it is a file" if folder.exists() else "there is no such folder"
        raise RecordingError(f"a recording folder at {folder}", came, "give the folder that holds recording.toml")
    head_path = folder / "recording.toml"
    head = read_toml(head_path)
    _known(head, _KEYS, "recording.toml")
    if head.get("schema") != SCHEMA:
        raise _wrong("schema", str(SCHEMA), head.get("schema"))
    hashes = {head_path.name: file_sha256(head_path)}
    streams: dict[str, SensorStream] = {}
    sensors = head.get("sensor")
    if not isinstance(sensors, list) or not sensors:
        raise _wrong("[[sensor]]", "one table or more, one per sensor", sensors)
    for table in sensors:
        if not isinstance(table, dict):
            raise _wrong("[[sensor]]", "a table", table)
        stream, path = _read_sensor(folder, table, streams)
        if path.name in hashes:
            raise RecordingError("one file per sensor", f"{path.name} is named twice", "correct recording.toml")
        streams[stream.placement] = stream
        hashes[path.name] = file_sha256(path)
    events_path = folder / "events.tsv"
    events = read_events(events_path) if events_path.exists() else ()
    for optional in (events_path, folder / "reference.csv"):
        if optional.is_file():
            hashes[optional.name] = file_sha256(optional)
    return Recording(
        name=folder.resolve().name,
        athlete=_text(head, "athlete"),
        start=_start(head),
        streams=streams,
        events=events,
        file_sha256=hashes,
    )


def read_toml(path: Path) -> dict[str, Any]:
    """The table in a TOML file. Raises RecordingError where it is missing or no TOML."""
    require_file(path, path.name)
    try:
        return tomllib.loads(path.read_text(encoding="utf-8"))
    except (OSError, UnicodeDecodeError, tomllib.TOMLDecodeError) as error:
        raise RecordingError(f"{path.name} to be TOML", f"it is not ({error})", "correct that line") from error


def make_stream(
    placement: str, values: FloatArray, rate_hz: float, name: str, ranges: tuple[float | None, float | None]
) -> SensorStream:
    """A stream from (N, 7) or (N, 10) columns time, acc, gyr[, mag] in SI units. Raises RecordingError.

    name: the file's, for messages. ranges: of the accelerometer in m/s^2 and the gyroscope in rad/s.
    """
    time_s = np.ascontiguousarray(values[:, 0])
    steps = np.diff(time_s)
    forward, backward = int((steps > 0).sum()), int((steps < 0).sum())
    if len(steps) and (forward == 0 or backward > forward):
        came = "it never does" if forward == 0 else f"it steps back {backward} and forward {forward} times"
        raise RecordingError(f"time in {name} to increase", came, "check the time column and its unit")
    return SensorStream(
        placement=placement,
        time_s=time_s,
        acc_m_s2=np.ascontiguousarray(values[:, 1:4]),
        gyr_rad_s=np.ascontiguousarray(values[:, 4:7]),
        declared_rate_hz=rate_hz,
        mag=np.ascontiguousarray(values[:, 7:10]) if values.shape[1] > 7 else None,
        acc_range_m_s2=ranges[0],
        gyr_range_rad_s=ranges[1],
    )


def require_placement(placement: str, taken: Mapping[str, Any], where: str) -> str:
    """The placement, known and not taken yet. Raises RecordingError."""
    if placement not in PLACEMENTS:
        raise RecordingError(
            f"a placement in {where} out of {', '.join(PLACEMENTS)}", f"it is {placement!r}", "use one of these names"
        )
    if placement in taken:
        raise RecordingError(
            f"each placement in {where} once", f"{placement} comes twice", "correct the placement of one of them"
        )
    return placement


def _read_sensor(folder: Path, table: dict[str, Any], taken: Mapping[str, SensorStream]) -> tuple[SensorStream, Path]:
    _known(table, _SENSOR_KEYS, "[[sensor]]")
    placement = require_placement(_text(table, "placement"), taken, "recording.toml")
    where = f" of {placement}"
    name = _text(table, "file", where)
    if Path(name).name != name or Path(name).suffix not in (".csv", ".parquet"):
        raise _wrong("file" + where, "the name of a .csv or .parquet file in the folder", name)
    rate_hz = _positive(table, "sample_rate_hz", where)
    acc_scale = _unit(table, "acc_unit", ACC_UNIT_M_S2, where)
    gyr_scale = _unit(table, "gyr_unit", GYR_UNIT_RAD_S, where)
    acc_range = _positive(table, "acc_range", where) * acc_scale if "acc_range" in table else None
    gyr_range = _positive(table, "gyr_range", where) * gyr_scale if "gyr_range" in table else None
    if "mag_unit" in table:
        _text(table, "mag_unit", where)
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


def _wrong(key: str, expected: str, came: object) -> RecordingError:
    said = "it is missing" if came is None else f"it is {came!r}"
    return RecordingError(f"{key} in recording.toml to be {expected}", said, "correct recording.toml")


def _known(table: Mapping[str, Any], allowed: tuple[str, ...], where: str) -> None:
    for key in table:
        if key not in allowed:
            raise RecordingError(f"keys of {where} out of {', '.join(allowed)}", f"there is {key!r}", "remove it")


def _text(table: Mapping[str, Any], key: str, where: str = "") -> str:
    value = table.get(key)
    if not isinstance(value, str) or not value.strip():
        raise _wrong(key + where, "a text", value)
    return value


def _positive(table: Mapping[str, Any], key: str, where: str) -> float:
    value = table.get(key)
    if isinstance(value, bool) or not isinstance(value, int | float) or not 0 < value < math.inf:
        raise _wrong(key + where, "a number over 0", value)
    return float(value)


def _unit(table: Mapping[str, Any], key: str, units: Mapping[str, float], where: str) -> float:
    value = table.get(key)
    if not isinstance(value, str) or value not in units:
        raise _wrong(key + where, " or ".join(f'"{unit}"' for unit in units), value)
    return units[value]


def _start(head: Mapping[str, Any]) -> str:
    value = head.get("start")
    if isinstance(value, datetime):
        return value.isoformat()
    try:
        datetime.fromisoformat(_text(head, "start"))
    except ValueError:
        raise _wrong("start", "a date and time of ISO 8601, such as 2026-05-04T09:30:00+02:00", value) from None
    return str(value)


def write_recording(
    recording: Recording,
    folder: Path,
    *,
    acc_unit: str = "m/s^2",
    gyr_unit: str = "rad/s",
    reference_csv: str | None = None,
) -> None:
    """Write a recording folder. It appears whole or not at all; a folder that is there already is refused.

    Numbers keep 6 significant digits, times 1e-6 s. reference_csv: text of the optional reference.csv.
    Raises OutputError.
    """
    if folder.exists() and (not folder.is_dir() or any(folder.iterdir())):
        raise OutputError(f"a new folder at {folder}", "there is one with files in it", "give another name")
    try:
        folder.parent.mkdir(parents=True, exist_ok=True)
        scratch = Path(tempfile.mkdtemp(prefix=f".{folder.name}-", dir=folder.parent))
    except OSError as error:
        raise OutputError(
            f"to write in {folder.parent}", f"it cannot be done ({error.strerror})", "check it"
        ) from error
    try:
        _write_files(recording, scratch, acc_unit, gyr_unit, reference_csv)
        scratch.chmod(0o755)
        os.replace(scratch, folder)
    except OSError as error:
        raise OutputError(
            f"to write the recording to {folder}",
            f"it cannot be done ({error.strerror})",
            "free some space or give another folder; nothing was left behind",
        ) from error
    finally:
        shutil.rmtree(scratch, ignore_errors=True)


def _write_files(recording: Recording, scratch: Path, acc_unit: str, gyr_unit: str, reference_csv: str | None) -> None:
    acc_scale, gyr_scale = ACC_UNIT_M_S2[acc_unit], GYR_UNIT_RAD_S[gyr_unit]
    head = [f"schema = {SCHEMA}", f"athlete = {_quoted(recording.athlete)}", f"start = {_quoted(recording.start)}"]
    for stream in recording.streams.values():
        name = f"{stream.placement}.csv"
        head += ["", "[[sensor]]", f"placement = {_quoted(stream.placement)}", f"file = {_quoted(name)}"]
        head += [f"sample_rate_hz = {float(stream.declared_rate_hz)!r}"]
        head += [f"acc_unit = {_quoted(acc_unit)}", f"gyr_unit = {_quoted(gyr_unit)}"]
        if stream.acc_range_m_s2 is not None:
            head.append(f"acc_range = {stream.acc_range_m_s2 / acc_scale:.9g}")
        if stream.gyr_range_rad_s is not None:
            head.append(f"gyr_range = {stream.gyr_range_rad_s / gyr_scale:.9g}")
        parts = [stream.time_s[:, None], stream.acc_m_s2 / acc_scale, stream.gyr_rad_s / gyr_scale]
        columns = [TIME, *ACC, *GYR]
        if stream.mag is not None:
            parts.append(stream.mag)
            columns += MAG
        row = ",".join(["%.6f", *["%.6g"] * (len(columns) - 1)])
        np.savetxt(scratch / name, np.hstack(parts), fmt=row, header=",".join(columns), comments="")
    (scratch / "recording.toml").write_text("\n".join(head) + "\n", encoding="utf-8")
    if recording.events:
        (scratch / "events.tsv").write_text(events_tsv(recording.events), encoding="utf-8")
    if reference_csv is not None:
        (scratch / "reference.csv").write_text(reference_csv, encoding="utf-8")


def _quoted(text: str) -> str:
    # JSON's string syntax is a subset of TOML's basic strings, except for DEL, which JSON leaves bare.
    return json.dumps(text, ensure_ascii=False).replace("\x7f", "\\u007f")
