"""A standard deviation for every angle and sample, carried from what is known to be uncertain.

Each source of error is pushed a little through the very same angle computation, on a thinned grid; the responses,
times the sources' standard deviations, add up in squares. Headings carry the time since their last correction.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np
from scipy.spatial.transform import Rotation

from imu_shoulder.angles.joint import AngleParams, ArmAngles, arm_angles
from imu_shoulder.calibrate.calibration import TURNING_WEIGHT
from imu_shoulder.calibrate.model import ArmCalibration, SensorCalibration
from imu_shoulder.frames import quat_from_rotation, rotation_from_quat
from imu_shoulder.model import FloatArray
from imu_shoulder.orient.attitude import Attitude

# The response is smooth; two rows a second are enough to know it.
THINNED_HZ = 2.0
PUSH_RAD = float(np.radians(0.5))


@dataclass(frozen=True, slots=True)
class UncertaintyParams:
    """Standard deviations in degrees, per source.

    inclination_deg: VQF's published inclination error (evidence: BROAD benchmark, 30 trials, offline 0.53 deg).
    pose_deg: how far a person's neutral pose is from hanging straight, per segment and direction (common practice).
    elbow_pose_deg: how far the elbow is from straight in it. bend_axis_deg: of the elbow's axis from elbow bends;
    azimuth_deg: of a segment's turn about its bone from the pose alone. forward_deg: of the body's forward
    direction from forward raises; bends_forward_deg: from elbow bends alone. trunk_azimuth_deg: of the sternum sensor
    about the trunk, from tilting together.
    """

    inclination_deg: float = 0.53
    pose_deg: float = 2.5
    elbow_pose_deg: float = 3.5
    bend_axis_deg: float = 5.0
    azimuth_deg: float = 6.0
    forward_deg: float = 4.0
    bends_forward_deg: float = 8.0
    trunk_azimuth_deg: float = 5.0


def angle_sd(
    arm: ArmAngles,
    calibration: ArmCalibration,
    attitudes: Mapping[str, Attitude],
    rate_hz: float,
    angle_params: AngleParams,
    params: UncertaintyParams,
) -> dict[str, FloatArray]:
    """Column name -> (M,) standard deviation in degrees, NaN where the angle itself is."""
    step = max(1, round(rate_hz / THINNED_HZ))
    thin = {placement: _thinned(attitude, step) for placement, attitude in attitudes.items()}
    fixed = replace(angle_params, skin_share=arm.skin.share, estimate_skin=False)
    base = arm_angles(calibration, thin, rate_hz / step, fixed)
    count = len(next(iter(thin.values())).valid)
    variance = {name: np.full(count, params.inclination_deg**2) for name in base.angles}

    def push(moved: ArmCalibration, sd_deg: FloatArray | float, settings: AngleParams = fixed) -> None:
        pushed = arm_angles(moved, thin, rate_hz / step, settings)
        for name, values in base.angles.items():
            change = (pushed.angles[name] - values + 180.0) % 360.0 - 180.0
            response = np.nan_to_num(change) / np.degrees(PUSH_RAD)
            variance[name] += (response * sd_deg) ** 2

    bends = "elbow_bends" in calibration.used
    azimuth_deg = params.bend_axis_deg if bends else params.azimuth_deg
    upper, wrist = calibration.upper_arm, calibration.wrist
    forward_deg = params.forward_deg if "forward_raises" in calibration.used else params.bends_forward_deg
    if upper is not None:
        # The turning's axis and the pose together are surer than the pose.
        upper_deg = params.pose_deg * (np.sqrt(1 - TURNING_WEIGHT) if "turning" in upper.residual_deg else 1.0)
        for axis, sd in (("X", upper_deg), ("Y", azimuth_deg), ("Z", upper_deg)):
            push(replace(calibration, upper_arm=_tilted(upper, axis)), sd)
    if wrist is not None:
        for axis, sd in (("X", params.pose_deg), ("Y", azimuth_deg), ("Z", params.elbow_pose_deg)):
            push(replace(calibration, wrist=_tilted(wrist, axis)), sd)
    limbs = [sensor for sensor in (upper, wrist) if sensor is not None]
    heading = _heading_sd_deg(thin[limbs[0].placement].heading_sd_rad, count)
    faced = replace(
        calibration,
        upper_arm=None if upper is None else _faced(upper),
        wrist=None if wrist is None else _faced(wrist),
    )
    push(faced, np.hypot(heading, forward_deg))
    if len(limbs) == 2 and wrist is not None:
        apart = _heading_sd_deg(thin[wrist.placement].apart_sd_rad, count)
        push(replace(calibration, wrist=_faced(wrist)), apart)
    if calibration.trunk is not None and calibration.trunk_joined:
        for axis, sd in (("X", params.pose_deg), ("Y", params.trunk_azimuth_deg), ("Z", params.pose_deg)):
            push(replace(calibration, trunk=_tilted(calibration.trunk, axis)), sd)
    if upper is not None:
        # A share that is off by its sd changes the rotation by that share of itself.
        share_push = replace(fixed, skin_share=arm.skin.share * (1 + PUSH_RAD))
        push(calibration, np.degrees(arm.skin.sd / arm.skin.share), share_push)
    return {
        name: np.where(np.isfinite(values), _on_every_row(np.sqrt(variance[name]), step, len(values)), np.nan)
        for name, values in arm.angles.items()
    }


def _on_every_row(thin: FloatArray, step: int, count: int) -> FloatArray:
    """Values (count,) on the straight lines between those of every step-th row, the last of which is held."""
    rise = np.diff(thin, append=thin[-1:])
    between: FloatArray = thin[:, None] + rise[:, None] * (np.arange(step) / step)
    return between.ravel()[:count]


def _thinned(attitude: Attitude, step: int) -> Attitude:
    def every(values: FloatArray | None) -> FloatArray | None:
        return None if values is None else values[::step]

    return replace(
        attitude,
        quat_earth_from_sensor=attitude.quat_earth_from_sensor[::step],
        rate_earth_rad_s=attitude.rate_earth_rad_s[::step],
        valid=attitude.valid[::step],
        heading_sd_rad=every(attitude.heading_sd_rad),
        apart_sd_rad=every(attitude.apart_sd_rad),
    )


def _tilted(sensor: SensorCalibration, axis: str) -> SensorCalibration:
    seat = rotation_from_quat(sensor.quat_sensor_from_segment) * Rotation.from_euler(axis, PUSH_RAD)
    return replace(sensor, quat_sensor_from_segment=quat_from_rotation(seat))


def _faced(sensor: SensorCalibration) -> SensorCalibration:
    return replace(sensor, body_heading_rad=sensor.body_heading_rad + PUSH_RAD)


def _heading_sd_deg(sd_rad: FloatArray | None, count: int) -> FloatArray:
    return np.full(count, 180.0) if sd_rad is None else np.degrees(sd_rad)
