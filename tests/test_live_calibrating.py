"""Steps of the calibration that are left out, taken again or cut off."""

from __future__ import annotations

from dataclasses import replace
from itertools import islice

import pytest

from imu_shoulder.live.replay import plan_for_recording
from imu_shoulder.live.session import LiveSession
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
