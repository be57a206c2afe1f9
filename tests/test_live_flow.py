"""The way through a session: a set that is done, extra reps, effort, rest, corrections, and the end of the plan.

Two clean reps of full_can are played; what is asked of them differs. Times are those of the samples.
"""

from __future__ import annotations

from dataclasses import replace

import pytest

from imu_shoulder.drills import USUAL_REST_S
from imu_shoulder.live.course import Course
from imu_shoulder.live.tally import SetTally, Tally
from imu_shoulder.log.entries import EventEntry
from imu_shoulder.log.typed_events import typed_events
from imu_shoulder.model import ArmCount, Event
from imu_shoulder.sources.events import events_tsv, read_events

REST_S = 45.0


@pytest.fixture(scope="module")
def recording(small_recording):
    from imu_shoulder.sources.folder import read_recording

    return read_recording(small_recording)


def session_for(recording, reps=1, sets=1):
    from imu_shoulder.live.replay import plan_for_recording
    from imu_shoulder.live.session import LiveSession

    plan = plan_for_recording(recording, {})
    items = tuple(replace(item, reps={"right": reps}, sets=sets, rest_s=REST_S) for item in plan.drills)
    rates = {placement: stream.declared_rate_hz for placement, stream in recording.streams.items()}
    return LiveSession(replace(plan, drills=items), {}, rates)


def played(recording, **asked):
    """The session when its set has just ended, and the frames so far."""
    from imu_shoulder.live.replay import Replayed
    from imu_shoulder.sources import RecordingSource

    session, frames = session_for(recording, **asked), []
    told = Replayed(session)
    for chunk in RecordingSource(recording, 0.1).chunks():
        for event in chunk.events:
            told.begun(event)
        session.push(chunk.streams)
        frames.append(session.frame())
        if session.set_is_over:
            break
    assert session.command("stop_set") is None
    return session, frames


@pytest.fixture(scope="module")
def one_asked(recording):
    return played(recording, reps=1)


def test_the_set_is_done_with_the_last_rep_asked_and_later_ones_are_extra(one_asked):
    session, frames = one_asked
    sets = [frame for frame in frames if frame["stage"] == "set"]
    shown = [(f["set_done"], f["arms"]["right"]["count"], f["arms"]["right"]["extra"]) for f in sets if f["arms"]]
    assert list(dict.fromkeys(shown)) == [(False, 0, 0), (True, 1, 0), (True, 2, 1)]
    assert [(rep["kind"], rep["extra"]) for rep in session.final_reps] == [("rep", False), ("rep", True)]
    (done,) = session.frame()["sets"]
    arm = done["arms"]["right"]
    assert (arm["asked"], arm["counted"], arm["extra"], arm["clean"]) == (1, 2, 1, 2)
    (event,) = [event for event in session.recording() if event.trial_type == "set"]
    assert event.counts == (ArmCount("right", counted=2, extra=1),)


def test_a_set_that_is_not_finished_is_not_said_to_be(recording):
    session, frames = played(recording, reps=3)
    assert not any(frame["set_done"] for frame in frames)
    (event,) = [event for event in session.recording() if event.trial_type == "set"]
    assert event.counts == (ArmCount("right", counted=2),)


def test_no_number_is_given_to_a_rep_under_way(one_asked):
    """It may turn out to be a false start, and the next one would then have the same number."""
    _, frames = one_asked
    arms = [frame["arms"]["right"] for frame in frames if frame["stage"] == "set" and frame["arms"]]
    first = next(arm for arm in arms if arm["phase"] == "lift")
    assert first["count"] == 0
    assert "rep" not in first


def test_a_false_start_with_a_gap_is_not_named_by_the_number_of_the_rep_after_it(one_asked):
    from imu_shoulder.engine.running import FinalRep
    from imu_shoulder.live.view import arm_frame

    session, _ = one_asked
    live = session.latest_set
    first = live.final["right"][0]
    started = replace(first.judged, rep=replace(first.judged.rep, kind="false_start"), number=1, excluded="gap")
    told = {"right": [FinalRep(started, first.known_s), *live.final["right"]]}
    before, live.final = live.final, told
    assert arm_frame(live, "right", session.now_s)["unseen"] == []
    live.final = {"right": [replace(first, judged=replace(first.judged, excluded="gap"))]}
    assert arm_frame(live, "right", session.now_s)["unseen"] == [1]
    live.final = before


# After the set.


def test_effort_is_asked_after_pain_and_stands_with_its_set(recording):
    session, _ = played(recording)
    assert session.command("pain", value=1) is None
    assert session.frame()["stage"] == "effort"
    for wrong in (-1, 11, True, "5", None):
        assert session.command("effort", value=wrong) is not None
    assert session.command("effort", value=6) is None
    assert session.command("effort", value=7) is not None
    assert session.frame()["sets"][0]["effort"] == 6
    assert [e.effort for e in session.recording() if e.trial_type == "set"] == [6.0]


