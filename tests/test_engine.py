"""The engine: one result however a stream is cut, saved and restored, and the page's words those of the file.

What must be equal here follows from the design, not from a publication: the same rows through the same stages.
"""

from __future__ import annotations

import pickle
from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from imu_shoulder.analysis import Params
from imu_shoulder.drills import load_shipped
from imu_shoulder.engine.asked import asked_in
from imu_shoulder.engine.marks import Mark, Marks
from imu_shoulder.engine.stream import Stream
from imu_shoulder.live.paced_replay import TICK_S
from imu_shoulder.live.replay import plan_for_recording
from imu_shoulder.live.said import Said
from imu_shoulder.live.session import LiveSession
from imu_shoulder.live.steps import COMMANDS
from imu_shoulder.model import Event, Recording
from imu_shoulder.pipeline import analyse
from imu_shoulder.report.tables import reps_table
from imu_shoulder.simulate import Athlete, Pause, Scenario, SensorModel, SetScript, Slip, simulate
from imu_shoulder.simulate.scenarios import CALIBRATION, drill_scenario
from imu_shoulder.sources import RecordingSource
from imu_shoulder.sources.folder import read_recording

CAUSAL = replace(Params(), afterwards=False)
PAIR = ("right_upper_arm", "right_wrist")


@pytest.fixture(scope="module")
def recording(small_recording):
    return read_recording(small_recording)


def stream_of(recording) -> Stream:
    """A stream that was told of all events, as a file's causal form is."""
    stream = Stream(RecordingSource(recording).rates_hz, CAUSAL, asked_in(recording.events, None, None, ()))
    for event in sorted(recording.events, key=lambda event: event.onset_s):
        stream.begin(event)
        stream.end(event.end_s)
    return stream


def judged(stream: Stream) -> list:
    return [
        (found.arm_set.number, found.arm_set.side, rep.number, rep.rep.kind, rep.faults, rep.excluded, rep.values)
        for found in stream.sets
        for rep in found.judged
    ]


def assert_same(found: list, expected: list) -> None:
    """Events exactly, measures to rounding."""
    assert [own[:-1] for own in found] == [own[:-1] for own in expected]
    assert expected
    for own, other in zip(found, expected, strict=True):
        assert own[-1] == pytest.approx(other[-1], rel=1e-6, abs=1e-6, nan_ok=True)


@pytest.fixture(scope="module")
def at_once(recording):
    """The whole recording pushed in one piece."""
    stream = stream_of(recording)
    stream.push(recording.streams)
    stream.finish()
    return judged(stream)


@pytest.mark.parametrize("chunk_s", [0.013, 0.07, 0.25, 3.0])
def test_the_result_does_not_depend_on_how_the_stream_was_cut(recording, at_once, chunk_s):
    stream = stream_of(recording)
    for chunk in RecordingSource(recording, chunk_s).chunks():
        stream.push(chunk.streams)
    stream.finish()
    assert_same(judged(stream), at_once)


def test_a_state_that_was_saved_goes_on_as_if_it_had_not_been(recording, at_once):
    """Before the pose, in the bends, in the set and after it."""
    stream = stream_of(recording)
    starts_s = {event.trial_type: event.onset_s for event in recording.events}
    due_s = [1.0, starts_s["elbow_bends"] + 2, starts_s["set"] + 4, starts_s["set"] + 12]
    saved = 0
    for chunk in RecordingSource(recording, 0.2).chunks():
        stream.push(chunk.streams)
        if due_s and (stream.newest_s or 0.0) > due_s[0]:
            due_s.pop(0)
            saved += 1
            stream = pickle.loads(pickle.dumps(stream))
    stream.finish()
    assert saved == 4
    assert_same(judged(stream), at_once)


