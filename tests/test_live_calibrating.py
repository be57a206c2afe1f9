"""Steps of the calibration that are left out, taken again or cut off."""

from __future__ import annotations

from dataclasses import replace
from itertools import islice, pairwise

import numpy as np
import pytest
from scipy.spatial.transform import Rotation

from imu_shoulder.calibrate.model import ArmCalibration, Calibration, SensorCalibration
from imu_shoulder.calibrate.pose import Pose
from imu_shoulder.engine.paced import LOOK_S
from imu_shoulder.frames import quat_from_rotation
from imu_shoulder.live.params import LiveParams
from imu_shoulder.live.replay import Replayed, plan_for_recording, play
from imu_shoulder.live.session import LiveSession
from imu_shoulder.live.steps import COMMANDS, watch_movement
from imu_shoulder.log.entries import EventEntry
from imu_shoulder.log.typed_events import typed_events
from imu_shoulder.model import Event
from imu_shoulder.orient.attitude import Attitude
from imu_shoulder.orient.bias import BiasTrack
from imu_shoulder.simulate import Athlete, BendsAtShoulderHeight, ElbowBends, Pause, Scenario, SetScript, simulate
from imu_shoulder.simulate.scenarios import CALIBRATION
from imu_shoulder.sources import RecordingSource
from imu_shoulder.sources.folder import read_recording


@pytest.fixture
def recording(small_recording):
    return read_recording(small_recording)


def in_the_bends(recording, share):
    """A session of two sets whose pose was taken and in whose bends so much was done; and the chunks that follow."""
    source = RecordingSource(recording, 0.1)
    plan = plan_for_recording(recording, {})
    session = LiveSession(replace(plan, drills=(replace(plan.drills[0], sets=2),)), {}, source.rates_hz)
    pose, bends, *_ = recording.events
    commands = [(pose.onset_s, "calibrate_pose"), (bends.onset_s, "calibrate_bends")]
    chunks = source.chunks()
    for chunk in chunks:
        session.push(chunk.streams)
        if commands and session.now_s > commands[0][0]:
            assert session.command(commands.pop(0)[1]) is None
        if session.now_s > bends.onset_s + share * bends.duration_s:
            break
    assert session.frame()["calibration"]["step"] == "bends"
    return session, chunks


def types(session):
    return [event.trial_type for event in session.recording()]


@pytest.mark.parametrize(("share", "kept"), [(0.6, ["neutral_pose", "elbow_bends"]), (0.05, ["neutral_pose"])])
def test_leaving_a_step_out_leaves_the_next_one(recording, share, kept):
    """Of what was done of it before, as much is used as shows anything."""
    session, _ = in_the_bends(recording, share)
    assert session.command("skip") is None
    assert session.frame()["calibration"]["step"] == "raises"
    assert session.stage == "calibrate"
    assert types(session) == kept


def test_a_step_that_showed_nothing_is_no_part_of_a_session_that_ends_in_it(recording):
    session, _ = in_the_bends(recording, 0.05)
    assert session.command("finish") is None
    assert types(session) == ["neutral_pose"]


def test_a_session_that_ends_in_a_set_has_that_set_up_to_its_end(recording):
    session, chunks = in_the_bends(recording, 0.05)
    for name in ("skip", "skip", "not_rated", "start_set"):
        assert session.command(name) is None
    began_s = session.stream.mark_s
    for chunk in islice(chunks, 20):
        session.push(chunk.streams)
    assert session.command("finish") is None
    assert session.stage == "done"
    assert types(session) == ["neutral_pose", "set"]
    done = session.recording()[-1]
    assert (done.onset_s, done.duration_s) == pytest.approx((began_s, 2.0), abs=0.11)
    assert session.command("start_set") is not None


def test_a_pose_asked_for_anew_and_left_out_leaves_the_one_that_holds(recording):
    """With the pain that was rated with it."""
    session, _ = in_the_bends(recording, 0.05)
    for _ in range(2):
        assert session.command("skip") is None
    assert session.command("pain", value=1) is None
    before = session.recording()
    assert session.command("calibrate_pose") is None
    for _ in range(3):
        assert session.command("skip") is None
    assert session.recording() == before
    assert [event.pain for event in before] == [1.0]