def test_effort_that_nobody_rated_keeps_no_set_from_starting(recording):
    session, _ = played(recording, sets=2)
    session.command("pain", value=0)
    assert session.command("start_set") is None
    assert session.frame()["drill"]["set"] == 2


def test_rest_is_counted_down_from_the_end_of_the_set_and_then_the_next_one_is_due(recording):
    from imu_shoulder.sources import RecordingSource

    session, _ = played(recording, sets=2)
    end_s = session.recording()[-1].end_s
    session.command("pain", value=0)
    session.command("effort", value=3)
    frame = session.frame()
    assert (frame["stage"], frame["drill"]["set"], frame["rest"]["of_s"]) == ("ready", 2, REST_S)
    assert frame["rest"]["left_s"] == pytest.approx(end_s + REST_S - session.now_s, abs=0.06)
    for chunk in RecordingSource(recording, 0.5).chunks():
        session.push({p: replace(s, time_s=s.time_s + REST_S) for p, s in chunk.streams.items()})
    assert session.frame()["rest"]["left_s"] < frame["rest"]["left_s"] - 10
    assert session.command("start_set") is None
    assert session.frame()["rest"] is None


def test_without_a_plan_the_rest_is_that_of_the_drill_s_dose(recording):
    from imu_shoulder.drills import load_shipped
    from imu_shoulder.live.replay import plan_for_drill

    drill = load_shipped("full_can")
    assert plan_for_drill(drill, "right", "M.K.").drills[0].rest_s == drill.dose.rest_s == USUAL_REST_S
    slow = replace(drill, dose=replace(drill.dose, rest_s=90.0))
    assert plan_for_drill(slow, "right", "M.K.").drills[0].rest_s == 90.0


def test_after_the_last_set_the_day_is_done_with_what_was_done(recording):
    session, _ = played(recording)
    session.command("pain", value=1)
    session.command("effort", value=4)
    frame = session.frame()
    assert (frame["stage"], frame["rest"], frame["left_out"]) == ("over", None, [])
    (done,) = frame["sets"]
    assert (done["title"], done["set"], done["sets"], done["pain"], done["effort"]) == (
        session.item.drill.title, 1, 1, 1.0, 4.0,
    )  # fmt: skip
    assert "All sets" in session.command("start_set")
    assert session.stage == "over"
    assert session.command("pain", value=2) is None
    assert session.stage == "over"
    # Back for one more, on purpose.
    assert session.command("previous_drill") is None
    assert session.frame()["drill"]["set"] == 2
    assert session.command("start_set") is None


def test_what_was_left_out_is_said_at_the_end(recording):
    session, _ = played(recording, sets=2)
    session.command("not_rated")
    session.command("effort_not_rated")
    session.command("finish")
    assert session.frame()["left_out"] == [f"{session.item.drill.title} (right): 1 of 2 sets"]


def test_a_course_goes_on_to_what_is_left_and_knows_where_that_is(recording):
    plan = session_for(recording).plan
    course = Course(replace(plan, drills=(replace(plan.drills[0], sets=2), plan.drills[0], plan.drills[0])))
    assert course.go(-1) is not None
    course.set_done(10.0)
    assert course.due_place == 0
    course.advance()
    assert (course.place, course.round) == (0, 2)
    assert course.go(1) is None
    course.set_done(20.0)
    assert course.due_place == 2
    course.advance()
    assert course.go(-1) is None
    assert course.go(-1) is None
    assert (course.place, course.round) == (0, 2)
    course.set_done(30.0)
    course.advance()
    assert course.place == 2
    course.set_done(40.0)
    course.advance()
    assert course.over
    assert course.left_out == []


# By hand.


def test_a_correction_stands_beside_what_was_measured(recording):
    session, _ = played(recording, reps=2)
    assert session.command("count", side="right", by=-1) is None
    (done,) = session.frame()["sets"]
    arm = done["arms"]["right"]
    assert (arm["counted"], arm["by_hand"], arm["count"], arm["done"]) == (2, 1, 1, False)
    assert [rep["kind"] for rep in session.final_reps] == ["rep", "rep"]
    (event,) = [event for event in session.recording() if event.trial_type == "set"]
    assert event.counts == (ArmCount("right", counted=2, corrected=-1),)
    assert session.command("count", side="right", by=1) is None
    assert session.frame()["sets"][0]["arms"]["right"]["by_hand"] is None
    for wrong in ({"by": 2}, {"by": 0}, {"by": 1, "side": "left"}):
        assert session.command("count", **wrong) is not None


