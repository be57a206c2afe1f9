"""Other attitude filters for comparison, from the ahrs package, brought to this project's conventions.

ahrs' Madgwick and Mahony return earth-from-sensor in a z-up earth for accelerometers that read +g upward; its EKF
does so in the east-north-up frame for accelerometers that read +g downward, so it is given the negated data. A test
holds all of them against one analytic rotation.
"""

from __future__ import annotations

import numpy as np

from imu_shoulder.errors import ParameterError
from imu_shoulder.model import FloatArray

METHODS = ("madgwick", "mahony", "ekf")


def compare_quat(method: str, gyr_rad_s: FloatArray, acc_m_s2: FloatArray, rate_hz: float) -> FloatArray:
    """quat_earth_from_sensor (N, 4), scalar first, by one of METHODS with the package's default gains.

    gyr_rad_s, acc_m_s2: (N, 3). Raises ParameterError for an unknown method.
    """
    from ahrs.filters import EKF, Madgwick, Mahony

    start = _first_tilt(acc_m_s2[: max(1, round(0.25 * rate_hz))].mean(axis=0))
    if method == "madgwick":
        found = Madgwick(gyr=gyr_rad_s, acc=acc_m_s2, frequency=rate_hz, q0=start)
    elif method == "mahony":
        found = Mahony(gyr=gyr_rad_s, acc=acc_m_s2, frequency=rate_hz, q0=start)
    elif method == "ekf":
        found = EKF(gyr=gyr_rad_s, acc=-acc_m_s2, frequency=rate_hz, frame="ENU", q0=start)
    else:
        raise ParameterError(f"a method out of vqf, {', '.join(METHODS)}", f"it was {method!r}", "use one of these")
    return np.asarray(found.Q, dtype=np.float64)


def _first_tilt(acc: FloatArray) -> FloatArray:
    """Quaternion (4,) that takes the measured upward direction to earth z by the shortest way."""
    up = acc / np.linalg.norm(acc)
    quat = np.array([1.0 + up[2], up[1], -up[0], 0.0])
    if np.linalg.norm(quat) < 1e-9:  # exactly upside down: any horizontal axis serves
        quat = np.array([0.0, 1.0, 0.0, 0.0])
    return np.asarray(quat / np.linalg.norm(quat))
