"""What the sternum sensor says of the trunk."""

from __future__ import annotations

import numpy as np

from imu_shoulder.calibrate.model import SegmentAxes
from imu_shoulder.frames import clipped, sin_cos
from imu_shoulder.model import FloatArray


def trunk_angles(trunk: SegmentAxes) -> dict[str, FloatArray]:
    """trunk_lean_deg (tilt from the vertical) and trunk_turn_deg (heading since the pose, left positive), (N,)."""
    lean = np.degrees(np.arccos(clipped(trunk.y[1], -1.0, 1.0)))
    turn = np.degrees(np.arctan2(-trunk.x[2], trunk.x[0]))
    return {"trunk_lean_deg": lean, "trunk_turn_deg": turn}


def up_in_trunk(trunk: SegmentAxes) -> dict[str, FloatArray]:
    """The vertical in trunk components, (N,) each: its change tells any lean, and any roll of someone lying."""
    return {"trunk_up_x": trunk.x[1], "trunk_up_y": trunk.y[1], "trunk_up_z": trunk.z[1]}


def facing_axes(trunk: SegmentAxes) -> SegmentAxes:
    """Upright axes (3, N) that turn about the vertical with the trunk, their X NaN where it was not seen.

    The turn is the twist of the shortest swing and a twist about the vertical. Where the sensor sits on the chest does
    not matter to it, so it is known although the direction of a lean is not.
    """
    turn = np.arctan2(trunk.z[0] - trunk.x[2], trunk.x[0] + trunk.z[2])
    level = np.zeros_like(turn)
    sine, cosine = sin_cos(turn)
    return SegmentAxes(np.array([cosine, level, -sine]), np.array([level, level + 1.0, level]))