def test_what_was_extra_stays_as_it_was_measured(recording):
    session, _ = played(recording, reps=1)
    assert session.command("count", side="right", by=-1) is None
    assert session.frame()["sets"][0]["arms"]["right"]["extra"] == 0
    (event,) = [event for event in session.recording() if event.trial_type == "set"]
    assert event.counts == (ArmCount("right", counted=2, extra=1, corrected=-1),)


def test_a_correction_during_the_set_moves_what_is_shown_and_what_is_done(recording):
    from imu_shoulder.live.replay import Replayed
    from imu_shoulder.sources import RecordingSource

    session = session_for(recording, reps=2)
    told = Replayed(session)
    assert session.command("count", by=1) is not None  # no set yet
    shown = []
    for chunk in RecordingSource(recording, 0.1).chunks():
        for event in chunk.events:
            told.begun(event)
        session.push(chunk.streams)
        frame = session.frame()
        if frame["stage"] == "set" and frame["arms"]:
            arm = frame["arms"]["right"]
            if arm["counted"] == 1 and arm["by_hand"] is None:
                assert session.command("count", by=1) is None
            shown.append((arm["counted"], arm["count"], frame["set_done"]))
        if session.set_is_over:
            break
    assert list(dict.fromkeys(shown)) == [(0, 0, False), (1, 1, False), (1, 2, True), (2, 3, True)]


def test_a_count_does_not_go_under_nought():
    tally = Tally()
    assert tally.correct(1, None) is not None
    tally.begin(SetTally("Raise", "both", 1, 1, {"right": 4, "left": 6}))
    assert tally.correct(-1, "left") == "The count is 0 already."
    assert tally.correct(1, None) is not None  # which arm?
    assert tally.correct(1, "left") is None
    assert tally.correct(-1, "left") is None
    assert tally.correct(-1, "left") is not None


# What is kept.


def test_effort_and_counts_go_through_events_tsv(tmp_path):
    counts = (ArmCount("right", 12, 2, -1), ArmCount("left", 0, 0, 1))
    events = (Event(0, 5, "neutral_pose"), Event(10, 60, "set", "full_can", "both", effort=6.5, counts=counts))
    path = tmp_path / "events.tsv"
    path.write_text(events_tsv(events))
    header, _, row = (line.split("\t") for line in path.read_text().splitlines())
    cells = dict(zip(header, row, strict=True))
    assert (cells["effort"], cells["right_counted"], cells["right_extra"], cells["right_corrected"]) == (
        *("6.5", "12", "2", "-1"),
    )
    assert (cells["left_counted"], cells["left_corrected"]) == ("0", "1")
    assert "left_extra" not in header
    assert read_events(path) == events


@pytest.mark.parametrize(
    ("column", "cell"), [("effort", "11"), ("right_counted", "-1"), ("right_counted", "2.5"), ("left_corrected", "x")]
)
def test_what_is_no_count_and_no_effort_is_refused(tmp_path, column, cell):
    from imu_shoulder.errors import RecordingError

    path = tmp_path / "events.tsv"
    path.write_text(f"onset\tduration\ttrial_type\tdrill\tside\t{column}\n0\t5\tset\tfull_can\tright\t{cell}\n")
    with pytest.raises(RecordingError, match=column):
        read_events(path)


def test_a_log_says_of_its_set_what_was_told_after_it():
    """Also where a calibration came between."""
    entries = [
        EventEntry(0, "corrected", side="right", value=1.0),
        EventEntry(1, "start", trial_type="set", drill="full_can", side="right"),
        EventEntry(2, "corrected", side="right", value=-1.0),
        EventEntry(3, "stop"),
        EventEntry(3, "counted", side="right", value=11.0),
        EventEntry(3, "extra", side="right", value=1.0),
        EventEntry(4, "start", trial_type="neutral_pose", duration_s=5.0),
        EventEntry(5, "effort", value=7.0),
        EventEntry(6, "corrected", side="right", value=-1.0),
    ]
    typed = typed_events(entries, 0, 10.0)
    assert len(typed.remarks) == 1
    assert typed.events[0].effort == 7.0
    assert typed.events[0].counts == (ArmCount("right", 11, 1, -2),)
    assert typed.events[1] == Event(4e-9, 5.0, "neutral_pose")


