"""What calibration knows of a person and a mounting: frozen, and stored with a version."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np

from imu_shoulder.frames import (
    EARTH_FROM_STANDING,
    axes_form,
    cross,
    left_factor,
    mirror_sagittal,
    quat_from_rotation,
    right_factor,
    xy_axes,
)
from imu_shoulder.model import LIMBS, UPPER_ARM, WRIST, BoolArray, FloatArray, Side

SCHEMA = 1
# Share of the humeral rotation that the skin under the upper-arm sensor passes on, with its standard deviation: skin
# hides up to half of it (Warner & Heller 2025, doi 10.1016/j.jbiomech.2025.112893).
SKIN_SHARE, SKIN_SHARE_SD = 0.7, 0.12
_LEFT_STANDING_FROM_EARTH = left_factor(quat_from_rotation(EARTH_FROM_STANDING.inv()))


@dataclass(frozen=True, slots=True)
class SensorCalibration:
    """How one sensor sits on its segment.

    quat_sensor_from_segment: (4,) scalar first. The long axis comes from gravity in the neutral pose.
    body_heading_rad: where the body's forward direction points in this sensor's own earth frame during the pose.
    forward_known: a movement showed it. Without one plane of elevation and thumb direction cannot be told, while
    elevation, elbow and rotation can.
    residual_deg: what disagreed, by name, in degrees: pose_sway, and per functional movement its off-axis share.
    forms: (7, 10) of `axes_form`, from the sensor's attitude to the segment's as seen from the body in the pose; the
    second one mirrored in the sagittal plane.
    """

    placement: str
    quat_sensor_from_segment: FloatArray
    body_heading_rad: float
    residual_deg: Mapping[str, float] = field(default_factory=dict)
    forward_known: bool = True
    forms: tuple[FloatArray, FloatArray] = field(init=False, repr=False, compare=False)

    def __post_init__(self) -> None:
        half_rad = self.body_heading_rad / 2
        facing_from_earth = np.array([np.cos(half_rad), 0.0, 0.0, -np.sin(half_rad)])
        seat = right_factor(self.quat_sensor_from_segment)
        onto_body = _LEFT_STANDING_FROM_EARTH @ left_factor(facing_from_earth) @ seat
        # Worked out once: a live stream asks for them with every few rows.
        object.__setattr__(self, "forms", (axes_form(onto_body), axes_form(mirror_sagittal(onto_body.T).T)))


@dataclass(frozen=True, slots=True)
class Anchor:
    """Attitudes in which something is known of how the upper arm is turned about itself. kind: a trial type.

    quat_earth_from_sensor: (4,) scalar first, by placement: in the neutral pose, or the mean over the moments in which
    elbow bends had the elbow bent. elbow_axis: (3,) about which it bent, in components of the upper-arm sensor; None in
    the pose.
    """

    kind: str
    quat_earth_from_sensor: Mapping[str, FloatArray]
    elbow_axis: FloatArray | None


@dataclass(frozen=True, slots=True, eq=False)
class ArmCalibration:
    """One arm. Either sensor may be missing (None). The same is only what is the same object.

    joined: the two sensors share a heading, so that their segments may be compared (elbow). apart_sd_deg: standard
    deviation of that heading where it is from how they turned together in the sets.
    pointer_sd_deg: where no movement showed the body's forward direction, the standard deviation with which the forearm
    pointer's zero was brought to the upper-arm sensor's; None where it was not, and the pointer is not used.
    anchors: from where rotation with a straight elbow counts; none without elbow bends.
    trunk: the sternum sensor, if worn; trunk_joined: it shares the arm's heading, so that the arm may be seen from it.
    trunk_sd_deg: standard deviation of that heading, from how they tilted together.
    """

    side: Side
    upper_arm: SensorCalibration | None
    wrist: SensorCalibration | None
    used: tuple[str, ...]
    joined: bool
    apart_sd_deg: float | None = None
    pointer_sd_deg: float | None = None
    trunk: SensorCalibration | None = None
    trunk_joined: bool = False
    anchors: tuple[Anchor, ...] = ()
    trunk_sd_deg: float | None = None

    def limbs(self) -> dict[str, SensorCalibration]:
        """The arm's own sensors that are worn, by segment, in the order of model.LIMBS."""
        seated = {UPPER_ARM: self.upper_arm, WRIST: self.wrist}
        return {segment: sensor for segment in LIMBS if (sensor := seated[segment]) is not None}

    @property
    def forward_known(self) -> bool:
        """Whether each of the arm's sensors knows where the body faces."""
        return all(sensor.forward_known for sensor in self.limbs().values())

    @property
    def points(self) -> bool:
        """Whether a bent forearm tells the upper arm's rotation from the same zero as the upper-arm sensor does."""
        return self.joined and (self.forward_known or self.pointer_sd_deg is not None)

    @property
    def shows_bends(self) -> bool:
        """Whether elbow bends tell how the upper arm is turned: both sensors know forward, and of each other."""
        return self.upper_arm is not None and self.wrist is not None and self.joined and self.forward_known

    @property
    def about_trunk(self) -> bool:
        """Whether the arm is measured about the trunk, rather than about gravity."""
        return self.upper_arm is not None and self.trunk is not None and self.trunk_joined


