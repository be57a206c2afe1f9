"""A set while it goes on, fed with angles drawn by hand: what is followed, what is told, and what is told otherwise."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from test_segment_free import course as free_course
from test_segment_free import raised, rep_waypoints
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

    def follow(self, samples=None, **angles):
        """samples: (N, 3) twice, of the wrist's accelerometer and gyroscope."""
        count, step = len(next(iter(angles.values()))), round(0.2 * RATE_HZ)
        acc, gyr = samples or (np.zeros((count, 3)), np.zeros((count, 3)))
        for first in range(0, count, step):
            part = slice(first, first + step)
            own = arm_of("right", **{name: values[part] for name, values in angles.items()})
            rows = len(next(iter(own.angles.values())))
            own = replace(own, hidden={"heading_sd_deg": np.full(rows, 1.0)})
            sees = np.ones(rows, dtype=bool)
            track = Track("right_wrist", acc[part], gyr[part], sees, ~sees)
            time_s = (self.row + np.arange(rows)) / RATE_HZ
            self.set.push(time_s, {"right": own}, {"right": (sees, ~sees)}, {"right_wrist": track})
            self.row += rows
            self.set.cut(float(time_s[-1]))
            self.told.append(tuple(self.set.final.get("right", [])))
            if self.set.watches:
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


def test_reps_that_ended_after_a_sensor_had_slipped_are_not_scored_told_or_not():
    curve = course(*WHOLE * 4)
    live, half = Live("full_can"), len(curve) * 3 // 4
    live.follow(plane=np.full(half, 30.0), elevation=curve[:half])
    changes = live.set.changes
    live.set.slip("right", 15.0)
    assert live.set.changes > changes
    told = live.set.final["right"]
    assert [rep.judged.excluded for rep in told] == ["", "sensor_slip", "sensor_slip"]
    assert [rep.revised for rep in told] == ["", "a sensor had slipped", "a sensor had slipped"]
    live.follow(plane=np.full(len(curve) - half, 30.0), elevation=curve[half:])
    assert [rep.excluded for rep in live.closed().judged] == ["", *["sensor_slip"] * 3]
    assert live.set.counted("right") == 4


def test_the_newest_rows_can_be_asked_for():
    curve = course(*WHOLE)
    live = full_can(curve)
    time_s, arms = live.set.recent(7.0)
    np.testing.assert_allclose(time_s, np.arange(round(7.0 * RATE_HZ), len(curve)) / RATE_HZ)
    np.testing.assert_allclose(arms["right"].angles["elevation_deg"], curve[-len(time_s) :])


@pytest.mark.parametrize("count", [4, 6])
def test_where_the_leading_angle_is_not_seen_reps_are_counted_by_the_sensors_own_motion(count):
    """A wrist alone shows no elevation of the upper arm. Nothing is told while the set goes on, and nothing judged."""
    waypoints, _ = rep_waypoints(count, 60.0, 1.5, 1.0, 1.5)
    turned_deg = free_course(waypoints, RATE_HZ)
    _, acc, gyr, _ = raised(turned_deg, RATE_HZ)
    live = Live("full_can").follow((acc, gyr), elbow=np.full(len(acc), 20.0))
    assert live.told[-1] == ()
    found = live.closed()
    assert [rep.kind for rep in found.arm_set.reps] == ["rep"] * count
    assert not any(judged.faults for judged in found.judged)
    assert [final.judged for final in live.set.final["right"]] == list(found.judged)
