"""Headings kept while a stream runs, against arms drawn by hand: they hang in the pose, then rise and hang in turns.

Both sensors' headings drift at rates of their own, as a gyroscope's zero makes them. Where the arm hangs again it hangs
as before, so what has come to be since the pose is drift.
"""

from __future__ import annotations

import numpy as np
import pytest
from scipy.spatial.transform import Rotation

from imu_shoulder.frames import heading_rotation, quat_from_rotation
from imu_shoulder.orient.attitude import Attitude
from imu_shoulder.orient.bias import BiasTrack
from imu_shoulder.orient.keeping import EASE_S, QUIET_S, KeptHeading
from imu_shoulder.orient.moments import HeadingParams

RATE_HZ = 50.0
POSE_S, REP_S = 4.0, 6.0
DRIFT_DEG_S = {"right_upper_arm": 0.15, "right_wrist": -0.1}
SEAT = {"right_upper_arm": Rotation.identity(), "right_wrist": Rotation.from_euler("xz", [20, 50], degrees=True)}
# No stillness showed the zeros.
BIAS = BiasTrack(np.zeros(0), np.zeros((0, 3)), np.zeros(0))


def drawn(reps, *, walk_s=(np.inf, np.inf), walk_turns_deg=0.0):
    """Times and attitudes: the pose, then reps of 1 s up by 80 deg, 1 s there, 1 s down and 3 s hanging. In place of
    the reps within walk_s the arms swing and the body turns."""
    time_s = np.arange(round((POSE_S + reps * REP_S) * RATE_HZ)) / RATE_HZ
    into_s = np.where(time_s < POSE_S, 0.0, (time_s - POSE_S) % REP_S)
    walks = (time_s >= walk_s[0]) & (time_s < walk_s[1])
    up = np.interp(into_s, [0.0, 1.0, 2.0, 3.0], [0.0, 1.0, 1.0, 0.0])
    angle_rad = np.radians(80.0) * (1 - np.cos(np.pi * up)) / 2
    angle_rad[walks] = np.radians(25.0) * (1 - np.cos(2 * np.pi * time_s[walks]))
    body = heading_rotation(np.interp(time_s, walk_s, np.radians([0.0, walk_turns_deg])))
    rate = np.column_stack([np.gradient(angle_rad, time_s), np.zeros(len(time_s)), np.zeros(len(time_s))])
    out = {}
    for placement, drift_deg_s in DRIFT_DEG_S.items():
        turned = heading_rotation(np.radians(drift_deg_s) * time_s) * body
        true = turned * Rotation.from_rotvec(np.outer(angle_rad, [1.0, 0.0, 0.0])) * SEAT[placement]
        seen = np.ones(len(time_s), dtype=bool)
        out[placement] = Attitude(placement, quat_from_rotation(true), turned.apply(rate), seen, BIAS)
    return time_s, out


def rows_of(attitudes, rows):
    return {
        p: Attitude(p, a.quat_earth_from_sensor[rows], a.rate_earth_rad_s[rows], a.valid[rows], a.bias)
        for p, a in attitudes.items()
    }


def kept(reps, *, ends_s=np.inf, walk_s=(np.inf, np.inf), walk_turns_deg=0.0):
    """The headings kept as a stream keeps them, looked at every half second; and each sensor's correction at every row
    as it was known then, in deg."""
    time_s, attitudes = drawn(reps, walk_s=walk_s, walk_turns_deg=walk_turns_deg)
    keeping, step = KeptHeading("right", attitudes, RATE_HZ, HeadingParams()), round(0.5 * RATE_HZ)
    pose = slice(0, round(POSE_S * RATE_HZ))
    keeping.begin(time_s[pose], rows_of(attitudes, pose), POSE_S / 2)
    known = [np.zeros((pose.stop, 2))]
    for stop in range(pose.stop + step, len(time_s) + 1, step):
        now_s = float(time_s[stop - 1])
        known.append(np.column_stack(keeping.corrections(time_s[stop - step : stop])))
        if now_s - step / RATE_HZ <= ends_s < now_s:
            keeping.end_at(ends_s)
        block, block_s = (1, POSE_S) if now_s < walk_s[0] else (-1, -np.inf) if now_s < walk_s[1] else (2, walk_s[1])
        newest = slice(int(np.searchsorted(time_s, now_s - QUIET_S)), stop)
        if keeping.due(now_s, block) and keeping.is_quiet(rows_of(attitudes, newest)):
            since = slice(int(np.searchsorted(time_s, keeping.wants_from(now_s))), stop)
            keeping.look(time_s[since], rows_of(attitudes, since), block, block_s)
    return time_s, keeping, np.degrees(np.concatenate(known))


