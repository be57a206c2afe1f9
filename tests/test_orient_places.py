"""Whether a person may have turned between two quiet moments: who walks swings the arms, who takes up a posture not.

docs/design_choices.md: "the body may have turned only where a limb went to and fro by 60 deg or more between two quiet
moments, outside sets and calibration movements".
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy.spatial.transform import Rotation
from test_orient import RATE_HZ, sensed, track

from imu_shoulder.frames import heading_rotation, quat_from_rotation
from imu_shoulder.orient.attitude import Attitude, OrientParams, orient_afterwards
from imu_shoulder.orient.bias import BiasTrack
from imu_shoulder.orient.heading import track_heading
from imu_shoulder.orient.links import find_links
from imu_shoulder.orient.moments import HeadingParams, JointTurn, QuietMoments, quiet_moments

PARAMS = HeadingParams()


def places(angle_deg, *, free=True):
    """The places of the quiet moments of an arm that swings forward by angle_deg (N,)."""
    true = Rotation.from_rotvec(np.outer(np.radians(angle_deg), [1.0, 0.0, 0.0]))
    attitude = orient_afterwards(track(*sensed(true)), RATE_HZ, OrientParams())
    time_s = np.arange(len(angle_deg)) / RATE_HZ
    found = quiet_moments(
        time_s, np.full(len(time_s), free), RATE_HZ, [attitude], None, HeadingParams(), HeadingParams().quiet_rad_s
    )
    assert len(found.time_s) >= 2
    return len(set(found.followed(0, HeadingParams().travel_rad).tolist()))


def to_and_fro(size_deg, count):
    """Still for 4 s, `count` swings there and back within a second each, and still again."""
    still = np.zeros(round(4 * RATE_HZ))
    swing = 0.5 * size_deg * (1 - np.cos(2 * np.pi * np.arange(round(count * RATE_HZ)) / RATE_HZ))
    return np.concatenate([still, swing, still])


@pytest.mark.parametrize(("size_deg", "count", "seen"), [(22.0, 1, 1), (22.0, 2, 2), (25.0, 1, 1), (45.0, 1, 2)])
def test_arms_that_swing_by_60_deg_in_all_are_those_of_a_walker(size_deg, count, seen):
    """44, 88, 50 and 90 deg of way."""
    assert places(to_and_fro(size_deg, count)) == seen


def test_in_a_set_nobody_walks():
    assert places(to_and_fro(45.0, 3), free=False) == 1


def test_an_arm_that_is_raised_and_kept_there_has_not_walked():
    """Its way is no longer than from the one posture to the other."""
    still = np.zeros(round(4 * RATE_HZ))
    raised = 110.0 * 0.5 * (1 - np.cos(np.pi * np.arange(round(2 * RATE_HZ)) / round(2 * RATE_HZ)))
    assert places(np.concatenate([still, raised, still + 110.0])) == 1


# How unsure the gyroscope's bias is in these tests.
DRIFT_RAD_S = float(np.radians(0.01))


def moments_at(time_s, looks, stay, *, roamed_rad=None, drift_rad_s=DRIFT_RAD_S):
    """Quiet moments of one sensor that was never lost from sight."""
    count = len(time_s)
    none = np.zeros((count, 1), dtype=np.intp)
    return QuietMoments(
        time_s,
        [looks],
        np.zeros(count) if roamed_rad is None else roamed_rad,
        stay,
        none,
        np.zeros((count, 1)),
        np.array([drift_rad_s]),
    )


def test_a_link_tells_by_how_much_the_heading_turned_however_the_sensor_is_mounted():
    turned_deg = 0.6
    one = np.zeros(2, dtype=np.intp)
    for mounting in Rotation.random(20, random_state=3):
        looks = heading_rotation(np.radians([0.0, turned_deg])) * mounting
        moments = moments_at(np.array([0.0, 5.0]), looks, one)
        links = find_links(moments, one, 0, HeadingParams())
        assert len(links.turn_rad)
        np.testing.assert_allclose(np.degrees(links.turn_rad), turned_deg, atol=1e-6)


@pytest.mark.parametrize(
    ("apart_s", "turned_deg", "drift"), [(5, 0.6, True), (5, 1.6, False), (60, 1.4, True), (60, 2.4, False)]
)
def test_who_stays_and_turns_further_than_sway_and_drift_explain_has_turned(apart_s, turned_deg, drift):
    """Two looks at one stay in a set. Sway of 0.5 deg and a bias unsure by 0.01 deg/s explain twice their root of sum:
    1.0 deg after 5 s, 1.6 deg after a minute."""
    looks = heading_rotation(np.radians([0.0, turned_deg]))
    one = np.zeros(2, dtype=np.intp)
    params = HeadingParams()
    moments = moments_at(np.array([0.0, apart_s]), looks, one)
    links = find_links(moments, one, 0, params)
    within = (links.earlier == 0) & (links.later == 1)
    assert within.any()
    assert np.isfinite(links.sd_rad[within]).any() == drift


def test_postures_that_are_exactly_alike_are_one_place_however_the_sensor_is_mounted():
    """The scalar product of an attitude with itself is 1 but for rounding, to either side."""
    time_s = np.arange(round(6 * RATE_HZ)) / RATE_HZ
    rate = np.zeros((len(time_s), 3))
    # It trembles in between, about where it is.
    rate[(time_s > 2) & (time_s < 4)] = [0.0, 0.0, 0.3]
    seen, bias = np.ones(len(time_s), dtype=bool), BiasTrack(np.zeros(0), np.zeros((0, 3)), np.zeros(0))
    for mounting in Rotation.random(40, random_state=2):
        limb = Attitude("right_wrist", np.tile(quat_from_rotation(mounting), (len(time_s), 1)), rate, seen, bias)
        found = quiet_moments(time_s, seen, RATE_HZ, [limb], None, HeadingParams(), HeadingParams().quiet_rad_s)
        assert len(found.time_s) >= 2
        assert set(found.followed(0, HeadingParams().travel_rad).tolist()) == {0}


@pytest.mark.parametrize("turned_deg", [0.0, 20.0, 170.0])
def test_after_a_walk_the_heading_is_as_unsure_as_the_person_may_have_turned(turned_deg):
    """No further than the sensor's own heading did and the arm may hang otherwise, or than round about. The arm is
    raised then, so that no posture comes back."""
    params = HeadingParams()
    looks = Rotation.concatenate(
        [Rotation.identity(2), heading_rotation(np.radians([turned_deg])) * Rotation.from_rotvec([[1.2, 0.0, 0.0]])]
    )
    place = np.array([0, 0, 1])
    walked_rad = 3 * params.travel_rad * np.array([0.0, 0.0, 1.0])
    moments = moments_at(np.array([0.0, 5.0, 25.0]), looks, place, roamed_rad=walked_rad)
    (track,) = track_heading(moments, np.array([0, 0, -1]), 0, params)
    # What the sensor shows, but for how much the arm may hang otherwise.
    turned_rad = params.stay_rad + min(np.hypot(np.radians(turned_deg), params.relaxed_rad), params.turn_rad)
    # Beside it the drift of a bias that is not quite known, over 20 s.
    assert track.sd_rad[2] == pytest.approx(np.hypot(turned_rad, 20 * DRIFT_RAD_S), rel=0.05)


def set_of(count, *, stays, drift_deg_s=0.0):
    """So many quiet moments of one posture in a set, 3 s apart, the arm not moved in between or each time."""
    time_s = 3.0 * np.arange(count)
    stay = np.zeros(count, dtype=np.intp) if stays else np.arange(count)
    looks = heading_rotation(np.radians(drift_deg_s) * time_s)
    return moments_at(time_s, looks, stay, drift_rad_s=HeadingParams().bias_rad_s)


@pytest.mark.parametrize("stays", [True, False])
def test_within_one_stay_ever_earlier_moments_count_and_of_one_that_comes_back_the_latest(stays):
    count, params = 40, HeadingParams()
    links = find_links(set_of(count, stays=stays), np.zeros(count, dtype=np.intp), 0, params)
    longest = (links.later - links.earlier).max()
    assert longest > 3 * params.links if stays else longest == params.links


def test_the_number_that_a_set_has_changes_no_heading():
    drifts = set_of(20, stays=False, drift_deg_s=0.05)
    first, *others = (track_heading(drifts, np.full(20, number), 0, HeadingParams())[0] for number in (0, 1, 7))
    assert np.degrees(np.ptp(first.correction_rad)) > 1.0
    for other in others:
        np.testing.assert_allclose(other.correction_rad, first.correction_rad, atol=1e-9)
        np.testing.assert_allclose(other.sd_rad, first.sd_rad, rtol=1e-6)


def test_who_walked_and_turned_far_is_followed_all_the_way():
    """Not drawn back to where the body faced before: the hanging arm's start of the next set says how it turned."""
    params, turned_deg = HeadingParams(), 150.0
    looks = heading_rotation(np.radians([0.0, 0.0, turned_deg]))
    walked_rad = 20 * params.travel_rad * np.array([0.0, 0.0, 1.0])
    moments = moments_at(np.array([0.0, 5.0, 25.0]), looks, np.array([0, 0, 1]), roamed_rad=walked_rad)
    (track,) = track_heading(moments, np.array([0, 0, 1]), 0, params)
    assert np.degrees(track.correction_rad[2]) == pytest.approx(turned_deg, abs=8.0)