def test_what_the_arm_shows_of_itself_inside_a_set_is_used_in_that_set():
    """External rotation turns the upper arm about itself: that axis is known after a few reps, and not before."""
    scenario = drill_scenario("band_external_rotation", placements=PAIR, rate_hz=50.0, reps=6)
    recording = simulate(scenario, 9000).recording
    stream = stream_of(recording)
    known: dict[int, bool] = {}
    for chunk in RecordingSource(recording, 0.2).chunks():
        stream.push(chunk.streams)
        if stream.running is not None and stream.calibration is not None:
            seat = stream.calibration.arms["right"].upper_arm
            assert seat is not None
            known[stream.running.told] = "turning" in seat.residual_deg
    assert not known[1]
    assert known[5]
    stream.finish()
    assert [rep.rep.kind for rep in stream.sets[0].judged] == ["rep"] * 6


def by_hand(recording: Recording) -> tuple[LiveSession, list[str | None], pd.DataFrame]:
    """The session by commands as a person gives them, what each start of a set was answered, and what was said.

    Pain is rated when a start was refused for want of it.
    """
    source, said = RecordingSource(recording, TICK_S), Said()
    session = LiveSession(plan_for_recording(recording, {}), {}, source.rates_hz)
    marks = [(event.onset_s, COMMANDS.get(event.trial_type, "start_set")) for event in recording.events]
    marks += [(event.end_s, "stop_set") for event in recording.events if event.trial_type == "set"]
    marks.sort()
    answers = []
    for chunk in source.chunks():
        while marks and marks[0][0] <= session.now_s:
            command = marks.pop(0)[1]
            answer = session.command(command)
            if command == "start_set":
                answers.append(answer)
                if answer is not None:
                    assert session.command("pain", value=1.0) is None
                    answers.append(session.command("start_set"))
        session.push(chunk.streams)
        said.look(session)
    session.command("finish")
    return session, answers, said.finish(session)


def test_after_a_refused_start_pain_and_a_calibration_done_again_the_page_says_what_the_file_says():
    """The session keeps the last pose: its own recording has no angles before that, and the same ones after it."""
    one = SetScript("full_can", "right", reps=3, hold_s=2.0, faults={2: ("start_missed",)})
    blocks = (*CALIBRATION, one, Pause(6, "walk"), one, Pause(6, "walk"), *CALIBRATION, one, Pause(4, "stand"))
    recording = simulate(Scenario(Athlete("R.V."), blocks, placements=PAIR, rate_hz=50.0), 9300).recording
    # Without the second calibration both sets before it are told by the same pose.
    again_s = [event.onset_s for event in recording.events if event.trial_type == "neutral_pose"][1]
    once = [e for e in recording.events if e.onset_s < again_s or e.trial_type == "set"]
    for events, told in ((once, [1, 2, 3]), (recording.events, [3])):
        session, answers, page = by_hand(replace(recording, events=tuple(events)))
        assert [answer is None for answer in answers] == [False, True] * 3
        assert len(page) == 9
        file = reps_table(analyse(replace(recording, events=session.recording()), CAUSAL))
        page, file = (table[table["set"].isin(told)].reset_index(drop=True) for table in (page, file))
        what = ["set", "side", "rep", "role", "faults", "excluded"]
        assert file[what].to_numpy().tolist() == page[what].to_numpy().tolist()
        assert len(file) == 3 * len(told)
        assert "start_missed" in "".join(file["faults"])
        numbers = ["start_s", "start_deg", "top_deg", "hold_s"]
        assert page[numbers].to_numpy() == pytest.approx(file[numbers].to_numpy(), abs=1e-3)


def test_a_false_start_of_an_arm_that_hangs_beside_the_vertical_is_told_from_the_past_alone():
    recording = read_recording(Path(__file__).parents[1] / "recordings" / "faulty_warm_up")
    first = next(event for event in recording.events if event.trial_type == "set")
    reps = reps_table(
        analyse(replace(recording, events=tuple(e for e in recording.events if e.onset_s <= first.onset_s)), CAUSAL)
    )
    assert reps["excluded"].tolist().count("false_start") == 1
    assert reps.loc[reps["excluded"] == "false_start", "rep"].tolist() == [5]


def one_long_set(*slips: Slip, seed: int) -> Recording:
    blocks = (*CALIBRATION, Pause(3, "stand"), SetScript("full_can", "right", reps=6, hold_s=5.4), Pause(4, "stand"))
    sensors = {"right_wrist": SensorModel(slips=slips)}
    return simulate(Scenario(Athlete("R.V."), blocks, placements=PAIR, rate_hz=50.0, sensors=sensors), seed).recording


