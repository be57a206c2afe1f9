"""A recording of a sensor left alone: noise, offset and drift with temperature of each axis."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from scipy import stats

from imu_shoulder.arrays import runs
from imu_shoulder.bench.allan import AllanCurve, NoiseFigures, allan_curve, read_curve
from imu_shoulder.errors import RecordingError
from imu_shoulder.model import FloatArray, Track
from imu_shoulder.units import STANDARD_GRAVITY_M_S2

AXES = ("x", "y", "z")
UG = STANDARD_GRAVITY_M_S2 * 1e-6
MIN_TEMPERATURE_SPAN = 2.0
WINDOW_S = 10.0


@dataclass(frozen=True, slots=True)
class AxisNoise:
    """One axis: its mean reading, curve and figures; gyroscopes in deg/s, accelerometers in ug.

    drift_per_deg_c: slope of 10 s means over temperature with its standard error, None without temperatures.
    """

    mean: float
    curve: AllanCurve
    figures: NoiseFigures
    drift_per_deg_c: tuple[float, float] | None = None


@dataclass(frozen=True, slots=True)
class StillCheck:
    """gyr (deg/s) and acc (ug) by axis name."""

    placement: str
    length_s: float
    rate_hz: float
    gyr: Mapping[str, AxisNoise]
    acc: Mapping[str, AxisNoise]


def check_still(track: Track, rate_hz: float, temperature_c: FloatArray | None = None) -> StillCheck:
    """Noise of a sensor at rest over the longest stretch without gaps.

    temperature_c (M,) on the track's grid, NaN where unknown. Raises RecordingError when the
    sensor moved or the stretch is too short.
    """
    stretches = runs(track.valid)
    if not stretches:
        raise RecordingError("samples of a sensor at rest", f"{track.placement} has none", "record it again")
    first, last = max(stretches, key=lambda ends: ends[1] - ends[0])
    gyr, acc = np.degrees(track.gyr_rad_s[first:last]), track.acc_m_s2[first:last]
    _refuse_motion(track.placement, gyr, acc, rate_hz)
    warmth = None if temperature_c is None else temperature_c[first:last]

    def axes(values: FloatArray) -> dict[str, AxisNoise]:
        return {name: _axis(values[:, k], rate_hz, warmth) for k, name in enumerate(AXES)}

    return StillCheck(track.placement, (last - first) / rate_hz, rate_hz, axes(gyr), axes(acc / UG))


def read_temperature(path: Path, time_s: FloatArray) -> FloatArray | None:
    """Temperatures (M,) at time_s from a table time_s,temperature_c, NaN outside it. None without a file.

    Raises RecordingError for a table that cannot be read.
    """
    from imu_shoulder.sources.tables import read_numbers

    if not path.is_file():
        return None
    table = read_numbers(path, ("time_s", "temperature_c"), max_rows=10_000_000)
    return np.interp(time_s, table[:, 0], table[:, 1], left=np.nan, right=np.nan)


def _axis(values: FloatArray, rate_hz: float, temperature_c: FloatArray | None) -> AxisNoise:
    curve = allan_curve(values, rate_hz)
    return AxisNoise(float(values.mean()), curve, read_curve(curve), _drift(values, rate_hz, temperature_c))


def _drift(values: FloatArray, rate_hz: float, temperature_c: FloatArray | None) -> tuple[float, float] | None:
    if temperature_c is None:
        return None
    width = round(WINDOW_S * rate_hz)
    windows = len(values) // width
    means, warmth = (a[: windows * width].reshape(windows, width).mean(axis=1) for a in (values, temperature_c))
    seen = np.isfinite(warmth)
    if seen.sum() < 10 or np.ptp(warmth[seen]) < MIN_TEMPERATURE_SPAN:
        return None
    fit = stats.linregress(warmth[seen], means[seen])
    return float(fit.slope), float(fit.stderr)


def _refuse_motion(placement: str, gyr_deg_s: FloatArray, acc_m_s2: FloatArray, rate_hz: float) -> None:
    width = max(1, round(rate_hz))
    seconds = len(gyr_deg_s) // width
    if seconds < 2:
        return
    by_second = gyr_deg_s[: seconds * width].reshape(seconds, width, 3)
    moved = np.abs(by_second.mean(axis=1) - np.median(gyr_deg_s, axis=0)).max(axis=1) > 1.0
    if moved.any():
        raise RecordingError(
            f"{placement} lying still throughout",
            f"it turned in {int(moved.sum())} of {seconds} s, first at {int(np.argmax(moved))} s",
            "cut the start and the end off, and leave it alone on a firm surface",
        )
    gravity = float(np.linalg.norm(acc_m_s2.mean(axis=0)))
    if abs(gravity - STANDARD_GRAVITY_M_S2) > 0.2 * STANDARD_GRAVITY_M_S2:
        raise RecordingError(
            "gravity of about 9.8 m/s^2 at rest", f"{placement} reads {gravity:.2f}", "check acc_unit in recording.toml"
        )
