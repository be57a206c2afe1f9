"""What the sternum sensor says of the trunk."""

from __future__ import annotations

import numpy as np

from imu_shoulder.calibrate.model import SegmentAxes
from imu_shoulder.model import FloatArray


def trunk_angles(trunk: SegmentAxes) -> dict[str, FloatArray]:
    """trunk_lean_deg (tilt from the vertical) and trunk_turn_deg (heading since the pose, left positive), (N,)."""
    lean = np.degrees(np.arccos(np.clip(trunk.y[1], -1.0, 1.0)))
    turn = np.degrees(np.arctan2(-trunk.x[2], trunk.x[0]))
    return {"trunk_lean_deg": lean, "trunk_turn_deg": turn}


def up_in_trunk(trunk: SegmentAxes) -> dict[str, FloatArray]:
    """The vertical in trunk components, (N,) each: its change tells any lean, and any roll of someone lying."""
    return {"trunk_up_x": trunk.x[1], "trunk_up_y": trunk.y[1], "trunk_up_z": trunk.z[1]}
