"""An inertial sensor: from the motion of the skin under it to what it writes down."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.interpolate import CubicSpline
from scipy.spatial.transform import Rotation

from imu_shoulder.errors import ParameterError
from imu_shoulder.model import FloatArray, SensorStream
from imu_shoulder.simulate.kinematics import chain
from imu_shoulder.simulate.timeline import minimum_jerk
from imu_shoulder.units import STANDARD_GRAVITY_M_S2

SLIP_S = 0.3


@dataclass(frozen=True, slots=True)
class Slip:
    """The strap gives way: the sensor turns about `axis` of its segment by angle_deg within 0.3 s."""

    at_s: float
    angle_deg: float
    axis: tuple[float, float, float] = (0.0, 1.0, 0.0)


@dataclass(frozen=True, slots=True)
class SensorModel:
    """Errors of one sensor. Sizes are standard deviations the per-axis values are drawn with.

    gyr_noise_deg_s_rt_hz, acc_noise_ug_rt_hz: one-sided noise density. gyr_walk_deg_s_rt_s: bias random walk per
    sqrt(s). misalignment_deg: cross-axis. bits: of the converter over the range, None for none.
    clock_ppm: how much the sensor's clock runs fast; SD of the draw. start_offset_s: added to every stamp.
    true_rate_factor: real sampling rate over the declared one, with truthful stamps.
    Defaults: order of magnitude of consumer parts, from memory.
    """

    gyr_bias_deg_s: float = 0.4
    gyr_walk_deg_s_rt_s: float = 0.002
    gyr_noise_deg_s_rt_hz: float = 0.007
    gyr_scale: float = 0.003
    acc_bias_mg: float = 20.0
    acc_noise_ug_rt_hz: float = 120.0
    acc_scale: float = 0.002
    misalignment_deg: float = 0.2
    acc_range_g: float = 16.0
    gyr_range_deg_s: float = 2000.0
    bits: int | None = 16
    clock_ppm: float = 20.0
    start_offset_s: float = 0.0
    stamp_jitter_s: float = 0.0002
    true_rate_factor: float = 1.0
    slips: tuple[Slip, ...] = ()

    def __post_init__(self) -> None:
        for slip in self.slips:
            if not any(slip.axis):
                raise ParameterError("a slip about an axis", "the axis was all zeros", "give a direction")


PERFECT_SENSOR = SensorModel(
    gyr_bias_deg_s=0.0,
    gyr_walk_deg_s_rt_s=0.0,
    gyr_noise_deg_s_rt_hz=0.0,
    gyr_scale=0.0,
    acc_bias_mg=0.0,
    acc_noise_ug_rt_hz=0.0,
    acc_scale=0.0,
    misalignment_deg=0.0,
    bits=None,
    clock_ppm=0.0,
    stamp_jitter_s=0.0,
)


def slipping(model: SensorModel, time_s: FloatArray) -> Rotation:
    """segment_from_segment turned by the slips so far, (N,)."""
    turned = Rotation.identity(time_s.size)
    for slip in model.slips:
        share = minimum_jerk(np.clip((time_s - slip.at_s) / SLIP_S, 0.0, 1.0))
        axis = np.asarray(slip.axis) / np.linalg.norm(slip.axis)
        turned = chain(turned, Rotation.from_rotvec(np.radians(slip.angle_deg) * share[:, None] * axis))
    return turned


def true_motion(
    time_s: FloatArray, earth_from_sensor: Rotation, position_m: FloatArray, gravity_m_s2: float
) -> tuple[FloatArray, FloatArray]:
    """Specific force m/s^2 and angular rate rad/s, (N, 3) each in sensor axes, on the fine uniform grid time_s (N,).

    Central differences of position (N, 3) and attitude (N,); the two end samples repeat their neighbours.
    """
    step_s = time_s[1] - time_s[0]
    acceleration = np.empty_like(position_m)
    acceleration[1:-1] = (position_m[2:] - 2 * position_m[1:-1] + position_m[:-2]) / step_s**2
    rate = np.empty_like(position_m)
    rate[1:-1] = chain(earth_from_sensor[:-2].inv(), earth_from_sensor[2:]).as_rotvec() / (2 * step_s)
    for array in (acceleration, rate):
        array[0], array[-1] = array[1], array[-2]
    acceleration[:, 2] += gravity_m_s2
    return earth_from_sensor.inv().apply(acceleration), rate


def sense(
    model: SensorModel,
    placement: str,
    time_s: FloatArray,
    force_m_s2: FloatArray,
    rate_rad_s: FloatArray,
    rate_hz: float,
    rng: np.random.Generator,
) -> tuple[SensorStream, FloatArray]:
    """What the sensor writes, and the true times (N,) at which it sampled.

    time_s (M,), force_m_s2, rate_rad_s (M, 3): true motion in sensor axes on the fine grid. rate_hz: declared rate.
    """
    # Every draw happens whatever the sizes are, so that one knob does not change the others' errors.
    ppm = rng.normal() * model.clock_ppm
    true_rate_hz = rate_hz * model.true_rate_factor * (1 + ppm * 1e-6)
    first_s = rng.uniform(0, 1 / rate_hz)
    count = int((time_s[-1] - first_s) * true_rate_hz)
    sampled_s = first_s + np.arange(count) / true_rate_hz
    jitter_s = rng.normal(size=count) * model.stamp_jitter_s
    stamps_s = sampled_s * (1 + ppm * 1e-6) + model.start_offset_s + jitter_s
    band = np.sqrt(rate_hz / 2)

    walk = np.cumsum(rng.normal(size=(count, 3)), axis=0) * np.radians(model.gyr_walk_deg_s_rt_s) / np.sqrt(rate_hz)
    gyr = _distorted(CubicSpline(time_s, rate_rad_s)(sampled_s), model.gyr_scale, model.misalignment_deg, rng)
    gyr += np.radians(model.gyr_bias_deg_s) * rng.normal(size=3) + walk
    gyr += np.radians(model.gyr_noise_deg_s_rt_hz) * band * rng.normal(size=(count, 3))
    acc = _distorted(CubicSpline(time_s, force_m_s2)(sampled_s), model.acc_scale, model.misalignment_deg, rng)
    acc += model.acc_bias_mg * 1e-3 * STANDARD_GRAVITY_M_S2 * rng.normal(size=3)
    acc += model.acc_noise_ug_rt_hz * 1e-6 * STANDARD_GRAVITY_M_S2 * band * rng.normal(size=(count, 3))

    acc_range, gyr_range = model.acc_range_g * STANDARD_GRAVITY_M_S2, float(np.radians(model.gyr_range_deg_s))
    return SensorStream(
        placement=placement,
        time_s=stamps_s,
        acc_m_s2=_digitised(acc, acc_range, model.bits),
        gyr_rad_s=_digitised(gyr, gyr_range, model.bits),
        declared_rate_hz=rate_hz,
        acc_range_m_s2=acc_range,
        gyr_range_rad_s=gyr_range,
    ), sampled_s


def _distorted(values: FloatArray, scale: float, misalignment_deg: float, rng: np.random.Generator) -> FloatArray:
    matrix = np.radians(misalignment_deg) * rng.normal(size=(3, 3))
    np.fill_diagonal(matrix, 1 + scale * rng.normal(size=3))
    return np.asarray(values @ matrix.T)


def _digitised(values: FloatArray, limit: float, bits: int | None) -> FloatArray:
    if bits is not None:
        step = limit / 2 ** (bits - 1)
        values = np.round(values / step) * step
    return np.clip(values, -limit, limit)
