"""What calibration knows of a person and a mounting: frozen, and stored with a version."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

from imu_shoulder.model import FloatArray, Side

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
