"""From bones to sensors: skin that hides part of a turn and lags, muscles that bulge, soft mass, straps that creep."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from scipy.signal import bilinear, lfilter, lfiltic

from imu_shoulder.model import Side
from second_simulator.body import Bones, side_sign, upper_arm_turn_rad
from second_simulator.people import Person
from second_simulator.quat import (
    Array,
    about,
    acceleration,
    any_attitude,
    body_rate,
    from_rotvec,
    inverse,
    product,
    turned,
)
from second_simulator.timeline import RATE_HZ

GRAVITY_M_S2 = 9.81
UP = np.array([[0.0], [0.0], [1.0]])


@dataclass(frozen=True, slots=True)
class Carried:
    """What a sensor goes through, in its own components: specific force and angular velocity (3, N); quat (4, N)
    earth from sensor, point_m (3, N) where it is.
    """

    force_m_s2: Array
    rate_rad_s: Array
    quat: Array
    point_m: Array


def spring(driven: Array, freq_hz: float, damping: float) -> Array:
    """The answer of a damped spring to where it is pulled, along the last axis; at rest at first."""
    w = 2 * np.pi * freq_hz
    # Prewarped, so that the spring is true at its own frequency.
    b, a = bilinear([w * w], [1.0, 2 * damping * w, w * w], fs=w / (2 * np.tan(w / (2 * RATE_HZ))))
    rows = np.atleast_2d(driven)
    out = np.array([lfilter(b, a, r, zi=lfiltic(b, a, [r[0], r[0]], [r[0], r[0]]))[0] for r in rows])
    return out.reshape(driven.shape)


def carried_by(quat: Array, point_m: Array) -> Carried:
    """What a sensor with this attitude on this way feels: second derivative of its place, and gravity."""
    step_s = 1 / RATE_HZ
    force = turned(inverse(quat), acceleration(point_m, step_s) + GRAVITY_M_S2 * UP)
    return Carried(force, body_rate(quat, step_s), quat, point_m)


def sensors_on(
    who: Person,
    bones: Bones,
    channels: Mapping[str, Array],
    time_s: Array,
    placements: tuple[str, ...],
    rng: np.random.Generator,
) -> dict[str, Carried]:
    """Every sensor, strapped on any way round. The order of placements changes nothing."""
    out = {}
    seeds = dict(zip(ALL, rng.integers(1 << 62, size=len(ALL)), strict=True))
    for placement in placements:
        own = np.random.default_rng(seeds[placement])
        if placement == "sternum":
            bone, point, skin, at = _sternum(who, bones, channels, own)
        else:
            side: Side = "right" if placement.startswith("right") else "left"
            on = {"upper_arm": _upper_arm, "wrist": _wrist, "acromion": _acromion}[placement.removeprefix(f"{side}_")]
            bone, point, skin, at = on(who, bones, channels, time_s, side, own)
        quat = product(bone, skin, any_attitude(own))
        out[placement] = carried_by(quat, point + turned(bone, at))
    return out


ALL = ("right_wrist", "right_upper_arm", "left_wrist", "left_upper_arm", "sternum", "right_acromion", "left_acromion")


def _upper_arm(
    who: Person, bones: Bones, channels: Mapping[str, Array], time_s: Array, side: Side, rng: np.random.Generator
) -> tuple[Array, Array, Array, Array]:
    skin, s = who.arms[side].skin, side_sign(side)
    bone, elevation = bones.quats[f"{side}_humerus"], np.hypot(channels[f"{side}.u"], channels[f"{side}.v"])
    turn = upper_arm_turn_rad(bones, side)
    share = skin.hidden * (1 + skin.uneven * np.tanh((turn / np.radians(60)) ** 2))
    half = np.radians(elevation) / 2
    dragged = -share * turn + np.radians(skin.with_elevation_deg) * 2 * np.sin(half) ** 2
    dragged = dragged + np.radians(skin.with_hand_deg) * channels[f"{side}.forearm"] / 80.0
    follows = spring(dragged, skin.spring_hz, skin.damping) + np.radians(
        _strap(who, channels, time_s, side, "upper_arm", 0)
    )
    bend = np.radians(channels[f"{side}.elbow"])
    biceps = np.radians(skin.biceps_deg) * (1 - np.cos(bend)) / 2
    deltoid = np.radians(skin.deltoid_deg) * np.sin(half) ** 2 / 0.75
    along = rng.uniform(0.55, 0.8) * 0.186 * who.height_m
    point = bones.points_m[f"{side}_shoulder"] - turned(bone, np.array([[0.0], [along], [0.0]]))
    shift_m = _wobble(bone, point, skin.wobble_hz, skin.wobble_damping)
    tilt = np.radians(skin.wobble_deg_mm) * 1000 * shift_m
    tilt = np.array([tilt[2] + s * deltoid, 0.0 * bend, -tilt[0] + biceps])
    tilt[0] += np.radians(channels[f"{side}_upper_arm.tilt"])
    turn_quat = about(1, -s * follows)
    round_it = rng.uniform(-0.6, 0.6)
    out_m = who.girth_m / (2 * np.pi)
    surface = np.array([[out_m * np.sin(round_it)], [0.0], [s * out_m * np.cos(round_it)]])
    return bone, point, product(turn_quat, from_rotvec(tilt)), turned(turn_quat, surface) + shift_m


def _wrist(
    who: Person, bones: Bones, channels: Mapping[str, Array], time_s: Array, side: Side, rng: np.random.Generator
) -> tuple[Array, Array, Array, Array]:
    skin, s = who.arms[side].skin, side_sign(side)
    bone = bones.quats[f"{side}_forearm"]
    dragged = -skin.hidden_wrist * np.radians(channels[f"{side}.forearm"])
    follows = spring(dragged, 2.5 * skin.spring_hz, skin.damping) + np.radians(
        _strap(who, channels, time_s, side, "wrist", 1)
    )
    along = rng.uniform(0.86, 0.95) * 0.146 * who.height_m
    point = bones.points_m[f"{side}_elbow"] - turned(bone, np.array([[0.0], [along], [0.0]]))
    shift_m = _wobble(bone, point, 2.2 * skin.wobble_hz, skin.wobble_damping)
    tilt = np.radians(0.5 * skin.wobble_deg_mm) * 1000 * shift_m
    tilt = np.array([tilt[2], 0.0 * tilt[1], -tilt[0]])
    tilt[0] += np.radians(channels[f"{side}_wrist.tilt"])
    turn_quat = about(1, s * follows)
    surface = np.array([[rng.uniform(-0.01, 0.01)], [0.0], [s * rng.uniform(0.022, 0.03)]])
    return bone, point, product(turn_quat, from_rotvec(tilt)), turned(turn_quat, surface) + shift_m


def _strap(who: Person, channels: Mapping[str, Array], time_s: Array, side: Side, segment: str, k: int) -> Array:
    """Turn about the limb that the strap lets happen, in degrees."""
    skin = who.arms[side].skin
    return channels[f"{side}_{segment}.turn"] + skin.creep_deg[k] * -np.expm1(-(time_s - time_s[0]) / skin.creep_s)


def _wobble(bone: Array, point_m: Array, freq_hz: float, damping: float) -> Array:
    """How far soft mass is displaced across the bone, in the bone's components, metres; under gravity too."""
    force = turned(inverse(bone), acceleration(point_m, 1 / RATE_HZ) + GRAVITY_M_S2 * UP)
    shift = spring(-force / (2 * np.pi * freq_hz) ** 2, freq_hz, damping)
    shift[1] *= 0.3
    return shift


