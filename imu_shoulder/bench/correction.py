"""The correction file: what a bench check found, applied to recordings before anything else is done with them."""

from __future__ import annotations

import tomllib
from collections.abc import Mapping
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np

from imu_shoulder.checked import require_file
from imu_shoulder.errors import RecordingError
from imu_shoulder.files import write_text
from imu_shoulder.model import Recording
from imu_shoulder.sources.folder import require_placement
from imu_shoulder.sources.tables import file_sha256

SCHEMA = 1
Triple = tuple[float, float, float]
_TO_DO = "correct it, or write it anew with sensor-check"
_KEYS = ("placement", "acc_bias_m_s2", "acc_scale", "gyr_scale")


@dataclass(frozen=True, slots=True)
class Correction:
    """reading = scale times truth + bias, per sensor axis. The gyroscope's offset is not here: it is tracked."""

    acc_bias_m_s2: Triple = (0.0, 0.0, 0.0)
    acc_scale: Triple = (1.0, 1.0, 1.0)
    gyr_scale: Triple = (1.0, 1.0, 1.0)


def write_corrections(corrections: Mapping[str, Correction], path: Path) -> None:
    """Write the file, by placement. Raises OSError."""
    lines = ["# reading = scale * truth + bias, per sensor axis x, y, z", f"schema = {SCHEMA}"]
    for placement, found in corrections.items():
        lines += ["", "[[sensor]]", f'placement = "{placement}"']
        lines += [f"{key} = [{', '.join(f'{v:.8g}' for v in getattr(found, key))}]" for key in _KEYS[1:]]
    write_text(path, "\n".join(lines) + "\n")


def read_corrections(path: Path) -> dict[str, Correction]:
    """The corrections by placement. Raises RecordingError naming the key that is wrong."""
    require_file(path, "the correction file")
    try:
        table = tomllib.loads(path.read_text(encoding="utf-8"))
    except (OSError, UnicodeDecodeError, tomllib.TOMLDecodeError) as error:
        raise RecordingError(
            f"{path.name} to be TOML", f"it is not ({error})", "write it anew with sensor-check"
        ) from error
    sensors = table.get("sensor")
    if table.get("schema") != SCHEMA or not isinstance(sensors, list) or not sensors:
        came = f"it has schema {table.get('schema')!r} and {len(sensors) if isinstance(sensors, list) else 0} of them"
        raise RecordingError(f"schema {SCHEMA} and [[sensor]] tables in {path.name}", came, _TO_DO)
    found: dict[str, Correction] = {}
    for sensor in sensors:
        placement = require_placement(str(sensor.get("placement")), found, path.name)
        unknown = [key for key in sensor if key not in _KEYS]
        if unknown:
            raise RecordingError(f"keys out of {', '.join(_KEYS)} in {path.name}", f"there is {unknown[0]!r}", _TO_DO)
        found[placement] = Correction(**{key: _triple(sensor, key, path.name) for key in _KEYS[1:] if key in sensor})
    return found


def correct(recording: Recording, corrections: Mapping[str, Correction], source: Path | None = None) -> Recording:
    """The recording with its sensors corrected; sensors without a correction stay as they are.

    source: the file the corrections are from; its hash joins those of the recording.
    """
    streams = dict(recording.streams)
    for placement, found in corrections.items():
        if placement in streams:
            stream = streams[placement]
            streams[placement] = replace(
                stream,
                acc_m_s2=(stream.acc_m_s2 - np.array(found.acc_bias_m_s2)) / np.array(found.acc_scale),
                gyr_rad_s=stream.gyr_rad_s / np.array(found.gyr_scale),
            )
    hashes = dict(recording.file_sha256)
    if source is not None:
        hashes[source.name] = file_sha256(source)
    return replace(recording, streams=streams, file_sha256=hashes)


def _triple(sensor: Mapping[str, Any], key: str, name: str) -> Triple:
    values = sensor[key]
    low, high = (0.5, 2.0) if key.endswith("scale") else (-10.0, 10.0)
    if (
        not isinstance(values, list)
        or len(values) != 3
        or not all(isinstance(value, int | float) and low < value < high for value in values)
    ):
        raise RecordingError(f"three numbers from {low:g} to {high:g} as {key} in {name}", f"it is {values!r}", _TO_DO)
    x, y, z = map(float, values)
    return x, y, z
