"""A limb that turns slower than an attitude filter's threshold of rest has turned; that is not the gyroscope's bias."""

from __future__ import annotations

import numpy as np
import vqf
from test_orient import RATE_HZ, heading_error_deg, sensed, streamed, track

from imu_shoulder.frames import heading_rotation, rotation_from_quat
from imu_shoulder.orient.attitude import OrientParams, orient_afterwards

# vqf calls a sensor at rest under 2 deg/s (its parameter restThGyr).
TURN_DEG_S, TURN_S = 1.0, 20.0


def slow_turn_between_poses():
    """Still for 10 s, twice, with a turn to and fro after each; then 20 deg about the vertical in 20 s, and still."""
    move = 45 * np.sin(np.pi * np.arange(200) / 200) ** 2
    still, slow = np.zeros(round(10 * RATE_HZ)), np.arange(round(TURN_S * RATE_HZ)) / RATE_HZ * TURN_DEG_S
    turn_deg = np.concatenate([still, move, still, move, slow, slow[-1] + move, slow[-1] + still])
    return heading_rotation(np.radians(turn_deg))


def test_the_filters_own_bias_estimate_would_take_the_turn_for_bias():
    """So that the tests below can fail."""
    true = slow_turn_between_poses()
    plain = vqf.offlineVQF(*sensed(true), None, 1 / RATE_HZ)["quat6D"]
    assert abs(heading_error_deg(rotation_from_quat(plain), true)[-1]) > 0.9 * TURN_DEG_S * TURN_S


def test_a_finished_recording_reads_the_whole_turn():
    true = slow_turn_between_poses()
    found = orient_afterwards(track(*sensed(true)), RATE_HZ, OrientParams())
    error_deg = heading_error_deg(rotation_from_quat(found.quat_earth_from_sensor), true)
    assert np.abs(error_deg).max() < 0.1 * TURN_DEG_S * TURN_S


def test_a_stream_that_began_with_a_pose_reads_the_whole_turn():
    true = slow_turn_between_poses()
    found = streamed(*sensed(true), start_s=10)
    error_deg = heading_error_deg(rotation_from_quat(found), true)
    assert np.abs(error_deg).max() < 0.1 * TURN_DEG_S * TURN_S
