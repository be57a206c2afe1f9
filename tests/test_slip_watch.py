"""When a stream says that a strap slipped: how much a quick turn counts for, from when on, and how often it is said.

Against attitudes and quiet moments drawn by hand.
"""

from __future__ import annotations

from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest
from scipy.spatial.transform import Rotation

from imu_shoulder.calibrate.pose import Pose
from imu_shoulder.calibrate.slip import slips_of_arm
from imu_shoulder.calibrate.slip_model import SlipParams
from imu_shoulder.calibrate.slip_pulses import Pulse, PulseWatch
from imu_shoulder.engine.slip_watch import SlipWatch
from imu_shoulder.frames import quat_from_rotation
from imu_shoulder.model import Event
from imu_shoulder.orient.attitude import Attitude
from imu_shoulder.orient.bias import BiasTrack
from imu_shoulder.orient.moments import QuietMoments

RATE_HZ = 50.0
NO_BIAS = BiasTrack(np.zeros(0), np.zeros((0, 3)), np.zeros(0))
SET = Event(0.0, 200.0, "set", None, "right")
POSE = Pose(0.0, 5.0, marked=True)
TURNED_S = 100.0


def moments_around(turn_deg: float, returns: int) -> QuietMoments:
    """An arm that hangs alike at twelve moments, and so often after its wrist sensor turned at TURNED_S. Between them
    it is level: what it does alike without a movement between is one moment."""
    time_s = np.concatenate([np.arange(6.0, 90.0, 3.5)[:24], TURNED_S + 4.0 + 3.5 * np.arange(2 * returns)])
    count = len(time_s)
    raised = Rotation.from_rotvec(np.outer(np.arange(count) % 2 * np.pi / 2, [1.0, 0.0, 0.0]))
    slipped = Rotation.from_rotvec(np.outer(time_s > TURNED_S, np.radians([0.0, turn_deg, 0.0])))
    none = np.zeros((count, 2))
    return QuietMoments(
        time_s,
        [raised, raised * slipped],
        np.zeros(count),
        np.arange(count),
        none.astype(np.intp),
        none,
        np.full(2, np.radians(0.02)),
    )


QUICK = Pulse(TURNED_S, TURNED_S + 0.2, np.zeros(3), np.radians(3.0))


@pytest.mark.parametrize(("turn_deg", "returns", "said"), [(40.0, 1, True), (50.0, 1, False), (50.0, 2, True)])
def test_a_quick_turn_as_large_as_a_hands_says_nothing_of_a_strap(turn_deg, returns, said):
    """People turn a hand so to scratch, or to reach: of more than 45 deg the postures after it must tell alone, and one
    return to each is not enough."""
    pulse = replace(QUICK, turn_rad=np.radians([0.0, turn_deg, 0.0]))
    found = slips_of_arm("right", ([], [pulse]), moments_around(turn_deg, returns), [SET], POSE, SlipParams())
    stands = [slip for slip in found if slip.stands(found, SlipParams())]
    assert [slip.placement for slip in stands] == ["right_wrist"] * said
    for slip in stands:
        np.testing.assert_allclose(np.degrees(slip.turn_rad), [0.0, turn_deg, 0.0], atol=0.1)


def turning_at(*at_s, until_s=200.0, turn_deg=40.0):
    """An arm whose wrist sensor turns quickly at these times while nothing else does."""
    time_s = np.arange(round(until_s * RATE_HZ)) / RATE_HZ
    rate = np.zeros((2, len(time_s), 3))
    for begins_s in at_s:
        x = np.clip((time_s - begins_s) / 0.4, 0.0, 1.0)
        rate[1, :, 1] += np.radians(turn_deg) * 30 * (x * (1 - x)) ** 2 / 0.4
    still = quat_from_rotation(Rotation.identity(len(time_s)))
    seen = np.ones(len(time_s), dtype=bool)
    placements = "right_upper_arm", "right_wrist"
    return time_s, {p: Attitude(p, still, own, seen, NO_BIAS) for p, own in zip(placements, rate, strict=True)}