def slip_told_s(recording: Recording) -> float | None:
    """When a stream first says that a sensor slipped."""
    stream = stream_of(recording)
    for chunk in RecordingSource(recording, 0.2).chunks():
        stream.push(chunk.streams)
        if any(finding.code == "sensor_slip" for finding in stream.findings):
            return stream.grid_s
    return None


def test_a_slip_is_told_inside_its_set_once_it_has_lasted():
    """As soon as it is longer ago than a turn that was a movement may last, at the next quiet moment."""
    recording = one_long_set(Slip(62.0, 20.0), seed=11)
    told_s, lasting_s = slip_told_s(recording), CAUSAL.slip.lasting_s
    assert told_s is not None
    assert lasting_s <= told_s - 62.0 < 2 * lasting_s
    assert told_s < recording.events[-1].end_s - lasting_s


@pytest.mark.parametrize(("seed", "stays_s"), [(11, 8.0), (12, 4.0), (12, 8.0)])
def test_a_turn_that_is_taken_back_is_told_at_no_time(seed, stays_s):
    assert slip_told_s(one_long_set(Slip(62.0, 25.0), Slip(62.0 + stays_s, -25.0), seed=seed)) is None


def test_memory_does_not_grow_with_the_length(recording):
    """What is kept after one round of the recording and after three is the same but for what was found."""
    length_s = max(float(own.time_s[-1]) for own in recording.streams.values()) + 0.02
    sizes = []
    stream = Stream(RecordingSource(recording).rates_hz, CAUSAL, asked_in(recording.events, None, None, ()))
    for turn in range(12):
        by_s = turn * length_s
        for event in recording.events:
            if turn == 0 or event.trial_type == "set":
                stream.begin(replace(event, onset_s=event.onset_s + by_s))
                stream.end(event.end_s + by_s)
        for chunk in RecordingSource(recording, 1.0).chunks():
            stream.push({p: replace(own, time_s=own.time_s + by_s) for p, own in chunk.streams.items()})
        stream.sets.clear()
        sizes.append(len(pickle.dumps(stream)))
    assert len(sizes) == 12
    # It fills up for two minutes of samples; after that only short lists of moments and sets grow.
    assert sizes[-1] < 1.1 * sizes[-5]


def test_a_mark_that_comes_late_takes_effect_at_once(recording):
    stream = Stream(RecordingSource(recording).rates_hz, CAUSAL)
    pose, *_ = recording.events
    (the_set,) = [event for event in recording.events if event.trial_type == "set"]
    stream.begin(pose)
    stream.end(pose.end_s)
    begun = False
    for chunk in RecordingSource(recording, 0.1).chunks():
        stream.push(chunk.streams)
        if not begun and (stream.grid_s or 0.0) > the_set.onset_s + 1.0:
            begun = True
            stream.begin(Event(stream.mark_s, 0.0, "set", "full_can", "right"), load_shipped("full_can"), {})
            assert stream.running is not None
            assert stream.running.event.onset_s == pytest.approx(stream.grid_s, abs=1 / stream.rate_hz)
    stream.end()
    assert stream.running is None
    assert len(stream.sets) == 1
    assert stream.sets[0].arm_set.end_s == pytest.approx(stream.grid_s, abs=1 / stream.rate_hz)


def test_an_end_that_was_announced_ends_nothing_after_what_it_was_of_was_ended(recording):
    """A recorded movement is stopped before its own end, and is done again: that goes on."""
    stream = Stream(RecordingSource(recording).rates_hz, CAUSAL)
    chunks = RecordingSource(recording, 1.0).chunks()
    for _, chunk in zip(range(5), chunks, strict=False):
        stream.push(chunk.streams)
    now_s = stream.mark_s
    stream.begin(Event(now_s, 0.0, "elbow_bends"))
    stream.end(now_s + 1.5)
    assert stream.open is not None
    stream.end()
    assert stream.open is None
    stream.begin(Event(now_s, 0.0, "elbow_bends"))
    for _, chunk in zip(range(3), chunks, strict=False):
        stream.push(chunk.streams)
    assert stream.mark_s > now_s + 2.0
    assert stream.open is not None


