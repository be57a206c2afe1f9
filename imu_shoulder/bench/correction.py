"""The correction file: what a bench check found, applied to recordings before anything else is done with them."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from imu_shoulder.checked import Checked
from imu_shoulder.errors import RecordingError
from imu_shoulder.files import write_text
from imu_shoulder.model import Recording
from imu_shoulder.sources.folder import require_placement
from imu_shoulder.sources.tables import file_sha256

SCHEMA = 1
Triple = tuple[float, float, float]
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
    table = Checked.read(path, RecordingError, "the correction file")
    table.schema(SCHEMA)
    found: dict[str, Correction] = {}
    for sensor in table.tables("sensor"):
        sensor.known(_KEYS)
        placement = require_placement(sensor.text("placement"), found, path.name)
        found[placement] = Correction(**{key: _triple(sensor, key) for key in _KEYS[1:] if key in sensor})
    return found


def correct(recording: Recording, corrections: Mapping[str, Correction], source: Path | None = None) -> Recording:
    """The recording with its sensors corrected; sensors without a correction stay as they are.

    source: the file the corrections are from; its hash joins those of the recording.
    """
    streams = dict(recording.streams)
    if not corrections.keys() & streams.keys():
        came = f"it is for {', '.join(corrections)} alone"
        raise RecordingError(f"a correction of {', '.join(streams)}", came, "give the correction file of these sensors")
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


def _triple(sensor: Checked, key: str) -> Triple:
    values = sensor.get(key)
    low, high = (0.5, 2.0) if key.endswith("scale") else (-10.0, 10.0)
    if (
        not isinstance(values, list)
        or len(values) != 3
        or not all(
            isinstance(value, int | float) and not isinstance(value, bool) and low < value < high for value in values
        )
    ):
        do = "correct it, or write it anew with sensor-check"
        raise sensor.wrong(key, f"three numbers from {low:g} to {high:g}", values, do)
    x, y, z = map(float, values)
    return x, y, z