def test_what_drifts_is_taken_off_gradually():
    """What is known is that of the last quiet moment: two reps behind at most, and not ahead."""
    time_s, keeping, known_deg = kept(20)
    late = time_s > POSE_S + 2 * REP_S
    for column, placement in enumerate(keeping.placements):
        drifted_s = time_s - POSE_S / 2 - known_deg[:, column] / DRIFT_DEG_S[placement]
        assert (drifted_s[late] > 0).all()
        assert (drifted_s[late] < 2 * REP_S).all()
        # No correction comes as a jump: of what is new a rep later, no more in a row than its share of EASE_S.
        most_deg = 2 * abs(DRIFT_DEG_S[placement]) * REP_S / (EASE_S * RATE_HZ)
        assert 0 < np.abs(np.diff(known_deg[:, column])).max() < most_deg


def test_the_newest_moments_and_the_poses_are_remembered(monkeypatch):
    monkeypatch.setattr("imu_shoulder.orient.keeping.MOMENTS", 6)
    time_s, keeping, _ = kept(20)
    assert keeping.moments is not None
    assert len(keeping.moments.time_s) == 6
    assert keeping.moments.time_s[0] < POSE_S
    assert (keeping.moments.time_s[1:] > time_s[-1] - 6 * REP_S).all()
    assert (np.diff(keeping.moments.time_s) > 0).all()


def test_a_look_goes_back_to_the_last_quiet_moment_but_no_further_than_a_minute():
    """Who moves on and on must not be worked through again and again from the start."""
    _, keeping, _ = kept(3)
    assert keeping.moments is not None
    last_s = float(keeping.moments.time_s[-1])
    assert keeping.wants_from(last_s + 20.0) == pytest.approx(last_s - HeadingParams().longest_s)
    assert keeping.wants_from(last_s + 600.0) == pytest.approx(last_s + 540.0)


def test_after_a_slip_a_heading_stays_as_it_was_known():
    ends_s = POSE_S + 10 * REP_S - 0.1
    time_s, keeping, known_deg = kept(20, ends_s=ends_s)
    assert keeping.moments is not None
    assert POSE_S < keeping.moments.time_s[-1] <= ends_s
    later = time_s > ends_s + 1.0
    assert np.ptp(known_deg[later], axis=0) == pytest.approx([0.0, 0.0])
    whole = kept(10)[2]
    assert known_deg[-1] == pytest.approx(whole[-1], abs=0.5)


def test_an_arm_is_quiet_where_it_was_so_for_long_enough():
    _, attitudes = drawn(1)
    keeping = KeptHeading("right", attitudes, RATE_HZ, HeadingParams())
    rows = round(QUIET_S * RATE_HZ)
    for first, count, quiet in ((0, rows, True), (0, rows - 1, False), (round(POSE_S * RATE_HZ) + 10, rows, False)):
        assert keeping.is_quiet(rows_of(attitudes, slice(first, first + count))) is quiet


