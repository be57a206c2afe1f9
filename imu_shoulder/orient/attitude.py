"""Sensor attitude in a z-up earth frame of arbitrary heading: VQF, 6-axis, with the bias a person's stillness gives.

The filter is the vqf package (Laidig & Seel 2023, doi 10.1016/j.inffus.2022.10.014). Inclination is its own; the
part of the gyroscope bias that gravity cannot show is taken from `bias` and removed before the filter sees the data.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from math import radians
from typing import Any

import numpy as np
import vqf

from imu_shoulder.arrays import BLOCK_ROWS, bridged
from imu_shoulder.frames import quat_product, rotated, sin_cos
from imu_shoulder.model import BoolArray, FloatArray, IntArray, Track
from imu_shoulder.orient.bias import BiasTrack, StillnessParams, calm, still_windows, track_bias
from imu_shoulder.orient.offset import OffsetParams, accelerometer_offset
from imu_shoulder.spill import copied, let_go, room, spilled


@dataclass(frozen=True, slots=True)
class OrientParams:
    """How attitude is found. method: "vqf", or for comparison "madgwick", "mahony", "ekf" (package ahrs).

    tau_acc_s: VQF's time constant for the accelerometer.
    bias_sd_left_deg_s: uncertainty of the gyroscope bias that is left after that from stillness was removed.

    Sources. tau_acc_s: default of VQF (Laidig and Seel 2023, doi 10.1016/j.inffus.2022.10.014); bias_sd_left_deg_s:
    ours.
    """

    method: str = "vqf"
    tau_acc_s: float = 3.0
    bias_sd_left_deg_s: float = 0.05
    stillness: StillnessParams = field(default_factory=StillnessParams)
    offset: OffsetParams = field(default_factory=OffsetParams)


@dataclass(frozen=True, slots=True)
class Attitude:
    """Attitude of one sensor on the common grid.

    quat_earth_from_sensor: (M, 4) scalar first, NaN where not valid. valid: (M,).
    rate_earth_rad_s: (M, 3) angular rate in earth components, bias removed, NaN where not valid.
    bias: what was taken from the gyroscope. heading_sd_rad: (M,) standard deviation of the heading against the body's
    forward direction of the pose; apart_sd_rad: against the arm's first sensor; turned_rad: (M,) what was taken off the
    filter's heading. All None until heading is kept.
    """

    placement: str
    quat_earth_from_sensor: FloatArray
    rate_earth_rad_s: FloatArray
    valid: BoolArray
    bias: BiasTrack
    heading_sd_rad: FloatArray | None = None
    apart_sd_rad: FloatArray | None = None
    turned_rad: FloatArray | None = None

    def at(self, rows: slice | IntArray) -> Attitude:
        """Some of the rows."""
        own: dict[str, Any] = {name: getattr(self, name) for name in _ROWS}
        for name, values in own.items():
            # Component by component in memory, as they are used.
            own[name] = None if values is None else np.ascontiguousarray(values.T[..., rows]).T
        return replace(self, **own)


# What of an attitude has a value for each row.
_ROWS = ("quat_earth_from_sensor", "rate_earth_rad_s", "valid", "heading_sd_rad", "apart_sd_rad", "turned_rad")


def joined(attitudes: Sequence[Attitude]) -> Attitude:
    """One sensor's rows, one behind the other; the bias is the last one's."""
    behind: dict[str, Any] = {name: [getattr(attitude, name) for attitude in attitudes] for name in _ROWS}
    for name, own in behind.items():
        behind[name] = None if any(values is None for values in own) else np.concatenate(own)
    return replace(attitudes[-1], **behind)


def orient_afterwards(track: Track, rate_hz: float, params: OrientParams, own_hz: float | None = None) -> Attitude:
    """Attitude of a finished recording, using past and future of each sample. own_hz: the sensor's rate, where the
    track's is another."""
    windows = still_windows(track, rate_hz, params.stillness)
    bias = track_bias(windows, rate_hz, params.stillness)
    gyr, acc = bridged(track.gyr_rad_s, track.valid), bridged(track.acc_m_s2, track.valid)
    acc = acc - accelerometer_offset(calm(windows, params.stillness), params.offset)
    gyr = np.ascontiguousarray(gyr - bias.at(np.arange(len(gyr), dtype=np.float64)))
    let_go()  # of hours the filter takes as much memory as anything may
    if params.method == "vqf":
        quat = vqf.offlineVQF(gyr, acc, None, 1.0 / rate_hz, settings_of(params, bias))["quat6D"]
    else:
        from imu_shoulder.orient.comparison import compare_quat

        quat = compare_quat(params.method, gyr, acc, rate_hz)
    del acc
    return attitude_of(track, quat, gyr, bias, ahead_s(rate_hz, own_hz))


