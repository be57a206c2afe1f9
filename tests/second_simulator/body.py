"""From channels to bones: where each segment points and each joint is.

Frames: earth Z up; segments X forward, Y up the bone, Z right in the neutral pose (docs/coordinates.md). The left arm
is the right one mirrored. The arm's channels are u and v, elevation times cosine and sine of its plane, so that
nothing jumps where the arm hangs.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from imu_shoulder.model import SIDES, Side
from second_simulator.people import Arm, Person, Posture
from second_simulator.quat import Array, about, from_rotvec, inverse, product, turned, twist_y_rad

STANDING = about(0, np.pi / 2)  # earth from someone who stands and faces earth X
MIRROR = np.array([1.0, -1.0, -1.0, 1.0])[:, None]

ARM_CHANNELS = ("u", "v", "rotation", "elbow", "forearm", "shrug")


@dataclass(frozen=True, slots=True)
class Bones:
    """Attitudes (4, N) earth from segment and joint centres (3, N) in metres, by name.

    blade_up_deg: upward rotation of each blade.
    """

    quats: Mapping[str, Array]
    points_m: Mapping[str, Array]
    blade_up_deg: Mapping[Side, Array]


def side_sign(side: Side) -> float:
    return 1.0 if side == "right" else -1.0


def arm_channels(posture: Posture) -> dict[str, float]:
    plane = np.radians(posture.plane)
    return {
        "u": float(posture.elevation * np.cos(plane)),
        "v": float(posture.elevation * np.sin(plane)),
        "rotation": posture.rotation,
        "elbow": posture.elbow,
        "forearm": posture.forearm,
    }


def thorax_from_humerus(u_deg: Array, v_deg: Array, rotation_deg: Array, side: Side) -> Array:
    """Swing out of hanging, then turn about the bone."""
    swing = from_rotvec(np.radians(np.array([-u_deg, np.zeros_like(u_deg), v_deg])))
    right = product(swing, about(1, -np.radians(rotation_deg)))
    return right if side == "right" else right * MIRROR


def humerus_from_forearm(elbow_deg: Array, forearm_deg: Array, carrying_deg: float, side: Side) -> Array:
    """Flexion about Z, carrying about X, pronation about Y; the carrying angle goes as the elbow bends."""
    bend = np.radians(elbow_deg)
    carrying = -np.radians(carrying_deg) * (1 + np.cos(bend)) / 2
    right = product(about(2, bend), about(0, carrying), about(1, np.radians(forearm_deg)))
    return right if side == "right" else right * MIRROR


def blade_up_deg(elevation_deg: Array, arm: Arm) -> Array:
    """Upward rotation that goes with elevation: three slopes, rounded; from 30 to 120 on average the arm's share.

    Above 120 the slope is half of that: our own choice.
    """
    rounding_deg = 5.0

    def bent(at_deg: float, x: Array) -> Array:
        return rounding_deg * np.logaddexp(0.0, (x - at_deg) / rounding_deg)

    low, ends = arm.blade_share_low, np.array([30.0, 120.0])
    first, last = (float(np.diff(bent(at, ends))[0]) / 90.0 for at in (30.0, 120.0))
    # share = low + (middle - low) first + (high - middle) last, with high = middle / 2
    middle = (arm.blade_share - low * (1 - first)) / (first - last / 2)
    return np.asarray(
        low * elevation_deg + (middle - low) * bent(30.0, elevation_deg) - middle / 2 * bent(120.0, elevation_deg)
    )


def bones_of(who: Person, channels: Mapping[str, Array]) -> Bones:
    """All segments of the body from its channels; angles in degrees, places in metres."""
    size = who.height_m
    posture = np.radians(np.array([channels["roll"], channels["twist"], channels["pitch"]]))
    sway = np.radians(np.array([channels["sway_roll"], channels["sway_twist"], channels["sway_pitch"]]))
    thorax = product(about(2, np.radians(channels["heading"])), STANDING, from_rotvec(posture), from_rotvec(sway))
    pelvis = np.array([channels["x"], channels["y"], channels["z"] + 0.53 * size])
    quats, points = {"thorax": thorax}, {"pelvis": pelvis}
    points["sternum"] = pelvis + turned(thorax, _at(0.09, 0.2 * size, 0.0))
    blade_up = {}
    for side in SIDES:
        arm, s = who.arms[side], side_sign(side)
        u, v, rotation, elbow, forearm, shrug = (channels[f"{side}.{name}"] for name in ARM_CHANNELS)
        humerus_in_thorax = thorax_from_humerus(u, v, rotation, side)
        elevation = np.sqrt(u**2 + v**2 + 9.0)  # rounded where the arm hangs, so that the blade has no corner there
        differing = channels[f"{side}.blade"] * elevation / 90.0
        blade_up[side] = blade_up_deg(elevation, arm) + shrug + differing
        # A real blade also tilts back and turns inward a little as it turns up.
        up = np.radians(blade_up[side])
        blade = product(thorax, from_rotvec(np.array([-s * up, -s * 0.12 * up, 0.25 * up])))
        lift_m = 0.0007 * size * blade_up[side] + 0.001 * shrug + channels["breath_m"]
        still = np.zeros_like(lift_m)
        shoulder = np.array([still, 0.26 * size + lift_m, still + s * 0.105 * size])
        points[f"{side}_shoulder"] = pelvis + turned(thorax, shoulder)
        points[f"{side}_acromion"] = points[f"{side}_shoulder"] + turned(blade, _at(-0.01, 0.035, -s * 0.01))
        humerus = product(thorax, humerus_in_thorax)
        lower = product(humerus, humerus_from_forearm(elbow, forearm, arm.carrying_deg, side))
        points[f"{side}_elbow"] = points[f"{side}_shoulder"] - turned(humerus, _at(0.0, 0.186 * size, 0.0))
        quats |= {f"{side}_blade": blade, f"{side}_humerus": humerus, f"{side}_forearm": lower}
    return Bones(quats, points, blade_up)


def upper_arm_turn_rad(bones: Bones, side: Side) -> Array:
    """External turn of the upper arm about itself against the shoulder blade: what drags the skin."""
    blade, humerus = bones.quats[f"{side}_blade"], bones.quats[f"{side}_humerus"]
    return -side_sign(side) * twist_y_rad(product(inverse(blade), humerus))


def _at(x: float, y: float, z: float) -> Array:
    return np.array([[x], [y], [z]])
