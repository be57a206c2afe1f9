"""The engine: one result however a stream is cut, saved and restored, and the page's words those of the file.

What must be equal here follows from the design, not from a publication: the same rows through the same stages.
"""

from __future__ import annotations

import pickle
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from imu_shoulder.analysis import Params
from imu_shoulder.drills import load_shipped
from imu_shoulder.engine.asked import asked_in
from imu_shoulder.engine.marks import Mark, Marks
from imu_shoulder.engine.stream import Stream
from imu_shoulder.live.paced_replay import TICK_S
from imu_shoulder.live.replay import plan_for_recording, run, without_range_tests
from imu_shoulder.live.said import Said
from imu_shoulder.live.session import LiveSession
from imu_shoulder.model import Event
from imu_shoulder.pipeline import analyse
from imu_shoulder.report.tables import reps_table
from imu_shoulder.sources import RecordingSource
from imu_shoulder.sources.folder import read_recording

RECORDINGS = sorted(path for path in (Path(__file__).parents[1] / "recordings").iterdir() if path.is_dir())
CAUSAL = replace(Params(), afterwards=False)


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


@pytest.mark.parametrize("folder", RECORDINGS, ids=lambda path: path.name)
def test_the_page_says_of_every_rep_what_the_causal_file_says(folder):
    """But for what became known later than two seconds after a rep, which is said to be revised."""
    recording, _ = without_range_tests(read_recording(folder))
    if not any(event.trial_type == "set" for event in recording.events):
        return
    source, said = RecordingSource(recording, TICK_S), Said()
    session = LiveSession(plan_for_recording(recording, {}), {}, source.rates_hz)
    run(source, session, each=said.look)
    page = said.finish(session)
    file = reps_table(analyse(recording, CAUSAL)).sort_values(["set", "side", "start_s"], ignore_index=True)
    page = page.sort_values(["set", "side", "start_s"], ignore_index=True)
    what = ["set", "drill", "side", "rep", "role"]
    assert page[what].to_numpy().tolist() == file[what].to_numpy().tolist()
    stands = (page["revised"] == "").to_numpy()
    assert stands.any()
    verdict = ["faults", "excluded"]
    assert page[verdict][stands].to_numpy().tolist() == file[verdict][stands].to_numpy().tolist()
    numbers = ["start_s", "top_deg", "hold_s", "elbow_deg", "plane_deg"]
    assert page[numbers][stands].to_numpy() == pytest.approx(file[numbers][stands].to_numpy(), abs=1e-3, nan_ok=True)
    later = page["revised"][~stands]
    assert later.str.contains("sensor_slip").all()


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
