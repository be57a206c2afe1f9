"""From elbow bends: moments in which the elbow's axis shows how the upper arm is turned about itself.

Not from where the bent forearm points: its long axis is the one that hung in the pose, and how an arm hangs to the
side, and a carrying angle that goes as the elbow bends, turn it out of the plane of the bend by ten degrees.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace

import numpy as np

from imu_shoulder.calibrate.model import Anchor, ArmCalibration, SensorCalibration, dot, segment_axes
from imu_shoulder.calibrate.pose import Pose, rows_of
from imu_shoulder.frames import heading_rotation, inverse_quat, quat_from_rotation, rotated, rotation_from_quat
from imu_shoulder.model import BoolArray, Event, FloatArray, Side
from imu_shoulder.orient.attitude import Attitude

# Slower bending than this says more about sway than about an axis.
QUICK_RAD_S = float(np.radians(15.0))
# How the hand is turned is read where the elbow is bent neither too little nor too far.
BENT_RAD = (float(np.radians(45.0)), float(np.radians(125.0)))
# The upper arm in each movement: hanging, give or take, or about as high as the shoulder.
ELEVATED_RAD = {
    "elbow_bends": (0.0, float(np.radians(45.0))),
    "bends_at_shoulder_height": (float(np.radians(45.0)), float(np.radians(135.0))),
}
LEAST_ROWS = 20
LEAST_BENT_DEG = 90.0


def with_anchors(
    arm: ArmCalibration,
    time_s: FloatArray,
    rate_hz: float,
    attitudes: Mapping[str, Attitude],
    events: Sequence[Event],
    pose: Pose,
) -> ArmCalibration:
    """The arm with what its elbow bends showed, one anchor for each kind that was done, and one for the pose.

    Only where that can be told, see `shows_bends`: the turn of the upper arm counts from forward.
    """
    upper, wrist = arm.upper_arm, arm.wrist
    if upper is None or wrist is None or not arm.shows_bends:
        return arm
    found = []
    for kind in ELEVATED_RAD:
        anchor = _anchor(arm, upper, wrist, kind, rows_of(time_s, events, kind), rate_hz, attitudes)
        found += [] if anchor is None else [anchor]
    if not found:
        return arm
    hanging = {p: quat_from_rotation(pose.earth_from_sensor[p]) for p in found[0].quat_earth_from_sensor}
    high = tuple(anchor.kind for anchor in found if anchor.kind not in (*arm.used, "elbow_bends"))
    return replace(arm, anchors=(Anchor("neutral_pose", hanging, None), *found), used=(*arm.used, *high))


def _anchor(
    arm: ArmCalibration,
    upper: SensorCalibration,
    wrist: SensorCalibration,
    kind: str,
    inside: BoolArray,
    rate_hz: float,
    attitudes: Mapping[str, Attitude],
) -> Anchor | None:
    worn = [sensor.placement for sensor in (upper, wrist, arm.trunk) if sensor is not None]
    rows = np.flatnonzero(inside & np.all([attitudes[placement].valid for placement in worn], axis=0))
    quats = {placement: attitudes[placement].quat_earth_from_sensor[rows] for placement in worn}
    elevated, bend = _elevated_and_bent_rad(upper, wrist, quats, arm.side)
    there = (elevated >= ELEVATED_RAD[kind][0]) & (elevated < ELEVATED_RAD[kind][1])
    bent = there & (bend > BENT_RAD[0]) & (bend < BENT_RAD[1])
    if np.count_nonzero(bent) < LEAST_ROWS:
        return None
    # Both rates in the earth frame of the upper arm's sensor, then in the sensor's own components.
    apart = heading_rotation(upper.body_heading_rad - wrist.body_heading_rad)
    bending = apart.apply(attitudes[wrist.placement].rate_earth_rad_s[rows])
    bending -= attitudes[upper.placement].rate_earth_rad_s[rows]
    in_sensor = rotated(inverse_quat(quats[upper.placement]), bending)
    axis = _elbow_axis(in_sensor[there], np.gradient(bend)[there], rate_hz)
    if axis is None:
        return None
    mean = {p: quat_from_rotation(rotation_from_quat(quat[bent]).mean()) for p, quat in quats.items()}
    return Anchor(kind, mean, axis)


def bend_rad(arm: ArmCalibration, attitudes: Mapping[str, Attitude]) -> tuple[FloatArray, FloatArray]:
    """Elevation of the upper arm and bend of the elbow, (n,) each over the rows that both sensors saw."""
    assert arm.upper_arm is not None
    assert arm.wrist is not None
    own = {sensor.placement: attitudes[sensor.placement] for sensor in (arm.upper_arm, arm.wrist)}
    rows = np.all([attitude.valid for attitude in own.values()], axis=0)
    quats = {placement: attitude.quat_earth_from_sensor[rows] for placement, attitude in own.items()}
    return _elevated_and_bent_rad(arm.upper_arm, arm.wrist, quats, arm.side)


def _elevated_and_bent_rad(
    upper: SensorCalibration, wrist: SensorCalibration, quats: Mapping[str, FloatArray], side: Side
) -> tuple[FloatArray, FloatArray]:
    humerus, forearm = (segment_axes(s, quats[s.placement], side) for s in (upper, wrist))
    elevated, bend = (np.arccos(np.clip(cosine, -1, 1)) for cosine in (humerus.y[1], dot(humerus.y, forearm.y)))
    return elevated, bend


def _elbow_axis(bending_rad_s: FloatArray, bend_change: FloatArray, rate_hz: float) -> FloatArray | None:
    """The axis (3,) about which an elbow bends, from rates (N, 3); None if it hardly did."""
    quick = np.linalg.norm(bending_rad_s, axis=1) > QUICK_RAD_S
    if np.degrees(np.linalg.norm(bending_rad_s[quick], axis=1).sum()) / rate_hz < LEAST_BENT_DEG:
        return None
    axis = np.linalg.eigh(bending_rad_s[quick].T @ bending_rad_s[quick])[1][:, 2]
    return np.asarray(axis * np.sign(bend_change[quick] @ (bending_rad_s[quick] @ axis)))