@pytest.mark.parametrize("turned_deg", [50.0, -50.0])
def test_a_walk_is_remembered_when_its_moments_are_forgotten(turned_deg, monkeypatch):
    """Between the pose and the oldest moment that is left the body may have turned as far as on any step between. Of
    few moments it is known as well as a hanging arm is known to point."""
    monkeypatch.setattr("imu_shoulder.orient.keeping.MOMENTS", 6)
    walk_s = (POSE_S + 6 * REP_S, POSE_S + 7 * REP_S)
    time_s, keeping, known_deg = kept(20, walk_s=walk_s, walk_turns_deg=turned_deg)
    assert keeping.moments is not None
    assert (keeping.moments.time_s[1:] > walk_s[1]).all()
    assert keeping.moments.roamed_rad[1] > 3 * HeadingParams().travel_rad
    for column, placement in enumerate(keeping.placements):
        drifted_deg = DRIFT_DEG_S[placement] * (time_s[-1] - POSE_S / 2)
        assert known_deg[-1, column] == pytest.approx(
            drifted_deg + turned_deg, abs=np.degrees(HeadingParams().start_rad)
        )


@pytest.mark.parametrize("turned_deg", [50.0, -50.0])
def test_who_walked_between_two_sets_faces_forward_in_the_second_as_in_the_first(turned_deg):
    """But for what a hanging arm may be turned by itself at the start of a set."""
    walk_s = (POSE_S + 6 * REP_S, POSE_S + 7 * REP_S)
    time_s, keeping, known_deg = kept(12, walk_s=walk_s, walk_turns_deg=turned_deg)
    for column, placement in enumerate(keeping.placements):
        drifted_deg = DRIFT_DEG_S[placement] * (time_s[-1] - POSE_S / 2)
        assert known_deg[-1, column] == pytest.approx(drifted_deg + turned_deg, abs=12.0)


@pytest.mark.parametrize("left", [1, 3, -1])
def test_a_slip_that_is_known_late_takes_back_what_was_compared_since(left):
    """left: how many moments were before it."""
    _, keeping, _ = kept(6)
    assert keeping.moments is not None
    before_s = keeping.moments.time_s
    keeping.end_at(float(before_s[left] - 0.1))
    assert keeping.moments.time_s.tolist() == before_s[:left].tolist()
    assert not keeping.due(POSE_S + 7 * REP_S, 1)
    # What was known meanwhile was known, and goes back gradually.
    grid_s = np.arange(POSE_S, POSE_S + 7 * REP_S, 1 / RATE_HZ)
    course_deg = np.degrees(keeping.corrections(grid_s))
    whole_deg = np.ptp(course_deg, axis=1)
    assert (np.abs(np.diff(course_deg)).max(axis=1) < 1.1 * whole_deg / (EASE_S * RATE_HZ)).all()
    known_rad = keeping.corrections(np.array([POSE_S + 7 * REP_S]))
    drifted_s = keeping.moments.time_s[-1] - POSE_S / 2
    for placement, known in zip(keeping.placements, known_rad, strict=True):
        assert abs(np.degrees(known[0])) <= abs(DRIFT_DEG_S[placement]) * drifted_s + 0.1


def test_after_a_minute_without_a_quiet_moment_the_person_is_somewhere_else():
    """What lies further back is not looked at again, so nothing says that the two places are one."""
    walk_s = (POSE_S + 3 * REP_S, POSE_S + 15 * REP_S)
    _, keeping, _ = kept(20, walk_s=walk_s)
    assert keeping.moments is not None
    times_s, stay = keeping.moments.time_s, keeping.moments.stay
    assert not ((times_s > walk_s[0] + 1.0) & (times_s < walk_s[1])).any()
    assert stay[times_s > walk_s[1]].min() > stay[times_s < walk_s[0] + 1.0].max()


def test_what_drifts_within_a_long_pose_counts_from_its_middle(monkeypatch):
    monkeypatch.setattr(f"{__name__}.POSE_S", 16.0)
    _, keeping, known_deg = kept(6)
    assert keeping.moments is not None
    assert (keeping.moments.time_s < 16.0).sum() > 2
    for column, placement in enumerate(keeping.placements):
        drifted_deg = DRIFT_DEG_S[placement] * (keeping.moments.time_s[-1] - 8.0)
        assert known_deg[-1, column] == pytest.approx(drifted_deg, abs=0.6)
