"""Masks of rows and gaps in them, against scipy's labelling and numpy's interpolation."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.ndimage import binary_dilation, label, minimum_filter1d

from imu_shoulder.arrays import bridged, joined_runs, longest_run, near, runs, sliding

MASKS = [np.zeros(0, bool), np.zeros(5, bool), np.ones(5, bool)]
MASKS += [np.random.default_rng(seed).random(60) < share for seed in range(10) for share in (0.2, 0.5, 0.9)]


@pytest.mark.parametrize("mask", MASKS)
def test_runs_are_those_that_scipy_labels(mask):
    labels, count = label(mask)
    expected = [(rows[0], rows[-1] + 1) for rows in (np.flatnonzero(labels == k) for k in range(1, count + 1))]
    assert runs(mask) == expected
    assert longest_run(mask) == (np.bincount(labels.ravel())[1:].max() if count else 0)
    assert runs(mask, 3) == [(first, last) for first, last in expected if last - first >= 3]


def test_runs_are_joined_over_gaps_up_to_the_step():
    mask = np.array([1, 0, 1, 0, 0, 1, 1, 0, 0, 0, 1], dtype=bool)
    assert joined_runs(mask, 1) == runs(mask) == [(0, 1), (2, 3), (5, 7), (10, 11)]
    assert joined_runs(mask, 2) == [(0, 3), (5, 7), (10, 11)]
    assert joined_runs(mask, 3) == [(0, 7), (10, 11)]
    assert joined_runs(mask, 4) == [(0, 11)]
    assert joined_runs(np.zeros(3, bool), 9) == []


@pytest.mark.parametrize("mask", [m for m in MASKS if m.any()])
@pytest.mark.parametrize("shape", [(), (3,)])
def test_gaps_are_bridged_as_numpy_interpolates_and_what_is_known_stays(mask, shape):
    values = np.random.default_rng(1).normal(size=(len(mask), *shape))
    given = values.copy()
    given[~mask] = np.nan
    rows = np.arange(len(mask))
    found = bridged(given, mask)
    for column, ours in zip(values.reshape(len(rows), -1).T, found.reshape(len(rows), -1).T, strict=True):
        np.testing.assert_array_equal(ours, np.interp(rows, rows[mask], column[mask]))
    assert found.flags.c_contiguous
    assert np.isnan(given[~mask]).all()  # what was given is not written into


@pytest.mark.parametrize("mask", [m for m in MASKS if m.any()])
def test_without_a_mask_the_finite_values_are_known(mask):
    values = np.where(mask, np.arange(len(mask), dtype=float) ** 2, np.nan)
    np.testing.assert_array_equal(bridged(values), bridged(values, mask))


def test_nothing_known_stays_unknown():
    assert np.isnan(bridged(np.full(4, np.nan), np.zeros(4, bool))).all()


@pytest.mark.parametrize("width", [1, 2, 3, 7, 8, 60])
def test_a_minimum_slides_as_that_of_scipy(width):
    values = np.random.default_rng(2).normal(size=60)
    whole = minimum_filter1d(values, width, mode="nearest")
    inside = slice(width // 2, len(values) - (width - 1 - width // 2))
    np.testing.assert_array_equal(sliding(np.minimum, values, width), whole[inside])


@pytest.mark.parametrize("mask", [m for m in MASKS if len(m)])
@pytest.mark.parametrize("reach", [1, 2, 9, 70])
@pytest.mark.parametrize("beyond", [False, True])
def test_near_is_what_scipy_dilates(mask, reach, beyond):
    expected = binary_dilation(mask, iterations=reach, border_value=beyond)
    np.testing.assert_array_equal(near(mask, reach, beyond=beyond), expected)
    np.testing.assert_array_equal(near(mask, 0), mask)
