"""The way through a plan, and what is kept of each set: by hand, without samples."""

from __future__ import annotations

import pytest

from imu_shoulder.drills import load_shipped
from imu_shoulder.live.course import Course
from imu_shoulder.live.tally import SetTally, Tally
from imu_shoulder.model import ArmCount, Event
from imu_shoulder.plan import Plan, PlannedDrill


def course(*sets):
    """A plan of so many sets of each drill, with rests of 40, 50, ... s."""
    names = ("full_can", "band_external_rotation", "overhead_short_arc")
    items = (
        PlannedDrill(load_shipped(name), "right", count, {"right": 8}, rest_s=40.0 + 10 * k)
        for k, (name, count) in enumerate(zip(names, sets, strict=False))
    )
    return Course(Plan("a day", "M.K.", tuple(items)))


def do(own, end_s=100.0):
    own.set_begins()
    own.set_done(end_s)
    own.advance()
    return own.place, own.round, own.over


def test_the_sets_of_a_plan_follow_each_other_until_all_are_done():
    own = course(2, 1)
    assert (own.place, own.round, own.over) == (0, 1, False)
    assert [do(own) for _ in range(3)] == [(0, 2, False), (1, 1, False), (1, 1, True)]
    assert own.left_out == []


def test_the_plan_goes_on_only_once_the_questions_after_a_set_are_answered():
    own = course(1, 1)
    own.set_begins()
    assert own.due_place == 0
    own.set_done(50.0)
    assert (own.place, own.due_place) == (0, 1)
    own.advance()
    assert (own.place, own.due_place) == (1, 1)
    own.advance()
    assert own.place == 1


def test_a_drill_that_was_passed_over_is_left_out_and_one_may_go_back_to_it_from_the_end():
    own = course(2, 1, 1)
    do(own)
    assert own.go(1) is None
    assert do(own) == (2, 1, False)
    assert do(own) == (2, 1, True)
    assert own.left_out == [f"{load_shipped('full_can').title} (right): 1 of 2 sets"]
    assert own.go(-1) is None
    assert (own.place, own.round, own.over) == (2, 2, False)
    assert own.go(-1) is None
    assert own.go(-1) is None
    assert (own.place, own.round) == (0, 2)
    assert do(own)[2]
    assert own.left_out == []


def test_there_is_no_drill_before_the_first_and_none_after_the_last():
    own = course(1, 1)
    assert own.go(-1) == "This is the first drill."
    assert own.go(1) is None
    assert own.go(1) == "This is the last drill."
    assert own.place == 1


def test_the_rest_is_that_of_the_drill_that_was_done_and_is_counted_down_from_the_sets_end():
    own = course(2, 1)
    assert own.rest(100.0) is None
    do(own, end_s=100.0)
    assert own.rest(100.0) == {"left_s": 40.0, "of_s": 40.0}
    assert own.rest(112.26) == {"left_s": 27.7, "of_s": 40.0}
    assert own.rest(150.0) == {"left_s": 0.0, "of_s": 40.0}
    own.set_begins()
    assert own.rest(160.0) is None
    own.set_done(200.0)
    own.advance()
    do(own, end_s=300.0)
    assert own.over
    assert own.rest(301.0) is None


def test_a_direction_is_that_of_the_drill_it_was_chosen_for():
    own = course(1, 1)
    assert own.choose("side") is None
    assert own.item.drill.direction == "side"
    assert own.go(1) is None
    assert own.choose("side") == f"{own.item.drill.title} has no direction side."
    assert own.go(-1) is None
    assert own.item.drill.direction == "side"
    assert own.choose("forward") is None
    assert own.item.drill.direction == "forward"


def a_set(**asked):
    return SetTally("Raise", "both" if len(asked) > 1 else next(iter(asked)), 1, 2, asked)


def test_a_count_is_what_was_measured_and_a_hand_adds_to_it():
    tally = Tally()
    tally.begin(a_set(right=4, left=6))
    tally.end({"right": {"reps": 5, "clean": 3}, "left": {"reps": None, "clean": None}})
    assert tally.correct(1, "left") is None
    assert tally.correct(-1, "right") is None
    (frame,) = tally.frames({1: 2.0})
    assert (frame["number"], frame["set"], frame["sets"], frame["pain"], frame["effort"]) == (1, 1, 2, 2.0, None)
    right, left = frame["arms"]["right"], frame["arms"]["left"]
    assert right == {"asked": 4, "counted": 5, "by_hand": 4, "count": 4, "done": True, "extra": 0, "clean": 3}
    assert left == {"asked": 6, "counted": 0, "by_hand": 1, "count": 1, "done": False, "extra": 0, "clean": None}
    event = tally.sets[0].written(Event(10.0, 60.0, "set", "full_can", "both"))
    assert event.counts == (ArmCount("right", 5, 1, -1), ArmCount("left", 0, 0, 1))


@pytest.mark.parametrize(("by", "side"), [(2, "right"), (0, "right"), (1, "left"), (1, "both")])
def test_a_correction_is_of_one_rep_of_an_arm_that_lifts(by, side):
    tally = Tally()
    tally.begin(a_set(right=4))
    assert tally.correct(by, side) == "A count is corrected by one, up or down, of an arm that lifts."
    assert tally.sets[0].corrected == {}
    # Where one arm lifts, it needs no name.
    assert tally.correct(1, None) is None
    assert tally.sets[0].shown("right") == 1


@pytest.mark.parametrize(("value", "taken"), [(0, True), (10, True), (6.5, True), (-0.1, False), (10.1, False)])
def test_effort_is_asked_after_a_set_and_is_a_number_from_0_to_10(value, taken):
    tally = Tally()
    tally.begin(a_set(right=4))
    assert tally.rate(5) == tally.decline() == "There is no question about effort."
    tally.end({})
    assert (tally.rate(value) is None) is taken
    assert tally.asks_effort is not taken
    assert tally.sets[0].effort == (value if taken else None)
    for wrong in (True, "5", None):
        assert tally.rate(wrong) is not None


def test_what_was_begun_and_was_no_set_is_not_among_the_sets():
    tally = Tally()
    tally.begin(a_set(right=4))
    tally.begin(a_set(left=3))
    tally.drop()
    assert tally.latest is not None
    assert list(tally.latest.asked) == ["right"]
    tally.drop()
    assert tally.latest is None
