"""A rigid arm driven by angles of its own: a robot's, whose truth is what it was told. Numpy alone, apart from both
simulators: no skin, no sway, no carrying angle. Its sensors have the errors of a grade.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.spatial.transform import Rotation

from imu_shoulder.model import Event, Recording, SensorStream
from imu_shoulder.units import STANDARD_GRAVITY_M_S2

Array = NDArray[np.float64]
RATE_HZ = 100.0
HUMERUS_M, FOREARM_M = 0.30, 0.26
# Pose and its marks, stillness between movements.
POSE_S, REST_S = 8.0, 2.0


@dataclass(frozen=True)
class Noise:
    """Standard deviations of one sensor's errors: bias at turn-on and per root s, white noise per root Hz, scale."""

    gyr_bias_deg_s: float
    gyr_walk_deg_s: float
    gyr_deg_s: float
    gyr_scale: float
    acc_bias_mg: float
    acc_ug: float


# Orders of magnitude of parts that are calibrated, usual and cheap; from memory.
GRADES = {
    "calibrated": Noise(0.05, 0.0005, 0.004, 0.001, 2.0, 80.0),
    "usual": Noise(0.5, 0.002, 0.010, 0.005, 15.0, 180.0),
    "cheap": Noise(2.0, 0.005, 0.020, 0.010, 25.0, 300.0),
}


@dataclass(frozen=True)
class Stroke:
    """Angles in degrees that are reached, all at once and evenly, at deg_s of whichever goes furthest; then a stay."""

    deg_s: float
    elevation: float = 0.0
    plane: float = 40.0
    elbow: float = 0.0
    forearm: float = 0.0
    stay_s: float = 1.5


@dataclass(frozen=True)
class Hung:
    """How wrong the arm hangs in its pose, degrees: the upper arm outward and forward, the elbow from straight."""

    out_deg: float = 0.0
    forward_deg: float = 0.0
    elbow_deg: float = 0.0


def lift_and_lower(deg_s: float, top_deg: float = 86.0, plane: float = 40.0, times: int = 2) -> tuple[Stroke, ...]:
    """The straight arm lifted and lowered."""
    return (Stroke(deg_s, top_deg, plane), Stroke(deg_s, 0.0, plane)) * times


def sweep(deg_s: float, plane: float = 40.0, elbow: float = 60.0, times: int = 2) -> tuple[Stroke, ...]:
    """The arm lifted while its elbow bends, and back."""
    return (Stroke(deg_s, 70.0, plane, elbow=elbow), Stroke(deg_s, 0.0, plane)) * times


