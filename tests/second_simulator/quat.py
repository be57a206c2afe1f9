"""Quaternions (4, N), scalar first, and vectors (3, N), kept by component; radians. A (4, 1) or (3, 1) is a constant.

`a_from_b` takes b components to a components, as everywhere in the project.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]


def product(*quats: Array) -> Array:
    """a * b * ..., from left to right."""
    out = quats[0]
    for other in quats[1:]:
        (aw, ax, ay, az), (bw, bx, by, bz) = out, other
        out = np.array(
            [
                aw * bw - ax * bx - ay * by - az * bz,
                aw * bx + ax * bw + ay * bz - az * by,
                aw * by - ax * bz + ay * bw + az * bx,
                aw * bz + ax * by - ay * bx + az * bw,
            ]
        )
    return out


def inverse(quat: Array) -> Array:
    return np.array([quat[0], -quat[1], -quat[2], -quat[3]])


def cross(a: Array, b: Array) -> Array:
    return np.array([a[1] * b[2] - a[2] * b[1], a[2] * b[0] - a[0] * b[2], a[0] * b[1] - a[1] * b[0]])


def turned(quat: Array, vector: Array) -> Array:
    """The vector's components after the turn."""
    axis = quat[1:]
    twice = 2.0 * cross(axis, vector)
    return vector + quat[0] * twice + cross(axis, twice)


def about(axis: int, angle_rad: Array | float) -> Array:
    """Turn about one coordinate axis: 0 X, 1 Y, 2 Z."""
    half = np.atleast_1d(np.asarray(angle_rad, dtype=float)) / 2
    out = np.zeros((4, half.size))
    out[0], out[1 + axis] = np.cos(half), np.sin(half)
    return out


def from_rotvec(rotvec: Array) -> Array:
    angle = np.sqrt((rotvec**2).sum(axis=0))
    return np.vstack([np.cos(angle / 2), rotvec * (0.5 * np.sinc(angle / (2 * np.pi)))])


def any_attitude(rng: np.random.Generator) -> Array:
    """One attitude (4, 1), all equally likely."""
    quat = rng.normal(size=(4, 1))
    return quat / np.linalg.norm(quat)


def twist_y_rad(quat: Array) -> Array:
    """Turn about Y after the shortest swing that brings Y to where it points, continuous along N."""
    return np.unwrap(2 * np.arctan2(quat[2], quat[0]))


# Sixth-order central differences: exact to 1e-5 for all that moves slower than 20 Hz on the grid of 240 Hz.
_FIRST = np.array([1 / 60, -3 / 20, 3 / 4, 0, -3 / 4, 3 / 20, -1 / 60])
_SECOND = np.array([1 / 90, -3 / 20, 3 / 2, -49 / 18, 3 / 2, -3 / 20, 1 / 90])


def _differences(values: Array, weights: Array) -> Array:
    """Along the last axis; the three samples at either end repeat their neighbour."""
    n = values.shape[-1]
    inner = sum(weights[6 - k] * values[..., k : n - 6 + k] for k in range(7))
    return np.pad(np.asarray(inner), [(0, 0)] * (values.ndim - 1) + [(3, 3)], mode="edge")


def velocity(values: Array, step_s: float) -> Array:
    return _differences(values, _FIRST) / step_s


def acceleration(values: Array, step_s: float) -> Array:
    return _differences(values, _SECOND) / step_s**2


def body_rate(earth_from_body: Array, step_s: float) -> Array:
    """Angular velocity (3, N) in the body's own components, rad/s."""
    return 2.0 * product(inverse(earth_from_body), velocity(earth_from_body, step_s))[1:]
