"""Rows that no sensor reads are told from those that one does: filled in, written twice, noise, coarse, filed twice."""

from __future__ import annotations

import numpy as np
import pytest
from test_align_spikes import PARAMS, RATE_HZ, ROWS, arm

from imu_shoulder.align.checks import clipped_rows, coarse_steps
from imu_shoulder.align.same import same_rows
from imu_shoulder.align.spikes import undo_wraps
from imu_shoulder.align.unfit import Unfit, unfit_stretches
from imu_shoulder.model import FloatArray

NONE_CLIPPED = np.zeros(ROWS, dtype=np.bool_)


def unfit(values: FloatArray, **more: bool) -> list[Unfit]:
    return unfit_stretches(values, RATE_HZ, 1.0, NONE_CLIPPED, **more)


def converted(values: FloatArray, acc_m_s2: float = 0.005, gyr_rad_s: float = 0.001) -> FloatArray:
    step = np.array([acc_m_s2] * 3 + [gyr_rad_s] * 3)
    return np.asfortranarray(np.round(values / step) * step)


def test_an_arm_that_moves_has_no_unfit_rows():
    assert unfit(arm()) == []
    assert unfit(converted(arm())) == []


@pytest.mark.parametrize("lasts", [30, 90])
def test_a_straight_line_in_all_channels_was_filled_in(lasts):
    values = converted(arm())
    rows = slice(2000, 2000 + lasts + 1)
    values[rows] = np.linspace(values[2000], values[2000 + lasts], lasts + 1)
    (found,) = unfit(values)
    assert found.code == "filled_rows"
    assert (found.start, found.end) == (2000, 2001 + lasts)


def test_a_short_line_and_one_of_some_channels_are_left():
    values = arm()
    values[2000:2006] = np.linspace(values[2000], values[2005], 6)
    values[4000:4100, 3:] = np.linspace(values[4000, 3:], values[4099, 3:], 100)
    assert unfit(values) == []


def test_of_rows_that_come_in_pairs_the_second_ones_are_left_out():
    values = converted(arm())
    values[2001:3000:2] = values[2000:2999:2]
    found = unfit(values)
    assert {one.code for one in found} == {"repeated_rows"}
    assert [one.start for one in found] == list(range(2001, 3000, 2))
    assert all(one.end == one.start + 1 for one in found)


def test_a_coarse_sensor_repeats_itself_by_chance():
    values = converted(arm(), 0.5, 0.035)
    assert coarse_steps(values) == pytest.approx((0.5, 0.035))
    assert unfit(values, coarse=True) == []
    assert not clipped_rows(values, [np.inf] * 6, coarse=True).any()
    assert coarse_steps(converted(arm())) == coarse_steps(arm()) == (0.0, 0.0)


def test_noise_that_pauses_is_left_out_in_one_piece():
    values, rng = arm(), np.random.default_rng(2)
    values[2000:5000, 3:] += rng.normal(0.0, 1.0, (3000, 3))
    # Half as long as the noise that is looked for.
    values[3300:3400, 3:] = arm()[3300:3400, 3:]
    (found,) = unfit(values)
    assert found.code == "noisy"
    assert found.start <= 2000 < 5000 <= found.end
    assert found.end - found.start < 3200


def test_signs_that_flip_in_single_rows_are_no_range_that_ran_over():
    values = np.asfortranarray(np.tile(arm()[:1], (ROWS, 1)) + np.random.default_rng(4).normal(0, 0.01, (ROWS, 6)))
    values[np.random.default_rng(5).choice(ROWS, 60, replace=False), 2] *= -1.0
    was = values.copy()
    assert undo_wraps(values, PARAMS) is None
    np.testing.assert_array_equal(values, was)


def test_sensors_with_the_same_rows_are_found_and_others_are_not():
    time_s = np.arange(ROWS) / RATE_HZ
    one, other = arm(), arm(2.0)
    assert same_rows({"right_wrist": (time_s, one), "right_upper_arm": (time_s, other)}) == {}
    assert same_rows({"right_wrist": (time_s, one), "sternum": (time_s, one)}) == {
        "right_wrist": "sternum",
        "sternum": "right_wrist",
    }
    other[ROWS // 2 :] = one[ROWS // 2 :]
    assert set(same_rows({"right_wrist": (time_s, one), "right_upper_arm": (time_s, other)})) == {
        "right_wrist",
        "right_upper_arm",
    }
    zeros = np.zeros((ROWS, 6))
    assert same_rows({"right_wrist": (time_s, zeros), "right_upper_arm": (time_s, zeros)}) == {}
