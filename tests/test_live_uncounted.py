"""What is said where the arm moves and no rep is counted: from curves drawn by hand, and through the whole engine."""

from __future__ import annotations

from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest
from test_segment_reps import WAYS

from imu_shoulder.analysis import StreamParams
from imu_shoulder.drills import load_shipped, shipped_ids
from imu_shoulder.engine.watch import ArmWatch
from imu_shoulder.live.params import LiveParams
from imu_shoulder.live.uncounted import Uncounted
from imu_shoulder.pipeline import analyse
from imu_shoulder.propose.fit import done_instead
from imu_shoulder.segment.model import rows_between
from imu_shoulder.simulate import Athlete, Pause, Scenario, SetScript, simulate
from imu_shoulder.simulate.scenarios import CALIBRATION
from imu_shoulder.sources.folder import read_recording

RATE_HZ = 50.0
AFTER_S = LiveParams().uncounted_s


class Moving:
    """An arm that follows (angle, seconds) pieces, and what was said after each row."""

    def __init__(self, drill_id="full_can", sides=("right",), after_s=AFTER_S):
        self.drill = load_shipped(drill_id)
        self.watches = {side: ArmWatch(self.drill, "lift", RATE_HZ, StreamParams()) for side in sides}
        self.reps = dict.fromkeys(sides, 0)
        self.live = SimpleNamespace(
            watches=self.watches,
            counted=lambda side: self.reps[side],
            drill_of=lambda side: self.drill,
            rate_hz=RATE_HZ,
            recent=lambda from_s: (np.empty(0), {}),
        )
        self.uncounted = Uncounted(after_s)
        self.now_s, self.said = 0.0, []
        self.level = dict.fromkeys(sides, 5.0)

    def move(self, *pieces, side="right"):
        for angle_deg, lasts_s in pieces:
            rows = round(lasts_s * RATE_HZ)
            for share in WAYS["minimum jerk"](np.arange(1, rows + 1) / rows).tolist():
                self.now_s += 1 / RATE_HZ
                for one, watch in self.watches.items():
                    goes = self.level[one] + (angle_deg - self.level[one]) * share if one == side else self.level[one]
                    watch.push(self.now_s, goes)
                self.uncounted.look(self.live, self.now_s)
                found = self.uncounted.now()
                self.said.append((self.now_s, None if found is None else found["text"]))
            self.level[side] = angle_deg
        return self

    @property
    def texts(self):
        return list(dict.fromkeys(text for _, text in self.said if text))

    @property
    def first_s(self):
        return next(time_s for time_s, text in self.said if text)


def test_an_arm_that_does_not_come_up_is_told_how_far_it_came_and_what_is_asked():
    arm = Moving().move((5.0, 1.0), *[(60.0, 2.0), (5.0, 2.0)] * 4)
    assert arm.texts == ["arm goes to 60°, asked 75° to 105°"]
    assert all(text for time_s, text in arm.said if time_s >= arm.first_s)
    # 12 s of motion, which the ends of the strokes are not all of.
    assert 1.0 + AFTER_S <= arm.first_s <= 1.0 + AFTER_S + 4.0


def test_too_high_is_told_alike():
    arm = Moving().move((5.0, 1.0), *[(130.0, 2.0), (5.0, 2.0)] * 4)
    assert arm.texts[-1] == "arm goes to 130°, asked 75° to 105°"


def test_an_arm_that_does_not_come_back_is_told_so():
    arm = Moving().move((5.0, 1.0), (90.0, 2.0), *[(60.0, 2.0), (90.0, 2.0)] * 5)
    assert arm.texts[-1] == "arm back to 60°, asked 20° or less"


def test_a_number_does_not_run_along_with_the_arm():
    arm = Moving().move((5.0, 1.0), *[(30.0, 2.0), (5.0, 2.0)] * 4, (70.0, 20.0))
    changes = [time_s for (time_s, text), (_, before) in zip(arm.said[1:], arm.said, strict=False) if text != before]
    assert len(changes) >= 3
    assert np.diff(changes).min() >= 3.9


def test_a_rest_is_no_motion():
    assert Moving().move((5.0, 60.0)).texts == []
    arm = Moving().move((5.0, 1.0), (60.0, 2.0), (5.0, 2.0), (5.0, 60.0), (60.0, 2.0), (5.0, 2.0))
    assert arm.texts == []


def test_a_slow_rep_has_its_time():
    """Strokes of 10 s are reps. What moves in the lift and what moves in the lowering are not added up."""
    pieces = (5.0, 1.0), (90.0, 10.0), (90.0, 20.0), (5.0, 10.0)
    assert Moving().move(*pieces).texts == []
    assert Moving(after_s=7.0).move(*pieces).texts == []


def test_a_counted_rep_begins_it_anew():
    arm = Moving().move((5.0, 1.0), *[(60.0, 2.0), (5.0, 2.0)] * 4)
    assert arm.said[-1][1] is not None
    arm.reps["right"] = 1
    arm.said.clear()
    arm.move((60.0, 2.0), (5.0, 2.0), (60.0, 2.0))
    assert arm.texts == []
    arm.move(*[(5.0, 2.0), (60.0, 2.0)] * 3)
    assert arm.texts == ["arm goes to 60°, asked 75° to 105°"]


