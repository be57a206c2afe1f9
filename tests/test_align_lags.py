"""Lags of two signals: throughout, growing and jumping are told apart, as large as they are; and whose clock it is."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.ndimage import gaussian_filter1d

from imu_shoulder.align.apart import Apart, Turning, clocks_apart
from imu_shoulder.align.lags import GRID_HZ, Lags, lags_of
from imu_shoulder.model import FloatArray

WRIST, UPPER = "right_wrist", "right_upper_arm"
LASTS_S = 120.0
GRID_S = np.arange(0.0, LASTS_S, 1.0 / GRID_HZ)


def noise(seed: int, time_s: FloatArray = GRID_S) -> FloatArray:
    """What goes up and down within a second, at any times."""
    base_s = np.arange(-10.0, LASTS_S + 10.0, 0.02)
    own = gaussian_filter1d(np.random.default_rng(seed).normal(size=len(base_s)), 12)
    return np.interp(time_s, base_s, own / own.std())


def pair(late_s: FloatArray | float, share: float = 0.8, seed: int = 1) -> Lags:
    """Two signals that are alike in part, the second one late by so much."""
    first = share * noise(seed) + (1.0 - share) * noise(seed + 1)
    second = share * noise(seed, GRID_S - late_s) + (1.0 - share) * noise(seed + 2)
    return lags_of(first, second)


@pytest.mark.parametrize("late_s", [-1.5, -0.2, 0.2, 3.0])
def test_a_lag_throughout_is_measured(late_s):
    lag_s, sd_s, sure = pair(late_s).throughout()
    assert sure
    assert lag_s == pytest.approx(late_s, abs=2.0 * sd_s)
    assert pair(late_s).jump() is None
    assert pair(late_s).runs() is None


@pytest.mark.parametrize("seed", range(5))
def test_no_lag_is_none_of_them(seed):
    lags = pair(0.0, seed=10 * seed + 5)
    assert lags.throughout()[0] == pytest.approx(0.0, abs=0.06)
    assert not lags.throughout()[2]
    assert lags.jump() is None
    assert lags.runs() is None


@pytest.mark.parametrize("seed", range(5))
def test_what_has_nothing_in_common_has_no_lag(seed):
    lags = pair(1.0, share=0.0, seed=10 * seed + 5)
    assert not lags.throughout()[2]
    assert lags.jump() is None
    assert lags.runs() is None


@pytest.mark.parametrize("pace", [-0.02, -0.005, 0.005, 0.02, 0.03])
def test_a_lag_that_grows_is_measured(pace):
    # The second one is late by that as its own time has it.
    found = pair(0.3 + pace * GRID_S).runs()
    assert found is not None
    assert found.whole_s == pytest.approx(pace / (1.0 - pace) * LASTS_S, abs=2.0 * found.sd_s)
    assert found.offset_s == pytest.approx(0.3, abs=0.1)


@pytest.mark.parametrize("by_s", [-2.0, -0.5, 0.5, 1.0])
@pytest.mark.parametrize("at_s", [30.0, 85.0])
def test_a_lag_that_jumps_is_measured(by_s, at_s):
    lags = pair(by_s * np.where(at_s > GRID_S, 0.0, 1.0))
    found = lags.jump()
    assert found is not None
    assert found.by_s == pytest.approx(by_s, abs=2.0 * found.sd_s)
    assert found.at_s == pytest.approx(at_s, abs=5.0)
    running = lags.runs()
    assert running is None or running.better < found.better


def turning(placement: str, clock: FloatArray, seed: int = 3, **more: object) -> Turning:
    """How fast a sensor turns at true times, on a clock of its own, at 100 Hz."""
    rate = np.exp(noise(1, TRUE_S) + 0.3 * noise(seed, TRUE_S))
    return Turning(placement, clock, rate, 100.0, **more)  # type: ignore[arg-type]


TRUE_S = np.arange(0.0, LASTS_S, 0.01)


@pytest.mark.parametrize("wrong", [WRIST, UPPER])
@pytest.mark.parametrize("pace", [0.985, 1.015])
def test_the_clock_of_another_pace_is_the_one_whose_rows_say_so(wrong, pace):
    sensors = [turning(p, TRUE_S * (pace if p == wrong else 1.0), seed) for p, seed in ((WRIST, 3), (UPPER, 4))]
    (found,) = clocks_apart(sensors, ())
    assert (found.placement, found.code, found.steady) == (wrong, "clocks_apart", False)
    own_s = TRUE_S * pace
    assert np.abs(own_s - found.ahead_at(own_s) - TRUE_S).max() < 0.12
    assert ("slow" if pace < 1 else "fast") in found.text


@pytest.mark.parametrize("wrong", [WRIST, UPPER])
def test_a_jump_is_taken_back_where_the_sensors_own_time_has_it(wrong):
    jumped_s = TRUE_S + 1.0 * (TRUE_S > 60.0)
    sensors = [turning(p, jumped_s if p == wrong else TRUE_S, seed) for p, seed in ((WRIST, 3), (UPPER, 4))]
    (found,) = clocks_apart(sensors, ())
    assert (found.placement, found.code) == (wrong, "clocks_apart")
    assert np.abs(jumped_s - found.ahead_at(jumped_s) - TRUE_S).max() < 0.1


def test_a_jump_that_no_time_stamp_shows_leaves_the_sensor_out():
    """Its rows went missing for a second, and its clock did not count them."""
    kept = (TRUE_S < 60.0) | (TRUE_S > 61.5)
    first = turning(WRIST, TRUE_S)
    whole = turning(UPPER, TRUE_S, 4)
    second = Turning(UPPER, np.arange(np.count_nonzero(kept)) * 0.01, whole.rate_rad_s[kept], 100.0)
    (found,) = clocks_apart([first, second], ())
    assert found.code == "clock_unknown"
    assert not found.mended


def test_a_clock_that_was_set_back_is_the_one_that_jumped():
    kept = (TRUE_S < 60.0) | (TRUE_S > 61.5)
    whole = turning(UPPER, TRUE_S, 4)
    own_s = np.arange(np.count_nonzero(kept)) * 0.01
    second = Turning(UPPER, own_s, whole.rate_rad_s[kept], 100.0, (60.0,))
    (found,) = clocks_apart([turning(WRIST, TRUE_S), second], ())
    assert (found.placement, found.code) == (UPPER, "clocks_apart")
    assert np.abs(own_s - found.ahead_at(own_s) - TRUE_S[kept]).max() < 0.1


def test_a_hole_in_which_rows_are_missing_is_no_jump():
    """The rows after it have their right time."""
    kept = (TRUE_S < 60.0) | (TRUE_S > 61.0)
    whole = turning(UPPER, TRUE_S, 4)
    second = Turning(UPPER, TRUE_S[kept], whole.rate_rad_s[kept], 100.0)
    assert clocks_apart([turning(WRIST, TRUE_S), second], ()) == []


def test_what_is_ahead_throughout_is_so_at_any_time():
    assert Apart(WRIST, UPPER, 0.5).ahead_at(np.array([0.0, 60.0])).tolist() == [0.5, 0.5]
