"""What is typed while recording becomes the events of the recording."""

from __future__ import annotations

import pytest

from imu_shoulder.ble.typed import parse_line
from imu_shoulder.errors import ParameterError
from imu_shoulder.log.entries import EventEntry
from imu_shoulder.log.typed_events import typed_events
from imu_shoulder.model import Event

DRILLS = ("full_can", "full_can_hold_and_lift", "row_rotate")
ZERO_NS = 10**12


def typed(*lines):
    """Events of (seconds, line) pairs, in a recording of 100 s."""
    entries = [parse_line(line, ZERO_NS + round(at_s * 1e9), DRILLS) for at_s, line in lines]
    return typed_events(entries, ZERO_NS, 100.0)


def test_a_whole_session():
    found = typed(
        (2, "pose"),
        (8, "bends"),
        (15, "stop"),
        (16, "raises"),
        (22, "stop"),
        (30, "set full_can right"),
        (31, "load 1.5"),
        (60, "stop"),
        (62, "pain 2"),
        (63, "note a little tight in FRONT"),
        (70, "set row both"),
        (90, "stop"),
    )
    assert found.events == (
        Event(2, 5, "neutral_pose"),
        Event(8, 7, "elbow_bends"),
        Event(16, 6, "forward_raises"),
        Event(30, 30, "set", "full_can", "right", pain=2, load_kg=1.5, note="a little tight in FRONT"),
        Event(70, 20, "set", "row_rotate", "both"),
    )
    assert found.remarks == ()


def test_a_set_ends_where_the_next_begins_or_the_recording_ends():
    found = typed((10, "set full_can left"), (40, "set full_can right"))
    assert [(e.onset_s, e.duration_s, e.side) for e in found.events] == [(10, 30, "left"), (40, 60, "right")]
    assert "never stopped" in found.remarks[0]


def test_notes_wait_for_an_event_and_lonely_values_are_said():
    found = typed((1, "pain 3"), (2, "note cold room"), (5, "pose"), (20, "note second"))
    assert found.events == (Event(5, 5, "neutral_pose", note="cold room; second"),)
    assert found.remarks == ("pain 3 was typed before any event and belongs to none",)
    assert typed((2, "note alone")).remarks == ("note without an event: alone",)


@pytest.mark.parametrize(
    ("second", "after_s", "pain", "note"),
    [
        (1, 20, 1, "pain corrected from 5 to 1"),
        (1, 21, 5, "pain rated 5 and later 1: the higher counts"),
        (7, 21, 7, "pain rated 5 and later 7: the higher counts"),
    ],
)
def test_a_second_rating_corrects_at_once_and_only_raises_later(second, after_s, pain, note):
    found = typed((10, "set full_can left"), (40, "stop"), (42, "pain 5"), (42 + after_s, f"pain {second}"))
    assert found.events == (Event(10, 30, "set", "full_can", "left", pain=pain, note=note),)


def test_pain_before_the_first_set_stands_with_the_pose():
    found = typed((2, "pose"), (9, "pain 3"), (10, "set full_can left"), (40, "stop"))
    assert [(event.trial_type, event.pain) for event in found.events] == [("neutral_pose", 3), ("set", None)]


def test_what_was_said_of_a_step_that_was_done_again_is_kept():
    """The live page's calibration: each step is asked for, and then told from when to when it went."""

    def entry(at_s, what, **fields):
        return EventEntry(ZERO_NS + round(at_s * 1e9), what, **fields)

    entries = []
    for at_s, pain, note in ((1, 4, "tight"), (30, 2, "warmer"), (60, 3, "well")):
        entries += [entry(at_s, "start", trial_type="neutral_pose", duration_s=5.0)]
        entries += [entry(at_s + 1, "was", trial_type="neutral_pose", duration_s=5.0)]
        entries += [entry(at_s + 8, "pain", value=float(pain)), entry(at_s + 9, "note", text=note)]
    entries += [entry(90, "start", trial_type="neutral_pose", duration_s=5.0)]
    entries += [entry(91, "was", trial_type="neutral_pose", duration_s=5.0)]
    (pose,) = typed_events(entries, ZERO_NS, 100.0).events
    assert (pose.onset_s, pose.duration_s, pose.pain) == (91, 5, 4)
    assert pose.note is not None
    lower = [f"pain rated 4 and later {pain}: the higher counts" for pain in (2, 3)]
    assert pose.note.split("; ") == ["tight", "warmer", "well", *lower]


def test_shakes_are_no_events_of_the_recording():
    found = typed((3, "shake"))
    assert (found.events, found.shakes) == ((), ((3.0, 9.0),))


@pytest.mark.parametrize("line", ["quit", "q", "QUIT"])
def test_quit(line):
    assert parse_line(line, 0, DRILLS) is None


@pytest.mark.parametrize(
    "line",
    [
        "",
        "jump",
        "set",
        "set full",
        "set nothing",
        "set full_can up",
        "set full_can left right",
        "pain",
        "pain 11",
        "pain x",
        "load -1",
        "pain nan",
        "note",
        "note  ",
        "'",
        "set 'full",
    ],
)
def test_what_cannot_be_understood_is_refused_in_one_sentence(line):
    with pytest.raises(ParameterError):
        parse_line(line, 0, DRILLS)


def test_what_is_said_of_a_set_before_there_was_one_is_remarked():
    entries = [EventEntry(ZERO_NS, "start", "neutral_pose", duration_s=5.0), EventEntry(ZERO_NS, "effort", value=3.0)]
    found = typed_events(entries, ZERO_NS, 100.0)
    assert found.events == (Event(0.0, 5.0, "neutral_pose"),)
    assert found.remarks == ("effort was typed before any set and belongs to none",)