@pytest.mark.parametrize("seed", [9001, 9002, 9003])
def test_moments_of_rest_are_linked_to_the_latest_before_them_and_to_the_first(seed):
    """As a table of all pairs says it, which would grow as the square of the recording."""
    rng = np.random.default_rng(seed)
    count, params = 120, HeadingParams()
    moments = set_of(count, stays=True)
    # Sets, rests, and the pose as a block of its own.
    block = np.repeat(np.arange(12), 10)
    block = np.where(rng.random(12) < 0.5, np.arange(12), -1)[block]
    block[:5] = 50
    hangs = rng.random(count) < 0.7
    hangs[0] = True
    raised = Rotation.from_rotvec([np.radians(0.0 if own else 80.0) * np.array([1.0, 0.0, 0.0]) for own in hangs])
    moments = replace(moments, earth_from_sensor=[raised])
    links = find_links(moments, block, 0, params)
    resting = hangs & ((block < 0) | (block == block[0]))
    table = np.tril(resting[:, None] & resting & ~((block[:, None] == block) & (block >= 0)), -1)
    wanted = set()
    for later in range(count):
        earlier = np.flatnonzero(table[later])
        wanted |= {(later, int(k)) for k in (*earlier[:1], *earlier[-params.links :])}
    assert {(a, b) for a, b in zip(links.later.tolist(), links.earlier.tolist(), strict=True) if table[a, b]} == wanted
    assert len(wanted) > 200


