"""The filters against those of scipy.signal and scipy.ndimage, which they stand for."""

from __future__ import annotations

import subprocess
import sys

import numpy as np
import pytest
from scipy import ndimage, signal

from imu_shoulder.filters import low_passed, moving_mean


@pytest.mark.parametrize("ends", ["odd", "constant"])
@pytest.mark.parametrize(("cutoff_hz", "rate_hz"), [(3.0, 100.0), (0.8, 40.0), (3.0, 800.0), (20.0, 50.0)])
@pytest.mark.parametrize("shape", [(1,), (2, 3), (12,), (1000,), (1000, 3)])
def test_it_is_the_same_as_the_library(ends, cutoff_hz, rate_hz, shape):
    values = 50 + np.random.default_rng(0).normal(0, 10, shape).cumsum(axis=0)
    pad = min(len(values) - 1, round(rate_hz))
    sections = signal.butter(2, cutoff_hz, fs=rate_hz, output="sos")
    want = signal.sosfiltfilt(sections, values, axis=0, padtype=ends, padlen=pad)
    np.testing.assert_allclose(low_passed(values, cutoff_hz, rate_hz, pad, ends), want, rtol=0, atol=1e-8)


def test_a_constant_stays():
    np.testing.assert_allclose(low_passed(np.full(300, 70.0), 3.0, 100.0, 100), 70.0, rtol=0, atol=1e-9)


def test_an_analysis_takes_no_large_part_of_scipy_that_it_can_do_without(small_recording, tmp_path):
    """Their import costs as much as the work on a recording of minutes."""
    code = (
        "import sys; from imu_shoulder.cli import cli\n"
        f"cli.main(['analyse', {str(small_recording)!r}, '--out', {str(tmp_path / 'out')!r}], standalone_mode=False)\n"
        "parts = ('scipy.signal', 'scipy.stats', 'scipy.optimize', 'scipy.interpolate', 'scipy.ndimage')\n"
        "print([name for name in parts if name in sys.modules])"
    )
    found = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert found.stdout.splitlines()[-1] == "[]"


@pytest.mark.parametrize(("ends", "mode"), [("even", "reflect"), ("constant", "nearest")])
@pytest.mark.parametrize("width", [1, 2, 5, 8, 51])
@pytest.mark.parametrize(
    ("shape", "axis"), [((1,), 0), ((3,), 0), ((400,), 0), ((400, 3), 0), ((3, 400), 1), ((3, 40, 6), 1)]
)
def test_a_moving_mean_is_the_library_s_to_the_last_bit(shape, axis, width, ends, mode):
    values = 50 + np.random.default_rng(0).normal(0, 10, shape)
    want = ndimage.uniform_filter1d(values, width, axis=axis, mode=mode)
    np.testing.assert_array_equal(moving_mean(values, width, axis, ends), want)
    if values.ndim == 2:  # as it lies in memory changes nothing
        np.testing.assert_array_equal(moving_mean(np.asfortranarray(values), width, axis, ends), want)
