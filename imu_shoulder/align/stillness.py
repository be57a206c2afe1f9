"""Finds where a person holds still. A person holding still sways by about a third of a degree and is not at rest."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np

from imu_shoulder.arrays import near, runs
from imu_shoulder.filters import moving_mean
from imu_shoulder.model import BoolArray, FloatArray, Track


@dataclass(frozen=True, slots=True)
class StillParams:
    """What counts as holding still.

    smooth_s: over which readings are averaged. max_rate_deg_s: of the averaged gyroscope; leaves room for its offset.
    max_shake_m_s2: standard deviation of the accelerometer over smooth_s. max_tilt_deg: how far the averaged
    accelerometer may turn from where the stillness began. min_s: shortest stillness.
    """

    smooth_s: float = 0.5
    max_rate_deg_s: float = 6.0
    max_shake_m_s2: float = 0.6
    max_tilt_deg: float = 4.0
    min_s: float = 2.0


def still_windows(
    time_s: FloatArray,
    acc_m_s2: FloatArray,
    gyr_rad_s: FloatArray,
    params: StillParams | None = None,
) -> list[tuple[float, float]]:
    """Start and end, in seconds, of each stillness of one sensor.

    time_s (N,): uniform. acc_m_s2, gyr_rad_s (N, 3): NaN rows are never still.
    """
    params = params or StillParams()
    if len(time_s) < 2:
        return []
    quiet = _quiet(time_s, acc_m_s2, gyr_rad_s, params)
    return _windows(time_s, quiet, [_smoothed(time_s, acc_m_s2, params)], params)


def common_still_windows(
    time_s: FloatArray, tracks: Iterable[Track], params: StillParams | None = None
) -> list[tuple[float, float]]:
    """Start and end, in seconds, of each stillness that all tracks share."""
    params = params or StillParams()
    tracks = list(tracks)
    if len(time_s) < 2 or not tracks:
        return []
    quiet = np.ones(len(time_s), dtype=np.bool_)
    for track in tracks:
        quiet &= _quiet(time_s, track.acc_m_s2, track.gyr_rad_s, params)
    directions = [_smoothed(time_s, track.acc_m_s2, params) for track in tracks]
    return _windows(time_s, quiet, directions, params)


def _width(time_s: FloatArray, params: StillParams) -> int:
    return max(3, round(params.smooth_s / float(time_s[1] - time_s[0])))


def _smoothed(time_s: FloatArray, values: FloatArray, params: StillParams) -> FloatArray:
    return moving_mean(np.nan_to_num(values), _width(time_s, params), ends="constant")


def _quiet(time_s: FloatArray, acc: FloatArray, gyr: FloatArray, params: StillParams) -> BoolArray:
    """(N,) whether the sensor hardly turns and hardly shakes around each sample."""
    rate = np.sqrt((_smoothed(time_s, gyr, params) ** 2).sum(axis=1))
    mean = _smoothed(time_s, acc, params)
    power = _smoothed(time_s, acc * acc, params).sum(axis=1) - (mean * mean).sum(axis=1)
    quiet: BoolArray = (rate <= np.radians(params.max_rate_deg_s)) & (power <= params.max_shake_m_s2**2)
    missing = np.isnan(acc[:, 0])
    if missing.any():
        quiet &= ~near(missing, _width(time_s, params) // 2)
    return quiet


def _windows(
    time_s: FloatArray, quiet: BoolArray, directions: list[FloatArray], params: StillParams
) -> list[tuple[float, float]]:
    found = []
    for first, end in runs(quiet):
        # A slow turn adds up: the stillness ends where it has gone too far, and a new one may begin there.
        while time_s[end - 1] - time_s[first] >= params.min_s:
            last = first + min(_first_turned(d[first:end], params.max_tilt_deg) for d in directions)
            if time_s[last - 1] - time_s[first] >= params.min_s:
                found.append((float(time_s[first]), float(time_s[last - 1])))
            first = last
            if first >= end:
                break
    return found


def _first_turned(direction: FloatArray, limit_deg: float) -> int:
    """How many rows of direction (N, 3) from the first on stay within limit_deg of it; at least 1."""
    lengths = np.sqrt((direction * direction).sum(axis=1))
    cosine = direction @ direction[0] / np.maximum(lengths * lengths[0], 1e-12)
    turned = np.flatnonzero(cosine < np.cos(np.radians(limit_deg)))
    return int(turned[0]) if len(turned) else len(direction)