def test_a_first_stillness_that_was_none_does_not_lock_the_zero_of_the_gyroscope():
    """A sensor that turns evenly at 2 deg/s for 4 s, then rests: the rests outvote it."""
    from imu_shoulder.model import Track
    from imu_shoulder.orient.attitude import OrientParams
    from imu_shoulder.orient.stream import OrientStream

    rng = np.random.default_rng(3)
    rate_hz, bias = 100.0, np.radians([0.4, -0.3, 0.2])
    count = round(60 * rate_hz)
    turning = np.zeros((count, 3))
    turning[: round(4 * rate_hz), 2] = np.radians(2.0)
    shaken = (np.arange(count) // round(5 * rate_hz)) % 2 == 1
    turning[shaken] += rng.normal(0, np.radians(30), (int(shaken.sum()), 3))
    gyr = turning + bias + rng.normal(0, np.radians(0.05), (count, 3))
    acc = np.tile([0.0, 0.0, 9.81], (count, 1)) + rng.normal(0, 0.02, (count, 3))
    stream = OrientStream(["right_wrist"], rate_hz, OrientParams())
    step = round(0.5 * rate_hz)
    for first in range(0, count, step):
        rows = slice(first, first + step)
        seen = np.ones(step, dtype=bool)
        stream.push(
            np.arange(count)[rows] / rate_hz, {"right_wrist": Track("right_wrist", acc[rows], gyr[rows], seen, ~seen)}
        )
        stream.look()
    found = stream.biases["right_wrist"].bias_rad_s[-1]
    assert np.degrees(found) == pytest.approx(np.degrees(bias), abs=0.05)


@pytest.mark.parametrize(("begins", "place"), [(True, 3), (False, 4)])
def test_a_row_at_the_very_time_of_a_mark_is_inside_the_event(begins, place):
    """Rows are cut before it where the event begins, after it where it ends; also where the times are sums."""
    time_s = np.cumsum(np.full(10, 0.1))
    event = Event(0.4, 0.0, "set") if begins else None
    marks = Marks()
    marks.put(Mark(0.1 + 0.3, event))
    assert marks.first_in(time_s, 0, 10) == place
    assert [len(list(marks.due(time_s[row]))) for row in (place - 1, place)] == [0, 1]


def test_in_a_stream_an_angle_is_missing_until_the_movement_that_shows_it(small_recording):
    """The elbow takes one heading of both sensors, which the forward raises show."""
    found = analyse(read_recording(small_recording), CAUSAL)
    onset_s = {event.trial_type: event.onset_s for event in found.recording.events}
    time_s, elbow_deg = found.aligned.time_s, found.arms["right"].angles["elbow_deg"]
    assert np.isnan(elbow_deg[time_s < onset_s["forward_raises"]]).all()
    assert np.isfinite(elbow_deg[time_s > onset_s["set"] + 1.0]).all()


def test_a_stretch_in_which_an_arm_was_not_calibrated_has_its_rows_without_angles():
    """A calibration done again may be of other arms. What is known stays beside its own rows."""
    from imu_shoulder.angles.joint import ArmAngles
    from imu_shoulder.angles.skin import SkinShare
    from imu_shoulder.engine.recorded import _joined_arms

    values = {"elevation_deg": np.array([10.0, 20.0])}
    known = ArmAngles("left", "gravity", values, np.ones(2), SkinShare(0.7, 0.1, 0.0), sd=values, hidden=values)
    joined = _joined_arms([None, known, None], [3, 2, 1])
    for column in (joined.angles, joined.sd, joined.hidden):
        np.testing.assert_array_equal(column["elevation_deg"], [*[np.nan] * 3, 10.0, 20.0, np.nan])
    np.testing.assert_array_equal(joined.rotation_from_forearm, [*[np.nan] * 3, 1.0, 1.0, np.nan])
