"""How fast a posture of several angles changes, all of them together."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np

from imu_shoulder.model import FloatArray
from imu_shoulder.segment.curve import velocity_deg_s


def posture_speed_deg_s(smooth: Mapping[str, FloatArray], rate_hz: float) -> FloatArray:
    """Speed (N,) in deg/s of the posture."""
    total = np.zeros(len(next(iter(smooth.values()))))
    for name, values in smooth.items():
        total += (weight(name, smooth) * velocity_deg_s(values, rate_hz)) ** 2
    return np.sqrt(total)


def weight(name: str, smooth: Mapping[str, FloatArray]) -> FloatArray | float:
    """By how much an angle's change moves the arm (N,). The plane counts by how far the arm is from hanging, the
    rotation from the level on by how far it is from straight overhead, where neither is defined."""
    if "elevation" in smooth and name == "plane":
        return np.sin(np.radians(smooth["elevation"]))
    if "elevation" in smooth and name == "rotation":
        return np.minimum(1.0 + np.cos(np.radians(smooth["elevation"])), 1.0)
    return 1.0


def usual_peak_deg_s(speed: FloatArray, spans: Sequence[tuple[int, int]]) -> float:
    """The fastest moment of a departure, in the middle of all; infinite without any."""
    return float(np.median([speed[a : b + 1].max() for a, b in spans])) if spans else float("inf")
