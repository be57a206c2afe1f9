"""What headings of sensors that drift are held to, and how sure they are of it."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from print_strata import seen_in as strata_seen
from print_wide import session_seen
from scipy.spatial.transform import Rotation
from test_orient_places import moments_at

from imu_shoulder.frames import heading_rotation
from imu_shoulder.orient.attitude import Attitude
from imu_shoulder.orient.bias import BiasTrack
from imu_shoulder.orient.heading import track_heading
from imu_shoulder.orient.links import find_links
from imu_shoulder.orient.moments import HeadingParams, JointTurn, quiet_moments

RATE_HZ = 50.0


@pytest.mark.parametrize(("gap_s", "low_deg", "high_deg"), [(0.12, 0.02, 0.3), (1.0, 8.0, 20.0)])
def test_a_lost_packet_hardly_frees_a_heading_and_a_lost_second_does(gap_s, low_deg, high_deg):
    """In six sessions of cheap sensors a bridged packet of 0.12 s left 0.03 deg at rest; 1.7 were taken for it."""
    time_s = np.arange(round(8 * RATE_HZ)) / RATE_HZ
    seen = (time_s < 4.0) | (time_s >= 4.0 + gap_s)
    quat = np.where(seen[:, None], [1.0, 0.0, 0.0, 0.0], np.nan)
    rate = np.where(seen[:, None], np.zeros(3), np.nan)
    limb = Attitude("right_wrist", quat, rate, seen, BiasTrack(np.zeros(0), np.zeros((0, 3)), np.zeros(0)))
    params = HeadingParams()
    found = quiet_moments(time_s, ~seen, RATE_HZ, [limb], None, params, params.quiet_rad_s)
    freed_deg = float(np.degrees(np.sqrt(found.unseen_rad2[-1, 0])))
    assert low_deg < freed_deg < high_deg


@pytest.mark.parametrize("tilted_deg", [1.0, 15.0])
def test_an_arm_that_hangs_otherwise_tells_less_of_the_heading(tilted_deg):
    """Between rests of 13 simulated persons whose gravity differed by 12 to 16 deg the hand had turned by 40."""
    looks = Rotation.concatenate([Rotation.identity(2), Rotation.from_euler("x", [tilted_deg], degrees=True)])
    moments = moments_at(np.array([0.0, 5.0, 60.0]), looks, np.array([0, 1, 2]))
    links = find_links(moments, np.array([0, -1, -1]), 0, HeadingParams())
    own = (links.earlier == 1) & (links.later == 2)
    (sd_deg,) = np.degrees(links.sd_rad[own, 0])
    assert sd_deg > tilted_deg
    assert tilted_deg > 10 or sd_deg < 8


def test_what_rests_share_makes_no_rest_surer():
    """Each of eight rests is compared with the first: that one may have hung otherwise, however many come after it."""
    params, rests = HeadingParams(), 8
    time_s = 100.0 * np.arange(rests + 1)
    moments = moments_at(time_s, Rotation.identity(rests + 1), np.arange(rests + 1), drift_rad_s=np.radians(1.0))
    (track,) = track_heading(moments, np.array([0, *[-1] * rests]), 0, params)
    assert np.degrees(track.sd_rad[-1]) > np.degrees(params.rest_rad) / np.sqrt(2)


def set_that_drifts(drift_deg_s, told_deg_s):
    """A pose, a set of 90 s in which one posture comes back, and a moment of another posture 60 s after it."""
    time_s = np.array([0.0, *np.arange(10.0, 100.0, 3.0), 160.0])
    turned = heading_rotation(np.radians(drift_deg_s) * time_s)
    tilted = Rotation.from_rotvec(np.pi / 2 * np.outer(time_s > 150.0, [1.0, 0.0, 0.0]))
    block = np.array([0, *[1] * (len(time_s) - 2), -1])
    return moments_at(time_s, turned * tilted, np.arange(len(time_s)), drift_rad_s=np.radians(told_deg_s)), block


def test_a_set_that_shows_a_drift_tells_how_unsure_the_time_after_it_is():
    """A gyroscope that gravity disturbs is steady in the one posture in which the person stands still."""
    after_deg = {}
    for drift_deg_s in (0.0, 0.2):
        (track,) = track_heading(*set_that_drifts(drift_deg_s, 0.02), 0, HeadingParams())
        after_deg[drift_deg_s] = float(np.degrees(track.sd_rad[-1]))
    assert after_deg[0.0] < 4.0
    assert after_deg[0.2] > 2 * after_deg[0.0]


def test_what_all_reps_of_a_set_show_alike_of_two_sensors_is_one_look():
    """Skin turns them alike in each rep: twenty lifts that are off by 12 deg are no twenty lifts that agree."""
    pose, first, second = np.array([0.0]), np.arange(10.0, 70.0, 3.0), np.arange(80.0, 140.0, 3.0)
    time_s = np.concatenate([pose, first, second])
    one = moments_at(time_s, Rotation.identity(len(time_s)), np.arange(len(time_s)), drift_rad_s=np.radians(0.05))
    block = np.repeat([0, 1, 2], [1, len(first), len(second)])
    turns = tuple(
        JointTurn(k, np.radians(12.0 if block[k] == 2 else 0.0), np.radians(4.0))
        for k in range(1, len(time_s) - 1)
        if block[k] == block[k + 1]
    )
    both = replace(
        one,
        earth_from_sensor=[one.earth_from_sensor[0]] * 2,
        lost=np.repeat(one.lost, 2, axis=1),
        unseen_rad2=np.repeat(one.unseen_rad2, 2, axis=1),
        drift_rad_s=np.repeat(one.drift_rad_s, 2),
        joint_turns=turns,
    )
    upper, wrist = track_heading(both, block, 0, HeadingParams())
    apart_deg = np.degrees(upper.correction_rad - wrist.correction_rad)
    assert abs(apart_deg[-1] - apart_deg[0]) < 4.0
    assert np.degrees(wrist.apart_sd_rad[-1]) > 2.5


def test_angles_of_cheap_sensors_are_as_far_off_as_is_said():
    """Two sessions with lost packets. Before, an upper arm was 14 deg aside from the body at 2.5 stated, and rotation
    off by up to 20 at 9 stated; ten clean reps of one set were blamed for their plane, now two."""
    sets = [one for number in (79001, 79021) for one in session_seen(("cheap sensors", number))]
    assert len(sets) >= 4
    assert not any(one.off for one in sets)


def test_a_sensor_that_drifted_by_half_a_turn_until_the_next_set_is_followed():
    """What the two sensors show of each other then lies far from how they were at first, and is right all the same.

    A restless person, while the other arm does a set of 165 s: the elbow was read 115 deg off, at 11 stated.
    """
    seen = [one for one in strata_seen(("firm skin", 9024)) if one.side == "right"]
    assert len(seen) == 2
    for one in seen:
        assert one.errors_deg["elbow_deg"] < 10.0
        assert not one.blamed


def test_sensors_that_no_drift_brings_together_are_not_known_against_each_other():
    """Three looks at them in six minutes of a restless person: the elbow was read 70 deg off, and blamed for it."""
    seen = [one for one in strata_seen(("sitting and lying", 9109)) if one.side == "right"]
    assert seen
    for one in seen:
        assert one.errors_deg["elbow_deg"] < 2.0 * one.sds_deg["elbow_deg"]
        assert not any("elbow_off" in faults for faults in one.blamed)
