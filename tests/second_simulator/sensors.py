"""What a sensor makes of what it goes through: four grades, and `ideal` for checks of the kinematics.

Figures are what data sheets of such parts typically print, from memory: no part in particular is meant.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.signal import butter, lfilter, lfilter_zi

from imu_shoulder.model import SensorStream
from second_simulator.quat import Array
from second_simulator.skin import GRAVITY_M_S2, Carried
from second_simulator.timeline import PAD_S, RATE_HZ


@dataclass(frozen=True, slots=True)
class Grade:
    """One grade of sensor. Noise per root hertz; biases, *_pct, *_skew_deg, *_ppm and *_ms are standard deviations.

    gyr_instability_deg_s: of the bias within a run, 1/f. temp_deg_s_k, temp_mg_k: drift per kelvin as the part warms
    up by up to warms_k. g_deg_s: gyroscope per g. lost: share of packets. bias: whether there is a turn-on bias at
    all.
    """

    rate_hz: float
    gyr_noise_deg_s: float
    gyr_instability_deg_s: float
    gyr_scale_pct: float
    gyr_skew_deg: float
    g_deg_s: float
    temp_deg_s_k: float
    acc_noise_ug: float
    acc_bias_mg: float
    acc_scale_pct: float
    acc_skew_deg: float
    temp_mg_k: float
    warms_k: float
    gyr_range_deg_s: float
    acc_range_g: float
    bits: int
    rate_off_pct: float
    clock_ppm: float
    offset_ms: float
    jitter_ms: float
    lost: float
    packet: int
    bias: bool = True


GRADES = {
    "calibrated": Grade(
        *(100.0, 0.004, 0.0012, 0.1, 0.05, 0.005, 0.002, 80.0, 1.5, 0.05, 0.05, 0.05, 4.0, 2000.0, 16.0, 16),
        *(0.0, 5.0, 0.5, 0.05, 0.0002, 10),
    ),
    "good": Grade(
        *(104.0, 0.006, 0.0025, 0.5, 0.3, 0.02, 0.008, 110.0, 8.0, 0.3, 0.2, 0.1, 6.0, 1000.0, 8.0, 16),
        *(0.3, 15.0, 1.0, 0.3, 0.001, 5),
    ),
    "usual": Grade(
        *(100.0, 0.010, 0.005, 1.0, 0.6, 0.05, 0.02, 180.0, 15.0, 0.6, 0.4, 0.3, 8.0, 2000.0, 8.0, 16),
        *(0.5, 25.0, 2.0, 0.6, 0.003, 8),
    ),
    "cheap": Grade(
        *(50.0, 0.015, 0.009, 1.5, 1.0, 0.1, 0.03, 300.0, 25.0, 1.0, 0.8, 0.5, 10.0, 1000.0, 4.0, 14),
        *(1.0, 40.0, 3.0, 1.5, 0.006, 6),
    ),
    "ideal": Grade(
        *(120.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 4000.0, 64.0, 24),
        *(0.0, 0.0, 0.0, 0.0, 0.0, 10, False),
    ),
}


@dataclass(frozen=True, slots=True)
class TrueErrors:
    """What was wrong with one sensor.

    time_s (K,), gyr_bias_rad_s (K, 3): the gyroscope's bias as it changed. acc_bias_m_s2 (3,): as it was switched on.
    offset_s: by how much its clock was ahead. lost: samples that never arrived.
    """

    time_s: Array
    gyr_bias_rad_s: Array
    acc_bias_m_s2: Array
    offset_s: float
    lost: int


def sensed(
    placement: str,
    carried: Carried,
    duration_s: float,
    grade: Grade,
    bias_deg_s: tuple[float, float],
    rng: np.random.Generator,
) -> tuple[SensorStream, TrueErrors]:
    """One sensor's stream from 0 to duration_s of true time, and what is wrong with it.

    bias_deg_s: range of the size of the gyroscope's turn-on bias.
    """
    rate_hz = grade.rate_hz * (1 + 0.01 * grade.rate_off_pct * rng.normal())
    ideal = grade.gyr_noise_deg_s == 0
    first_s = 0.0 if ideal else rng.uniform(0, 1 / rate_hz)
    taken_s = np.arange(first_s, duration_s, 1 / rate_hz)
    n = taken_s.size
    truth = np.vstack([carried.force_m_s2, np.degrees(carried.rate_rad_s)])
    force, rate = np.split(_at(truth if ideal else _filtered(truth, 0.4 * rate_hz), taken_s), 2)

    coarse_s = np.arange(0.0, duration_s + 1.0)
    warm_k = grade.warms_k * rng.uniform(0.3, 1.0) * -np.expm1(-coarse_s / rng.uniform(100, 500))
    size = rng.uniform(*bias_deg_s) if grade.bias else 0.0
    gyr_bias = size * _direction(rng) + grade.temp_deg_s_k * rng.normal(size=(3, 1)) * warm_k
    gyr_bias = gyr_bias + grade.gyr_instability_deg_s * _flicker(rng, coarse_s.size)
    acc_bias = 1e-3 * GRAVITY_M_S2 * grade.acc_bias_mg * rng.normal(size=(3, 1))
    acc_drift = acc_bias + 1e-3 * GRAVITY_M_S2 * grade.temp_mg_k * rng.normal(size=(3, 1)) * warm_k

    nyquist = np.sqrt(rate_hz / 2)
    rate = _bent(grade.gyr_scale_pct, grade.gyr_skew_deg, rng) @ rate
    rate = rate + grade.g_deg_s * rng.normal(size=(3, 3)) @ force / GRAVITY_M_S2
    rate = rate + _on(taken_s, coarse_s, gyr_bias) + grade.gyr_noise_deg_s * nyquist * rng.normal(size=(3, n))
    force = _bent(grade.acc_scale_pct, grade.acc_skew_deg, rng) @ force + _on(taken_s, coarse_s, acc_drift)
    force = force + 1e-6 * GRAVITY_M_S2 * grade.acc_noise_ug * nyquist * rng.normal(size=(3, n))
    rate = _digital(rate, grade.gyr_range_deg_s, grade.bits)
    force = _digital(force, grade.acc_range_g * GRAVITY_M_S2, grade.bits)

    offset_s = 1e-3 * grade.offset_ms * rng.normal()
    stamped_s = taken_s * (1 + 1e-6 * grade.clock_ppm * rng.normal()) + offset_s
    stamped_s = stamped_s + 1e-3 * grade.jitter_ms * rng.normal(size=n)
    arrived = np.repeat(rng.random(n // grade.packet + 1) >= grade.lost, grade.packet)[:n]
    stream = SensorStream(
        placement,
        np.round(stamped_s[arrived], 6),
        np.ascontiguousarray(force.T[arrived]),
        np.ascontiguousarray(np.radians(rate.T[arrived])),
        grade.rate_hz,
        acc_range_m_s2=grade.acc_range_g * GRAVITY_M_S2,
        gyr_range_rad_s=float(np.radians(grade.gyr_range_deg_s)),
    )
    errors = TrueErrors(coarse_s, np.radians(gyr_bias.T), acc_bias[:, 0], float(offset_s), int(n - arrived.sum()))
    return stream, errors


def _direction(rng: np.random.Generator) -> Array:
    vector = rng.normal(size=(3, 1))
    return np.asarray(vector / np.linalg.norm(vector))


def _flicker(rng: np.random.Generator, seconds: int) -> Array:
    """Noise (3, seconds), about as strong in every octave up to an hour: processes that forget at different times."""
    out = np.zeros((3, seconds))
    for tau_s in (2.0, 8.0, 32.0, 128.0, 512.0, 2048.0):
        keep = np.exp(-1 / tau_s)
        driven = np.sqrt(1 - keep**2) * rng.normal(size=(3, seconds))
        driven[:, 0] = rng.normal(size=3)
        out += lfilter([1.0], [1.0, -keep], driven, axis=1)
    return out - out[:, :1]


def _bent(scale_pct: float, skew_deg: float, rng: np.random.Generator) -> Array:
    """Scale of each axis, and axes that are not quite at right angles."""
    skew = np.radians(skew_deg) * rng.normal(size=(3, 3))
    np.fill_diagonal(skew, 0.01 * scale_pct * rng.normal(size=3))
    return np.eye(3) + skew


def _filtered(values: Array, cut_hz: float) -> Array:
    """The low-pass that such parts have before they take a sample, with its delay."""
    b, a = butter(2, cut_hz, fs=RATE_HZ)
    first = lfilter_zi(b, a)[None, :] * values[:, :1]
    return np.asarray(lfilter(b, a, values, axis=1, zi=first)[0])


def _at(values: Array, time_s: Array) -> Array:
    """Rows of the grid at any times, by the cubic through the four nearest."""
    at = (time_s + PAD_S) * RATE_HZ
    i = np.floor(at).astype(int)
    x = at - i
    weights = (
        -x * (x - 1) * (x - 2) / 6,
        (x + 1) * (x - 1) * (x - 2) / 2,
        -(x + 1) * x * (x - 2) / 2,
        (x + 1) * x * (x - 1) / 6,
    )
    return np.asarray(sum(w * values[:, i + k - 1] for k, w in enumerate(weights)))


def _on(time_s: Array, coarse_s: Array, values: Array) -> Array:
    return np.array([np.interp(time_s, coarse_s, row) for row in values])


def _digital(values: Array, limit: float, bits: int) -> Array:
    step = 2 * limit / 2**bits
    return np.clip(np.round(values / step) * step, -limit, limit)