def record(
    strokes: Sequence[Stroke],
    grade: str = "usual",
    seed: int = 0,
    *,
    raises: int = 0,
    bends: int = 0,
    hung: Hung | None = None,
) -> tuple[Recording, Array, dict[str, Array]]:
    """Pose, elbow bends and forward raises where asked for, and the strokes as one set. The recording, and the truth:
    time_s (N,) with elevation_deg and elbow_deg (N,).
    """
    rng = np.random.default_rng([seed, 77])
    wrong = hung or Hung()
    knots: list[tuple[float, tuple[float, ...]]] = [(0.0, (0.0,) * 4), (POSE_S, (0.0,) * 4)]
    events = [Event(1.0, POSE_S - 2.0, "neutral_pose")]
    marked = (
        (
            "elbow_bends",
            (Stroke(80.0, elbow=110.0, plane=90.0, stay_s=0.3), Stroke(80.0, plane=90.0, stay_s=0.3)) * bends,
        ),
        ("forward_raises", lift_and_lower(45.0, 90.0, 90.0, raises)),
        ("set", tuple(strokes)),
    )
    for kind, own in marked:
        if not own:
            continue
        begin_s = knots[-1][0] + REST_S
        # A change of plane turns nothing while the arm hangs.
        knots += [(begin_s, knots[-1][1]), (begin_s, (0.0, own[0].plane, 0.0, 0.0))]
        for stroke in own:
            goal = (stroke.elevation, stroke.plane, stroke.elbow, stroke.forearm)
            far = max(np.abs(np.subtract(goal, knots[-1][1])))
            knots.append((knots[-1][0] + max(far / stroke.deg_s, 0.5), goal))
            knots.append((knots[-1][0] + stroke.stay_s, goal))
        drill = "full_can" if kind == "set" else None
        events.append(Event(begin_s - 1.0, knots[-1][0] - begin_s + 2.0, kind, drill, "right" if drill else None))
    time_s = np.arange(0.0, knots[-1][0] + REST_S, 1 / RATE_HZ)
    at_s = np.array([k for k, _ in knots]) + 1e-9 * np.arange(len(knots))
    goals = np.array([goal for _, goal in knots]).T
    elevation, plane, elbow, forearm = (np.interp(time_s, at_s, goal) for goal in goals)
    # Motors set out and arrive within a fifth of a second.
    soft = np.hanning(round(0.2 * RATE_HZ) + 2)
    elevation, elbow, forearm = (
        np.convolve(np.pad(a, len(soft) // 2, mode="edge"), soft / soft.sum(), "same")[len(soft) // 2 :][: len(a)]
        for a in (elevation, elbow, forearm)
    )
    # The body stands with X forward, Y up, Z right, and faces anywhere. Lifted by angle about the level axis across.
    facing = Rotation.from_euler("z", rng.uniform(0, 360), degrees=True)
    standing = Rotation.from_matrix(np.array([[1.0, 0.0, 0.0], [0.0, 0.0, -1.0], [0.0, 1.0, 0.0]]))
    across = np.column_stack([-np.cos(np.radians(plane)), 0 * plane, np.sin(np.radians(plane))])
    askew = Rotation.from_euler("xz", [-wrong.out_deg, wrong.forward_deg], degrees=True)
    upper = Rotation.from_rotvec(np.radians(elevation)[:, None] * across) * askew
    bent = _about([0.0, 0.0, 1.0], elbow + wrong.elbow_deg)
    lower = upper * bent * _about([0.0, 1.0, 0.0], forearm)
    segments = {"right_upper_arm": upper, "right_wrist": lower}
    elbow_m = upper.apply([0.0, -HUMERUS_M, 0.0])
    places = {
        "right_upper_arm": upper.apply([0.0, -0.7 * HUMERUS_M, 0.0]),
        "right_wrist": elbow_m + lower.apply([0.0, -0.9 * FOREARM_M, 0.0]),
    }
    streams = {}
    for placement, body_from_segment in segments.items():
        own = facing * standing * body_from_segment * Rotation.random(rng=rng).inv()
        place_m = (facing * standing).apply(places[placement])
        streams[placement] = _sensed(placement, time_s, own, place_m, GRADES[grade], rng)
    recording = Recording(f"rigid_{seed}", "rigid", "2026-05-04T09:30:00+02:00", streams, tuple(events))
    bones = {name: segment.apply([0.0, 1.0, 0.0]) for name, segment in segments.items()}
    up, low = bones["right_upper_arm"], bones["right_wrist"]
    truth = {
        "elevation_deg": np.degrees(np.arccos(np.clip(up[:, 1], -1, 1))),
        "elbow_deg": np.degrees(np.arccos(np.clip((up * low).sum(axis=1), -1, 1))),
    }
    return recording, time_s, truth


def _sensed(
    placement: str, time_s: Array, earth_from_sensor: Rotation, place_m: Array, noise: Noise, rng: np.random.Generator
) -> SensorStream:
    step_s, count, band = 1 / RATE_HZ, len(time_s), np.sqrt(RATE_HZ / 2)
    gyr = np.zeros((count, 3))
    gyr[1:-1] = (earth_from_sensor[:-2].inv() * earth_from_sensor[2:]).as_rotvec() / (2 * step_s)
    force = np.zeros((count, 3))
    force[1:-1] = np.diff(place_m, 2, axis=0) / step_s**2
    acc = earth_from_sensor.inv().apply(force + np.array([0.0, 0.0, STANDARD_GRAVITY_M_S2]))
    walk = np.cumsum(rng.normal(0, noise.gyr_walk_deg_s * np.sqrt(step_s), (count, 3)), axis=0)
    gyr = gyr * (1 + noise.gyr_scale * rng.normal(size=3))
    gyr = gyr + np.radians(
        noise.gyr_bias_deg_s * rng.normal(size=3) + walk + noise.gyr_deg_s * band * rng.normal(size=(count, 3))
    )
    mg, ug = 1e-3 * STANDARD_GRAVITY_M_S2, 1e-6 * STANDARD_GRAVITY_M_S2
    acc = acc + noise.acc_bias_mg * mg * rng.normal(size=3) + noise.acc_ug * ug * band * rng.normal(size=(count, 3))
    return SensorStream(placement, time_s, acc, gyr, RATE_HZ)


def _about(axis: Sequence[float], angle_deg: Array) -> Rotation:
    return Rotation.from_rotvec(np.multiply.outer(np.radians(angle_deg), axis))