@dataclass(frozen=True, slots=True)
class Calibration:
    """The neutral pose and what each arm got from it. pose_s: (start, end) of the stillness used."""

    pose_s: tuple[float, float]
    pose_was_marked: bool
    arms: Mapping[Side, ArmCalibration]
    schema: int = SCHEMA


@dataclass(frozen=True, slots=True)
class SegmentAxes:
    """A segment's X and Y axes (3, N) in standing-body components: X forward, Y up, Z right.

    Left-sided segments are mirrored in the sagittal plane, so that all that follows is about a right arm.
    """

    x: FloatArray
    y: FloatArray

    @property
    def z(self) -> FloatArray:
        return cross(self.x, self.y)

    def at(self, rows: BoolArray) -> SegmentAxes:
        return SegmentAxes(self.x[:, rows], self.y[:, rows])

    @property
    def frame(self) -> FloatArray:
        """X, Y and Z axes (3, 3, N)."""
        return np.array([self.x, self.y, self.z])

    def seen_from(self, frame: FloatArray) -> SegmentAxes:
        """The same axes in the components of another, moving segment with this frame (3, 3, N)."""
        return SegmentAxes(np.add.reduce(frame * self.x, axis=1), np.add.reduce(frame * self.y, axis=1))


def dot(a: FloatArray, b: FloatArray) -> FloatArray:
    """Scalar product (N,) of vectors (3, N)."""
    return np.asarray(np.add.reduce(a * b))


def unswung(long_axis: FloatArray, vector: FloatArray) -> FloatArray:
    """vector (3, N) with the shortest rotation from Y, up the hanging bone, to long_axis (3, N) undone.

    What is left of a segment's X axis then shows its twist about the bone. Singular straight overhead, where every
    swing is as short as any other. Both may be stacks of several, (3, ..., N).
    """
    along_bone = dot(long_axis, vector)
    out = vector - long_axis * ((along_bone + vector[1]) / np.maximum(1.0 + long_axis[1], 1e-9))
    out[1] = along_bone
    return np.asarray(out)


def twist_rad(vector: FloatArray) -> FloatArray:
    """Angle (N,) of vector (3, N) about the hanging bone's long axis, 0 along X and positive towards Z."""
    return np.asarray(np.arctan2(vector[2], vector[0]))


def segment_axes(calibration: SensorCalibration, quat_earth_from_sensor: FloatArray, side: Side | None) -> SegmentAxes:
    """The segment's axes for attitudes (N, 4), against the body that stands and faces as in the pose; NaN for NaN."""
    return SegmentAxes(*xy_axes(calibration.forms[side == "left"], quat_earth_from_sensor))
