"""Steps of the calibration that are left out, taken again or cut off."""

from __future__ import annotations

from dataclasses import replace
from itertools import islice

import pytest

from imu_shoulder.live.params import LiveParams
from imu_shoulder.live.replay import COMMANDS, plan_for_recording
from imu_shoulder.live.session import LiveSession
from imu_shoulder.live.steps import watch_movement
from imu_shoulder.simulate import Athlete, BendsAtShoulderHeight, Pause, Scenario, SetScript, simulate
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
    for name in ("calibrate_bends", "not_rated", "skip", "skip"):
        assert session.command(name) is None
    assert session.stage == "ready"
    assert session.frame()["drill"]["set"] == 2


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
