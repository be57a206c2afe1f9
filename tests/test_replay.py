"""A recording played into a session: its events become the commands that an athlete would give."""

from __future__ import annotations

from dataclasses import replace
from types import SimpleNamespace

import pytest

from imu_shoulder.drills import load_shipped
from imu_shoulder.errors import RecordingError
from imu_shoulder.live.replay import Replayed, not_planned, plan_for_drill, plan_for_recording, without_range_tests
from imu_shoulder.model import ArmCount, Event, Recording
from imu_shoulder.plan import Plan

FIRST, SECOND = "full_can", "band_external_rotation"
POSE = Event(1.0, 5.0, "neutral_pose")


class Session:
    """What a replay needs of a session; `said` are the commands it was given."""

    def __init__(self, *, asks_pain=False, refused=()):
        drills = [plan_for_drill(load_shipped(name), "right", "M.K.").drills[0] for name in (FIRST, SECOND)]
        self.plan = Plan("a day", "M.K.", tuple(drills))
        self.place, self.asks_pain, self.set_is_over = 0, asks_pain, False
        self.stream = SimpleNamespace(pose=None)
        self.said, self.announced, self._refused = [], [], refused

    def announce(self, event, number=None):
        self.announced.append((event, number))

    def command(self, name, **values):
        if name in self._refused:
            return "Not now."
        self.said.append((name, values) if values else name)
        self.place += {"next_drill": 1, "previous_drill": -1}.get(name, 0)
        return None


def set_of(drill_id=FIRST, onset_s=20.0, **values):
    return Event(onset_s, 30.0, "set", drill_id, "right", **values)


def played(session, *events):
    told = Replayed(session)
    for event in events:
        told.begun(event)
        session.set_is_over = event.trial_type == "set"
        told.passed()
    return session.said


@pytest.mark.parametrize(
    ("rated", "answers"),
    [
        ({"pain": 3.0, "effort": 6.0}, [("pain", {"value": 3.0}), ("effort", {"value": 6.0})]),
        ({"pain": 0.0, "effort": 0.0}, [("pain", {"value": 0.0}), ("effort", {"value": 0.0})]),
        ({"effort": 6.0}, ["not_rated", ("effort", {"value": 6.0})]),
        ({"pain": 3.0}, [("pain", {"value": 3.0}), "effort_not_rated"]),
        ({}, ["not_rated", "effort_not_rated"]),
    ],
)
def test_a_set_is_rated_as_it_was_and_where_it_was(rated, answers):
    assert played(Session(), set_of(**rated)) == ["start_set", "stop_set", *answers]


@pytest.mark.parametrize(("corrected", "by"), [(2, 1), (-1, -1), (0, 0)])
def test_a_count_that_was_set_right_is_set_right_again(corrected, by):
    counts = (ArmCount("right", 10, 8, corrected),)
    once = ("count", {"side": "right", "by": by})
    expected = ["start_set", "stop_set", *[once] * abs(corrected), "not_rated", "effort_not_rated"]
    assert played(Session(), set_of(counts=counts)) == expected


def test_a_set_that_has_no_end_of_its_own_yet_goes_on():
    session = Session()
    told = Replayed(session)
    told.begun(set_of())
    told.passed()
    assert session.said == ["start_set"]
    told.passed(at_once=True)
    assert session.said[1:] == ["stop_set", "not_rated", "effort_not_rated"]
    told.passed(at_once=True)
    assert len(session.said) == 4


@pytest.mark.parametrize(("pain", "answer"), [(2.0, ("pain", {"value": 2.0})), (None, "not_rated")])
def test_pain_before_the_first_set_is_that_of_the_calibration_and_is_answered_once(pain, answer):
    session = Session(asks_pain=True)
    said = played(session, Event(1.0, 5.0, "neutral_pose", pain=pain), set_of(), set_of(onset_s=80.0))
    assert said[:3] == ["calibrate_pose", answer, "start_set"]
    not_rated = ["stop_set", "not_rated", "effort_not_rated"]
    assert said[3:] == [*not_rated, "start_set", *not_rated]


