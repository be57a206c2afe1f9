"""A standard deviation for every angle and sample, from what is known to be uncertain."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from imu_shoulder.angles.joint import ArmAngles
from imu_shoulder.calibrate.model import ArmCalibration
from imu_shoulder.model import FloatArray
from imu_shoulder.orient.attitude import Attitude


@dataclass(frozen=True, slots=True)
class UncertaintyParams:
    """Standard deviations in degrees.

    inclination_deg: VQF's published inclination error (evidence: BROAD benchmark, 30 trials, 0.72 deg RMSE).
    pose_deg: how far a person's neutral pose is from hanging straight, per axis (common practice).
    forward_deg: how far functional movements miss the body's forward direction.
    """

    inclination_deg: float = 0.72
    pose_deg: float = 3.0
    forward_deg: float = 4.0


def angle_sd(
    arm: ArmAngles,
    calibration: ArmCalibration,
    attitudes: Mapping[str, Attitude],
    time_s: FloatArray,
    pose_s: tuple[float, float],
    params: UncertaintyParams,
) -> dict[str, FloatArray]:
    """Column name -> (M,) standard deviation in degrees, NaN where the angle itself is."""
    since_pose_s = np.maximum(time_s - pose_s[1], 0.0)
    heading = np.zeros(len(time_s))
    for sensor in (calibration.upper_arm, calibration.wrist):
        if sensor is not None:
            rate_sd = np.degrees(attitudes[sensor.placement].bias.sd_rad_s)
            heading += (since_pose_s * (float(np.median(rate_sd)) if len(rate_sd) else 0.3)) ** 2
    heading_deg = np.sqrt(heading)
    tilt_deg = np.hypot(params.inclination_deg, params.pose_deg)
    sine = np.sin(np.radians(np.clip(arm.angles.get("elevation_deg", np.full(len(time_s), 90.0)), 5.0, 175.0)))
    turned = np.sqrt(tilt_deg**2 + params.forward_deg**2 + heading_deg**2)
    by_name = {
        "elevation_deg": np.full(len(time_s), tilt_deg),
        "forearm_elevation_deg": np.full(len(time_s), tilt_deg),
        "plane_deg": np.hypot(turned, tilt_deg / sine),
        "rotation_deg": np.hypot(heading_deg, 1.5 * tilt_deg),
        "elbow_deg": np.sqrt(2 * tilt_deg**2 + (sine * heading_deg) ** 2),
        "forearm_deg": np.hypot(turned, tilt_deg),
        "thumb_up_deg": turned,
        "trunk_lean_deg": np.full(len(time_s), tilt_deg),
        "trunk_turn_deg": np.hypot(tilt_deg, heading_deg),
    }
    return {name: np.where(np.isfinite(values), by_name[name], np.nan) for name, values in arm.angles.items()}