def test_the_plan_goes_on_though_a_step_was_begun_before_the_pain_was_rated(recording):
    session, chunks = in_the_bends(recording, 0.05)
    for name in ("skip", "skip", "not_rated", "start_set"):
        assert session.command(name) is None
    for chunk in islice(chunks, 10):
        session.push(chunk.streams)
    assert session.command("stop_set") is None
    for name in ("calibrate_bends", "not_rated", "skip", "skip", "effort_not_rated"):
        assert session.command(name) is None
    assert session.stage == "ready"
    assert session.frame()["drill"]["set"] == 2


def step_seen(step, lasts_s, swinging_s, told_deg, **moves):
    """The verdict on a step in which segments swing by 80 deg and back every 2 s, then hang. moves: share of the swing,
    by placement. told_deg: how far they were off their common axis or direction."""
    event = Event(0.0, lasts_s, {"bends": "elbow_bends", "raises": "forward_raises"}[step])
    time_s = np.arange(0, lasts_s, 0.02)
    swing_rad = np.where(time_s < swinging_s, np.radians(40.0) * (1 - np.cos(np.pi * time_s)), 0.0)
    seen, no_bias = np.ones(len(time_s), dtype=bool), BiasTrack(np.zeros(0), np.zeros((0, 3)), np.zeros(0))
    attitudes, seats = {}, {}
    for placement, share in moves.items():
        quat = quat_from_rotation(Rotation.from_rotvec(np.outer(share * swing_rad, [1.0, 0.0, 0.0])))
        attitudes[placement] = Attitude(placement, quat, np.zeros((len(time_s), 3)), seen, no_bias)
        seats[placement] = SensorCalibration(placement, np.eye(4)[0], 0.0, {event.trial_type: told_deg})
    arm = ArmCalibration("right", seats.get("right_upper_arm"), seats.get("right_wrist"), (), True)
    pose = Pose(0.0, 1.0, True, dict.fromkeys(moves, Rotation.identity()))
    calibration = Calibration((0.0, 1.0), True, {"right": arm})
    return watch_movement(step, event, time_s, attitudes, pose, calibration, LiveParams(), ended=False)


@pytest.mark.parametrize(
    ("step", "upper_arm_moves", "told_deg", "said"),
    [
        ("bends", 0.1, 5.0, ""),
        ("raises", 1.0, 5.0, ""),
        ("bends", 0.1, 60.0, "the right arm went different ways; bend it the same way each time"),
        ("raises", 1.0, 60.0, "the right arm went different ways; raise it straight forward each time"),
        ("bends", 1.0, 5.0, "the right upper arm moved along; keep it at your side"),
    ],
)
def test_a_step_is_good_or_says_what_to_do_otherwise(step, upper_arm_moves, told_deg, said):
    found = step_seen(step, 9.0, 8.0, told_deg, right_wrist=1.0, right_upper_arm=upper_arm_moves)
    assert (found.good, found.because) == (not said, said)


@pytest.mark.parametrize(("lasts_s", "good"), [(5.0, None), (5.8, None), (7.0, True)])
def test_a_movement_that_is_not_over_is_waited_for(lasts_s, good):
    """The third of three bends is half done, then nearly; then all are and the arm hangs for a moment."""
    assert step_seen("bends", lasts_s, 6.0, 5.0, right_wrist=1.0).good is good


def test_outside_sets_angles_are_worked_out_a_few_times_a_second(recording):
    """LiveParams.idle_s, at the next look; in a set at each."""
    source = RecordingSource(recording, 0.02)
    session = LiveSession(plan_for_recording(recording, {}), {}, source.rates_hz)
    shown = []
    play(source, session, Replayed(session), each=lambda live: shown.append((live.stage, live.stream.newest)))

    def per_s(in_set):
        own = [angles for stage, angles in shown if angles and (stage == "set") is in_set]
        return sum(new is not old for old, new in pairwise(own)) / (len(own) * source.chunk_s)

    assert 0.8 / (LiveParams().idle_s + LOOK_S) < per_s(in_set=False) <= 1.0 / LiveParams().idle_s
    assert per_s(in_set=True) == pytest.approx(1.0 / LOOK_S, rel=0.1)


