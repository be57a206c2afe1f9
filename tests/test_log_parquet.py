"""The finished recording is Parquet with a checksum on every page: damage is said, never read as data."""

from __future__ import annotations

import random

import numpy as np
import pyarrow.parquet as pq
import pytest
from fake_bluez.node import NodeScript
from fake_bluez.offline import write_log

from imu_shoulder.ble.assemble import assemble
from imu_shoulder.ble.recover import recover
from imu_shoulder.errors import RecordingError
from imu_shoulder.log.records import read_log
from imu_shoulder.sources.folder import read_recording


@pytest.fixture
def recorded(tmp_path):
    write_log(tmp_path / "a.log", [NodeScript("C0:00:00:00:00:01", "right_wrist")], 8.0)
    recover(tmp_path / "a.log", tmp_path / "a", keep_log=True)
    return tmp_path / "a"


def test_all_digits_come_back(recorded, tmp_path):
    stream = read_recording(recorded).streams["right_wrist"]
    original = assemble(read_log(tmp_path / "a.log"), "a").recording.streams["right_wrist"]
    for name in ("time_s", "acc_m_s2", "gyr_rad_s"):
        assert np.array_equal(getattr(stream, name), getattr(original, name))


def test_every_flipped_bit_of_the_data_is_refused(recorded):
    path = recorded / "right_wrist.parquet"
    whole = path.read_bytes()
    footer = int.from_bytes(whole[-8:-4], "little") + 8
    untouched = read_recording(recorded).streams["right_wrist"]
    rng = random.Random(4)
    refused = 0
    for _ in range(100):
        at = rng.randrange(4, len(whole) - footer)
        flipped = bytearray(whole)
        flipped[at] ^= 1 << rng.randrange(8)
        path.write_bytes(flipped)
        try:
            stream = read_recording(recorded).streams["right_wrist"]
        except RecordingError:
            refused += 1
            continue
        # Page headers are outside the checksums; a flip there may be harmless but must not change a number.
        assert np.array_equal(stream.acc_m_s2, untouched.acc_m_s2)
        assert np.array_equal(stream.time_s, untouched.time_s)
    assert refused >= 95
    assert pq.read_metadata(path).num_rows == len(untouched.time_s)