@pytest.mark.parametrize(("tilted_deg", "hangs"), [(0.0, True), (20.0, True), (40.0, False), (80.0, False)])
def test_an_arm_within_25_deg_of_how_it_hung_in_the_pose_hangs(tilted_deg, hangs):
    """HeadingParams.neutral_rad. Of an arm that is held out nothing is known of how it is turned: between two sets
    only a hanging one carries the heading on."""
    looks = Rotation.from_rotvec(np.outer(np.radians([0.0, 0.0, tilted_deg, tilted_deg]), [1.0, 0.0, 0.0]))
    moments = moments_at(np.array([0.0, 3.0, 30.0, 33.0]), looks, np.array([0, 0, 1, 1]))
    links = find_links(moments, np.array([0, 0, 1, 1]), 0, HeadingParams())
    assert bool(((links.earlier == 0) & (links.later >= 2)).any()) is hangs


@pytest.mark.parametrize("turned_deg", [8.0, -8.0])
def test_a_posture_that_was_changed_for_a_while_is_no_drift(turned_deg):
    """Three of thirty returns lie 8 deg beside the others: they stay in the angles."""
    moments, params = set_of(30, stays=False), HeadingParams()
    looks = heading_rotation(np.radians(np.where((np.arange(30) >= 18) & (np.arange(30) < 21), turned_deg, 0.0)))
    (track,) = track_heading(replace(moments, earth_from_sensor=[looks]), np.zeros(30, dtype=np.intp), 0, params)
    assert np.abs(np.degrees(track.correction_rad)).max() < 0.5


@pytest.mark.parametrize("turned_deg", [8.0, -8.0])
@pytest.mark.parametrize("count", [6, 10])
def test_a_posture_that_is_another_one_from_the_middle_of_the_set_on_is_no_drift(count, turned_deg):
    """No more than half of the returns agree on either. Were the far ones heard at first, that would be followed."""
    moments = set_of(count, stays=False)
    looks = heading_rotation(np.radians(np.where(np.arange(count) >= count / 2, turned_deg, 0.0)))
    (track,) = track_heading(replace(moments, earth_from_sensor=[looks]), np.zeros(count, dtype=np.intp), 0, PARAMS)
    assert np.abs(np.degrees(track.correction_rad)).max() < 0.5


