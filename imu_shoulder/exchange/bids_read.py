"""Recordings out of a Motion-BIDS data set: our own exports, and those of others whose tracked points are named."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from imu_shoulder.checked import read_json, require_file
from imu_shoulder.errors import RecordingError
from imu_shoulder.limits import MAX_TABLE_BYTES
from imu_shoulder.model import PLACEMENTS, FloatArray, Recording, SensorStream
from imu_shoulder.sources.events import read_events
from imu_shoulder.sources.folder import make_stream
from imu_shoulder.sources.possible import MOST_RATE_HZ, require_possible_sensors
from imu_shoulder.sources.tables import file_sha256
from imu_shoulder.units import ACC_UNIT_M_S2, GYR_UNIT_RAD_S

AXES = ("x", "y", "z")
RANGES = ("AccelerometerRange", "GyroscopeRange")
_TO_DO = "correct the data set"


def read_bids(root: Path, placements: Mapping[str, str] | None = None) -> list[Recording]:
    """Every session of every participant that has accelerometer and gyroscope channels.

    placements: tracked point -> placement, for data sets that name body parts otherwise; tracked points that are
    no placement and not named here are left out. Raises RecordingError where nothing can be read.
    """
    for point, placement in (placements or {}).items():
        if placement not in PLACEMENTS:
            expected = f"a placement of {point} out of {', '.join(PLACEMENTS)}"
            raise RecordingError(expected, f"it is {placement!r}", "use one of these names")
    if not (root / "dataset_description.json").is_file():
        raise RecordingError(
            f"a BIDS data set at {root}", "it has no dataset_description.json", "give the folder that holds that file"
        )
    folders = sorted({path.parent for path in root.glob("sub-*/**/motion/*_motion.tsv")})
    if not folders:
        raise RecordingError("motion data in the data set", "there is no *_motion.tsv", "give a Motion-BIDS data set")
    athletes = _column(root / "participants.tsv", "participant_id", "athlete")
    found = []
    seen: set[str] = set()
    for folder in folders:
        for stem in sorted({path.name.split("_tracksys-")[0] for path in folder.glob("*_tracksys-*_motion.tsv")}):
            recording = _read_session(folder, stem, athletes, placements or {}, seen)
            if recording is not None:
                found.append(recording)
    if not found:
        points = ", ".join(sorted(seen)) or "none"
        raise RecordingError(
            f"tracked points out of {', '.join(PLACEMENTS)}",
            f"the accelerometers and gyroscopes are at {points}",
            "say which is which with --placement POINT=PLACEMENT",
        )
    return found


def _read_session(
    folder: Path, stem: str, athletes: Mapping[str, str], placements: Mapping[str, str], seen: set[str]
) -> Recording | None:
    streams: dict[str, SensorStream] = {}
    hashes: dict[str, str] = {}
    sub = stem.split("_")[0]
    for path in sorted(folder.glob(f"{stem}_tracksys-*_motion.tsv")):
        for stream in _read_system(path, placements, seen):
            if stream.placement in streams:
                raise RecordingError(f"each placement once in {stem}", f"{stream.placement} comes twice", _TO_DO)
            streams[stream.placement] = stream
            hashes[path.name] = file_sha256(path)
    if not streams:
        return None
    require_possible_sensors(streams)
    events = folder / f"{stem}_events.tsv"
    scans = next(iter(folder.parent.glob("*_scans.tsv")), None)
    athlete = athletes.get(sub, "n/a")
    return Recording(
        name=stem,
        athlete=sub.removeprefix("sub-") if athlete == "n/a" else athlete,
        start=_start(scans, stem),
        streams={placement: streams[placement] for placement in PLACEMENTS if placement in streams},
        events=read_events(events) if events.is_file() else (),
        file_sha256=hashes,
    )


def _read_system(path: Path, placements: Mapping[str, str], seen: set[str]) -> list[SensorStream]:
    """One stream per tracked point that has a whole accelerometer and gyroscope."""
    stem = path.name.removesuffix("_motion.tsv")
    channels = _table(path.with_name(f"{stem}_channels.tsv"))
    missing = [c for c in ("name", "component", "type", "tracked_point", "units") if c not in channels.columns]
    if missing:
        raise RecordingError(f"column {missing[0]} in {stem}_channels.tsv", "it is missing", _TO_DO)
    inertial = channels[channels["type"].isin(["ACCEL", "GYRO"])]
    if inertial.empty:
        return []
    head = _sidecar(path.with_name(f"{stem}_motion.json"))
    rate_hz = head.get("SamplingFrequency")
    if isinstance(rate_hz, bool) or not isinstance(rate_hz, int | float) or not 0 < rate_hz < MOST_RATE_HZ:
        raise RecordingError(f"SamplingFrequency over 0 in {stem}_motion.json", f"it is {rate_hz!r}", _TO_DO)
    samples = _samples(path, len(channels))
    latency = np.flatnonzero((channels["type"] == "LATENCY").to_numpy())
    time_s = samples[:, latency[0]] if len(latency) else np.arange(len(samples)) / float(rate_hz)
    streams = []
    for point in inertial["tracked_point"].unique():
        seen.add(point)
        placement = placements.get(point, point)
        mine = channels[channels["tracked_point"] == point]
        parts = [_axes(mine, "ACCEL", ACC_UNIT_M_S2, samples), _axes(mine, "GYRO", GYR_UNIT_RAD_S, samples)]
        if placement not in PLACEMENTS or parts[0] is None or parts[1] is None:
            continue
        mag = _axes(mine, "MAGN", None, samples)
        values = np.column_stack([time_s, *(part for part in (*parts, mag) if part is not None)])
        values = values[np.isfinite(values).all(axis=1)]
        ranges = (head.get(RANGES[0]), head.get(RANGES[1]))
        streams.append(make_stream(placement, values, float(rate_hz), path.name, ranges))
    return streams


def _axes(
    channels: pd.DataFrame, kind: str, units: Mapping[str, float] | None, samples: FloatArray
) -> FloatArray | None:
    """(N, 3) in SI units, None without all three axes. Raises RecordingError for a unit that is not known."""
    rows = channels[channels["type"] == kind]
    at = [rows.index[rows["component"] == axis] for axis in AXES]
    if any(len(found) != 1 for found in at):
        return None
    scale = 1.0
    if units is not None:
        named = set(rows["units"])
        if len(named) != 1 or not named <= set(units):
            raise RecordingError(f"{kind} in {' or '.join(units)}", f"units are {', '.join(sorted(named))}", _TO_DO)
        scale = units[named.pop()]
    return np.ascontiguousarray(samples[:, [int(found[0]) for found in at]] * scale)


def _samples(path: Path, count: int) -> FloatArray:
    require_file(path, "the samples")
    try:
        table = pd.read_csv(path, sep="\t", header=None, na_values=["n/a"], dtype=np.float64)
    except (ValueError, pd.errors.ParserError) as error:
        raise RecordingError(f"numbers in {path.name}", f"it cannot be read ({error})", _TO_DO) from error
    if table.shape[1] != count:
        raise RecordingError(
            f"{count} columns in {path.name}, as channels.tsv says", f"there are {table.shape[1]}", _TO_DO
        )
    return table.to_numpy(dtype=np.float64)


def _start(path: Path | None, stem: str) -> str:
    """When the session began; the BIDS epoch of unknown dates where scans.tsv does not say."""
    if path is not None:
        for row in _table(path).to_dict("records"):
            if Path(row["filename"]).name.startswith(f"{stem}_tracksys-"):
                start = str(row.get("start", "n/a"))
                start = str(row.get("acq_time", "n/a")).replace("Z", "+00:00") if start == "n/a" else start
                return start if start != "n/a" else UNKNOWN_START
    return UNKNOWN_START


# BIDS puts dates before 1925 where the true one is withheld (common principles, anonymised dates).
UNKNOWN_START = "1924-01-01T00:00:00"


def _column(path: Path, key: str, column: str) -> dict[str, str]:
    if not path.is_file():
        return {}
    table = _table(path)
    if key not in table.columns:
        raise RecordingError(f"column {key} in {path.name}", "it is missing", _TO_DO)
    return dict(zip(table[key], table[column], strict=True)) if column in table.columns else {}


def _table(path: Path) -> pd.DataFrame:
    require_file(path, path.name, RecordingError, MAX_TABLE_BYTES)
    try:
        return pd.read_csv(path, sep="\t", dtype=str, keep_default_na=False)
    except (OSError, ValueError, pd.errors.ParserError) as error:
        raise RecordingError(f"a readable {path.name}", f"it is not ({error})", _TO_DO) from error


def _sidecar(path: Path) -> dict[str, Any]:
    found = read_json(path, f"a readable {path.name}", RecordingError, _TO_DO)
    for key in RANGES:
        value = found.get(key)
        if value is not None and (isinstance(value, bool) or not isinstance(value, int | float) or not value > 0):
            raise RecordingError(f"{key} over 0 in {path.name}", f"it is {value!r}", _TO_DO)
    return found
