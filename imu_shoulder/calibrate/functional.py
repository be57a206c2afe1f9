"""From movements: where the body faces (elbow bends, forward raises, or what bent forearms show in the sets), and the
arm's long axis (its turning)."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from imu_shoulder.calibrate.model import SKIN_SHARE, SKIN_SHARE_SD, SegmentAxes, dot, twist_rad, unswung
from imu_shoulder.frames import Y_AXIS, wrap_rad
from imu_shoulder.model import FloatArray
from imu_shoulder.orient.shared import HeadingFix

# The arm of a forward raise is looked at between these elevations: higher than sway, short of overhead.
RAISED_RAD = (float(np.radians(30.0)), float(np.radians(130.0)))
LEAST_ROWS = 20
# Rates are averaged over this long, so that noise does not add up to turning. Turning of the upper arm about itself
# counts where swinging about other axes is well below it.
MEAN_OF_S = 0.2
MOST_SWING_RAD = float(np.radians(30.0))
LEAST_TURNED_DEG = 300.0
# More of the turning off its axis, or an axis further from how the arm hung, is of an arm that swung as it turned, such
# as with an elbow that drops each time. Persons of both simulators from 9000: 9.6 and 8.5 at most where they did not,
# 10.3 and 12.6 at least where they did.
MOST_RESIDUAL_DEG, MOST_TILT_DEG = 10.0, 12.0
# A forearm points round the upper arm where the elbow is bent so far, and the upper arm is not overhead.
POINTING_RAD = float(np.radians(30.0))
OVERHEAD_RAD = float(np.radians(150.0))
# Of the pointer's direction in one second against the upper-arm sensor's, and at best of its zero (own estimates).
POINTER_SD_RAD = float(np.radians(8.0))
LEAST_POINTER_SD_RAD = float(np.radians(3.0))
# The two must go together at least so well, 1 for exactly.
LEAST_TOGETHER = 0.8


def pointing_heading(long_axis: FloatArray) -> HeadingFix | None:
    """Heading in which a raised arm points. long_axis: (N, 3) up the bone, in earth components.

    Rotation of the arm about itself does not matter, as it would for an axis of turning. None if it is never raised.
    """
    elevation = np.arccos(np.clip(long_axis[:, 2], -1.0, 1.0))
    raised = (elevation > RAISED_RAD[0]) & (elevation < RAISED_RAD[1])
    if np.count_nonzero(raised) < LEAST_ROWS:
        return None
    swept = np.abs(np.diff(elevation))[raised[1:]].sum()
    pointing = -(long_axis[raised, 0] + 1j * long_axis[raised, 1])
    heading = float(np.angle(pointing.sum()))
    spread = np.angle(pointing * np.exp(-1j * heading))
    return HeadingFix(heading, float(np.degrees(np.sqrt(np.mean(spread**2)))), float(np.degrees(swept)))


def bending_heading(rate_earth_rad_s: FloatArray, long_axis_up: FloatArray, rate_hz: float) -> HeadingFix | None:
    """Heading at right angles to the axis of a movement in the sagittal plane, such as bending the elbow.

    rate_earth_rad_s: (N, 3). long_axis_up: (N,) upward component of the segment's long axis (1 hanging, 0 level).
    The principal horizontal axis of the turning is the body's left-right line; raising forward turns about the
    right-pointing end of it, which tells the two ends apart; quick turning has the say. None if the limb hardly turned.
    """
    if len(long_axis_up) < LEAST_ROWS:
        return None
    lifting = -np.gradient(long_axis_up) * rate_hz
    means = _means(np.column_stack([rate_earth_rad_s, lifting]), rate_hz)
    means = means[np.isfinite(means).all(axis=1)]
    turned_deg = float(np.degrees(np.linalg.norm(means[:, :3], axis=1).sum() * MEAN_OF_S))
    if turned_deg < 90.0:
        return None
    horizontal, lifting = means[:, :2], means[:, 3]
    power, axes = np.linalg.eigh(horizontal.T @ horizontal)
    right = axes[:, 1]
    if lifting @ (horizontal @ right) < 0:
        right = -right
    residual = float(np.degrees(np.arctan(np.sqrt(max(power[0], 0.0) / power[1]))))
    # Forward is a quarter turn to the left of right.
    return HeadingFix(float(np.arctan2(right[1], right[0]) + np.pi / 2), residual, turned_deg)


def _means(values: FloatArray, rate_hz: float) -> FloatArray:
    """Means (n, k) of (N, k) over MEAN_OF_S each; what is left at the end is not used."""
    size = max(1, round(MEAN_OF_S * rate_hz))
    count = len(values) // size
    return np.asarray(values[: count * size].T.reshape(values.shape[1], count, size).mean(axis=2).T)


@dataclass(frozen=True, slots=True)
class TurningAxis:
    """The axis (3,) about which a segment turned, in its own components, and the off-axis share of the turning."""

    axis: FloatArray
    residual_deg: float

    @property
    def tilt_deg(self) -> float:
        """How far the axis is from the long axis that the pose gave."""
        return float(np.degrees(np.arccos(min(self.axis[1], 1.0))))


def turning_axis(rate_segment_rad_s: FloatArray, rate_hz: float) -> TurningAxis | None:
    """The upper arm's long axis from its turning about itself, such as in external rotation.

    rate_segment_rad_s: (N, 3) rates in components of the segment as the pose seated it, Y up the bone. The principal
    axis of the turning, over the moments that are near it. Skin lets through less of the turning, but does not move its
    axis; swinging that always comes along with the turning does. None if the arm hardly turned about itself, or swung
    as it did: an elbow that drops with every turn bends the axis.
    """
    rate = _means(rate_segment_rad_s, rate_hz)
    axis, power = Y_AXIS, np.zeros(3)
    for _ in range(5):
        along = rate @ axis
        swing = np.linalg.norm(rate - np.multiply.outer(along, axis), axis=1)
        turning = swing < np.abs(along) * np.tan(MOST_SWING_RAD)
        if np.degrees(np.abs(along[turning]).sum()) * MEAN_OF_S < LEAST_TURNED_DEG:
            return None
        power, axes = np.linalg.eigh(rate[turning].T @ rate[turning])
        axis = axes[:, 2] * np.sign(axes[1, 2])
    residual = float(np.degrees(np.arctan(np.sqrt(max(power[0] + power[1], 0.0) / power[2]))))
    found = TurningAxis(axis, residual)
    return None if residual > MOST_RESIDUAL_DEG or found.tilt_deg > MOST_TILT_DEG else found


@dataclass(frozen=True, slots=True)
class PointerZero:
    """Where a bent forearm points round an upper arm that is turned as in the pose, and its standard deviation."""

    zero_rad: float
    sd_rad: float


def pointer_zero(humerus: SegmentAxes, forearm: SegmentAxes, rate_hz: float) -> PointerZero | None:
    """The forearm pointer's zero: its reading where the upper-arm sensor is turned about the bone as in the pose.

    humerus, forearm: (3, N) against one body whose forward direction need not be known. A straight line of the pointer
    on the sensor's turning, whose slope is one over the share that skin passes on and not far from the usual. None
    where the elbow was hardly bent, or the two do not go together.
    """
    pointing = dot(humerus.y, forearm.y) < np.cos(POINTING_RAD)
    pointing &= humerus.y[1] > np.cos(OVERHEAD_RAD)
    humerus, forearm = humerus.at(pointing), forearm.at(pointing)
    if np.count_nonzero(pointing) < LEAST_ROWS:
        return None
    sensor, pointer = twist_rad(unswung(humerus.y, humerus.x)), twist_rad(unswung(humerus.y, -forearm.y))
    slope, slope_sd = 1.0 / SKIN_SHARE, SKIN_SHARE_SD / SKIN_SHARE**2
    zeros = pointer - slope * sensor
    middle = np.exp(1j * zeros).mean()
    if abs(middle) < LEAST_TOGETHER:
        return None
    off = wrap_rad(zeros - np.angle(middle))
    # Normal equations of zero and slope, counted once a second; the slope is known beforehand.
    terms = np.stack([np.ones_like(sensor), sensor])
    weight = 1.0 / (rate_hz * POINTER_SD_RAD**2)
    covariance = np.linalg.inv(weight * terms @ terms.T + np.diag([0.0, 1.0 / slope_sd**2]))
    zero, _ = covariance @ (weight * terms @ off)
    sd_rad = float(np.hypot(np.sqrt(covariance[0, 0]), LEAST_POINTER_SD_RAD))
    return PointerZero(float(wrap_rad(np.angle(middle) + zero)), sd_rad)
