"""A glance at one angle is the newest row of all of them. Equal by design, not by a publication."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy.spatial.transform import Rotation
from test_angles import seen_by

from imu_shoulder.angles.glance import newest_deg
from imu_shoulder.angles.joint import AngleParams, arm_angles
from imu_shoulder.angles.skin import SkinShare
from imu_shoulder.calibrate.model import ArmCalibration

ROWS = 40
NAMES = ("elevation", "rotation", "elbow", "forearm", "forearm_elevation", "plane", "trunk_lean")
SKIN = SkinShare(0.7, 0.1, 0.0)


def worn(seed: int, *, sternum: bool, joined: bool):
    """An arm in postures at random, and what its sensors show."""
    rng = np.random.default_rng(seed)
    seen = {
        place: seen_by(place, Rotation.random(ROWS, random_state=rng))
        for place in ("right_upper_arm", "right_wrist", *(["sternum"] if sternum else []))
    }
    used = ("neutral_pose", "elbow_bends")
    upper, wrist = (replace(seen[p][1], forward_known=True) for p in ("right_upper_arm", "right_wrist"))
    trunk = seen["sternum"][1] if sternum else None
    arm = ArmCalibration("right", upper, wrist, used, joined=joined, trunk=trunk, trunk_joined=sternum)
    return arm, {place: attitude for place, (attitude, _) in seen.items()}


@pytest.mark.parametrize("seed", range(3))
@pytest.mark.parametrize("sternum", [False, True])
@pytest.mark.parametrize("joined", [False, True])
@pytest.mark.parametrize("name", NAMES)
def test_a_glance_is_the_newest_row(name, seed, sternum, joined):
    arm, attitudes = worn(seed, sternum=sternum, joined=joined)
    glanced = newest_deg(name, arm, attitudes, lambda: attitudes, SKIN, AngleParams())
    whole = arm_angles(arm, attitudes, SKIN, AngleParams()).angles.get(f"{name}_deg", np.full(ROWS, np.nan))
    assert glanced == pytest.approx(whole[-1], abs=1e-9, nan_ok=True)
    known = {"trunk_lean": sternum, "elbow": joined, "forearm": joined, "plane": False}
    assert np.isfinite(glanced) or not known.get(name, True)
