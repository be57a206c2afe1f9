"""Sensor-to-segment calibration: gravity in the neutral pose gives the long axes, movements give the rest.

Forward raises tell where the body faces and join the headings of the two sensors. Elbow bends tell the elbow's axis
in both segments. A straighter elbow in the raises than in the pose corrects the pose.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace

import numpy as np
from scipy.spatial.transform import Rotation

from imu_shoulder.calibrate.functional import HeadingFix, forward_heading, mean_heading, shared_heading
from imu_shoulder.calibrate.model import ArmCalibration, Calibration, SensorCalibration, segment_in_body
from imu_shoulder.calibrate.pose import Pose
from imu_shoulder.frames import EARTH_FROM_STANDING, Z_AXIS, heading_rotation, quat_from_rotation, rotation_from_quat
from imu_shoulder.model import SIDES, BoolArray, Event, FloatArray, Side
from imu_shoulder.orient.attitude import Attitude

# Where the straight arm of a forward raise is looked at, and what counts as straighter than the pose.
RAISED_DEG = (30.0, 130.0)
STRAIGHTER_RAD = float(np.radians(1.0))


def calibrate(
    time_s: FloatArray, rate_hz: float, attitudes: Mapping[str, Attitude], events: Sequence[Event], pose: Pose
) -> Calibration:
    """Calibrate every sensor that saw the neutral pose. attitudes: with their heading kept since the pose."""
    arms = {
        side: _calibrate_arm(side, time_s, rate_hz, attitudes, events, pose)
        for side in SIDES
        if any(f"{side}_{part}" in pose.earth_from_sensor for part in ("wrist", "upper_arm"))
    }
    trunk = _seat("sternum", pose, 0.0, 0.0, {}) if "sternum" in pose.earth_from_sensor else None
    return Calibration((pose.start_s, pose.end_s), pose.marked, arms, trunk)


def _seat(
    placement: str, pose: Pose, body_heading_rad: float, segment_heading_rad: float, residual_deg: Mapping[str, float]
) -> SensorCalibration:
    """The sensor's place on its segment: in the pose the segment stands upright, its X axis along its heading.

    Gravity alone decides the long axis, so an error of the heading cannot tilt it.
    """
    earth_from_segment = heading_rotation(segment_heading_rad) * EARTH_FROM_STANDING
    sensor_from_segment = pose.earth_from_sensor[placement].inv() * earth_from_segment
    residual = {"pose_sway": pose.sway_deg[placement], **residual_deg}
    return SensorCalibration(placement, quat_from_rotation(sensor_from_segment), body_heading_rad, residual)


def rows_of(time_s: FloatArray, events: Sequence[Event], trial_type: str) -> BoolArray:
    """Rows (N,) inside any event of this trial type."""
    inside = np.zeros(len(time_s), dtype=bool)
    for event in events:
        if event.trial_type == trial_type:
            inside |= (time_s >= event.onset_s) & (time_s <= event.end_s)
    return inside


def _calibrate_arm(
    side: Side,
    time_s: FloatArray,
    rate_hz: float,
    attitudes: Mapping[str, Attitude],
    events: Sequence[Event],
    pose: Pose,
) -> ArmCalibration:
    wrist, upper = f"{side}_wrist", f"{side}_upper_arm"
    raises, bends = (rows_of(time_s, events, kind) for kind in ("forward_raises", "elbow_bends"))
    worn = [placement for placement in (wrist, upper) if placement in pose.earth_from_sensor]
    facing = {p: fix for p in worn if (fix := _forward(p, raises, rate_hz, attitudes, pose)) is not None}
    bent = _forward(wrist, bends, rate_hz, attitudes, pose) if wrist in worn else None

    offset = None  # heading of the wrist's earth frame in the upper arm's
    if len(worn) == 2:
        where = raises if raises.any() else rows_of(time_s, events, "set")
        offset = shared_heading(attitudes[upper].rate_earth_rad_s, attitudes[wrist].rate_earth_rad_s, where)
    # Everything below is said in the wrist's earth frame where there is a wrist sensor.
    base, shift = worn[0], 0.0 if offset is None else offset.heading_rad
    own = {p: 0.0 if p == base else shift for p in worn}
    seen = [(fix.heading_rad - own[p], fix.residual_deg) for p, fix in facing.items() if p == base or offset]
    if not seen and bent is not None:
        seen = [(bent.heading_rad, bent.residual_deg)]
    body = mean_heading(seen)
    segment = body if bent is None else bent.heading_rad

    seated = {}
    for p in worn:
        residual = {"forward_raises": facing[p].residual_deg} if p in facing else {}
        if p == wrist and bent is not None:
            residual["elbow_bends"] = bent.residual_deg
        # Without a common heading the elbow's axis says nothing about the upper arm.
        azimuth = segment if p == base or offset is not None else body
        seated[p] = _seat(p, pose, body + own[p], azimuth + own[p], residual)
    used = ["neutral_pose"]
    used += ["elbow_bends"] if bent is not None else []
    used += ["forward_raises"] if facing else []
    used += ["the sets themselves"] if offset is not None and not raises.any() else []
    arm = ArmCalibration(side, seated.get(upper), seated.get(wrist), tuple(used), bool(seen), offset is not None)
    if arm.upper_arm is None or arm.wrist is None or not (arm.joined and arm.forward_known):
        return arm
    wrist_seat = _straightened(side, arm.upper_arm, arm.wrist, attitudes, raises)
    return replace(arm, wrist=wrist_seat)


def _forward(
    placement: str, rows: BoolArray, rate_hz: float, attitudes: Mapping[str, Attitude], pose: Pose
) -> HeadingFix | None:
    """Where the body's forward is, by this sensor's movement in the given rows."""
    attitude = attitudes[placement]
    seen = rows & attitude.valid
    if not seen.any():
        return None
    in_sensor = pose.earth_from_sensor[placement].inv().apply(Z_AXIS)
    up = rotation_from_quat(attitude.quat_earth_from_sensor[seen]).apply(in_sensor)[:, 2]
    return forward_heading(attitude.rate_earth_rad_s[seen], up, rate_hz)


def _straightened(
    side: Side,
    upper_arm: SensorCalibration,
    wrist: SensorCalibration,
    attitudes: Mapping[str, Attitude],
    raises: BoolArray,
) -> SensorCalibration:
    """The wrist's seat with the elbow's zero where it is straightest: in the pose, or in the raises if straighter.

    A hanging arm is rarely quite straight; gravity in the pose then tilts the forearm's axis by that much.
    """
    rows = raises & attitudes[upper_arm.placement].valid & attitudes[wrist.placement].valid
    if not rows.any():
        return wrist
    humerus, forearm = (segment_in_body(s, attitudes[s.placement], rows, side) for s in (upper_arm, wrist))
    elevation = np.degrees(np.arccos(np.clip(humerus.as_matrix()[:, 1, 1], -1, 1)))
    raised = (elevation > RAISED_DEG[0]) & (elevation < RAISED_DEG[1])
    if np.count_nonzero(raised) < 20:
        return wrist
    pointing = -(humerus.inv() * forearm).as_matrix()[raised][:, :, 1]
    flexion = float(np.median(np.arctan2(pointing[:, 0], -pointing[:, 1])))
    if flexion > -STRAIGHTER_RAD:
        return wrist
    seat = rotation_from_quat(wrist.quat_sensor_from_segment) * Rotation.from_euler("Z", -flexion)
    residual = {**wrist.residual_deg, "elbow_bent_in_pose": float(np.degrees(-flexion))}
    return replace(wrist, quat_sensor_from_segment=quat_from_rotation(seat), residual_deg=residual)
