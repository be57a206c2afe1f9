"""Frames and the few conversions between conventions. docs/coordinates.md explains them in words.

Every attitude is a scipy Rotation named `a_from_b`: it takes a vector's b components to its a components.
Quaternions leave and enter as arrays (..., 4), scalar first, named `quat_a_from_b`.
Segment frames follow ISB (Wu et al. 2005, doi 10.1016/j.jbiomech.2004.05.042): X forward, Y up the bone,
Z right, in the neutral pose. The left arm is mirrored in the sagittal plane, so that the same clinical motion
has the same sign on both sides.
"""

from __future__ import annotations

import numpy as np
from scipy.spatial.transform import Rotation

from imu_shoulder.model import FloatArray, Side

X_AXIS = np.array([1.0, 0.0, 0.0])
Y_AXIS = np.array([0.0, 1.0, 0.0])
Z_AXIS = np.array([0.0, 0.0, 1.0])

# Earth is z up; the segments of someone standing in the neutral pose, facing along earth x, have Y up.
EARTH_FROM_STANDING = Rotation.from_matrix(np.column_stack([X_AXIS, Z_AXIS, -Y_AXIS]))


def rotation_from_quat(quat: FloatArray) -> Rotation:
    """Rotation from quaternions (..., 4), scalar first."""
    return Rotation.from_quat(quat, scalar_first=True)


def quat_product(first: FloatArray | tuple[FloatArray, ...], second: FloatArray) -> FloatArray:
    """first * second of quaternions (4, ...) with the scalar last, as scipy has it. Written out it is several times as
    fast as the library's."""
    x, y, z, w = first
    a, b, c, d = second
    return np.array(
        [
            w * a + x * d + y * c - z * b,
            w * b + y * d + z * a - x * c,
            w * c + z * d + x * b - y * a,
            w * d - x * a - y * b - z * c,
        ]
    )


def quat_from_rotvec(turn_rad: FloatArray) -> FloatArray:
    """Quaternions (4, ...), the scalar last, of turns (3, ...) about fixed axes; see `quat_product`."""
    half_rad = 0.5 * np.sqrt(np.einsum("i...,i...->...", turn_rad, turn_rad))
    sine, cosine = sin_cos(half_rad)
    # Half of what does not turn is its sine's share, too.
    share = np.divide(sine, 2.0 * half_rad, out=np.full_like(half_rad, 0.5), where=half_rad > 1e-150)
    return np.concatenate([share * turn_rad, cosine[None]])


def rotated_by(quat: FloatArray | tuple[FloatArray, ...], vector: FloatArray) -> FloatArray:
    """Vectors (3, ...) rotated by quaternions (4, ...) of length 1, the scalar last."""
    x, y, z, w = quat
    a, b, c = vector
    d, e, f = 2.0 * (y * c - z * b), 2.0 * (z * a - x * c), 2.0 * (x * b - y * a)
    return np.array([a + w * d + y * f - z * e, b + w * e + z * d - x * f, c + w * f + x * e - y * d])


def quat_from_rotation(rotation: Rotation) -> FloatArray:
    """Quaternions (..., 4), scalar first."""
    return np.asarray(rotation.as_quat(scalar_first=True), dtype=np.float64)


def left_factor(quat: FloatArray) -> FloatArray:
    """Matrix (4, 4) with `left_factor(a) @ b` the product a * b of quaternions, scalar first; b is (4,) or (4, N)."""
    w, x, y, z = quat.tolist()
    return np.array([[w, -x, -y, -z], [x, w, -z, y], [y, z, w, -x], [z, -y, x, w]])


def right_factor(quat: FloatArray) -> FloatArray:
    """Matrix (4, 4) with `right_factor(b) @ a` the product a * b of quaternions, scalar first; a is (4,) or (4, N)."""
    w, x, y, z = quat.tolist()
    return np.array([[w, -x, -y, -z], [x, w, z, -y], [y, -z, w, x], [z, y, -x, w]])


def inverse_quat(quat: FloatArray) -> FloatArray:
    """Of quaternions (..., 4) of length 1, scalar first."""
    return np.asarray(quat * np.array([1.0, -1.0, -1.0, -1.0]))


def apart_rad(quats: FloatArray, quat: FloatArray) -> FloatArray:
    """By how much attitudes (..., 4) are turned from one (4,), all of length 1."""
    return np.asarray(2 * np.arccos(np.minimum(np.abs(quats @ quat), 1.0)))


# Each pair of two components of a quaternion once.
_FIRST, _SECOND = np.triu_indices(4)


def axes_form(onto: FloatArray) -> FloatArray:
    """What times the products of each two components of quaternions gives the axes of `onto @ quat`; see xy_axes.

    onto: (4, 4) as of left_factor and right_factor. Gives (7, 10): X axis, Y axis, and the length squared.
    """
    w, x, y, z = onto
    # Columns of the rotation matrix of w, x, y, z, as products of these.
    x_axis = [w * w[:, None] + x * x[:, None] - y * y[:, None] - z * z[:, None]]
    x_axis += [2.0 * (x * y[:, None] + w * z[:, None]), 2.0 * (x * z[:, None] - w * y[:, None])]
    y_axis = [2.0 * (x * y[:, None] - w * z[:, None])]
    y_axis += [w * w[:, None] - x * x[:, None] + y * y[:, None] - z * z[:, None]]
    y_axis += [2.0 * (y * z[:, None] + w * x[:, None])]
    forms = np.array([*x_axis, *y_axis, onto.T @ onto])
    both_ways = forms + forms.transpose(0, 2, 1)
    return np.asarray(both_ways[:, _FIRST, _SECOND] * np.where(_FIRST == _SECOND, 0.5, 1.0))


