"""Single readings that cannot be are mended, and nothing else is touched."""

from __future__ import annotations

import numpy as np
import pytest

from imu_shoulder.align.spikes import SpikeParams, spike_rows, undo_wraps, without_spikes
from imu_shoulder.align.unfit import unfit_stretches
from imu_shoulder.errors import ParameterError
from imu_shoulder.model import FloatArray

RATE_HZ, ROWS = 100.0, 6000
PARAMS = SpikeParams()


def arm(rate_rad_s: float = 3.0, hz: float = 0.4) -> FloatArray:
    """An arm that goes up and down, (N, 6), with the noise of a good sensor."""
    time_s = np.arange(ROWS) / RATE_HZ
    phase = 2 * np.pi * hz * time_s
    tilt = rate_rad_s / (2 * np.pi * hz) * (1 - np.cos(phase))
    rng = np.random.default_rng(3)
    acc = 9.81 * np.column_stack([np.sin(tilt), 0 * tilt, np.cos(tilt)]) + rng.normal(0, 0.03, (ROWS, 3))
    gyr = np.column_stack([0 * tilt, rate_rad_s * np.sin(phase), 0 * tilt]) + rng.normal(0, 0.003, (ROWS, 3))
    return np.asfortranarray(np.hstack([acc, gyr]))


@pytest.mark.parametrize("share", [0.001, 0.01, 0.05])
def test_spikes_are_found_and_a_line_put_in_their_place(share):
    """Every one of them, and no row beside."""
    true, rng = arm(), np.random.default_rng(5)
    values = true.copy(order="F")
    rows = rng.choice(np.arange(10, ROWS - 10), round(share * ROWS), replace=False)
    values[rows, rng.integers(0, 6, len(rows))] += rng.choice([-70.0, 70.0], len(rows))
    assert undo_wraps(values, PARAMS) is None
    found = spike_rows(values, PARAMS)
    np.testing.assert_array_equal(np.flatnonzero(found), np.sort(rows))
    without_spikes(values, found)
    assert np.abs(values[:, :3] - true[:, :3]).max() < 0.5
    assert np.abs(values[:, 3:] - true[:, 3:]).max() < 0.05


@pytest.mark.parametrize("hz", [0.4, 3.0, 8.0])
def test_a_fast_limb_has_no_spikes(hz):
    values = arm(6.0, hz)
    was = values.copy()
    assert undo_wraps(values, PARAMS) is None
    assert not spike_rows(values, PARAMS).any()
    np.testing.assert_array_equal(values, was)


def test_what_lasts_is_no_spike():
    values = arm()
    values[2000:2010, 1] += 60.0
    assert not spike_rows(values, PARAMS).any()


@pytest.mark.parametrize("over_rad_s", [2.9, 2.0, 1.2])
def test_a_gyroscope_that_runs_over_is_put_right(over_rad_s):
    """From hardly over its range to more than twice over."""
    true = arm()
    values = true.copy(order="F")
    values[:, 4] = (values[:, 4] + over_rad_s) % (2 * over_rad_s) - over_rad_s
    assert undo_wraps(values, PARAMS) == "gyroscope"
    assert np.abs(values - true).max() < 0.05


def test_an_accelerometer_that_had_run_over_when_it_began():
    """Gravity itself is beyond its range while the arm hangs."""
    true = arm()
    values = true.copy(order="F")
    values[:, 2] = (values[:, 2] + 9.0) % 18.0 - 9.0
    assert values[0, 2] < 0.0
    assert undo_wraps(values, PARAMS) == "accelerometer"
    assert np.abs(values - true).max() < 0.2


def test_noise_is_left_out_where_it_lasts_and_a_limb_is_not():
    rng = np.random.default_rng(8)
    values = arm(4.0, 2.0)
    none = np.zeros(ROWS, dtype=np.bool_)
    assert unfit_stretches(values, RATE_HZ, 1.0, none) == []
    values[1000:1600, 3:] += rng.normal(0, 1.0, (600, 3))
    values[3000:3060, 3:] += rng.normal(0, 1.0, (60, 3))
    (found,) = unfit_stretches(values, RATE_HZ, 1.0, none)
    assert (found.code, found.start, found.end) == ("noisy", pytest.approx(1000, abs=50), pytest.approx(1600, abs=50))


def test_a_small_packet_that_comes_twice_is_told_from_a_coarse_sensor():
    none = np.zeros(ROWS, dtype=np.bool_)
    values = arm()
    for first in (1000, 2500, 4000):
        values[first + 4 : first + 8] = values[first : first + 4]
    found = unfit_stretches(values, RATE_HZ, 1.0, none)
    assert [(one.code, one.start, one.end) for one in found] == [
        ("repeated_rows", first + 4, first + 8) for first in (1000, 2500, 4000)
    ]
    coarse = np.round(arm(0.02) / 0.5) * 0.5
    assert [one for one in unfit_stretches(coarse, RATE_HZ, 1.0, none) if one.code == "repeated_rows"] == []


@pytest.mark.parametrize("name", ["acc_m_s2", "restless", "wrap_share"])
def test_limits_that_cannot_be_meant_are_refused(name):
    with pytest.raises(ParameterError, match=name):
        SpikeParams(**{name: 0.0})
