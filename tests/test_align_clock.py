"""Clocks with known truth: what is repaired must land on the true sampling times."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from imu_shoulder.align.clock import Clock, repair_clock, wrap_period_s
from imu_shoulder.model import FloatArray

SPLIT_S = 0.05


def repair(stamps: FloatArray, declared_hz: float = 100.0) -> Clock:
    return repair_clock(stamps, declared_hz, SPLIT_S)


def error_s(clock: Clock, true_s: FloatArray) -> FloatArray:
    """Of the repaired times, leaving out the constant delay of all stamps, which nothing can tell."""
    error = clock.time_s - true_s[clock.rows]
    return error - np.median(error)


@pytest.mark.parametrize("rate_hz", [100.0, 100.3, 97.0, 51.2])
@pytest.mark.parametrize("jitter", [0.0, 0.05, 0.2, 0.3])
@pytest.mark.parametrize("lost", [0.0, 0.02, 0.1])
def test_jitter_goes_and_lost_samples_are_counted(rate_hz: float, jitter: float, lost: float) -> None:
    rng = np.random.default_rng(7)
    kept = np.flatnonzero((rng.random(12_000) >= lost) | (np.arange(12_000) < 2))
    true_s = 3.7 + kept / rate_hz
    clock = repair(true_s + jitter / rate_hz * rng.normal(size=len(kept)), 50.0 if rate_hz < 60 else 100.0)
    assert clock.rate_hz == pytest.approx(rate_hz, rel=2e-5)
    assert clock.holes()[1].sum() == kept[-1] + 1 - len(kept)
    error = error_s(clock, true_s) * rate_hz
    # Which of two neighbours was lost cannot always be told under such jitter; that one was lost can.
    off = np.abs(error) > 0.5
    assert off.mean() <= (0.0 if lost == 0 or jitter < 0.1 else 0.01 if jitter < 0.25 else 0.05)
    assert np.abs(error).max() < 2.5
    # Medians of blocks of 500 samples: 1.25 jitter / sqrt(500) = 0.056 jitter, and a little for the line between them.
    assert np.sqrt(np.mean(error[~off] ** 2)) < max(0.1 * jitter, 1e-9)


def test_jitter_is_measured() -> None:
    rng = np.random.default_rng(3)
    clock = repair(np.arange(6000) / 100 + 0.001 * rng.normal(size=6000))
    assert clock.jitter_sd_s == pytest.approx(0.001, rel=0.05)


@pytest.mark.parametrize("size", [2, 4, 8])
@pytest.mark.parametrize("spaced_s", [0.0, 1e-4])
def test_packets_that_arrive_late_lose_nothing(size: int, spaced_s: float) -> None:
    """Arrival stamps: packets of a few samples, waiting an exponential time of 20 ms on average."""
    rng = np.random.default_rng(5)
    sample = np.arange(12_000)
    packet = sample // size
    arrival_s = (packet + 1) * size / 100 + rng.exponential(0.02, packet[-1] + 1)[packet]
    stamps = np.maximum.accumulate(arrival_s) + spaced_s * (sample % size)
    clock = repair(stamps)
    assert len(clock.rows) == len(sample)
    assert clock.rate_hz == pytest.approx(100.0, rel=1e-3)
    assert clock.holes()[1].sum() <= 0.001 * len(sample)
    assert np.sqrt(np.mean(error_s(clock, sample / 100) ** 2)) < 0.004


def test_lost_packets_are_told_from_late_ones() -> None:
    rng = np.random.default_rng(5)
    sample = np.arange(12_000)
    packet = sample // 8
    arrival_s = (packet + 1) * 0.08 + rng.exponential(0.002, packet[-1] + 1)[packet]
    kept = (rng.random(packet[-1] + 1) >= 0.02)[packet] | (packet == 0)
    clock = repair(arrival_s[kept])
    assert clock.holes()[1].sum() == pytest.approx(np.ptp(sample[kept]) + 1 - kept.sum(), abs=1)
    assert np.abs(error_s(clock, sample[kept] / 100)).max() < 0.015


def test_gaps_are_kept_with_their_length() -> None:
    true_s = np.arange(20_000) / 100
    out = ((true_s > 20) & (true_s < 21.5)) | ((true_s > 60) & (true_s < 95)) | (np.abs(true_s - 120) < 0.004)
    clock = repair(true_s[~out])
    after, missing = clock.holes()
    np.testing.assert_array_equal(missing, [149, 3499, 1])
    np.testing.assert_allclose(clock.time_s[after] - clock.time_s[after - 1], [1.5, 35.0, 0.02], atol=1e-9)
    np.testing.assert_allclose(clock.time_s, true_s[~out], atol=1e-9)


@pytest.mark.parametrize(
    ("bits", "tick_s"), [(32, 1e-6), (16, 1e-3), (32, 1e-9), (24, 1e-6), (16, 1 / 32768), (24, 1 / 32768)]
)
def test_counter_wraps_are_undone(bits: int, tick_s: float) -> None:
    period_s = 2**bits * tick_s
    true_s = period_s - 0.8 + np.arange(3000) / 100
    clock = repair(np.floor(true_s / tick_s) * tick_s % period_s)
    assert clock.wraps == int(true_s[-1] // period_s)
    assert clock.set_back_s == ()
    np.testing.assert_allclose(clock.time_s - clock.time_s[0], true_s - true_s[0], atol=2 * tick_s + 1e-9)


def test_wrap_inside_a_gap_keeps_the_gap() -> None:
    true_s = 65.0 + np.arange(3000) / 100
    kept = (true_s < 65.4) | (true_s > 65.7)
    clock = repair(true_s[kept] % 65.536)
    assert clock.wraps == 1
    np.testing.assert_allclose(clock.time_s, true_s[kept], atol=1e-6)


@pytest.mark.parametrize("by_s", [0.05, 0.2, 3.0, 50.0])
def test_a_clock_that_was_set_back_goes_on(by_s: float) -> None:
    true_s = np.arange(6000) / 100
    clock = repair(np.where(true_s >= 30, true_s - by_s, true_s) + 100.0)
    assert len(clock.set_back_s) == 1
    assert clock.wraps == 0
    assert len(clock.rows) == len(true_s)
    np.testing.assert_allclose(clock.time_s, true_s + 100.0, atol=1e-6)


def test_late_samples_are_sorted_in_and_repeats_left_out() -> None:
    true_s = np.arange(4000) / 100
    order = np.arange(4000)
    order[1000:1006] = [1003, 1004, 1005, 1000, 1001, 1002]
    order = np.insert(order, [500, 2000, 3000], [499, 1999, 2990])  # two repeated at once, one sent again later
    clock = repair(true_s[order])
    assert (clock.reordered, clock.duplicates, clock.set_back_s) == (1, 3, ()) or clock.reordered == 2
    assert clock.duplicates == 3
    np.testing.assert_allclose(clock.time_s, true_s, atol=1e-9)
    np.testing.assert_array_equal(order[clock.rows], np.arange(4000))


def test_slow_wander_of_the_receiving_clock_is_followed() -> None:
    true_s = np.arange(60_000) / 100
    stamps = true_s + 0.03 * np.sin(2 * np.pi * true_s / 300) + 0.001 * np.random.default_rng(1).normal(size=60_000)
    clock = repair(stamps)
    assert clock.holes()[1].sum() == 0
    assert np.abs(clock.time_s - stamps).max() < 0.006


def test_wrap_period_needs_a_known_counter() -> None:
    assert wrap_period_s(0.01 - 65.536, 0.01) == pytest.approx(65.536)
    assert wrap_period_s(-50.0, 0.01) is None
    assert wrap_period_s(-0.02, 0.01) is None


@settings(max_examples=60)
@given(
    st.lists(st.floats(0, 200, allow_nan=False, width=32), min_size=1, max_size=40),
    st.sampled_from([25.0, 100.0, 400.0]),
)
def test_any_stamps_come_out_increasing(stamps: list[float], rate_hz: float) -> None:
    clock = repair(np.array(stamps), rate_hz)
    assert (np.diff(clock.time_s) > 0).all()
    assert len(set(clock.rows.tolist())) == len(clock.rows) == len(clock.time_s)
    assert np.isfinite(clock.rate_hz)
    assert clock.rate_hz > 0