def xy_axes(form: FloatArray, quat: FloatArray) -> FloatArray:
    """X and Y axes (2, 3, N), columns of the rotation matrices of quaternions (N, 4), of any length but zero.

    form: of axes_form, what the quaternions are multiplied by before. One product of matrices: many times as fast as a
    Rotation, for the few rows of a live stream and for very many.
    """
    components = quat.T
    found = form @ (components.take(_FIRST, axis=0) * components.take(_SECOND, axis=0))
    return np.asarray((found[:6] / found[6]).reshape(2, 3, -1))


def mirror_sagittal(quat: FloatArray) -> FloatArray:
    """Mirror quaternions (..., 4) between segment frames in the sagittal plane (z -> -z): (w,-x,-y,z).

    Source: ISB mirrors left-sided data before the angles are computed (Wu et al. 2005, section 2.4).
    """
    return np.asarray(quat * np.array([1.0, -1.0, -1.0, 1.0]))


def heading_rotation(angle_rad: FloatArray | float) -> Rotation:
    """Rotation about the vertical of the earth frame by angle_rad, (N,) or one."""
    return Rotation.from_rotvec(np.multiply.outer(np.asarray(angle_rad, dtype=np.float64), Z_AXIS))


def clipped(values: FloatArray, low: float, high: float) -> FloatArray:
    """As np.clip, NaN stays NaN; twice as fast for the few rows of a live stream."""
    return np.asarray(np.minimum(np.maximum(values, low), high))


def wrap_rad(angle_rad: FloatArray | float) -> FloatArray:
    """Wrap to [-pi, pi)."""
    return _wrapped(angle_rad, 2 * np.pi)


def wrap_deg(angle_deg: FloatArray | float) -> FloatArray:
    """Wrap to [-180, 180)."""
    return _wrapped(angle_deg, 360.0)


def _wrapped(angle: FloatArray | float, circle: float) -> FloatArray:
    # Several times as fast as the remainder, and what is within the circle stays as it is.
    return np.asarray(angle - circle * np.floor(angle / circle + 0.5))


def unwrapped_deg(angle_deg: FloatArray) -> FloatArray:
    """Degrees (N,) without jumps by 360 from the first known row on; NaN stays NaN."""
    out = angle_deg.copy()
    known = np.isfinite(out)
    seen = out[known]
    # Most curves never jump, which is told in a fraction of the time.
    if len(seen) > 1 and (np.abs(seen[1:] - seen[:-1]) >= 180.0).any():
        out[known] = np.unwrap(seen, period=360.0)
    return out


def sin_cos(angle_rad: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Sine and cosine (N,) by the tangent of the half, which numpy works out 8 times as fast."""
    tangent = np.tan(0.5 * angle_rad)
    factor = 2.0 / (1.0 + tangent * tangent)
    return tangent * factor, factor - 1.0


def side_sign(side: Side) -> float:
    """+1 for the right arm, -1 for the left: the factor on anatomical Z."""
    return 1.0 if side == "right" else -1.0


def isb_thoracohumeral_rad(thorax_from_humerus: Rotation) -> FloatArray:
    """ISB Y-X'-Y'' angles (N, 3) or (3,): plane of elevation, elevation (negative), axial rotation (internal +).

    SciPy's Euler sequences give the twin triple (a + 180, -b, c - 180), whose second angle is positive.
    """
    matrix = thorax_from_humerus.as_matrix()
    return isb_from_axes(matrix[..., :, 0].T, matrix[..., :, 1].T).T


def isb_from_axes(x_axis: FloatArray, y_axis: FloatArray) -> FloatArray:
    """The same triple (3, N) or (3,) from the humerus' X and Y axes (3, N) or (3,) in thorax components."""
    z_up = x_axis[2] * y_axis[0] - x_axis[0] * y_axis[2]  # Y component of Z = X x Y
    plane = np.arctan2(-y_axis[0], -y_axis[2])
    elevation = -np.arccos(clipped(y_axis[1], -1.0, 1.0))
    axial = np.arctan2(-x_axis[1], z_up)
    return np.array([plane, elevation, axial])


def cross(a: FloatArray, b: FloatArray) -> FloatArray:
    """Cross product of (3, ...); several times as fast as numpy's general one."""
    (ax, ay, az), (bx, by, bz) = a, b
    return np.array([ay * bz - az * by, az * bx - ax * bz, ax * by - ay * bx])


def rotated(quat: FloatArray, vector: FloatArray) -> FloatArray:
    """Vectors (N, 3) rotated by quaternions (N, 4) of length 1, scalar first; NaN rows stay NaN.

    v + 2 w (u x v) + 2 u x (u x v), written out: it is quick for very many and for very few.
    """
    w, x, y, z = quat.T
    return rotated_by((x, y, z, w), vector.T).T
