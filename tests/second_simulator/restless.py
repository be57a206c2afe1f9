"""What a body does without being told: steps, sway, wander, trembling, breath, arms that hang from a swaying trunk."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np

from imu_shoulder.model import SIDES, Side
from second_simulator.body import side_sign
from second_simulator.people import Person
from second_simulator.quat import Array
from second_simulator.strokes import eased, trembling, wander
from second_simulator.timeline import RATE_HZ

# A hanging arm wanders this much against a raised one.
AT_REST = 0.35
# Shares of wander_deg along the lift, across it, of rotation, elbow and forearm: our own choice.
WANDER_SHARES = {"along": 1.0, "across": 0.8, "rotation": 1.0, "elbow": 0.6, "forearm": 0.7}


def alive(who: Person, acted: Mapping[str, Array], time_s: Array, rng: np.random.Generator) -> dict[str, Array]:
    """The acted channels with what comes on top, and the channels that only come from there."""
    out = dict(acted)
    n = time_s.size
    _walk(who, out, time_s, rng)
    # A whole body does not sway faster than about once a second.
    sway = wander(rng, 3, n, RATE_HZ, who.wander_slope, 0.8) * who.sway_deg * out["restless"] * out["sway"]
    breath = np.sin(2 * np.pi * who.breathing_hz * time_s + 0.8 * np.sin(2 * np.pi * 0.03 * time_s) + rng.uniform(0, 6))
    out["sway_roll"], out["sway_twist"], out["sway_pitch"] = sway
    out["sway_roll"] = out["sway_roll"] + out["lean_roll"]
    out["sway_twist"] = out["sway_twist"] + out["lean_twist"]
    out["sway_pitch"] = out["sway_pitch"] + out["lean_pitch"] + 0.4 * who.breathing_deg * breath
    out["breath_deg"], out["breath_m"] = who.breathing_deg * breath, 0.003 * breath
    # The body sways about ankles and hips.
    heading, tilt_m = np.radians(out["heading"]), 0.3 * who.height_m * np.radians(sway)
    out["x"] = out["x"] - tilt_m[2] * np.cos(heading) - tilt_m[0] * np.sin(heading)
    out["y"] = out["y"] - tilt_m[2] * np.sin(heading) + tilt_m[0] * np.cos(heading)
    for side in SIDES:
        _unsteady_arm(who, out, sway, side, rng)
        out[f"{side}.blade"] = wander(rng, 1, n, RATE_HZ, 1.6)[0] * 0.7
    return out


def _walk(who: Person, out: dict[str, Array], time_s: Array, rng: np.random.Generator) -> None:
    """Steps: arms swing against the legs, the trunk turns, rolls and rises; the heel's blow is in the harmonics."""
    step_s = time_s[1] - time_s[0]
    heading = np.radians(out["heading"])
    out["x"] = out["x"] + np.cumsum(out["speed"] * np.cos(heading)) * step_s
    out["y"] = out["y"] + np.cumsum(out["speed"] * np.sin(heading)) * step_s
    gait = out["gait"]
    if not gait.any():
        return
    pace_hz = who.gait_hz * (1 + 0.02 * wander(rng, 1, time_s.size, RATE_HZ, 1.5)[0])
    stride = 2 * np.pi * np.cumsum(pace_hz) * step_s
    uneven = gait * (1 + 0.1 * wander(rng, 1, time_s.size, RATE_HZ, 1.5)[0])
    rise = np.cos(2 * stride) + 0.22 * np.cos(4 * stride + 0.7) + 0.06 * np.cos(8 * stride + 0.3)
    out["z"] = out["z"] + 0.018 * uneven * rise
    out["twist"] = out["twist"] + 4.0 * uneven * np.sin(stride + 0.4)
    out["roll"] = out["roll"] + 2.0 * uneven * np.sin(stride + 1.3)
    out["pitch"] = out["pitch"] + 1.2 * uneven * np.sin(2 * stride)
    for side in SIDES:
        s = side_sign(side)
        swing = who.gait_swing_deg * uneven * (1.0 if side == "right" else rng.uniform(0.7, 1.1))
        out[f"{side}.v"] = out[f"{side}.v"] + swing * (s * np.sin(stride) + 0.1 * np.sin(2 * stride) + 0.2)
        out[f"{side}.u"] = out[f"{side}.u"] + 0.12 * swing * np.sin(2 * stride + 0.5)
        out[f"{side}.elbow"] = out[f"{side}.elbow"] + 0.6 * swing * (1 + s * np.sin(stride - 0.4))
        out[f"{side}.rotation"] = out[f"{side}.rotation"] + 0.25 * swing * s * np.sin(stride + 0.2)


def _unsteady_arm(who: Person, out: dict[str, Array], sway: Array, side: Side, rng: np.random.Generator) -> None:
    u, v = out[f"{side}.u"], out[f"{side}.v"]
    n, elevation = u.size, np.hypot(u, v)
    bent = eased((out[f"{side}.elbow"] - 45.0) / 40.0)
    raised = eased(elevation / 45.0)
    tired = 1 + 0.6 * out["tired"]
    size = who.wander_deg * out["restless"] * tired
    along, across, rotation, elbow, forearm = (
        row * size * share
        for row, share in zip(wander(rng, 5, n, RATE_HZ, who.wander_slope), WANDER_SHARES.values(), strict=True)
    )
    tremor = trembling(rng, 2, n, RATE_HZ, who.tremor_hz) * who.tremor_deg * tired
    swung = AT_REST + (1 - AT_REST) * raised
    # Along and across the lift, where there is one.
    to_u, to_v = (c / np.sqrt(elevation**2 + 25.0) for c in (u, v))
    along, across = (along + tremor[0]) * swung, across * swung
    # An arm that hangs does not follow all of the trunk's sway.
    free = who.hang_free * (1 - raised) * (1 - bent) * out["sway"]
    s = side_sign(side)
    plain = np.sqrt(np.maximum(0.0, 1 - to_u**2 - to_v**2))
    out[f"{side}.u"] = u + to_u * along - to_v * across + plain * along + free * s * sway[0]
    out[f"{side}.v"] = v + to_v * along + to_u * across + plain * across - free * sway[2]
    held = AT_REST + (1 - AT_REST) * np.maximum(raised, bent)
    out[f"{side}.rotation"] = out[f"{side}.rotation"] + (rotation + 0.7 * tremor[1]) * held
    out[f"{side}.elbow"] = out[f"{side}.elbow"] + elbow * held
    out[f"{side}.forearm"] = out[f"{side}.forearm"] + forearm * held