@pytest.fixture(scope="module")
def raised():
    """Right arm, all movements, with elbow bends at shoulder height before the set."""
    blocks = (*CALIBRATION, BendsAtShoulderHeight(), Pause(3, "stand"), SetScript("full_can", reps=2, hold_s=2.0))
    scenario = Scenario(Athlete(), blocks, placements=("right_wrist", "right_upper_arm"), rate_hz=50.0)
    return simulate(scenario, seed=2).recording


def led(recording, kinds):
    """What was said of calibration at each moment, each step of these kinds begun and none ended by hand."""
    source = RecordingSource(recording, 0.1)
    session = LiveSession(plan_for_recording(recording, {}), {}, source.rates_hz)
    due = [event for event in recording.events if event.trial_type in kinds]
    until_s = next(event.onset_s for event in recording.events if event.trial_type == "set") - 1.0
    said = []
    for chunk in source.chunks():
        session.push(chunk.streams)
        if due and session.now_s > due[0].onset_s:
            assert session.command(COMMANDS[due.pop(0).trial_type]) is None
        said.append(session.frame()["calibration"])
        if session.now_s > until_s:
            return session, said
    raise AssertionError("the recording has no set")


USUAL = ("neutral_pose", "elbow_bends", "forward_raises")


def test_bends_at_shoulder_height_are_led_and_count_as_in_a_file(raised):
    session, said = led(raised, (*USUAL, "bends_at_shoulder_height"))
    high = [c for c in said if c["step"] == "high" and c["running"]]
    assert {c["asked"] for c in high} == {2}
    assert sorted({c["count"] for c in high}) == [0, 1, 2]
    assert "does not hurt" in high[0]["text"]
    assert (said[-1]["step"], said[-1]["verdict"]) == ("ready", "good")
    assert session.stage == "pain"
    assert types(session) == [*USUAL, "bends_at_shoulder_height"]
    assert session.stream.calibration.arms["right"].used[-1] == "bends_at_shoulder_height"


def test_bends_at_shoulder_height_can_be_left_out(raised):
    session, said = led(raised, USUAL)
    assert said[-1]["step"] == "high"
    assert not said[-1]["running"]
    assert session.command("skip") is None
    assert session.stage == "pain"
    assert types(session) == list(USUAL)


def test_bends_at_shoulder_height_are_not_asked_where_they_would_show_nothing(raised):
    wrist = replace(raised, streams={"right_wrist": raised.streams["right_wrist"]})
    session, said = led(wrist, USUAL)
    assert "high" not in {c["step"] for c in said}
    assert session.stage == "pain"


def test_an_arm_that_came_down_is_told_to_stay_up(raised):
    """The elbow bends of the start in place of those at shoulder height."""
    raises = next(event for event in raised.events if event.trial_type == "forward_raises")
    bends = next(event for event in raised.events if event.trial_type == "elbow_bends")
    source = RecordingSource(raised, 0.1)
    session = LiveSession(plan_for_recording(raised, {}), {}, source.rates_hz)
    for chunk in source.chunks():
        for event in chunk.events:
            if event.trial_type in USUAL:
                session.announce(event)
                session.command(COMMANDS[event.trial_type])
        session.push(chunk.streams)
        if session.now_s > raises.end_s + 1.0:
            break
    stream = session.stream
    event = replace(bends, trial_type="bends_at_shoulder_height")
    time_s, attitudes = stream.attitudes_since(bends.onset_s)
    rows = time_s <= bends.end_s
    own = {
        p: replace(
            a,
            quat_earth_from_sensor=a.quat_earth_from_sensor[rows],
            rate_earth_rad_s=a.rate_earth_rad_s[rows],
            valid=a.valid[rows],
        )
        for p, a in attitudes.items()
    }
    calibration = stream.calibration_with([*stream.events, event])
    verdict = watch_movement("high", event, time_s[rows], own, stream.pose, calibration, LiveParams(), ended=True)
    assert verdict.good is False
    assert verdict.because == "0 of 2 bends of the right arm were seen"


# One arm alone.