def rows_of(drawn, from_s, to_s):
    time_s, attitudes = drawn
    rows = (time_s >= from_s) & (time_s < to_s)

    def own(attitude):
        quat, rate = attitude.quat_earth_from_sensor[rows], attitude.rate_earth_rad_s[rows]
        return replace(attitude, quat_earth_from_sensor=quat, rate_earth_rad_s=rate, valid=attitude.valid[rows])

    return time_s[rows], {placement: own(attitude) for placement, attitude in attitudes.items()}


@pytest.mark.parametrize("step_s", [0.2, 1.0, 7.0])
def test_a_quick_turn_is_found_once_however_often_is_looked_and_none_before_the_pose_was_over(step_s):
    drawn, pose_s = turning_at(9.6, 12.0, 15.0, 19.9, until_s=30.0), 10.0
    watch = PulseWatch(RATE_HZ, pose_s, SlipParams())
    for now_s in np.arange(pose_s + step_s, 30.0, step_s):
        time_s, attitudes = rows_of(drawn, watch.wants_from_s, now_s)
        watch.look(time_s, list(attitudes.values()))
    upper, wrist = watch.pulses
    assert upper == []
    # Either length of a turn that is tried may see it, and each sees it once.
    times_s = np.array([pulse.time_s for pulse in wrist])
    for at_s in (12.2, 15.2, 20.1):
        assert 1 <= np.count_nonzero(np.abs(times_s - at_s) < 0.15) <= len(SlipParams().pulse_s)
    assert (np.abs(times_s[:, None] - [12.2, 15.2, 20.1]).min(axis=1) < 0.15).all()


class Watched:
    """A watch of the right arm whose wrist sensor slipped at TURNED_S, asked at any time with so many moments known."""

    def __init__(self, params: SlipParams) -> None:
        self.drawn, self.moments = turning_at(TURNED_S), moments_around(40.0, 4)
        self.watch = SlipWatch(params)
        self.watch.begin(["right"], RATE_HZ, POSE)

    def judged(self, now_s, known_s):
        moments = self.moments.until(int(np.searchsorted(self.moments.time_s, known_s)))
        heading = {"right": SimpleNamespace(moments=moments)}
        return self.watch.judge(lambda from_s: rows_of(self.drawn, from_s, now_s), now_s, heading, lambda: [SET], POSE)


def test_a_slip_is_said_once():
    arm = Watched(SlipParams())
    assert arm.judged(99.0, 99.0) == []
    assert arm.watch.slipped_s("right") == np.inf
    assert arm.judged(113.0, 113.0) == ["right"]
    assert arm.watch.slipped_s("right") == pytest.approx(TURNED_S, abs=0.2)
    assert arm.watch.slipped_s("left") == np.inf
    assert [arm.judged(now_s, now_s) for now_s in (117.0, 124.0, 131.0)] == [[], [], []]
    assert [slip.placement for slip in arm.watch.found] == ["right_wrist"]


def test_what_may_be_a_movement_is_no_slip_before_it_has_lasted():
    arm = Watched(SlipParams())
    known_s = TURNED_S + 7.6
    assert arm.judged(known_s, known_s) == []
    assert arm.judged(known_s + 0.5, known_s) == []
    assert arm.judged(known_s + 3.5, known_s + 3.5) == ["right"]


def test_what_is_not_sure_is_said_when_later_moments_bear_it_out():
    """Waiting alone makes it no surer."""
    arm = Watched(SlipParams(sure_evidence=1000.0))
    assert arm.judged(108.0, 108.0) == []
    assert arm.judged(112.0, 112.0) == []
    assert arm.judged(119.0, 112.0) == []
    assert arm.judged(119.0, 119.0) == ["right"]


def test_an_arm_of_which_no_moment_is_known_is_not_judged():
    watch = SlipWatch(SlipParams())
    watch.begin(["right"], RATE_HZ, POSE)
    drawn = turning_at(TURNED_S)
    heading = {"right": SimpleNamespace(moments=None)}
    assert watch.judge(lambda from_s: rows_of(drawn, from_s, 150.0), 150.0, heading, lambda: [SET], POSE) == []
