"""A set while it goes on, fed with angles drawn by hand: what is followed, what is told, and what is told otherwise."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from test_segment_reps import WAYS, arm_of
from test_segment_stations import REACH, ROTATE, ROW

from imu_shoulder.analysis import Params
from imu_shoulder.drills import load_shipped
from imu_shoulder.engine.blade import BladeReps
from imu_shoulder.engine.running import RunningSet
from imu_shoulder.model import Event, Track

PARAMS = Params()
RATE_HZ = PARAMS.stream.grid_hz


def course(*pieces):
    """A curve from 5 deg through (angle, seconds)."""
    parts, level = [], 5.0
    for angle_deg, lasts_s in pieces:
        rows = round(lasts_s * RATE_HZ)
        parts.append(level + (angle_deg - level) * WAYS["minimum jerk"](np.arange(1, rows + 1) / rows))
        level = angle_deg
    return np.concatenate(parts)


class Live:
    """The right arm's set, looked at every 0.2 s."""

    def __init__(self, drill_id):
        self.drill = load_shipped(drill_id)
        event = Event(0.0, 0.0, "set", drill_id, "right")
        self.set = RunningSet(1, event, self.drill, {"right": self.drill}, RATE_HZ, PARAMS, BladeReps())
        self.row = 0
        # At each look: the time, the reps told so far, the angle that is shown.
        self.told, self.shown_deg = [], []

    def follow(self, **angles):
        count, step = len(next(iter(angles.values()))), round(0.2 * RATE_HZ)
        for first in range(0, count, step):
            own = arm_of("right", **{name: values[first : first + step] for name, values in angles.items()})
            rows = len(next(iter(own.angles.values())))
            own = replace(own, hidden={"heading_sd_deg": np.full(rows, 1.0)})
            sees, still = np.ones(rows, dtype=bool), np.zeros((rows, 3))
            track = Track("right_wrist", still, still, sees, ~sees)
            time_s = (self.row + np.arange(rows)) / RATE_HZ
            self.set.push(time_s, {"right": own}, {"right": (sees, ~sees)}, {"right": track})
            self.row += rows
            self.set.cut(float(time_s[-1]))
            self.told.append(tuple(self.set.final.get("right", [])))
            self.shown_deg.append(self.set.watches["right"].angle_deg)
        return self

    def closed(self):
        (found,) = self.set.close(self.row / RATE_HZ)
        return found


def full_can(curve):
    """The raise, with an elbow that is another number all along."""
    return Live("full_can").follow(plane=np.full(len(curve), 30.0), elevation=curve, elbow=curve / 9.0)


# Of 10 s, so that a look ends with each.
WHOLE = (90.0, 1.6), (90.0, 5.2), (5.0, 1.6), (5.0, 1.6)


def test_the_angle_that_is_shown_is_the_one_the_drill_leads_by():
    curve = course(*WHOLE)
    np.testing.assert_allclose(full_can(curve).shown_deg, curve[round(0.2 * RATE_HZ) - 1 :: round(0.2 * RATE_HZ)])


def test_in_a_drill_of_stations_too():
    way = (REACH, 1.0), (ROW, 1.4), (ROW, 2.4), (ROTATE, 1.4), (ROTATE, 2.4), (REACH, 1.4)
    angles, step = {}, round(0.2 * RATE_HZ)
    for name in REACH:
        pieces = [(posture[name], lasts_s) for posture, lasts_s in way]
        angles[name] = course(*pieces)
    for order in (list(angles), list(angles)[::-1]):
        live = Live("row_rotate").follow(**{name: angles[name] for name in order})
        np.testing.assert_allclose(live.shown_deg, angles["elbow"][step - 1 :: step])


@pytest.mark.parametrize("before", [1, 6])
def test_a_rep_that_goes_on_after_it_was_told_stays_one_rep(before):
    """Dropped by half, where it rests for a second, and taken up again; after another rep, or six."""
    dropped = (90.0, 1.6), (90.0, 2.6), (42.0, 0.8), (42.0, 0.8)
    first, then = (*WHOLE * before, *dropped), ((90.0, 0.8), (90.0, 3.0), (5.0, 1.6), (5.0, 1.6))
    live = full_can(course(*first, *then, *WHOLE))
    told = live.told[len(course(*first)) // round(0.2 * RATE_HZ) - 1]
    assert [rep.revised for rep in told] == [""] * (before + 1)
    assert [rep.judged.rep.kind for rep in live.told[-1]] == ["rep"] * (before + 2)
    assert [rep.revised != "" for rep in live.told[-1]] == [*[False] * before, True, False]
    broken = live.told[-1][before]
    assert broken.known_s == told[-1].known_s
    assert broken.judged.rep.start_s == pytest.approx(told[-1].judged.rep.start_s, abs=0.1)
    assert broken.judged.rep.end_s == pytest.approx(told[-1].judged.rep.end_s + 5.8, abs=0.6)
    assert live.set.counted("right") == before + 2
    assert len(live.closed().judged) == before + 2
