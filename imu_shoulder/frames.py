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


def quat_from_rotation(rotation: Rotation) -> FloatArray:
    """Quaternions (..., 4), scalar first."""
    return np.asarray(rotation.as_quat(scalar_first=True), dtype=np.float64)


def matrix_from_quat(quat: FloatArray) -> FloatArray:
    """Rotation matrices (..., 3, 3) of quaternions (..., 4), scalar first, of any length but zero.

    Many times as fast as a Rotation for the few rows of a live stream.
    """
    w, x, y, z = np.moveaxis(quat, -1, 0)
    s = 2.0 / (w * w + x * x + y * y + z * z)
    rows = [
        [1 - s * (y * y + z * z), s * (x * y - w * z), s * (x * z + w * y)],
        [s * (x * y + w * z), 1 - s * (x * x + z * z), s * (y * z - w * x)],
        [s * (x * z - w * y), s * (y * z + w * x), 1 - s * (x * x + y * y)],
    ]
    return np.moveaxis(np.array(rows), (0, 1), (-2, -1))


def mirror_sagittal(quat: FloatArray) -> FloatArray:
    """Mirror quaternions (..., 4) between segment frames in the sagittal plane (z -> -z): (w,-x,-y,z).

    Source: ISB mirrors left-sided data before the angles are computed (Wu et al. 2005, section 2.4).
    """
    return np.asarray(quat * np.array([1.0, -1.0, -1.0, 1.0]))


def heading_rotation(angle_rad: FloatArray | float) -> Rotation:
    """Rotation about the vertical of the earth frame by angle_rad, (N,) or one."""
    return Rotation.from_rotvec(np.multiply.outer(np.asarray(angle_rad, dtype=np.float64), Z_AXIS))


def wrap_rad(angle_rad: FloatArray) -> FloatArray:
    """Wrap to [-pi, pi)."""
    return np.asarray((angle_rad + np.pi) % (2 * np.pi) - np.pi)


def side_sign(side: Side) -> float:
    """+1 for the right arm, -1 for the left: the factor on anatomical Z."""
    return 1.0 if side == "right" else -1.0


def isb_thoracohumeral_rad(thorax_from_humerus: Rotation) -> FloatArray:
    """ISB Y-X'-Y'' angles (N, 3) or (3,): plane of elevation, elevation (negative), axial rotation (internal +).

    SciPy's Euler sequences give the twin triple (a + 180, -b, c - 180), whose second angle is positive.
    """
    matrix = thorax_from_humerus.as_matrix()
    return isb_from_axes(matrix[..., :, 0], matrix[..., :, 1])


def isb_from_axes(x_axis: FloatArray, y_axis: FloatArray) -> FloatArray:
    """The same triple (..., 3) from the humerus' X and Y axes (..., 3) in thorax components."""
    z_up = x_axis[..., 2] * y_axis[..., 0] - x_axis[..., 0] * y_axis[..., 2]  # Y component of Z = X x Y
    plane = np.arctan2(-y_axis[..., 0], -y_axis[..., 2])
    elevation = -np.arccos(np.clip(y_axis[..., 1], -1.0, 1.0))
    axial = np.arctan2(-x_axis[..., 1], z_up)
    return np.stack([plane, elevation, axial], axis=-1)


def cross(a: FloatArray, b: FloatArray) -> FloatArray:
    """Cross product of (N, 3); several times as fast as numpy's general one."""
    return np.column_stack(
        [
            a[:, 1] * b[:, 2] - a[:, 2] * b[:, 1],
            a[:, 2] * b[:, 0] - a[:, 0] * b[:, 2],
            a[:, 0] * b[:, 1] - a[:, 1] * b[:, 0],
        ]
    )
