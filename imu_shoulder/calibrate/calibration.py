"""Sensor-to-segment calibration: gravity in the neutral pose gives the long axes, movements give the rest.

Forward raises tell where the body faces and join the headings of the two sensors. Elbow bends tell the elbow's axis
in both segments. Without either, a bent forearm in the sets shows from which forward the turning of the upper arm since
the pose counts: enough for one zero of the rotation, not for the direction of a raise. A straighter elbow in the raises
than in the pose corrects the pose, as does the axis about which the upper arm turns where the sets make it turn about
itself.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace

import numpy as np
from scipy.spatial.transform import Rotation

from imu_shoulder.calibrate.anchors import with_anchors
from imu_shoulder.calibrate.functional import (
    RAISED_RAD,
    PointerZero,
    bending_heading,
    pointer_zero,
    pointing_heading,
    turning_axis,
)
from imu_shoulder.calibrate.model import SKIN_SHARE, ArmCalibration, Calibration, SensorCalibration, segment_axes
from imu_shoulder.calibrate.pose import Pose, rows_of
from imu_shoulder.frames import (
    EARTH_FROM_STANDING,
    Z_AXIS,
    heading_rotation,
    quat_from_rotation,
    rotated,
    rotation_from_quat,
    side_sign,
)
from imu_shoulder.model import STERNUM, BoolArray, Event, FloatArray, Side, limbs_of
from imu_shoulder.orient.attitude import Attitude
from imu_shoulder.orient.shared import (
    HeadingFix,
    SharedParams,
    bias_sd_rad_s,
    joint_fix,
    shared_heading,
    with_twist_times,
)

# What counts as straighter than in the pose.
STRAIGHTER_RAD = float(np.radians(1.0))
# How much of the elbow bends is spent at their straightest, at least: between bends the elbow stops for a moment.
STRAIGHT_SHARE = 0.05
LEAST_STRAIGHT_ROWS = 20
# How far the axis of turning is believed against the pose, by their standard deviations: the pose's as in
# UncertaintyParams, the axis' for the swing that may come along with the turning (own estimate, docs: choices).
POSE_SD_DEG, TURNING_SD_DEG = 2.5, 2.0
TURNING_WEIGHT = POSE_SD_DEG**2 / (POSE_SD_DEG**2 + TURNING_SD_DEG**2)


def calibrate(
    time_s: FloatArray,
    rate_hz: float,
    attitudes: Mapping[Side, Mapping[str, Attitude]],
    events: Sequence[Event],
    pose: Pose,
    shared: SharedParams,
) -> Calibration:
    """Calibrate every sensor that saw the neutral pose.

    attitudes: per arm, its sensors' and the sternum's, with their headings kept together since the pose. events: a
    movement that names a side says nothing of the other arm. shared: how turning that two sensors share is weighed.
    """
    arms = {}
    for side, own in attitudes.items():
        if any(placement in pose.earth_from_sensor for placement in limbs_of(side)):
            moved = [event for event in events if event.trial_type == "set" or event.side in (side, "both", None)]
            found = _calibrate_arm(side, time_s, rate_hz, own, moved, pose, shared)
            arm = _with_trunk(found, own, rate_hz, pose, shared)
            arms[side] = with_anchors(arm, time_s, rate_hz, own, moved, pose)
    return Calibration((pose.start_s, pose.end_s), pose.marked, arms)


def _with_trunk(
    arm: ArmCalibration, attitudes: Mapping[str, Attitude], rate_hz: float, pose: Pose, shared: SharedParams
) -> ArmCalibration:
    """The arm with the sternum sensor joined to it where the body tilted as a whole, such as in lying down."""
    if STERNUM not in pose.earth_from_sensor:
        return arm
    limb = arm.upper_arm or arm.wrist
    assert limb is not None
    trunk = attitudes[STERNUM]
    arms = attitudes[limb.placement]
    bias = bias_sd_rad_s(arms.bias.sd_rad_s, trunk.bias.sd_rad_s, shared)
    together = shared_heading(arms.rate_earth_rad_s, trunk.rate_earth_rad_s, rate_hz, bias, shared)
    heading = limb.body_heading_rad - (together.heading_rad if together is not None else 0.0)
    residual = {} if together is None else {"tilting_together": together.residual_deg}
    # Where forward is unknown the two still share what stands in for it, and elevation and rotation need no more.
    trunk_joined = together is not None
    seat = _seat(STERNUM, pose, heading, heading, residual)
    sd_deg = None if together is None else float(np.degrees(together.sd_rad))
    seated = replace(seat, forward_known=limb.forward_known)
    return replace(arm, trunk=seated, trunk_joined=trunk_joined, trunk_sd_deg=sd_deg)


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


def _calibrate_arm(
    side: Side,
    time_s: FloatArray,
    rate_hz: float,
    attitudes: Mapping[str, Attitude],
    events: Sequence[Event],
    pose: Pose,
    shared: SharedParams,
) -> ArmCalibration:
    upper, wrist = limbs_of(side)
    raises, bends = (rows_of(time_s, events, kind) for kind in ("forward_raises", "elbow_bends"))
    worn = [placement for placement in (wrist, upper) if placement in pose.earth_from_sensor]
    raised = {p: fix for p in worn if (fix := _pointing(p, raises, attitudes, pose)) is not None}
    bent = _bending(bends, rate_hz, attitudes[wrist], pose) if wrist in worn else None

    sets = rows_of(time_s, events, "set")
    in_sets = None
    if len(worn) == 2 and len(raised) < 2:
        each = (rows_of(time_s, [event], "set") for event in events if event.trial_type == "set")
        fixes = (_turned_as_one(upper, wrist, rows, attitudes, rate_hz, pose, shared) for rows in each)
        in_sets = joint_fix([fix for fix in fixes if fix is not None])
    offset = None if in_sets is None else in_sets.heading_rad
    if len(raised) == 2:
        offset = raised[upper].heading_rad - raised[wrist].heading_rad
    # Everything below is said in the wrist's earth frame where there is a wrist sensor.
    base = worn[0]
    own = {p: 0.0 if p == base or offset is None else offset for p in worn}
    # Forward as each sensor's own movements show it, the upper arm's first: it alone points where the shoulder does,
    # the forearm may deviate at the elbow.
    facing = {p: raised[p].heading_rad for p in (upper, wrist) if p in raised}
    if bent is not None:
        facing.setdefault(wrist, bent.heading_rad)
    zero = None
    if offset is not None:
        # What one sensor saw of forward goes for both.
        body = next((heading - own[p] for p, heading in facing.items()), None)
        if body is None:
            zero = _pointer_zero(side, own, attitudes, sets, rate_hz, pose)
            body = 0.0 if zero is None else -side_sign(side) * zero.zero_rad
        bodies = {p: body + own[p] for p in worn}
    else:
        bodies = {p: facing.get(p, 0.0) for p in worn}

    seated = {}
    for p in worn:
        residual = {"forward_raises": raised[p].residual_deg} if p in raised else {}
        if p == wrist and bent is not None:
            residual["elbow_bends"] = bent.residual_deg
        # Without a common heading the elbow's axis says nothing about the upper arm.
        azimuth = bodies[p]
        if bent is not None and (p == wrist or offset is not None):
            azimuth = bent.heading_rad + own[p]
        seat = _seat(p, pose, bodies[p], azimuth, residual)
        seated[p] = replace(seat, forward_known=p in facing or (offset is not None and bool(facing)))
    used = ["neutral_pose"]
    used += ["elbow_bends"] if bent is not None else []
    used += ["forward_raises"] if raised else []
    used += ["the sets themselves"] if in_sets is not None else []
    pointer_sd_deg = None if zero is None else float(np.degrees(zero.sd_rad))
    apart_sd_deg = None if in_sets is None else float(np.degrees(in_sets.sd_rad))
    own_seats = seated.get(upper), seated.get(wrist)
    arm = ArmCalibration(side, *own_seats, tuple(used), offset is not None, apart_sd_deg, pointer_sd_deg)
    arm = _turned(arm, attitudes, rate_hz, sets)
    if arm.upper_arm is None or arm.wrist is None or not (arm.joined and arm.forward_known):
        return arm
    return replace(arm, wrist=_straightened(side, arm.upper_arm, arm.wrist, attitudes, raises, bends))


def _pointer_zero(
    side: Side,
    own: Mapping[str, float],
    attitudes: Mapping[str, Attitude],
    sets: BoolArray,
    rate_hz: float,
    pose: Pose,
) -> PointerZero | None:
    """The forearm pointer's zero in the sets, against a body that faces along the wrist's earth frame.

    own: heading of the wrist's earth frame in each sensor's.
    """
    upper, wrist = limbs_of(side)
    rows = sets & attitudes[wrist].valid & attitudes[upper].valid
    seats = (_seat(p, pose, own[p], own[p], {}) for p in (upper, wrist))
    humerus, forearm = (
        segment_axes(seat, attitudes[seat.placement].quat_earth_from_sensor[rows], side) for seat in seats
    )
    return pointer_zero(humerus, forearm, rate_hz)


def _turned_as_one(
    upper: str,
    wrist: str,
    rows: BoolArray,
    attitudes: Mapping[str, Attitude],
    rate_hz: float,
    pose: Pose,
    shared: SharedParams,
) -> HeadingFix | None:
    """Heading of the wrist's earth frame in the upper arm's, from turning as one on the rows.

    A straight arm shows it best without either segment's turning about itself, one with a bent elbow only with it,
    what skin usually hides of the upper arm's given back: the surer of the two is taken.
    """
    rows = rows & attitudes[upper].valid & attitudes[wrist].valid
    if not rows.any():
        return None
    first, second = attitudes[upper], attitudes[wrist]
    known = rate_hz, bias_sd_rad_s(first.bias.sd_rad_s, second.bias.sd_rad_s, shared), shared
    rates = first.rate_earth_rad_s[rows], second.rate_earth_rad_s[rows]
    axes = [_long_axis(placement, rows, attitudes, pose) for placement in (upper, wrist)]
    fixes = [
        shared_heading(
            with_twist_times(of_upper, rates[0], axes[0]), with_twist_times(of_wrist, rates[1], axes[1]), *known
        )
        for of_upper, of_wrist in ((0.0, 0.0), (1.0 / SKIN_SHARE, 1.0))
    ]
    return min((fix for fix in fixes if fix is not None), key=lambda fix: fix.sd_rad, default=None)


def _long_axis(placement: str, rows: BoolArray, attitudes: Mapping[str, Attitude], pose: Pose) -> FloatArray:
    """The segment's long axis (n, 3) in the sensor's earth frame, as gravity showed it in the pose."""
    in_sensor = pose.earth_from_sensor[placement].inv().apply(Z_AXIS)
    return np.asarray(rotation_from_quat(attitudes[placement].quat_earth_from_sensor[rows]).apply(in_sensor))


def _pointing(placement: str, raises: BoolArray, attitudes: Mapping[str, Attitude], pose: Pose) -> HeadingFix | None:
    rows = raises & attitudes[placement].valid
    return pointing_heading(_long_axis(placement, rows, attitudes, pose)) if rows.any() else None


def _bending(bends: BoolArray, rate_hz: float, wrist: Attitude, pose: Pose) -> HeadingFix | None:
    rows = bends & wrist.valid
    if not rows.any():
        return None
    up = _long_axis(wrist.placement, rows, {wrist.placement: wrist}, pose)[:, 2]
    return bending_heading(wrist.rate_earth_rad_s[rows], up, rate_hz)


def _turned(arm: ArmCalibration, attitudes: Mapping[str, Attitude], rate_hz: float, sets: BoolArray) -> ArmCalibration:
    """The arm with its long axis moved from where it hung in the pose towards the axis about which it turned.

    Both segments take the tilt to the side, which the elbow cannot make; a bent elbow may make the one to the front.
    """
    if arm.upper_arm is None:
        return arm
    attitude = attitudes[arm.upper_arm.placement]
    rows = np.flatnonzero(sets & attitude.valid)
    # Component by component in memory, as they come.
    quat, rate = attitude.quat_earth_from_sensor.T.take(rows, axis=1), attitude.rate_earth_rad_s.T.take(rows, axis=1)
    quat[1:] *= -1.0
    rate_sensor = rotated(quat.T, rate.T)
    sensor_from_segment = rotation_from_quat(arm.upper_arm.quat_sensor_from_segment).as_matrix()
    found = turning_axis((sensor_from_segment.T @ rate_sensor.T).T, rate_hz)
    if found is None:
        return arm
    forward, _, right = TURNING_WEIGHT * found.axis
    upper = _reseated(arm.upper_arm, Rotation.from_rotvec([right, 0.0, -forward]))
    residual = {**upper.residual_deg, "turning": found.residual_deg, "hung_off_turning_axis": found.tilt_deg}
    wrist = arm.wrist
    # Without a forward direction to go by, nothing says which tilt is to the side.
    if wrist is not None and arm.points:
        wrist = _reseated(wrist, Rotation.from_rotvec([right, 0.0, 0.0]))
    return replace(arm, upper_arm=replace(upper, residual_deg=residual), wrist=wrist)


def _reseated(sensor: SensorCalibration, segment_from_new: Rotation) -> SensorCalibration:
    seat = rotation_from_quat(sensor.quat_sensor_from_segment) * segment_from_new
    return replace(sensor, quat_sensor_from_segment=quat_from_rotation(seat))


def _straightened(
    side: Side,
    upper_arm: SensorCalibration,
    wrist: SensorCalibration,
    attitudes: Mapping[str, Attitude],
    raises: BoolArray,
    bends: BoolArray,
) -> SensorCalibration:
    """The wrist's seat with the elbow's zero where it is straightest: in the pose, in the raises, or between the bends.

    A hanging arm is rarely quite straight; gravity in the pose then tilts the forearm's axis by that much. Nothing is
    straighter than the elbow's own stop, so the straightest moment is the nearest to zero of all that were seen.
    """
    in_raises, elevation = _flexion_rad(side, upper_arm, wrist, attitudes, raises)
    raised = in_raises[(elevation > RAISED_RAD[0]) & (elevation < RAISED_RAD[1])]
    between, _ = _flexion_rad(side, upper_arm, wrist, attitudes, bends)
    seen = [float(np.median(raised))] if len(raised) >= LEAST_STRAIGHT_ROWS else []
    seen += [float(np.quantile(between, STRAIGHT_SHARE))] if len(between) >= LEAST_STRAIGHT_ROWS else []
    flexion = min(seen, default=0.0)
    if flexion > -STRAIGHTER_RAD:
        return wrist
    residual = {**wrist.residual_deg, "elbow_bent_in_pose": float(np.degrees(-flexion))}
    return replace(_reseated(wrist, Rotation.from_euler("Z", -flexion)), residual_deg=residual)


def _flexion_rad(
    side: Side,
    upper_arm: SensorCalibration,
    wrist: SensorCalibration,
    attitudes: Mapping[str, Attitude],
    rows: BoolArray,
) -> tuple[FloatArray, FloatArray]:
    """Elbow flexion with its sign, and elevation of the upper arm, (n,) each over the rows that both sensors saw."""
    rows = rows & attitudes[upper_arm.placement].valid & attitudes[wrist.placement].valid
    humerus, forearm = (
        segment_axes(s, attitudes[s.placement].quat_earth_from_sensor[rows], side) for s in (upper_arm, wrist)
    )
    pointing = -forearm.seen_from(humerus.frame).y
    return np.arctan2(pointing[0], -pointing[1]), np.arccos(np.clip(humerus.y[1], -1, 1))
