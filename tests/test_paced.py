"""When a stream's rows and marks go through the stages: the same however the samples come, and each at its place."""

from __future__ import annotations

import numpy as np
import pytest

from imu_shoulder.analysis import Params
from imu_shoulder.engine.order import Stages
from imu_shoulder.engine.paced import LOOK_S, Paced
from imu_shoulder.model import Event, SensorStream

RATE_HZ = 50.0


class Watched(Paced):
    """Keeps what would go through the stages."""

    def __init__(self):
        super().__init__({"right_wrist": RATE_HZ}, Params())
        self.parts = []

    def advance(self, part):
        self.parts.append(part)

    orient = find_pose = find_quiet_moments = find_slips = keep_headings = None
    calibrate = work_out_angles = cut_and_judge_sets = check_mounting = None

    def feed(self, from_s, to_s, chunk_s):
        """Samples of a sensor that lies still, a chunk at a time."""
        stamps = np.arange(round(from_s * RATE_HZ), round(to_s * RATE_HZ)) / RATE_HZ
        for part in np.split(stamps, np.arange(1, len(stamps))[(np.diff(stamps // chunk_s) > 0)]):
            acc, gyr = np.tile([0.0, 0.0, 9.81], (len(part), 1)), np.zeros((len(part), 3))
            self.push({"right_wrist": SensorStream("right_wrist", part, acc, gyr, RATE_HZ)})
        return self

    @property
    def story(self):
        """What went through, in order: times of rows, and the words of events."""
        out = []
        for part in self.parts:
            out += [(event.trial_type, "ends", round(event.duration_s, 6)) for event in part.ended]
            out += [(event.trial_type, "begins") for event in part.began]
            out += part.time_s.tolist()
        return out

    def between(self, *marked):
        """The rows between which something was marked: the time before it and after it, NaN for none."""
        story = self.story
        place = story.index(marked)
        before = [one for one in story[:place] if isinstance(one, float)][-1:]
        after = [one for one in story[place:] if isinstance(one, float)][:1]
        return (before or [np.nan])[0], (after or [np.nan])[0]


def test_every_abstract_stage_is_left_out_here():
    assert Stages.__abstractmethods__ <= set(vars(Watched))


@pytest.mark.parametrize("chunk_s", [0.02, 0.1, 0.37, 2.0])
def test_rows_go_through_once_and_evenly_and_the_past_is_looked_at_as_often(chunk_s):
    own = Watched().feed(0.0, 6.0, chunk_s)
    own.finish()
    rows = np.concatenate([part.time_s for part in own.parts])
    np.testing.assert_allclose(np.diff(rows), 1 / own.rate_hz, atol=1e-9)
    assert rows[0] == pytest.approx(0.0, abs=0.1)
    assert rows[-1] == pytest.approx(6.0, abs=0.1)
    count = np.cumsum([len(part.time_s) for part in own.parts])
    looked = count[[part.looks for part in own.parts]] / own.rate_hz
    np.testing.assert_allclose(looked, LOOK_S * np.arange(1, len(looked) + 1), atol=1e-9)
    assert len(looked) == len(rows) // round(LOOK_S * own.rate_hz)


@pytest.mark.parametrize("chunk_s", [0.02, 0.37, 2.0])
@pytest.mark.parametrize("told_s", [0.0, 2.5])
def test_an_event_begins_and_ends_between_the_rows_it_lies_between(chunk_s, told_s):
    """Whether it was told before its time or not: the row at the very time of either is inside."""
    own = Watched().feed(0.0, told_s, chunk_s)
    own.begin(Event(3.001, 0.0, "set", "full_can", "right"))
    own.end(4.399)
    own.feed(told_s, 6.0, chunk_s).finish()
    before, after = own.between("set", "begins")
    assert before < 3.001 <= after
    assert after - before == pytest.approx(1 / own.rate_hz)
    before, after = own.between("set", "ends", 1.398)
    assert before <= 4.399 < after
    assert after - before == pytest.approx(1 / own.rate_hz)
    (done,) = own.events
    assert (done.onset_s, done.duration_s) == pytest.approx((3.001, 1.398))
    assert own.open is None


def test_a_mark_that_is_made_now_lies_after_all_rows_so_far():
    own = Watched().feed(0.0, 2.0, 0.1)
    own.begin(Event(own.mark_s, 0.0, "elbow_bends"))
    assert own.open is not None
    assert own.story[-1] == ("elbow_bends", "begins")
    began_s = own.grid_s
    own.feed(2.0, 3.0, 0.1)
    own.end()
    assert own.open is None
    before, after = own.between("elbow_bends", "begins")
    assert before == began_s < after
    (done,) = own.events
    assert done.duration_s == pytest.approx(1.0, abs=0.1)


def test_what_begins_ends_what_went_on():
    own = Watched().feed(0.0, 1.0, 0.1)
    own.begin(Event(1.5, 0.0, "elbow_bends"))
    own.begin(Event(2.5, 0.0, "set", "full_can", "right"))
    own.feed(1.0, 4.0, 0.1)
    assert [(e.trial_type, e.onset_s, e.duration_s) for e in own.events] == [("elbow_bends", 1.5, 1.0)]
    assert own.open is not None
    assert own.open.trial_type == "set"


def test_an_end_that_comes_now_takes_the_place_of_one_that_was_announced():
    own = Watched()
    own.begin(Event(0.5, 0.0, "set", "full_can", "right"))
    own.end(30.0)
    own.feed(0.0, 2.0, 0.1)
    own.end()
    own.feed(2.0, 4.0, 0.1).finish()
    (done,) = own.events
    assert done.end_s == pytest.approx(2.0, abs=0.1)


@pytest.mark.parametrize("announced_s", [None, 30.0])
def test_with_the_stream_what_goes_on_is_over_too(announced_s):
    """Also where it was to go on for longer; and what was to begin later never did."""
    own = Watched()
    own.begin(Event(0.5, 0.0, "set", "full_can", "right"))
    if announced_s is not None:
        own.end(announced_s)
        own.begin(Event(40.0, 0.0, "set", "full_can", "left"))
    own.feed(0.0, 3.0, 0.1).finish()
    (done,) = own.events
    assert done.side == "right"
    assert done.end_s == pytest.approx(own.mark_s)
    assert done.end_s == pytest.approx(3.0, abs=0.1)
    assert own.open is None


def test_a_pose_is_over_without_being_one_of_the_events():
    """It becomes one when it could be used."""
    own = Watched()
    own.begin(Event(0.5, 0.0, "neutral_pose"))
    own.end(2.0)
    own.feed(0.0, 3.0, 0.1)
    assert ("neutral_pose", "ends", 1.5) in own.story
    assert own.events == []
