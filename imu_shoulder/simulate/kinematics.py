"""From channels to attitudes, positions and the true angles. docs/coordinates.md has the conventions.

thorax_from_humerus = swing * twist: swing by the elevation about sin(plane) Z - cos(plane) X, twist by minus the
external rotation about Y. humerus_from_forearm = rotZ(flexion) * rotX(-valgus) * rotY(pronation), the ISB elbow
sequence. A left arm is computed as a right one and mirrored.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from scipy.spatial.transform import Rotation

from imu_shoulder.frames import (
    EARTH_FROM_STANDING,
    X_AXIS,
    Y_AXIS,
    Z_AXIS,
    heading_rotation,
    mirror_sagittal,
    quat_from_rotation,
    rotation_from_quat,
    side_sign,
)
from imu_shoulder.model import SIDES, FloatArray, Side
from imu_shoulder.simulate.athlete import Athlete

Channels = Mapping[str, FloatArray]
# Sensor positions in their segment's frame (right side), metres: on the skin, not in the bone.
STERNUM_M = np.array([0.11, -0.08, 0.0])
ACROMION_M = np.array([-0.01, 0.03, -0.02])
UPPER_ARM_SKIN_M = np.array([0.0, 0.0, 0.045])
WRIST_SKIN_M = np.array([0.0, 0.0, 0.028])
UPPER_ARM_SHARE, WRIST_SHARE = 0.75, 0.92


@dataclass(frozen=True, slots=True)
class Body:
    """Attitudes earth_from_segment (N,) and positions (N, 3) in metres, earth frame.

    `bones` by name (thorax, right_humerus, ...); `worn` by placement: the skin's frame and the sensor's place.
    `angles`: true angles in degrees per side, (N,) each.
    """

    bones: Mapping[str, Rotation]
    worn: Mapping[str, tuple[Rotation, FloatArray]]
    angles: Mapping[Side, Mapping[str, FloatArray]]


def chain(first: Rotation, *others: Rotation) -> Rotation:
    """first * others[0] * ..., (N,) each or one. SciPy's own product takes ten times as long on long arrays."""
    quat = first.as_quat()
    for other in others:
        ax, ay, az, aw = np.moveaxis(quat, -1, 0)
        bx, by, bz, bw = np.moveaxis(other.as_quat(), -1, 0)
        quat = np.stack(
            [
                aw * bx + ax * bw + ay * bz - az * by,
                aw * by - ax * bz + ay * bw + az * bx,
                aw * bz + ax * by - ay * bx + az * bw,
                aw * bw - ax * bx - ay * by - az * bz,
            ],
            axis=-1,
        )
    return Rotation.from_quat(quat)


def about(axis: FloatArray, angle_deg: FloatArray) -> Rotation:
    """Rotation (N,) about a fixed axis (3,)."""
    return Rotation.from_rotvec(np.multiply.outer(np.radians(angle_deg), axis))


def shoulder(elevation_deg: FloatArray, plane_deg: FloatArray, rotation_deg: FloatArray) -> Rotation:
    """thorax_from_humerus (N,) of a right arm."""
    plane_rad = np.radians(plane_deg)
    axes = np.sin(plane_rad)[:, None] * Z_AXIS - np.cos(plane_rad)[:, None] * X_AXIS
    swing = Rotation.from_rotvec(np.radians(elevation_deg)[:, None] * axes)
    return chain(swing, about(Y_AXIS, -rotation_deg))


def elbow(elbow_deg: FloatArray, carrying_deg: float, forearm_deg: FloatArray) -> Rotation:
    """humerus_from_forearm (N,) of a right arm; carrying_deg valgus positive."""
    carrying = about(X_AXIS, np.array(-carrying_deg))
    return chain(about(Z_AXIS, elbow_deg), carrying, about(Y_AXIS, forearm_deg))


def scapular_rotation_deg(athlete: Athlete, elevation_deg: FloatArray) -> FloatArray:
    """Upward rotation (N,) that goes with the arm's elevation (N,): the athlete's shares, one turning into the other.

    Above 120 deg it goes on as below. Rounded at the side, so that an arm which swings through hanging gives no jolt.
    """
    ends_deg = np.array([30.0, 120.0])
    to_hanging, to_low = (np.diff(bend(ends_deg))[0] / np.ptp(ends_deg) for bend in (_off_hanging_deg, _past_low_deg))
    low, more = athlete.blade_share_low, (athlete.blade_share - athlete.blade_share_low * to_hanging) / to_low
    return np.asarray(low * _off_hanging_deg(elevation_deg) + more * _past_low_deg(elevation_deg))


def _off_hanging_deg(elevation_deg: FloatArray) -> FloatArray:
    return np.asarray(np.hypot(elevation_deg, 3.0) - 3.0)


def _past_low_deg(elevation_deg: FloatArray) -> FloatArray:
    softness_deg = 6.0
    return np.asarray(softness_deg * np.logaddexp(0.0, (elevation_deg - 30.0) / softness_deg))


def for_side(rotation: Rotation, side: Side) -> Rotation:
    """A right-arm rotation as it is, or mirrored for the left."""
    return rotation if side == "right" else rotation_from_quat(mirror_sagittal(quat_from_rotation(rotation)))


def angle_between_deg(a: FloatArray, b: FloatArray) -> FloatArray:
    """Angle between unit vectors (N, 3) or (3,), exact near 0 and 180."""
    return np.asarray(np.degrees(2 * np.arctan2(np.linalg.norm(a - b, axis=-1), np.linalg.norm(a + b, axis=-1))))


