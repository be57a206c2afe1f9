"""Real nodes in reach, placed and awake: pytest --hardware -n 0 tests/test_ble_hardware.py"""

from __future__ import annotations

import subprocess
import sys

import numpy as np
import pytest
from fake_bluez.session import COMMANDS

from imu_shoulder.sources.folder import read_recording


@pytest.mark.hardware
def test_half_a_minute_of_real_nodes(tmp_path):
    out = tmp_path / "session"
    command = [sys.executable, *COMMANDS, "record", "--out", out, "--athlete", "M.K.", "--seconds", "30"]
    done = subprocess.run(command, stdin=subprocess.DEVNULL, capture_output=True, text=True, timeout=120)
    assert done.returncode == 0, done.stdout + done.stderr
    recording = read_recording(out)
    assert recording.streams
    for stream in recording.streams.values():
        assert (len(stream.time_s) - 1) / np.ptp(stream.time_s) == pytest.approx(stream.declared_rate_hz, rel=0.05)
        # The middle of half a minute of wear is near gravity whatever the arm does.
        assert np.median(np.linalg.norm(stream.acc_m_s2, axis=1)) == pytest.approx(9.81, rel=0.1)
