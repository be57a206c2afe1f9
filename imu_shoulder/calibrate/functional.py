"""Axes and headings from simple movements: elbow bends, forward raises, and any motion two sensors share."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from imu_shoulder.model import BoolArray, FloatArray

# Slower turning than this says more about sway than about an axis.
MIN_RATE_RAD_S = np.radians(15.0)


@dataclass(frozen=True, slots=True)
class HeadingFix:
    """A heading (rad) in one earth frame, the off-axis share of the motion it came from, and its weight."""

    heading_rad: float
    residual_deg: float
    turned_deg: float


def forward_heading(rate_earth_rad_s: FloatArray, long_axis_up: FloatArray, rate_hz: float) -> HeadingFix | None:
    """Heading of the body's forward direction from a movement in the sagittal plane.

    rate_earth_rad_s: (N, 3). long_axis_up: (N,) upward component of the segment's long axis (1 hanging, 0 level).
    The principal horizontal axis of the turning is the body's left-right line; raising forward turns about the
    right-pointing end of it, which tells the two ends apart. None if the limb hardly turned.
    """
    ok = np.isfinite(rate_earth_rad_s).all(axis=1) & (np.linalg.norm(rate_earth_rad_s, axis=1) > MIN_RATE_RAD_S)
    turned_deg = float(np.degrees(np.linalg.norm(rate_earth_rad_s[ok], axis=1).sum() / rate_hz))
    if turned_deg < 90.0:
        return None
    horizontal = rate_earth_rad_s[:, :2]
    power, axes = np.linalg.eigh(horizontal[ok].T @ horizontal[ok])
    right = axes[:, 1]
    lifting = -np.gradient(long_axis_up) * rate_hz
    if np.nansum(lifting[ok] * (horizontal[ok] @ right)) < 0:
        right = -right
    residual = float(np.degrees(np.arctan(np.sqrt(max(power[0], 0.0) / power[1]))))
    # Forward is a quarter turn to the left of right.
    return HeadingFix(float(np.arctan2(right[1], right[0]) + np.pi / 2), residual, turned_deg)


def shared_heading(first_rad_s: FloatArray, second_rad_s: FloatArray, rows: BoolArray) -> HeadingFix | None:
    """Heading delta with R(delta) second = first for two segments that turn together (straight arm).

    first_rad_s, second_rad_s: (N, 3) angular rates in each sensor's own earth frame; rows: (N,) where to look.
    Least squares over the horizontal components. None if they hardly turn together about a horizontal axis.
    """
    a, b = first_rad_s[:, :2], second_rad_s[:, :2]
    speed_a, speed_b = np.linalg.norm(a, axis=1), np.linalg.norm(b, axis=1)
    with np.errstate(invalid="ignore"):
        ok = rows & (speed_a > MIN_RATE_RAD_S) & (speed_b > MIN_RATE_RAD_S)
        ok &= np.abs(speed_a - speed_b) < 0.35 * np.maximum(speed_a, speed_b)
    if np.count_nonzero(ok) < 20:
        return None
    a, b = a[ok], b[ok]
    along = float((a * b).sum())
    across = float((b[:, 0] * a[:, 1] - b[:, 1] * a[:, 0]).sum())
    strength = float(np.hypot(along, across) / (np.linalg.norm(a) * np.linalg.norm(b)))
    if strength < 0.8:
        return None
    residual = float(np.degrees(np.arccos(min(strength, 1.0))))
    return HeadingFix(float(np.arctan2(across, along)), residual, float(len(a)))


def mean_heading(seen: Sequence[tuple[float, float]]) -> float:
    """Circular mean (rad) of (heading_rad, residual_deg) pairs, the cleaner ones counting more; 0 for none."""
    if not seen:
        return 0.0
    heading, residual = np.array(seen).T
    return float(np.angle(np.sum(np.exp(1j * heading) / (1.0 + residual) ** 2)))
