"""What calibration knows of a person and a mounting: frozen, and stored with a version."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

from scipy.spatial.transform import Rotation

from imu_shoulder.frames import (
    EARTH_FROM_STANDING,
    heading_rotation,
    mirror_sagittal,
    quat_from_rotation,
    rotation_from_quat,
)
from imu_shoulder.model import BoolArray, FloatArray, Side
from imu_shoulder.orient.attitude import Attitude

SCHEMA = 1


@dataclass(frozen=True, slots=True)
class SensorCalibration:
    """How one sensor sits on its segment.

    quat_sensor_from_segment: (4,) scalar first. The long axis comes from gravity in the neutral pose.
    body_heading_rad: where the body's forward direction points in this sensor's own earth frame during the pose.
    residual_deg: what disagreed, by name, in degrees: pose_sway, and per functional movement its off-axis share.
    """

    placement: str
    quat_sensor_from_segment: FloatArray
    body_heading_rad: float
    residual_deg: Mapping[str, float] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class ArmCalibration:
    """One arm. Either sensor may be missing (None).

    forward_known: the body's forward direction was seen (elbow bends or forward raises). Without it plane of
    elevation and thumb direction cannot be told, while elevation, elbow and change of rotation can.
    joined: the two sensors share a heading, so that their segments may be compared (elbow).
    """

    side: Side
    upper_arm: SensorCalibration | None
    wrist: SensorCalibration | None
    used: tuple[str, ...]
    forward_known: bool
    joined: bool


@dataclass(frozen=True, slots=True)
class Calibration:
    """The neutral pose and what each arm and the trunk got from it. pose_s: (start, end) of the stillness used."""

    pose_s: tuple[float, float]
    pose_was_marked: bool
    arms: Mapping[Side, ArmCalibration]
    trunk: SensorCalibration | None
    schema: int = SCHEMA


def segment_in_body(calibration: SensorCalibration, attitude: Attitude, rows: BoolArray, side: Side) -> Rotation:
    """standing_from_segment on the given rows: the segment's attitude against the neutral, standing body.

    Mirrored for the left arm, so that what follows is about a right arm.
    """
    earth_from_segment = rotation_from_quat(attitude.quat_earth_from_sensor[rows]) * rotation_from_quat(
        calibration.quat_sensor_from_segment
    )
    standing_from_earth = EARTH_FROM_STANDING.inv() * heading_rotation(-calibration.body_heading_rad)
    standing_from_segment = standing_from_earth * earth_from_segment
    if side == "left":
        return rotation_from_quat(mirror_sagittal(quat_from_rotation(standing_from_segment)))
    return standing_from_segment