def test_nothing_is_said_of_a_set_that_is_done():
    arm = Moving()
    arm.reps["right"] = arm.drill.dose.reps
    assert arm.move((5.0, 1.0), *[(60.0, 2.0), (5.0, 2.0)] * 6).texts == []


def test_of_two_arms_the_one_is_named():
    arm = Moving(sides=("right", "left")).move((5.0, 1.0), *[(60.0, 2.0), (5.0, 2.0)] * 4, side="left")
    assert arm.texts == ["left goes to 60°, asked 75° to 105°"]


@pytest.mark.parametrize("next_station", ["rotate", "press"])
def test_of_several_stations_the_one_that_was_not_seen_is_told(next_station):
    arm = Moving("row_rotate_press")
    arm.watches["right"].next_station = next_station
    arm.move((85.0, 1.0), *[(60.0, 2.0), (85.0, 2.0)] * 4)
    assert arm.texts == [f"{next_station} is not seen yet"]


def test_it_comes_through_the_whole_engine(small_recording):
    """Two reps to 90 deg of a drill that asks for far more: too little for a rep."""
    from test_live_flow import session_for

    from imu_shoulder.live.replay import Replayed
    from imu_shoulder.sources import RecordingSource

    recording = read_recording(small_recording)
    session = session_for(recording)
    item = session.plan.drills[0]
    top = item.drill.stations[0]
    higher = replace(top, ranges=(replace(top.ranges[0], low_deg=220.0, high_deg=240.0),))
    plan = replace(session.plan, drills=(replace(item, drill=replace(item.drill, stations=(higher,))),))
    session = type(session)(plan, {}, {name: s.declared_rate_hz for name, s in recording.streams.items()})
    told, cues = Replayed(session), []
    for chunk in RecordingSource(recording, 0.1).chunks():
        for event in chunk.events:
            told.begun(event)
        session.push(chunk.streams)
        frame = session.frame()
        if frame["stage"] == "set" and frame["cue"] is not None:
            cues.append(frame["cue"])
    assert {cue["code"] for cue in cues} == {"uncounted"}
    reached = {int(cue["text"].split("goes to ")[1].split("°")[0]) for cue in cues}
    assert all(80 <= deg <= 100 for deg in reached)
    assert all(cue["text"].endswith("asked 220° to 240°") for cue in cues)


def named_instead(found, asked, share=1.0):
    """By the right arm in that share of the one set."""
    own = next(event for event in found.recording.events if event.trial_type == "set")
    rows = rows_between(found.aligned.time_s, own.onset_s, own.onset_s + share * own.duration_s)
    arms = {
        side: replace(arm, angles={name: values[rows] for name, values in arm.columns.items()}, sd={}, hidden={})
        for side, arm in found.arms.items()
    }
    shipped = [load_shipped(name) for name in shipped_ids()]
    time_s, rate_hz = found.aligned.time_s[rows], found.aligned.rate_hz
    named = done_instead(load_shipped(asked), "right", shipped, time_s, rate_hz, arms, found.params.propose.fit)
    return None if named is None else named.id


def performed(drill, side, seed):
    script = SetScript(drill, side, reps=6, lift_s=1.5, lower_s=1.5, hold_s=1.5, rest_s=0.6)
    scenario = Scenario(Athlete("R.V."), (*CALIBRATION, Pause(6, "stand"), script))
    return analyse(simulate(scenario, seed).recording)


def test_another_drill_than_the_asked_one_is_named(small_recording):
    """The full can of the recording where a raise further overhead, or nothing else, is asked."""
    found = analyse(read_recording(small_recording))
    assert named_instead(found, "full_can") is None
    assert named_instead(found, "overhead_short_arc") == "full_can"
    assert named_instead(found, "band_external_rotation") == "full_can"


def test_another_drill_is_named_for_as_long_as_it_is_done():
    found = performed("full_can", "right", 9701)
    assert [named_instead(found, "overhead_short_arc", share) for share in (0.5, 0.75, 1.0)] == ["full_can"] * 3


@pytest.mark.parametrize(("drill", "side"), [("band_loop_raise", "both"), ("full_can_hold_and_lift", "right")])
def test_what_the_other_arm_does_makes_no_other_drill_of_it(drill, side):
    assert named_instead(performed(drill, side, 9702), drill, 0.5) is None


def test_a_drill_of_the_users_own_and_of_the_plan_may_be_done_instead(monkeypatch):
    """A session hands both on to what looks for them, the plan's form of a drill before the user's."""
    from imu_shoulder.live import session as of_session
    from imu_shoulder.plan import parse_plan

    given = []
    monkeypatch.setattr(of_session, "Uncounted", lambda after_s, drills, fit: given.append(drills))
    own = {name: replace(load_shipped("full_can"), id=name, title="own") for name in ("desk_raise", "full_can")}
    lines = ["schema = 1", 'athlete = "M.K."', "[[drill]]", 'id = "full_can"', 'side = "right"', "sets = 1"]
    of_session.LiveSession(parse_plan("\n".join(lines), "plan.toml"), own, {"right_wrist": 50.0})
    (known,) = given
    assert known["desk_raise"].title == "own"
    assert known["full_can"].title == "Full can raise"
