"""An accelerometer's zero offset, which tilts every angle: taken off from still moments in different postures."""

from __future__ import annotations

from itertools import pairwise
from types import SimpleNamespace

import numpy as np
import pytest
from scipy.spatial.transform import Rotation
from test_orient import RATE_HZ, inclination_error_deg, sensed, streamed, track

from imu_shoulder.frames import rotation_from_quat
from imu_shoulder.orient.attitude import OrientParams, orient_afterwards
from imu_shoulder.orient.offset import OffsetParams, accelerometer_offset
from imu_shoulder.units import STANDARD_GRAVITY_M_S2

# 20 mg and more are usual of small sensors before calibration (from memory): over a degree of tilt.
OFFSET_M_S2 = np.array([0.2, -0.15, 0.18])


def still_in_ten_postures():
    """5 s each in ten postures all around, 2 s from one to the next."""
    corners = Rotation.random(10, rng=np.random.default_rng(8))
    parts = []
    for before, after in pairwise(corners):
        turn = (before.inv() * after).as_rotvec()
        share = 0.5 * (1 - np.cos(np.pi * np.arange(round(2 * RATE_HZ)) / round(2 * RATE_HZ)))
        parts += [np.tile(before.as_quat(), (round(5 * RATE_HZ), 1))]
        parts += [(before * Rotation.from_rotvec(np.outer(share, turn))).as_quat()]
    return Rotation.from_quat(np.concatenate([*parts, np.tile(corners[-1].as_quat(), (round(5 * RATE_HZ), 1))]))


def test_a_finished_recording_is_set_right():
    true = still_in_ten_postures()
    gyr, acc = sensed(true)
    errors_deg = []
    for offset in (np.zeros(3), OFFSET_M_S2):
        found = orient_afterwards(track(gyr, acc + offset), RATE_HZ, OrientParams()).quat_earth_from_sensor
        errors_deg.append(np.sqrt(np.mean(inclination_error_deg(rotation_from_quat(found), true) ** 2)))
    # Left in, the part across gravity would tilt it by more than a degree.
    assert np.degrees(np.linalg.norm(OFFSET_M_S2) / 9.80665) > 1.5
    assert errors_deg[1] < errors_deg[0] + 0.3


def test_a_stream_is_set_right_once_the_postures_were_seen():
    true = still_in_ten_postures()
    gyr, acc = sensed(true)
    found = streamed(gyr, acc + OFFSET_M_S2, start_s=4)
    error_deg = inclination_error_deg(rotation_from_quat(found), true)
    assert error_deg[-500:].max() < 0.5


@pytest.mark.parametrize("offset_m_s2", [0.2, -0.05])
def test_of_two_opposite_postures_the_offset_is_half_of_what_the_readings_differ_by(offset_m_s2):
    """Drawn towards 0 by how sure each is: a reading to 0.02 m/s^2, an offset beforehand to 0.3 m/s^2."""
    along = np.array([[1.0, 0.0, 0.0], [-1.0, 0.0, 0.0]])
    windows = [SimpleNamespace(mean_acc_m_s2=up * STANDARD_GRAVITY_M_S2 + [offset_m_s2, 0.0, 0.0]) for up in along]
    found = accelerometer_offset(windows, OffsetParams())
    share = 1 / (1 + 0.02**2 / 2 / 0.3**2)
    assert found == pytest.approx([share * offset_m_s2, 0.0, 0.0], rel=1e-4, abs=1e-9)
