"""Joint angles of docs/coordinates.md from where the segments point, in degrees: our own computation, by components.

Three references. About the trunk: plain names. About the vertical with the trunk's own heading: `_gravity`. About the
vertical with where the person stands to face, so that sway and turns of the trunk count as the arm's: `_facing`.
"""

from __future__ import annotations

import numpy as np

from imu_shoulder.model import Side
from second_simulator.body import MIRROR, STANDING
from second_simulator.quat import Array, about, inverse, product, turned, twist_y_rad

Y = np.array([[0.0], [1.0], [0.0]])
X = np.array([[1.0], [0.0], [0.0]])
NO_PLANE_DEG = 15.0


def angle_to_down_deg(earth_from_segment: Array) -> Array:
    """Between hanging and where a segment's far end points."""
    return np.degrees(np.arccos(np.clip(turned(earth_from_segment, Y)[2], -1.0, 1.0)))


def upper_arm_deg(reference_from_humerus: Array, side: Side) -> tuple[Array, Array, Array]:
    """Elevation, plane and rotation of an upper arm in a reference with X forward, Y up, Z right."""
    quat = reference_from_humerus if side == "right" else reference_from_humerus * MIRROR
    away = -turned(quat, Y)  # to the elbow
    elevation = np.degrees(np.arctan2(np.hypot(away[0], away[2]), -away[1]))
    plane = np.degrees(np.arctan2(away[0], away[2]))
    undefined = (elevation < NO_PLANE_DEG) | (elevation > 180 - NO_PLANE_DEG)
    rotation = np.degrees(-twist_y_rad(quat))
    return elevation, np.where(undefined, np.nan, plane), (rotation + 180) % 360 - 180


def elbow_deg(humerus_from_forearm: Array, side: Side) -> tuple[Array, Array]:
    """Flexion and pronation, the first and the last angle of Z-X'-Y''."""
    quat = humerus_from_forearm if side == "right" else humerus_from_forearm * MIRROR
    y_axis, z_axis = turned(quat, Y), turned(quat, np.array([[0.0], [0.0], [1.0]]))
    x_axis = turned(quat, X)
    flexion = np.degrees(np.arctan2(-y_axis[0], y_axis[1]))
    return flexion, np.degrees(np.arctan2(-x_axis[2], z_axis[2]))


def heading_rad(earth_from_thorax: Array) -> Array:
    """Where the trunk faces: its turn about the vertical after the shortest tilt."""
    quat = product(earth_from_thorax, inverse(STANDING))
    return np.unwrap(2 * np.arctan2(quat[3], quat[0]))


def upright(heading: Array) -> Array:
    """Earth from a reference that stands upright and faces this way."""
    return product(about(2, heading), STANDING)


def arm_deg(thorax: Array, facing_rad: Array, humerus: Array, forearm: Array, side: Side) -> dict[str, Array]:
    """Every angle of one arm from attitudes (4, N), earth from segment."""
    out = {}
    references = {"": thorax, "_gravity": upright(heading_rad(thorax)), "_facing": upright(facing_rad)}
    for name, reference in references.items():
        elevation, plane, rotation = upper_arm_deg(product(inverse(reference), humerus), side)
        out |= {f"elevation{name}_deg": elevation, f"plane{name}_deg": plane, f"rotation{name}_deg": rotation}
    out["elbow_deg"], out["forearm_deg"] = elbow_deg(product(inverse(humerus), forearm), side)
    out["thumb_up_deg"] = np.degrees(np.arcsin(np.clip(turned(forearm, X)[2], -1.0, 1.0)))
    out["forearm_elevation_deg"] = angle_to_down_deg(forearm)
    return out
