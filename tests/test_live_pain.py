"""Pain in a live session: asked before the first set and after each, the stop over the ceiling, and its correction."""

from __future__ import annotations

from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from imu_shoulder.live.pain import PainWatch
from imu_shoulder.model import Event

CEILING = 2.0


@pytest.fixture(scope="module")
def recording(small_recording):
    """Two reps of full_can, each a set of its own."""
    from imu_shoulder.sources.folder import read_recording

    found = read_recording(small_recording)
    (whole,) = [event for event in found.events if event.trial_type == "set"]
    half_s = whole.duration_s / 2
    first = replace(whole, duration_s=half_s - 0.5)
    second = replace(whole, onset_s=whole.onset_s + half_s, duration_s=half_s)
    return replace(found, events=(*[e for e in found.events if e is not whole], first, second))


def session_for(recording, **changes):
    from imu_shoulder.live.replay import plan_for_recording
    from imu_shoulder.live.session import LiveSession

    plan = replace(plan_for_recording(recording, {}), pain_ceiling=CEILING, **changes)
    rates = {placement: stream.declared_rate_hz for placement, stream in recording.streams.items()}
    return LiveSession(plan, {}, rates)


def rated(recording, *pains, before=None):
    """The recording with these ratings of its sets, and of its pose."""
    pains, events = list(pains), []
    for event in recording.events:
        if event.trial_type == "set":
            event = replace(event, pain=pains.pop(0))
        elif event.trial_type == "neutral_pose":
            event = replace(event, pain=before)
        events.append(event)
    return replace(recording, events=tuple(events))


def posed(recording):
    """A session whose pose was taken and whose calibration is over."""
    from imu_shoulder.sources import RecordingSource

    session = session_for(recording)
    session.command("calibrate_pose")
    for chunk in RecordingSource(recording, 0.2).chunks():
        session.push(chunk.streams)
        if session.frame()["calibration"]["step"] != "pose":
            break
    assert session.command("skip") is None
    assert session.command("skip") is None
    return session


def sets_of(session):
    return [event for event in session.recording() if event.trial_type == "set"]


def going_on(session, recording, span_s=1.0):
    """The next stretch of the recording's samples."""
    from imu_shoulder.sources import RecordingSource

    until_s = session.now_s + span_s
    for chunk in RecordingSource(recording, 0.2).chunks():
        last_s = max(float(stream.time_s[-1]) for stream in chunk.streams.values())
        if session.now_s < last_s <= until_s:
            session.push(chunk.streams)


# The watch alone.


@pytest.mark.parametrize(("value", "stops"), [(0, False), (2, False), (2.1, True), (10, True)])
def test_over_the_ceiling_and_only_over_it_stops(value, stops):
    watch = PainWatch(CEILING)
    assert watch.rate(value, 5.0) is None
    assert watch.stopped is stops
    assert (watch.refusal is not None) is stops


@pytest.mark.parametrize("value", [-1, 11, True, "2", None, float("nan")])
def test_what_is_no_rating_is_no_answer(value):
    watch = PainWatch(CEILING)
    assert watch.rate(value, 5.0) is not None
    assert watch.open
    assert watch.value is None


@pytest.mark.parametrize(("after_s", "taken"), [(0.0, True), (20.0, True), (20.1, False), (3600.0, False)])
def test_a_slip_is_corrected_within_twenty_seconds_of_the_sample_clock(after_s, taken):
    watch = PainWatch(CEILING)
    watch.rate(5, 100.0)
    assert (watch.correct(1, 100.0 + after_s) is None) is taken
    assert watch.stopped is not taken
    assert watch.value == (1.0 if taken else 5.0)
    (event,) = watch.written([Event(0, 5, "neutral_pose")], [])
    assert event == Event(0, 5, "neutral_pose", pain=watch.value, note="pain corrected from 5 to 1" if taken else None)