def test_a_drift_is_found_to_the_end_where_most_returns_lie_beside_the_first():
    """Six of ten are 6 deg beside, while the heading drifts by 0.05 deg/s: the first guesses follow both."""
    time_s = np.concatenate([[0.0], 10.0 + 6.0 * np.arange(10)])
    beside = (np.arange(11) >= 3) & (np.arange(11) < 9)
    drift_deg = 0.05 * time_s
    looks = heading_rotation(np.radians(drift_deg + 6.0 * beside))
    moments = moments_at(time_s, looks, np.arange(11), drift_rad_s=np.radians(0.05))
    (track,) = track_heading(moments, np.repeat([0, 1], [1, 10]), 0, PARAMS)
    off_deg = np.degrees(track.correction_rad - track.correction_rad[1]) - (drift_deg - drift_deg[1])
    assert np.abs(off_deg).max() < 1.0


def two_sensors(time_s, looks, heading_deg, *, told_deg_s, seen_sd_deg, noise_deg=0.0):
    """Moments of a set in which the second sensor's earth frame is turned by -heading_deg (K,) against the first one's,
    which turning together between any two moments shows to within seen_sd_deg, off by noise_deg (K - 1,)."""
    one = moments_at(time_s, looks, np.arange(len(time_s)), drift_rad_s=np.radians(told_deg_s))
    shown_rad = np.radians((heading_deg[1:] + heading_deg[:-1]) / 2 + noise_deg)
    turns = tuple(JointTurn(k, float(shown), np.radians(seen_sd_deg)) for k, shown in enumerate(shown_rad))
    return replace(
        one,
        earth_from_sensor=[looks, heading_rotation(np.radians(-heading_deg)) * looks],
        lost=np.repeat(one.lost, 2, axis=1),
        unseen_rad2=np.repeat(one.unseen_rad2, 2, axis=1),
        drift_rad_s=np.repeat(one.drift_rad_s, 2),
        joint_turns=turns,
    )


@pytest.mark.parametrize("drift_deg_s", [0.0, 0.3])
@pytest.mark.parametrize("apart_deg", [90.0, 170.0, -120.0])
def test_which_way_a_sensors_earth_frame_faces_changes_nothing(apart_deg, drift_deg_s):
    """A filter without a magnetometer begins it anywhere."""
    time_s = 3.0 * np.arange(20)
    noise_deg = 4.0 * np.random.default_rng(1).normal(size=19)

    def tracked(facing_deg):
        heading_deg = facing_deg - drift_deg_s * time_s
        moments = two_sensors(
            time_s, Rotation.identity(20), heading_deg, told_deg_s=0.05, seen_sd_deg=4.0, noise_deg=noise_deg
        )
        tracks = track_heading(moments, np.zeros(20, dtype=np.intp), 0, PARAMS)
        return np.degrees([track.correction_rad - track.correction_rad[0] for track in tracks])

    np.testing.assert_allclose(tracked(apart_deg), tracked(0.0), atol=1e-4)


@pytest.mark.parametrize("drift_deg_s", [0.7, -0.7])
def test_sensors_that_show_a_drift_of_each_other_are_believed_over_their_stillness(drift_deg_s):
    """No posture comes back in two minutes: all that is seen of the drift is how the sensors turn together. It is 14
    times as far as their stillness told."""
    time_s = 10.0 * np.arange(13)
    looks = Rotation.from_rotvec(np.outer(np.radians(25.0 * np.arange(13)), [1.0, 0.0, 0.0]))
    moments = two_sensors(time_s, looks, -drift_deg_s * time_s, told_deg_s=0.05, seen_sd_deg=4.0)
    first, second = track_heading(moments, np.zeros(13, dtype=np.intp), 0, PARAMS)
    apart_deg = np.degrees(second.correction_rad - first.correction_rad)
    assert apart_deg[-1] - apart_deg[0] == pytest.approx(120.0 * drift_deg_s, rel=0.15)


def test_a_heading_that_is_told_twice_is_as_sure_as_both_together():
    """After 3 s the arm is back to within 1.8 deg, and a bias of 0.4 deg/s has turned the heading by 1.2 deg; the pose
    itself is known to 0.1 deg, and as much is lost on the way."""
    (track,) = track_heading(set_of(2, stays=False), np.zeros(2, dtype=np.intp), 0, HeadingParams())
    together = 1 / (1 / 1.8**2 + 1 / (1.2**2 + 0.1**2))
    assert np.degrees(track.sd_rad) == pytest.approx([0.1, np.sqrt(together + 0.1**2)], rel=0.01)