def body_motion(athlete: Athlete, channels: Channels) -> Body:
    """Everything about the body from its channels, (N,) each, angles in degrees and x, y, z in metres."""
    trunk = {name.removeprefix("trunk."): v for name, v in channels.items() if name.startswith("trunk.")}
    heading = heading_rotation(np.radians(trunk["heading"]))
    lean = Rotation.from_rotvec(
        np.radians(np.stack([trunk["lean_right"], np.zeros_like(trunk["turn"]), -trunk["lean_forward"]], axis=-1))
    )
    thorax = chain(heading, EARTH_FROM_STANDING, about(X_AXIS, trunk["lying"]), lean, about(Y_AXIS, trunk["turn"]))
    pelvis_m = np.stack([trunk["x"], trunk["y"], trunk["z"]], axis=-1)
    neck_m = pelvis_m + thorax.apply(athlete.trunk_m * Y_AXIS)
    upright = thorax.apply(Y_AXIS)
    trunk_angles = {
        "trunk_lean_deg": angle_between_deg(upright, Z_AXIS),
        "trunk_turn_deg": trunk["heading"] + trunk["turn"],
    }
    bones = {"thorax": thorax}
    worn = {"sternum": (thorax, neck_m + thorax.apply(STERNUM_M))}
    angles: dict[Side, Mapping[str, FloatArray]] = {}
    for side in SIDES:
        arm = {name.removeprefix(f"{side}."): v for name, v in channels.items() if name.startswith(f"{side}.")}
        angles[side] = trunk_angles | _arm(athlete, side, arm, thorax, neck_m, bones, worn)
    return Body(bones, worn, angles)


def _arm(
    athlete: Athlete,
    side: Side,
    arm: Channels,
    thorax: Rotation,
    neck_m: FloatArray,
    bones: dict[str, Rotation],
    worn: dict[str, tuple[Rotation, FloatArray]],
) -> dict[str, FloatArray]:
    """Adds one arm's bones and sensor places; returns its true angles."""
    mirror = np.array([1.0, 1.0, side_sign(side)])
    thorax_from_humerus = for_side(shoulder(arm["elevation"], arm["plane"], arm["rotation"]), side)
    humerus = chain(thorax, thorax_from_humerus)
    forearm = chain(humerus, for_side(elbow(arm["elbow"], athlete.carrying_deg, arm["forearm"]), side))

    long_axis = thorax_from_humerus.apply(-Y_AXIS) * mirror
    elevation_deg = angle_between_deg(long_axis, -Y_AXIS)
    scapula_deg = scapular_rotation_deg(athlete, elevation_deg) + arm["shrug"]
    scapula = chain(thorax, for_side(about(X_AXIS, -scapula_deg), side))
    # The girdle rises as it rotates: about 4 cm at full elevation, 2 cm more in a 12 deg shrug.
    risen_m = (0.04 / 60.0 * scapula_deg + 0.012 / 12.0 * arm["shrug"])[:, None] * Y_AXIS
    shoulder_m = neck_m + thorax.apply(risen_m + athlete.shoulder_half_width_m * mirror * Z_AXIS)
    elbow_m = shoulder_m + humerus.apply(-athlete.humerus_m * Y_AXIS)

    # The skin of the upper arm lags behind the bone's axial rotation, and the muscle lifts the sensor.
    raised = 1.0 - np.cos(np.radians(elevation_deg))
    lags_deg = athlete.soft_tissue_share * arm["rotation"] - athlete.skin_with_elevation_deg * raised
    skin_twist = for_side(about(Y_AXIS, lags_deg), side)
    bulge = for_side(about(X_AXIS, athlete.bulge_deg * np.sin(np.radians(elevation_deg))), side)
    upper_skin = chain(humerus, skin_twist, bulge)
    wrist_skin = chain(forearm, for_side(about(Y_AXIS, -athlete.wrist_share * arm["forearm"]), side))
    upper_place = -UPPER_ARM_SHARE * athlete.humerus_m * Y_AXIS
    wrist_place = -WRIST_SHARE * athlete.forearm_m * Y_AXIS
    bones |= {f"{side}_humerus": humerus, f"{side}_forearm": forearm, f"{side}_scapula": scapula}
    worn |= {
        f"{side}_acromion": (scapula, shoulder_m + scapula.apply(ACROMION_M * mirror)),
        f"{side}_upper_arm": (
            upper_skin,
            shoulder_m + humerus.apply(upper_place) + upper_skin.apply(UPPER_ARM_SKIN_M * mirror),
        ),
        f"{side}_wrist": (wrist_skin, elbow_m + forearm.apply(wrist_place) + wrist_skin.apply(WRIST_SKIN_M * mirror)),
    }
    return {
        "elevation_deg": elevation_deg,
        "elevation_gravity_deg": angle_between_deg(humerus.apply(-Y_AXIS), -Z_AXIS),
        "plane_deg": np.degrees(np.arctan2(long_axis[:, 0], long_axis[:, 2])),
        "rotation_deg": arm["rotation"],
        "elbow_deg": arm["elbow"],
        "forearm_deg": arm["forearm"],
        "thumb_up_deg": np.degrees(np.arcsin(np.clip(forearm.apply(X_AXIS)[:, 2], -1, 1))),
        "scapula_deg": scapula_deg,
    }