def test_a_number_that_was_meant_is_corrected_no_more():
    watch = PainWatch(CEILING)
    watch.rate(5, 100.0)
    assert watch.confirm() is None
    assert "confirmed" in watch.correct(1, 101.0)
    assert watch.stopped


def test_a_correction_that_is_over_the_ceiling_too_stops_on_and_is_kept():
    watch = PainWatch(CEILING)
    watch.rate(7, 100.0)
    assert watch.correct(4, 105.0) is None
    assert watch.stopped
    assert "was 4 of 10" in watch.text
    assert watch.correct(2, 121.0) is not None  # counted from the first number
    (event,) = watch.written([Event(0, 5, "neutral_pose")], [])
    assert (event.pain, event.note) == (4.0, "pain corrected from 7 to 4")


STEPS = st.lists(
    st.tuples(
        st.sampled_from(["rate", "correct", "decline", "confirm", "ask"]), st.integers(0, 10), st.floats(0.0, 30.0)
    ),
    max_size=12,
)


@given(STEPS)
def test_nothing_but_a_correction_in_time_takes_a_stop_back(steps):
    watch, now_s, number = PainWatch(CEILING), 0.0, 0
    over_s = None
    for name, value, later_s in steps:
        now_s += later_s
        before = watch.stopped
        if name == "ask":
            if before:
                continue  # no set can be done once it has stopped
            number += 1
            watch.ask(number)
        elif name in ("rate", "correct"):
            getattr(watch, name)(value, now_s)
        else:
            getattr(watch, name)()
        if watch.stopped and not before:
            over_s = now_s
        if before and not watch.stopped:
            assert name == "correct"
            assert value <= CEILING
            assert now_s - over_s <= 20.0
            assert len(watch.ratings[watch.of]) >= 2
        assert watch.stopped is (watch.value is not None and watch.value > CEILING)


# In the session.


def test_without_an_answer_no_set_starts_and_nothing_else_answers(recording):
    session = posed(recording)
    assert session.stage == "pain"
    assert session.frame()["pain"]["of"] == "before"
    for name in ("start_set", "next_drill", "previous_drill", "skip"):
        assert session.command(name) is not None, name
        assert session.asks_pain
    assert session.command("not_rated") is None
    assert session.stage == "ready"
    assert session.command("start_set") is None
    going_on(session, recording)
    assert session.command("stop_set") is None
    for name in ("start_set", "next_drill", "skip"):
        assert session.command(name) is not None, name
        assert session.stage == "pain"
    assert session.command("not_rated") is None
    assert [event.pain for event in sets_of(session)] == [None]


def test_pain_before_the_first_set_over_the_ceiling_stops_the_start(recording):
    session = posed(recording)
    assert session.command("pain", value=5) is None
    assert session.stage == "stop"
    for name in ("start_set", "next_drill", "calibrate_pose", "calibrate_bends", "skip", "not_rated"):
        assert session.command(name) is not None, name
        assert session.stage == "stop"
    assert session.command("pain", value=0) is not None
    assert [(event.trial_type, event.pain) for event in session.recording()] == [("neutral_pose", 5.0)]


def test_pain_is_not_asked_before_there_is_a_pose(recording):
    session = session_for(recording)
    assert "pose" in session.command("pain", value=1)
    assert "pose" in session.command("not_rated")


def test_a_correction_goes_on_with_the_next_set_and_keeps_both_numbers(recording):
    session = posed(recording)
    session.command("pain", value=1)
    session.command("start_set")
    going_on(session, recording)
    session.command("stop_set")
    session.command("note", text="left band, red")
    assert session.command("pain", value=6) is None
    assert session.stage == "stop"
    assert session.frame()["pain"]["correct_s"] == 20.0
    going_on(session, recording, 2.0)
    assert 17.5 <= session.frame()["pain"]["correct_s"] <= 18.5
    assert session.command("correct_pain", value=2) is None
    assert session.stage == "effort"
    assert session.command("effort", value=6) is None
    assert session.stage == "ready"
    (done,) = sets_of(session)
    assert (done.pain, done.note) == (2.0, "left band, red; pain corrected from 6 to 2")
    assert session.recording()[0].pain == 1.0
    assert session.frame()["drill"]["number"] == 2
    assert session.command("start_set") is None


