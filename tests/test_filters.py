"""The low-pass filter against scipy.signal's, which it stands for."""

from __future__ import annotations

import subprocess
import sys

import numpy as np
import pytest
from scipy import signal

from imu_shoulder.filters import low_passed


@pytest.mark.parametrize("ends", ["odd", "constant"])
@pytest.mark.parametrize(("cutoff_hz", "rate_hz"), [(3.0, 100.0), (0.8, 40.0), (3.0, 800.0), (20.0, 50.0)])
@pytest.mark.parametrize("shape", [(12,), (1000,), (1000, 3)])
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
        "print([name for name in ('scipy.signal', 'scipy.stats', 'scipy.optimize', 'scipy.interpolate') "
        "if name in sys.modules])"
    )
    found = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert found.stdout.splitlines()[-1] == "[]"
