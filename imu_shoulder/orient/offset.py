"""Accelerometer zero offset from the still moments of a recording: gravity has one size in every posture."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import cos, radians

import numpy as np

from imu_shoulder.model import FloatArray
from imu_shoulder.orient.bias import StillWindow
from imu_shoulder.units import STANDARD_GRAVITY_M_S2


@dataclass(frozen=True, slots=True)
class OffsetParams:
    """Standard deviations in m/s^2.

    offset_m_s2: of a consumer accelerometer's zero offset, per axis. gravity_m_s2: of local
    gravity and the sensor's scale together. still_m_s2: of the mean reading over a still moment.
    apart_rad: postures must differ this much, or nothing is corrected: one posture alone cannot tell offset from scale.

    Sources. offset_m_s2: 20 to 50 mg (data sheets, from memory); gravity_m_s2, still_m_s2, apart_rad: ours.
    """

    offset_m_s2: float = 0.3
    gravity_m_s2: float = 0.03
    still_m_s2: float = 0.02
    apart_rad: float = radians(45.0)


def accelerometer_offset(windows: Sequence[StillWindow], params: OffsetParams) -> FloatArray:
    """Offset (3,) in m/s^2 that makes the still readings equally long, as far as their directions show it.

    A posture shows the offset along gravity only. Hanging and raised postures together show it in the plane of
    the raise, which is the part that tilts elevation. What no posture shows stays zero.
    """
    if len(windows) < 2:
        return np.zeros(3)
    means = np.stack([w.mean_acc_m_s2 for w in windows])
    size = np.linalg.norm(means, axis=1)
    up = means / size[:, None]
    if (up @ up.T).min() > cos(params.apart_rad):
        return np.zeros(3)
    # Unknowns: the offset and the local gravity's difference from the standard.
    matrix = np.column_stack([up, np.ones(len(windows))])
    prior = np.array([params.offset_m_s2] * 3 + [params.gravity_m_s2])
    normal = matrix.T @ matrix / params.still_m_s2**2 + np.diag(prior**-2.0)
    target = matrix.T @ (size - STANDARD_GRAVITY_M_S2) / params.still_m_s2**2
    return np.asarray(np.linalg.solve(normal, target)[:3])