def test_a_lower_rating_later_never_takes_the_stop_back(recording):
    session = posed(recording)
    session.command("not_rated")
    session.command("start_set")
    going_on(session, recording)
    session.command("stop_set")
    session.command("pain", value=6)
    for _ in range(3):
        going_on(session, recording, 10.0)
    assert session.frame()["pain"]["correct_s"] is None
    for name in ("pain", "correct_pain"):
        assert session.command(name, value=0) is not None
    assert session.frame()["stage"] == "stop"
    assert session.command("start_set") is not None
    assert [event.pain for event in sets_of(session)] == [6.0]


def test_more_pain_is_taken_later_and_stops_too(recording):
    """What was noted too low is put right, and pain may come in the rest."""
    session = posed(recording)
    session.command("not_rated")
    session.command("start_set")
    going_on(session, recording)
    assert session.command("pain", value=1) is not None  # the set goes on
    session.command("stop_set")
    session.command("pain", value=1)
    assert session.command("pain", value=0) is not None
    assert session.command("pain", value=2) is None
    assert session.stage == "effort"
    assert session.command("effort_not_rated") is None
    assert (session.stage, session.frame()["drill"]["number"]) == ("ready", 2)
    going_on(session, recording, 30.0)
    assert session.command("pain", value=5) is None
    assert session.stage == "stop"
    assert session.frame()["pain"]["correct_s"] == 20.0
    assert session.command("correct_pain", value=3) is None
    assert session.stage == "stop"
    assert session.command("correct_pain", value=2) is None
    assert (session.stage, session.frame()["drill"]["number"]) == ("ready", 2)
    (done,) = sets_of(session)
    assert done.pain == 2.0
    said = ["corrected from 1 to 2", "rated 2 and later 5: the higher counts", "corrected from 5 to 3", "from 3 to 2"]
    assert [part in note for part, note in zip(said, done.note.split("; "), strict=True)] == [True] * 4


# Played recordings.


def played(recording, **changes):
    from imu_shoulder.live.replay import run
    from imu_shoulder.sources import RecordingSource

    session = session_for(recording, **changes)
    run(RecordingSource(recording, 0.2), session)
    return session


def prompted(recording, tmp_path, **changes):
    """Through the hub, as the command plays it, a log included."""
    from imu_shoulder.live.hub import About, Hub
    from imu_shoulder.live.paced_replay import Prompter
    from imu_shoulder.live.session_log import Keeper
    from imu_shoulder.sources import RecordingSource

    session = session_for(recording, **changes)
    keeper = Keeper(tmp_path / "session", recording.athlete, recording.start, keeps_samples=True)
    hub = Hub(session, keeper, About(recording.athlete, "replay", (), (), lambda recording, out: None))
    prompter = Prompter(hub, session)
    for chunk in RecordingSource(recording, 0.1).chunks():
        hub.push(chunk.streams)
        prompter(chunk)
    keeper.close(session.now_s)
    return session


@pytest.mark.parametrize("through", ["session", "hub"])
def test_a_refused_set_does_not_write_its_pain_over_the_one_that_stopped(recording, tmp_path, through):
    """It was 5 in the first set and 1 in the second: the second is not done."""
    told = rated(recording, 5.0, 1.0)
    session = played(told) if through == "session" else prompted(told, tmp_path)
    assert [event.pain for event in sets_of(session)] == [5.0]
    assert session.frame()["pain"]["stop"]
    if through == "session":
        assert session.stage == "done"
    else:
        assert session.command("start_set") is not None