@pytest.fixture(scope="module")
def bent_twice():
    """Both arms are calibrated, and later bend once more; how that looks when the second time is for one arm alone."""
    blocks = (*CALIBRATION, Pause(2, "stand"), ElbowBends(), Pause(2, "stand"), SetScript("full_can", "right", reps=1))
    recording = simulate(Scenario(Athlete("M.K."), blocks, rate_hz=50.0, name="bent_twice"), seed=9003).recording
    source = RecordingSource(recording, 0.1)
    session = LiveSession(plan_for_recording(recording, {}), {}, source.rates_hz)
    bends = [event for event in recording.events if event.trial_type == "elbow_bends"]
    commands = [
        (event.onset_s, COMMANDS[event.trial_type], {}) for event in recording.events if event.trial_type in COMMANDS
    ]
    commands[-1] = (bends[1].onset_s, "calibrate_bends", {"side": "right"})
    before = None
    for chunk in source.chunks():
        session.push(chunk.streams)
        if commands and session.now_s > commands[0][0]:
            if len(commands) == 1:
                assert session.command("skip") is None
                assert session.command("not_rated") is None
                before = session.stream.calibration
            _, name, args = commands.pop(0)
            assert session.command(name, **args) is None
            if not commands:
                assert session.frame()["calibration"]["text"].startswith("Bend your right elbow")
        if not commands and session.frame()["calibration"]["step"] != "bends":
            break
    return session, recording, bends, before


def test_one_arm_is_calibrated_again_and_the_other_one_stays_as_it_was(bent_twice):
    session, _, bends, before = bent_twice
    shown = session.frame()["calibration"]
    assert (shown["step"], shown["side"], shown["verdict"]) == ("raises", "right", "good")
    found = [(event.side, event.onset_s) for event in session.recording() if event.trial_type == "elbow_bends"]
    assert [side for side, _ in found] == ["left", "right"]
    assert abs(found[0][1] - bends[0].onset_s) < 2
    assert abs(found[1][1] - bends[1].onset_s) < 2
    after = session.stream.calibration.arms
    assert after["left"].wrist.residual_deg["elbow_bends"] == before.arms["left"].wrist.residual_deg["elbow_bends"]
    assert after["right"].wrist.residual_deg["elbow_bends"] != before.arms["right"].wrist.residual_deg["elbow_bends"]
    for _ in range(2):
        assert session.command("skip") is None
    assert (session.stage, session.frame()["calibration"]["side"]) == ("ready", None)


def test_a_file_takes_a_movement_of_one_arm_for_that_arm(bent_twice):
    from imu_shoulder.pipeline import analyse

    session, recording, _, _ = bent_twice
    by_both = analyse(recording).calibration.arms
    by_one = analyse(replace(recording, events=session.recording())).calibration.arms
    named = [replace(e, side="right") if e.trial_type == "elbow_bends" else e for e in recording.events]
    right_only = analyse(replace(recording, events=tuple(named))).calibration.arms
    assert "elbow_bends" in by_one["left"].wrist.residual_deg
    assert "elbow_bends" not in right_only["left"].wrist.residual_deg
    assert by_one["left"].wrist.residual_deg["elbow_bends"] != by_both["left"].wrist.residual_deg["elbow_bends"]


def test_the_pose_is_of_both_arms(recording):
    session, _ = in_the_bends(recording, 0.05)
    assert "both" in session.command("calibrate_pose", side="right")


def test_a_log_has_the_movements_of_one_arm_beside_those_of_the_other():
    def entry(at_s, what, side=None, lasts_s=None):
        return EventEntry(round(at_s * 1e9), what, trial_type="elbow_bends", side=side, duration_s=lasts_s)

    both = [entry(1, "start"), entry(1, "was", None, 6.0)]
    alone = [entry(20, "start", "right"), entry(1, "was", "left", 6.0), entry(21, "was", "right", 5.0)]
    again = [entry(40, "start"), entry(41, "was", None, 4.0)]

    def told(*entries):
        return [(e.side, e.onset_s, e.duration_s) for e in typed_events(entries, 0, 60.0).events]

    assert told(*both) == [(None, 1.0, 6.0)]
    assert told(*both, *alone) == [("left", 1.0, 6.0), ("right", 21.0, 5.0)]
    assert told(*both, *alone, *again) == [(None, 41.0, 4.0)]