def _acromion(
    who: Person, bones: Bones, channels: Mapping[str, Array], time_s: Array, side: Side, rng: np.random.Generator
) -> tuple[Array, Array, Array, Array]:
    """Above shoulder height the skin lags behind the blade by some degrees (docs/shrug.md has the studies)."""
    bone = bones.quats[f"{side}_blade"]
    elevation = np.sqrt(channels[f"{side}.u"] ** 2 + channels[f"{side}.v"] ** 2 + 9.0)
    lost = np.radians(rng.uniform(0.0, 0.15)) * 8.0 * np.logaddexp(0.0, (elevation - 90.0) / 8.0)
    lost = spring(lost, 4.0, 0.7)
    skin = from_rotvec(np.array([side_sign(side) * lost, 0.0 * lost, 0.0 * lost]))
    return bone, bones.points_m[f"{side}_acromion"], skin, np.array([[0.0], [0.008], [0.0]])


def _sternum(
    who: Person, bones: Bones, channels: Mapping[str, Array], rng: np.random.Generator
) -> tuple[Array, Array, Array, Array]:
    """Breath tilts and moves it; arms that rise pull at the skin."""
    raised = sum(np.hypot(channels[f"{side}.u"], channels[f"{side}.v"]) for side in ("right", "left")) / 180.0
    pulled = spring(np.radians(rng.uniform(-1.5, 1.5)) * raised, 3.0, 0.7)
    breath = np.radians(0.6 * channels["breath_deg"])
    skin = from_rotvec(np.array([0.0 * breath, 0.0 * breath, breath + pulled]))
    at = np.array([np.full_like(breath, 0.01), 0.0 * breath, 0.0 * breath])
    at[0] += channels["breath_m"]
    return bones.quats["thorax"], bones.points_m["sternum"], skin, at
