"""Which stillness tells the gyroscope's bias, and how sure it is: a large bias, a restless person, one moment alone."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.spatial.transform import Rotation
from test_orient import RATE_HZ, SWAY_DEG, sensed, standing_with_moves, sway, track

from imu_shoulder.orient.attitude import OrientParams, orient_afterwards


@pytest.mark.parametrize("bias_deg_s", [1.0, 3.0])
def test_a_gyroscope_that_is_off_by_as_much_as_any_is_still_set_right(bias_deg_s):
    """Consumer parts are off by 0.5 to 3 deg/s before any correction (from memory). About the vertical sway over
    5 s in seven moments leaves some 0.03 deg/s; a tenth of a deg/s is three times that."""
    true, _ = standing_with_moves(3)
    gyr, acc = sensed(true)
    bias = np.radians(bias_deg_s) * np.array([0.5, -0.3, 0.81])
    found = orient_afterwards(track(gyr + bias, acc), RATE_HZ, OrientParams()).bias
    assert len(found.row) >= 5
    assert np.degrees(np.abs(found.bias_rad_s - bias)).max() < 0.1 + 0.02 * bias_deg_s


def test_a_person_who_sways_twice_as_much_is_still_still():
    """0.6 deg from 0.1 to 1 Hz turns by some 2 deg/s: twice what is common, as after exercise (from memory)."""
    count = round(30 * RATE_HZ)
    true = Rotation.from_rotvec(2.0 * sway(count, 5))
    rate_deg_s = np.degrees(sensed(true)[0]).std(axis=0)
    assert rate_deg_s.max() > 1.3
    found = orient_afterwards(track(*sensed(true)), RATE_HZ, OrientParams()).bias
    assert len(found.row) > 0
    assert np.degrees(np.abs(found.bias_rad_s)).max() < 3 * 2 * SWAY_DEG * np.sqrt(2) / 10


@pytest.mark.parametrize("lasts_s", [10.0, 30.0])
def test_one_moment_is_as_sure_as_sway_over_its_duration(lasts_s):
    """Where the limb is at either end is off by the sway each, and the difference of two independent values by the root
    of two of it (any textbook); so is the mean rate times the duration. About level axes gravity knows it better."""
    stillness = OrientParams().stillness
    true = Rotation.from_rotvec(sway(round(lasts_s * RATE_HZ), 2))
    gyr, acc = sensed(true)
    found = orient_afterwards(track(gyr, acc), RATE_HZ, OrientParams()).bias
    assert len(found.row) == 1
    sway_rad = max(stillness.sway_rad, stillness.sway_s * np.sqrt(gyr.var(axis=0).mean()))
    upright = np.sqrt(2) * sway_rad / lasts_s
    # Seen in one moment and used in another, each of which has a little bias of its own.
    assert found.sd_rad_s[0] == pytest.approx(np.hypot(upright, np.sqrt(2) * stillness.apart_rad_s), rel=0.1)


def test_rests_of_a_second_and_a_half_between_reps_count():
    """Nobody rests longer in the midst of a set."""
    true, still = standing_with_moves(4, still_s=1.5)
    found = orient_afterwards(track(*sensed(true)), RATE_HZ, OrientParams()).bias
    assert len(found.row) >= 5
    assert still[found.row.astype(int)].all()
