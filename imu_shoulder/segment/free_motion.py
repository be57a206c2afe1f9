"""From one sensor to the posture it moves through: attitude, stretches of motion, and the main axis."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.spatial.transform import Rotation
from vqf import offlineVQF

from imu_shoulder.arrays import bridged, joined_runs, near
from imu_shoulder.filters import low_passed
from imu_shoulder.frames import rotation_from_quat
from imu_shoulder.model import BoolArray, FloatArray, Track
from imu_shoulder.orient.bias import StillnessParams, still_windows, track_bias
from imu_shoulder.units import STANDARD_GRAVITY_M_S2

WORKING_RATE_HZ = 25.0
# Slow exercise has nothing to say above this; footfalls, tremor and shaking do.
LOW_PASS_HZ = 3.0
# Turning less than MOVING_RAD within MOVING_SPAN_S (3.75 deg/s) is stillness: a held arm sways less.
MOVING_SPAN_S = 0.8
MOVING_RAD = np.radians(3.0)
# Stillness longer than this parts two sets; holds and rests within a set are shorter.
SET_PAUSE_S = 30.0
# Stillness kept at either end of a set, so that the posture it starts and ends in is seen.
MARGIN_S = 1.5
# A rep's way is a turn over about this long; slower is drift, faster is wobble.
STROKE_SPAN_S = 0.5


@dataclass(frozen=True, slots=True)
class Bout:
    """One stretch of motion between long stillnesses.

    time_s: (M,). posture: (M, 3) in rad along the main axis (first column) and across it. acc_g: (M, 3) in the sensor.
    bridged: (M,) where samples were missing. still_start, still_end: whether the sensor lies still there.
    """

    rate_hz: float
    time_s: FloatArray
    posture: FloatArray
    acc_g: FloatArray
    bridged: BoolArray
    still_start: bool
    still_end: bool


@dataclass(frozen=True, slots=True)
class Motion:
    """One sensor at the working rate: time_s (M,), its attitude (M,) about the vertical, acc_m_s2 (M, 3) in the sensor,
    missing (M,) where samples were."""

    rate_hz: float
    time_s: FloatArray
    earth_from_sensor: Rotation
    acc_m_s2: FloatArray
    missing: BoolArray


def motion_of(time_s: FloatArray, acc_m_s2: FloatArray, gyr_rad_s: FloatArray, rate_hz: float) -> Motion | None:
    """Attitude is VQF's, 6-axis and two-sided (Laidig and Seel 2023, doi 10.1016/j.inffus.2022.10.014).

    time_s (N,), acc_m_s2 and gyr_rad_s (N, 3), NaN where missing. None where there is nothing to look at.
    """
    factor = max(1, int(rate_hz // WORKING_RATE_HZ))
    rate_hz = rate_hz / factor
    known: BoolArray = np.all(np.isfinite(np.hstack([acc_m_s2, gyr_rad_s])), axis=1)
    if len(time_s) < 2 * factor or not known.any():
        return None
    # Block means keep the integral of the angular rate exactly.
    time_s, acc, gyr, missing = (
        _block_mean(values, factor)
        for values in (time_s, bridged(acc_m_s2, known), bridged(gyr_rad_s, known), (~known).astype(float))
    )
    gyr = gyr - _bias(gyr, acc, missing == 0, rate_hz)
    quat = offlineVQF(np.ascontiguousarray(gyr), np.ascontiguousarray(acc), None, 1.0 / rate_hz)["quat6D"]
    return Motion(rate_hz, time_s, rotation_from_quat(quat), acc, missing > 0)


def find_bouts(time_s: FloatArray, acc_m_s2: FloatArray, gyr_rad_s: FloatArray, rate_hz: float) -> tuple[Bout, ...]:
    """The stretches of motion of one sensor: time_s (N,), acc_m_s2 and gyr_rad_s (N, 3), NaN where missing."""
    seen = motion_of(time_s, acc_m_s2, gyr_rad_s, rate_hz)
    if seen is None:
        return ()
    moving = _moving(seen.earth_from_sensor, seen.rate_hz)
    acc_g = seen.acc_m_s2 / STANDARD_GRAVITY_M_S2
    return tuple(
        _bout(seen.time_s, seen.earth_from_sensor, acc_g, moving, seen.missing, seen.rate_hz, start, stop)
        for start, stop in _stretches(moving, seen.rate_hz)
    )


def _block_mean(values: FloatArray, factor: int) -> FloatArray:
    blocks = len(values) // factor
    return np.asarray(values[: blocks * factor].reshape(blocks, factor, *values.shape[1:]).mean(axis=1))


def _bias(gyr: FloatArray, acc: FloatArray, known: BoolArray, rate_hz: float) -> FloatArray:
    """Bias (N, 3) in rad/s from the moments in which the person holds still; 0 where there is none."""
    track = Track("any", acc, gyr, known, np.zeros(len(gyr), dtype=np.bool_))
    params = StillnessParams()
    bias = track_bias(still_windows(track, rate_hz, params), rate_hz, params)
    return bias.at(np.arange(len(gyr), dtype=np.float64))


def _moving(earth_from_sensor: Rotation, rate_hz: float) -> BoolArray:
    span = round(MOVING_SPAN_S * rate_hz)
    if len(earth_from_sensor) <= span:
        return np.zeros(len(earth_from_sensor), dtype=np.bool_)
    turn_rad = np.atleast_1d((earth_from_sensor[:-span].inv() * earth_from_sensor[span:]).magnitude())
    # The half spans at the ends are as their neighbours are.
    return np.pad(turn_rad > MOVING_RAD, (span // 2, span - span // 2), mode="edge")


def _stretches(moving: BoolArray, rate_hz: float) -> list[tuple[int, int]]:
    margin = round(MARGIN_S * rate_hz)
    return [(max(0, a - margin), min(len(moving), b + margin)) for a, b in joined_runs(moving, SET_PAUSE_S * rate_hz)]


def _bout(
    time_s: FloatArray,
    earth_from_sensor: Rotation,
    acc_g: FloatArray,
    moving: BoolArray,
    missing: BoolArray,
    rate_hz: float,
    start: int,
    stop: int,
) -> Bout:
    part, moves = earth_from_sensor[start:stop], moving[start:stop]
    reference = part[moves].mean()
    posture = _smooth((reference.inv() * part).as_rotvec(), rate_hz)
    half = round(MARGIN_S / 2 * rate_hz)
    return Bout(
        rate_hz=rate_hz,
        time_s=time_s[start:stop],
        posture=posture @ _main_axes(posture, moves, rate_hz),
        acc_g=_smooth(acc_g[start:stop], rate_hz),
        bridged=missing[start:stop],
        still_start=not moves[:half].any(),
        still_end=not moves[-half:].any(),
    )


def _smooth(values: FloatArray, rate_hz: float) -> FloatArray:
    return low_passed(values, LOW_PASS_HZ, rate_hz, min(15, len(values) - 1), ends="constant")


def _main_axes(posture: FloatArray, moves: BoolArray, rate_hz: float) -> FloatArray:
    """Orthonormal axes (3, 3) in columns, the first along the turns of about STROKE_SPAN_S.

    Turns and not postures are decomposed: a drifting heading or one change of place outweighs no set.
    """
    span = max(1, round(STROKE_SPAN_S * rate_hz))
    turns = (posture[span:] - posture[:-span])[near(moves, span)[span:]]
    # Each turn weighs by its size, not its square: many reps outweigh one quick move into position.
    weighted = turns / np.maximum(np.linalg.norm(turns, axis=1, keepdims=True), np.finfo(float).tiny)
    _, axes = np.linalg.eigh(turns.T @ weighted)
    return np.asarray(axes[:, ::-1])
