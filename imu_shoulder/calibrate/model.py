"""What calibration knows of a person and a mounting: frozen, and stored with a version."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np

from imu_shoulder.frames import EARTH_FROM_STANDING, cross, matrix_from_quat
from imu_shoulder.model import BoolArray, FloatArray, Side
from imu_shoulder.orient.attitude import Attitude

SCHEMA = 1
_STANDING_FROM_EARTH = EARTH_FROM_STANDING.inv().as_matrix()


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
    trunk: the sternum sensor, if worn; trunk_joined: it shares the arm's heading, so that the arm may be seen from it.
    """

    side: Side
    upper_arm: SensorCalibration | None
    wrist: SensorCalibration | None
    used: tuple[str, ...]
    forward_known: bool
    joined: bool
    trunk: SensorCalibration | None = None
    trunk_joined: bool = False


@dataclass(frozen=True, slots=True)
class Calibration:
    """The neutral pose and what each arm got from it. pose_s: (start, end) of the stillness used."""

    pose_s: tuple[float, float]
    pose_was_marked: bool
    arms: Mapping[Side, ArmCalibration]
    schema: int = SCHEMA


@dataclass(frozen=True, slots=True)
class SegmentAxes:
    """A segment's X and Y axes (N, 3) in standing-body components: X forward, Y up, Z right.

    Left-sided segments are mirrored in the sagittal plane, so that all that follows is about a right arm.
    """

    x: FloatArray
    y: FloatArray

    @property
    def z(self) -> FloatArray:
        return cross(self.x, self.y)

    def at(self, rows: BoolArray) -> SegmentAxes:
        return SegmentAxes(self.x[rows], self.y[rows])

    def seen_from(self, other: SegmentAxes) -> SegmentAxes:
        """The same axes in the components of another, moving segment."""
        frame = np.stack([other.x, other.y, other.z], axis=1)
        return SegmentAxes(np.einsum("nij,nj->ni", frame, self.x), np.einsum("nij,nj->ni", frame, self.y))


def segment_axes(
    calibration: SensorCalibration, attitude: Attitude, rows: BoolArray | slice, side: Side | None
) -> SegmentAxes:
    """The segment's axes on the given (valid) rows, against the body that stands and faces as in the pose."""
    earth_from_sensor = matrix_from_quat(attitude.quat_earth_from_sensor[rows])
    axes_in_earth = earth_from_sensor @ matrix_from_quat(calibration.quat_sensor_from_segment)[:, :2]
    cosine, sine = np.cos(calibration.body_heading_rad), np.sin(calibration.body_heading_rad)
    facing_from_earth = np.array([[cosine, sine, 0.0], [-sine, cosine, 0.0], [0.0, 0.0, 1.0]])
    mirror = np.array([1.0, 1.0, -1.0 if side == "left" else 1.0])
    onto_body = (_STANDING_FROM_EARTH @ facing_from_earth).T * mirror
    x, y = axes_in_earth[:, :, 0] @ onto_body, axes_in_earth[:, :, 1] @ onto_body
    return SegmentAxes(x, y)