def test_a_replay_says_of_its_sets_what_their_recording_says(recording):
    from imu_shoulder.live.replay import run
    from imu_shoulder.sources import RecordingSource

    told = [
        replace(event, pain=1.0, effort=7.0, counts=(ArmCount("right", 9, 0, -1),))
        if event.trial_type == "set"
        else event
        for event in recording.events
    ]
    session = session_for(recording, reps=2)
    run(RecordingSource(replace(recording, events=tuple(told)), 0.2), session)
    (event,) = [event for event in session.recording() if event.trial_type == "set"]
    # What was counted is counted anew; what a person said stays.
    assert (event.pain, event.effort, event.counts) == (1.0, 7.0, (ArmCount("right", 2, 0, -1),))


@pytest.mark.parametrize(("pain", "seen"), [(1.0, ["pain", "effort", "over"]), (None, ["pain"])])
def test_a_played_recording_leaves_its_questions_open_for_a_while_and_then_goes_on(recording, tmp_path, pain, seen):
    """Effort follows pain, and both are answered as the recording has them; without a rating pain stays open."""
    from imu_shoulder.live.hub import About, Hub
    from imu_shoulder.live.paced_replay import ASKED_S, Prompter
    from imu_shoulder.live.session_log import Keeper
    from imu_shoulder.sources import Chunk, RecordingSource

    told = [replace(e, pain=pain) if e.trial_type == "set" else e for e in recording.events]
    session = session_for(recording, reps=2)
    keeper = Keeper(tmp_path / "session", "M.K.", recording.start, keeps_samples=True)
    hub = Hub(session, keeper, About("M.K.", "replay", (), (), lambda recording, out: None))
    prompter, stages = Prompter(hub, session), []
    chunks = list(RecordingSource(replace(recording, events=tuple(told)), 0.1).chunks())
    lasts_s = session_end_s(recording)
    later = [Chunk({p: replace(s, time_s=s.time_s + lasts_s) for p, s in chunk.streams.items()}) for chunk in chunks]
    for chunk in [*chunks, *later]:
        prompter(chunk)
        hub.push(chunk.streams)
        if session.events and session.stage != "set":
            stages.append((session.stage, session.now_s))
    keeper.close(session.now_s)
    assert list(dict.fromkeys(stage for stage, _ in stages)) == seen
    if pain is not None:
        asked = [[at_s for stage, at_s in stages if stage == name] for name in ("pain", "effort")]
        assert [times[-1] - times[0] for times in asked] == pytest.approx([ASKED_S, ASKED_S], abs=0.3)


def session_end_s(recording):
    return max(float(stream.time_s[-1]) for stream in recording.streams.values()) + 0.02


# In the results of the recording.


def test_results_have_the_effort_and_the_count_by_hand_beside_the_measured_one(recording, tmp_path):
    from imu_shoulder.pipeline import analyse
    from imu_shoulder.report.lines import written
    from imu_shoulder.report.summary import summarise

    told = [
        replace(event, effort=6.0, counts=(ArmCount("right", 2, 1, -1),)) if event.trial_type == "set" else event
        for event in recording.events
    ]
    (entry,) = summarise(analyse(replace(recording, events=tuple(told))))["sets"]
    assert entry["done"]["reps"] == 2
    assert (entry["effort"], entry["live"]) == (6.0, {"counted": 2, "extra": 1, "corrected": -1, "by_hand": 1})
    assert [line for line in written(entry) if "Pain" not in line] == ["Effort 6 of 10", "2 counted, 1 by hand"]


def test_reps_beyond_those_asked_are_extra_in_the_results(recording):
    from imu_shoulder.pipeline import analyse
    from imu_shoulder.report.summary import summarise

    item = session_for(recording, reps=1).plan.drills[0]
    asked = {1: {"right": item.asked_of("right", "the plan")}}
    extra = [summarise(analyse(recording, asked=own))["sets"][0]["done"]["extra"] for own in (asked, None)]
    assert extra == [1, 0]


def test_a_direction_chosen_before_the_set_is_what_is_asked_and_stored(recording):
    session = session_for(recording)
    drill = session.frame()["drill"]
    assert (drill["direction"], list(drill["directions"])) == ("diagonal", ["forward", "diagonal", "side"])
    assert session.command("direction", value="up") == "Full can raise has no direction up."
    assert session.command("direction", value="side") is None
    drill = session.frame()["drill"]
    assert drill["direction"] == "side"
    assert ["Where", "out to the side"] in drill["facts"]
    assert session.item.drill.form.ends_of("plane") == (-20.0, 20.0)


def test_the_sets_mark_in_a_replay_says_another_direction_than_the_plan(recording):
    marked = [replace(e, direction="side") if e.trial_type == "set" else e for e in recording.events]
    session, _ = played(replace(recording, events=tuple(marked)))
    (event,) = [event for event in session.recording() if event.trial_type == "set"]
    assert event.direction == "side"
    # The recording's raises go a little in front of the side.
    assert all("plane_off" in own.judged.faults for own in session.latest_set.final["right"])
