"""Where the body faces, from simple movements: elbow bends and forward raises."""

from __future__ import annotations

import numpy as np

from imu_shoulder.model import FloatArray
from imu_shoulder.orient.shared import MIN_RATE_RAD_S, HeadingFix

# The arm of a forward raise is looked at between these elevations: higher than sway, short of overhead.
RAISED_RAD = (float(np.radians(30.0)), float(np.radians(130.0)))
LEAST_ROWS = 20


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