def test_a_pose_that_is_known_is_not_taken_again_and_a_movement_is():
    session = Session()
    session.stream.pose = object()
    assert played(session, POSE, Event(8.0, 5.0, "elbow_bends")) == ["calibrate_bends"]
    assert [event.trial_type for event, _ in session.announced] == ["elbow_bends"]


def test_the_plan_is_followed_to_the_sets_drill_forward_and_back():
    said = played(Session(), set_of(SECOND), set_of(FIRST, 80.0))
    assert [name for name in said if name in ("next_drill", "previous_drill", "start_set")] == [
        "next_drill",
        "start_set",
        "previous_drill",
        "start_set",
    ]


def test_sets_have_the_numbers_of_the_recording_whether_they_are_in_the_plan_or_not():
    """A set of another drill is not played, one without a drill neither."""
    session = Session()
    said = played(session, set_of("row_rotate"), Event(50.0, 9.0, "set"), set_of(FIRST, 80.0))
    assert said == ["start_set", "stop_set", "not_rated", "effort_not_rated"]
    assert [number for _, number in session.announced] == [3]


def test_a_set_that_is_refused_has_no_end_and_no_rating():
    assert played(Session(refused=("start_set",)), set_of(pain=3.0, effort=4.0)) == []
    assert played(Session(refused=("next_drill",)), set_of(SECOND)) == []


def recorded(*events):
    return Recording("a day", "M.K.", "2026-03-02T18:30:00+01:00", {}, (POSE, *events))


def test_without_a_plan_each_set_is_asked_once_as_it_was_done():
    drill = load_shipped(FIRST)
    sets = set_of(direction="side"), Event(60.0, 9.0, "set"), Event(80.0, 30.0, "set", FIRST, None), set_of(SECOND)
    plan = plan_for_recording(recorded(*sets), {})
    assert [(item.drill.id, item.drill.direction, item.side, item.sets) for item in plan.drills] == [
        (FIRST, "side", "right", 1),
        (FIRST, drill.direction, "both", 1),
        (SECOND, "", "right", 1),
    ]
    assert [dict(item.reps) for item in plan.drills[:2]] == [
        {"right": drill.dose.reps},
        {"right": drill.dose.reps, "left": drill.dose.reps},
    ]
    assert (plan.drills[0].rest_s, plan.athlete) == (drill.dose.rest_s, "M.K.")
    with pytest.raises(RecordingError, match="sets of drills in a day"):
        plan_for_recording(recorded(Event(60.0, 9.0, "set")), {})


def test_a_drill_of_ones_own_comes_before_a_shipped_one_of_its_name():
    own = replace(load_shipped(FIRST), title="Mine")
    (item,) = plan_for_recording(recorded(set_of()), {FIRST: own}).drills
    assert item.drill.title == "Mine"


def test_range_tests_are_no_sets_and_are_named():
    tests = set_of("flexion"), set_of("abduction"), set_of("flexion", 90.0)
    kept, left_out = without_range_tests(recorded(tests[0], set_of(), *tests[1:]))
    assert kept.events == (POSE, set_of())
    assert left_out == ("flexion", "abduction")


def test_what_the_plan_does_not_have_is_named_once_with_its_side():
    """A plan of both arms has either."""
    sets = set_of(), set_of("row_rotate"), replace(set_of(SECOND), side="left"), set_of("row_rotate", 90.0)
    assert not_planned(recorded(*sets), Session().plan) == ("row_rotate (right)", "band_external_rotation (left)")
    both = plan_for_drill(load_shipped(FIRST), "both", "M.K.")
    assert not_planned(recorded(set_of(), replace(set_of(), side="left"), replace(set_of(), side=None)), both) == ()
