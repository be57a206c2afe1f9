"""The heading between two sensors, from turning that they share."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from imu_shoulder.model import FloatArray

# Slower turning than this says more about sway than about an axis.
MIN_RATE_RAD_S = float(np.radians(15.0))


@dataclass(frozen=True, slots=True)
class HeadingFix:
    """A heading (rad) in one earth frame, the off-axis share of the motion it came from, and how far that went."""

    heading_rad: float
    residual_deg: float
    turned_deg: float


def shared_heading(
    first_rad_s: FloatArray,
    second_rad_s: FloatArray,
    rate_hz: float,
    least_strength: float = 0.8,
    least_turned_deg: float = 10.0,
) -> HeadingFix | None:
    """Heading delta with R(delta) second = first for two segments that turn together.

    first_rad_s, second_rad_s: (N, 3) angular rates in each sensor's own earth frame. Least squares over the
    horizontal components. None if they hardly turn together about a horizontal axis: least_strength is how
    nearly parallel they must be, 1 for exactly, least_turned_deg how far in all.
    """
    (ax, ay), (bx, by) = first_rad_s[:, :2].T, second_rad_s[:, :2].T
    speed_a, speed_b = np.sqrt(ax * ax + ay * ay), np.sqrt(bx * bx + by * by)
    ok = (speed_a > MIN_RATE_RAD_S) & (speed_b > MIN_RATE_RAD_S)
    ok &= np.abs(speed_a - speed_b) < 0.35 * np.maximum(speed_a, speed_b)
    turned_deg = float(np.degrees(speed_a[ok].sum() / rate_hz))
    if turned_deg < least_turned_deg:
        return None
    ax, ay, bx, by = ax[ok], ay[ok], bx[ok], by[ok]
    along, across = float(ax @ bx + ay @ by), float(ay @ bx - ax @ by)
    strength = float(np.hypot(along, across) / (np.linalg.norm(speed_a[ok]) * np.linalg.norm(speed_b[ok])))
    if strength < least_strength:
        return None
    residual = float(np.degrees(np.arccos(min(strength, 1.0))))
    return HeadingFix(float(np.arctan2(across, along)), residual, turned_deg)
