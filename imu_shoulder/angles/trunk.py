"""What the sternum sensor says of the trunk."""

from __future__ import annotations

import numpy as np

from imu_shoulder.calibrate.model import SensorCalibration
from imu_shoulder.frames import X_AXIS, Y_AXIS, rotation_from_quat
from imu_shoulder.model import FloatArray
from imu_shoulder.orient.attitude import Attitude


def trunk_angles(calibration: SensorCalibration, attitude: Attitude) -> dict[str, FloatArray]:
    """trunk_lean_deg (tilt from the neutral pose) and trunk_turn_deg (heading from it, left positive), (M,)."""
    seen = attitude.valid
    earth_from_trunk = rotation_from_quat(attitude.quat_earth_from_sensor[seen]) * rotation_from_quat(
        calibration.quat_sensor_from_segment
    )
    lean = np.full(len(seen), np.nan)
    turn = np.full(len(seen), np.nan)
    lean[seen] = np.degrees(np.arccos(np.clip(earth_from_trunk.apply(Y_AXIS)[:, 2], -1.0, 1.0)))
    forward = earth_from_trunk.apply(X_AXIS)
    heading = np.degrees(np.unwrap(np.arctan2(forward[:, 1], forward[:, 0])) - calibration.body_heading_rad)
    turn[seen] = (heading + 180.0) % 360.0 - 180.0
    return {"trunk_lean_deg": lean, "trunk_turn_deg": turn}