@pytest.mark.parametrize("through", ["session", "hub"])
def test_ratings_of_a_recording_are_given_as_they_were(recording, tmp_path, through):
    told = rated(recording, 1.0, None, before=2.0)
    session = played(told) if through == "session" else prompted(told, tmp_path)
    assert [event.pain for event in sets_of(session)] == [1.0, None]
    assert session.recording()[0].pain == 2.0


@pytest.mark.parametrize("through", ["session", "hub"])
def test_pain_before_the_first_set_of_a_recording_stops_it(recording, tmp_path, through):
    told = rated(recording, 1.0, 1.0, before=4.0)
    session = played(told) if through == "session" else prompted(told, tmp_path)
    assert sets_of(session) == []


@pytest.mark.parametrize("through", ["session", "hub"])
def test_a_set_is_judged_by_its_own_drill_after_one_was_refused(recording, tmp_path, through):
    """The first set lies before any pose was taken, and is of another drill."""
    early = Event(0.2, 1.0, "set", "band_external_rotation", "right", pain=1.0)
    told = rated(recording, 0.0, 0.0)
    told = replace(told, events=(early, *told.events))
    session = played(told) if through == "session" else prompted(told, tmp_path)
    assert [(event.drill, event.pain) for event in sets_of(session)] == [("full_can", 0.0), ("full_can", 0.0)]
    assert len([event for event in session.final_reps if event["kind"] == "rep"]) == 2


def test_sets_that_the_plan_does_not_have_are_not_judged_by_another_drill(recording):
    from imu_shoulder.drills import load_shipped
    from imu_shoulder.live.replay import not_planned, plan_for_drill

    plan = plan_for_drill(load_shipped("band_external_rotation"), "right", recording.athlete)
    assert sets_of(played(recording, drills=plan.drills)) == []
    assert not_planned(recording, plan) == ("full_can (right)",)
    both = plan_for_drill(load_shipped("full_can"), "both", recording.athlete)
    assert not_planned(recording, both) == ()
    assert [event.drill for event in sets_of(played(recording, drills=both.drills))] == ["full_can", "full_can"]


def test_a_recovered_log_has_both_numbers_of_a_correction(tmp_path):
    from live_fake import chunk

    from imu_shoulder.ble.recover import recover
    from imu_shoulder.live.session_log import Keeper

    keeper = Keeper(tmp_path / "session", "M.K.", "2025-03-04T09:30:00+01:00", keeps_samples=True)
    for number in range(1, 1601):
        keeper.samples(chunk(0.02 * number).streams)
    drill = {"id": "full_can", "side": "right"}
    for name, value, at_s in (
        *[("calibrate_pose", None, 1.0), ("pain", 2, 7.0), ("start_set", None, 8.0), ("stop_set", None, 12.0)],
        *[("pain", 6, 13.0), ("correct_pain", 1, 20.0)],
    ):
        keeper.command(name, {} if value is None else {"value": value}, at_s, drill)
    keeper.close(32.0)
    events = recover(keeper.log_path, tmp_path / "saved", keep_log=True).recording.events
    assert [(event.trial_type, event.pain, event.note) for event in events] == [
        ("neutral_pose", 2.0, None),
        ("set", 1.0, "pain corrected from 6 to 1"),
    ]


@pytest.mark.parametrize(
    ("given", "said"),
    [
        ([("rate", 1)], "Pain 1 of 10; the ceiling is 2."),
        ([("rate", 1), ("rate", 2)], "Pain 2 of 10, up from 1; the ceiling is 2."),
        ([("rate", 6), ("correct", 1)], "Pain 1 of 10, corrected from 6; the ceiling is 2."),
        ([("decline", None)], "Pain was not rated."),
        ([], ""),
    ],
)
def test_the_page_says_every_number_that_was_given(given, said):
    watch = PainWatch(CEILING)
    for name, value in given:
        refused = watch.decline() if name == "decline" else getattr(watch, name)(value, 5.0)
        assert refused is None
    assert watch.text == said