def attitude_of(track: Track, quat: FloatArray, gyr: FloatArray, bias: BiasTrack, early_s: float = 0.0) -> Attitude:
    """The attitude from a filter's quaternions (N, 4), early_s ahead, and the rate it saw (N, 3)."""
    # Component by component in memory, as both are used from here on.
    components = copied(quat.T)
    for first in range(0, len(quat) if early_s else 0, BLOCK_ROWS):
        rows = slice(first, first + BLOCK_ROWS)
        components[:, rows] = turned_back(components[:, rows], gyr[rows].T, early_s)
    components[:, ~track.valid] = np.nan
    return Attitude(track.placement, components.T, spilled(rotated(components.T, gyr)), track.valid, bias)


def ahead_s(rate_hz: float, own_hz: float | None) -> float:
    """How far the filter's attitude is ahead on a grid of rate_hz, beyond what it is at the sensor's rate.

    A filter takes a row's rate for that of the whole step that ends there, while it is the step's that lies about it:
    what comes out is half a step ahead. Of the sensor's own step that is left: a sensor's low-pass filter is as late.
    """
    return 0.0 if own_hz is None else 0.5 * max(0.0, 1.0 / rate_hz - 1.0 / own_hz)


def turned_back(quat: FloatArray, rate_rad_s: FloatArray, early_s: float | FloatArray) -> FloatArray:
    """Quaternions (4, ...), scalar first, early_s before. rate_rad_s: (3, ...) at which the sensor turned."""
    w, x, y, z = quat
    # Half of the angle; so small that it is its tangent.
    back = np.ones((4, *rate_rad_s.shape[1:]))
    back[:3] = rate_rad_s * (-0.5 * early_s)
    x, y, z, w = quat_product((x, y, z, w), back) / np.sqrt((back * back).sum(axis=0))
    return np.array([w, x, y, z])


def settings_of(params: OrientParams, bias: BiasTrack) -> dict[str, float | bool]:
    """VQF's settings. With a bias from stillness its own rest estimate is off: it takes slow sway for bias.

    What is left for its motion estimate is small, so that estimate starts from a small uncertainty; where stillness
    shows the bias better than that, there is nothing left for it.
    """
    if not len(bias.row):
        return {"tauAcc": params.tau_acc_s}
    return {
        "tauAcc": params.tau_acc_s,
        "restBiasEstEnabled": False,
        "motionBiasEstEnabled": bool(bias.usual_sd_rad_s > radians(params.bias_sd_left_deg_s)),
        "biasSigmaInit": params.bias_sd_left_deg_s,
    }


def turned(attitude: Attitude, heading_rad: FloatArray) -> Attitude:
    """The attitude with heading_rad (M,) taken off its heading."""
    quat, rate = _turned(attitude.quat_earth_from_sensor, attitude.rate_earth_rad_s, heading_rad)
    return replace(attitude, quat_earth_from_sensor=quat, rate_earth_rad_s=rate)


def all_turned(attitudes: Sequence[Attitude], heading_rad: FloatArray, sds: FloatArray | None) -> list[Attitude]:
    """As `turned`, of S sensors of M rows at once: of few rows it is the calls that cost.

    heading_rad: (S, M). sds: (2, S, M) heading_sd_rad and apart_sd_rad from then on, None where nobody asks for them.
    """
    quat, rate = _turned(
        np.concatenate([attitude.quat_earth_from_sensor for attitude in attitudes]),
        np.concatenate([attitude.rate_earth_rad_s for attitude in attitudes]),
        heading_rad.ravel(),
    )
    rows = heading_rad.shape[1]
    out = []
    for k, own in enumerate(attitudes):
        part = slice(k * rows, (k + 1) * rows)
        sd_rad, apart_sd_rad = (None, None) if sds is None else (sds[0, k], sds[1, k])
        out.append(
            Attitude(own.placement, quat[part], rate[part], own.valid, own.bias, sd_rad, apart_sd_rad, heading_rad[k])
        )
    return out


def _turned(quat: FloatArray, rate: FloatArray, heading_rad: FloatArray) -> tuple[FloatArray, FloatArray]:
    """The product of a turn by -heading_rad (M,) about the vertical with quaternions (M, 4) and rates (M, 3)."""
    out, turned_rate = room((4, len(quat))), room((3, len(quat)))
    for first in range(0, len(quat), BLOCK_ROWS):
        rows = slice(first, first + BLOCK_ROWS)
        sine, cosine = sin_cos(heading_rad[rows] / 2)
        east, north = 1.0 - 2.0 * sine * sine, 2.0 * sine * cosine
        w, x, y, z = quat[rows].T
        a, b, c = rate[rows].T
        out[0, rows], out[1, rows] = cosine * w + sine * z, cosine * x + sine * y
        out[2, rows], out[3, rows] = cosine * y - sine * x, cosine * z - sine * w
        turned_rate[0, rows], turned_rate[1, rows], turned_rate[2, rows] = east * a + north * b, east * b - north * a, c
    return out.T, turned_rate.T
