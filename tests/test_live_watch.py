"""What one arm is said to be doing right now, against curves drawn by hand: 50 Hz, minimum-jerk moves, exact holds."""

from __future__ import annotations

import math
from dataclasses import replace
from itertools import groupby

import numpy as np
import pytest
from test_segment_reps import WAYS
from test_segment_stations import RATE_HZ as STATIONS_HZ
from test_segment_stations import REACH, ROTATE, ROW, draw

from imu_shoulder.analysis import StreamParams
from imu_shoulder.calibrate.model import ArmCalibration, SensorCalibration
from imu_shoulder.drills import load_shipped
from imu_shoulder.engine.posture_watch import PostureWatch
from imu_shoulder.engine.watch import BACK_SHARE, SINKING_DEG_S, ArmWatch
from imu_shoulder.live.sensors import SensorState
from imu_shoulder.live.view import sinks, told_frame
from imu_shoulder.model import SensorStream
from imu_shoulder.segment.sets import asked_arc_deg

RATE_HZ = 50.0
PARAMS = StreamParams()


def followed(drill_id, *pieces, role="lift", trembles_deg=0.0):
    """The watch after a curve through (angle, seconds) pieces, begun at the first angle; and (time, phase) of each row
    after the first half second. trembles_deg: to either side, at 9 Hz."""
    watch = ArmWatch(load_shipped(drill_id), role, RATE_HZ, PARAMS)
    level, t, said = pieces[0][0], 0.0, []
    for angle_deg, lasts_s in pieces:
        rows = round(lasts_s * RATE_HZ)
        for share in WAYS["minimum jerk"](np.arange(1, rows + 1) / rows).tolist():
            t += 1 / RATE_HZ
            watch.push(t, level + (angle_deg - level) * share + trembles_deg * math.sin(2 * math.pi * 9 * t))
            said.append((t, watch.phase))
        level = angle_deg
    return watch, [one for one in said if one[0] > 0.5]


def phases(said):
    return [phase for phase, _ in groupby(phase for _, phase in said)]


@pytest.mark.parametrize(
    ("drill_id", "rest_deg", "top_deg"), [("full_can", 5.0, 90.0), ("overhead_short_arc", 90.0, 140.0)]
)
def test_a_rep_goes_through_its_phases_once_and_its_hold_lasts_what_it_lasted(drill_id, rest_deg, top_deg):
    """From where each drill starts: hanging, and at shoulder height."""
    pieces = [(rest_deg, 1.5), (top_deg, 2.0), (top_deg, 3.0), (rest_deg, 2.0), (rest_deg, 1.5)]
    watch, said = followed(drill_id, *pieces)
    assert phases(said) == ["rest", "lift", "hold", "lower", "rest"]
    assert watch.held_s == pytest.approx(3.0, abs=0.5)
    assert watch.hold_s(10.0) is None
    assert watch.lowered_s == pytest.approx(8.5, abs=0.5)
    assert watch.peak_deg == pytest.approx(top_deg, abs=0.1)
    assert watch.is_back
    up, _ = followed(drill_id, *pieces[:3])
    assert up.hold_s(6.5) == pytest.approx(3.0, abs=0.5)
    # It goes on while no new sample has come.
    assert up.hold_s(6.7) - up.hold_s(6.5) == pytest.approx(0.2)
    assert up.steadiness_deg() == pytest.approx(0.0, abs=0.01)
    assert not up.is_back


def test_an_arm_that_trembles_is_in_one_phase_at_a_time():
    """By 0.4 deg at 9 Hz: up to 23 deg/s to and fro, which is no lifting and no lowering."""
    pieces = [(5.0, 1.5), (90.0, 2.0), (90.0, 3.0), (5.0, 2.0), (5.0, 1.5)]
    _, said = followed("full_can", *pieces, trembles_deg=0.4)
    assert phases(said) == ["rest", "lift", "hold", "lower", "rest"]


def test_a_pause_half_way_up_is_still_the_lift_and_turning_round_there_the_lowering():
    up = [(5.0, 1.5), (45.0, 1.2), (45.0, 1.0)]
    for then, phase in (((90.0, 1.5), "hold"), ((5.0, 1.5), "lower")):
        _, said = followed("full_can", *up, then, (then[0], 0.3))
        assert phases(said)[:3] == ["rest", "lift", phase]


def test_a_hold_that_sinks_stands_still_though_it_is_not_yet_over():
    """Sinking between what is the start of lowering and what is said to be lowering."""
    sinking_deg_s = (SINKING_DEG_S + PARAMS.leave_deg_s) / 2
    watch, said = followed("full_can", (5.0, 1.5), (95.0, 2.0), (95.0, 3.0))
    level_s = said[-1][0]
    for k in range(1, 31):
        watch.push(level_s + k / RATE_HZ, 95.0 - sinking_deg_s * k / RATE_HZ)
    assert watch.phase == "hold"
    assert watch.hold_s(level_s + 0.6) == watch.hold_s(level_s + 0.8) == pytest.approx(3.0, abs=0.5)


def test_an_arm_that_rests_a_little_higher_is_back_a_little_earlier():
    """Where it rests is followed: what is asked counts from there."""
    back_deg = 17.0 + BACK_SHARE * asked_arc_deg(load_shipped("full_can"))
    for last_deg, is_back in ((back_deg - 3, True), (back_deg + 3, False)):
        watch, _ = followed("full_can", (17.0, 4.0), (last_deg, 2.0))
        assert watch.is_back is is_back


def test_a_set_that_begins_with_a_lift_counts_from_the_start_that_the_drill_asks():
    """Before the arm was seen to rest: from the middle of 75 to 105 deg."""
    watch, _ = followed("overhead_short_arc", (90.0, 0.1), (140.0, 1.5))
    assert not watch.is_back


def test_an_arm_that_is_not_seen_is_said_to_be_so_and_goes_on_where_it_was():
    watch, said = followed("full_can", (5.0, 1.5), (90.0, 2.0), (90.0, 1.0))
    lost_s = said[-1][0]
    for lasts_s, phase, angle_deg in ((0.8, "hold", 90.0), (1.2, "unseen", None)):
        watch.push(lost_s + lasts_s * PARAMS.unseen_s, float("nan"))
        assert (watch.phase, watch.angle_deg) == (phase, angle_deg)
    watch.push(lost_s + 1.0, 90.0)
    assert (watch.phase, watch.angle_deg) == ("hold", 90.0)
    assert watch.hold_s(lost_s + 1.0) == pytest.approx(2.0, abs=0.5)


@pytest.mark.parametrize(
    ("sunk_deg", "role", "said"), [(0.0, "hold", False), (20.0, "hold", True), (20.0, "lift", False)]
)
def test_an_arm_that_is_to_hold_and_not_one_that_lifts_sinks(sunk_deg, role, said):
    """Under the band from 75 deg."""
    watch, _ = followed("full_can_hold_and_lift", (80.0, 2.0), (80.0 - sunk_deg, 2.0), role=role)
    assert sinks(watch) is said


@pytest.mark.parametrize(("every", "rate_hz", "loss_pct"), [(1, 50.0, 0.0), (2, 25.0, 50.0)])
def test_the_panel_shows_how_much_came_of_what_a_sensor_should_send(every, rate_hz, loss_pct):
    """Of the last seconds, by its own times; a sensor that fell silent goes on losing."""
    state = SensorState(RATE_HZ)
    assert state.frame(0.0)["rate_hz"] is state.frame(0.0)["loss_pct"] is state.frame(0.0)["seen_s_ago"] is None
    for k in range(150):
        times = (10 * k + np.arange(0, 10, every)) / RATE_HZ
        still = np.zeros((len(times), 3))
        state.push(SensorStream("right_wrist", times, still, still, RATE_HZ))
    newest_s = float(times[-1])
    shown = state.frame(newest_s)
    assert shown["seen_s_ago"] == 0.0
    assert shown["rate_hz"] == pytest.approx(rate_hz, rel=0.01)
    assert shown["loss_pct"] == pytest.approx(loss_pct, abs=1.0)
    silent = state.frame(newest_s + 5.0)
    assert silent["seen_s_ago"] == 5.0
    assert silent["loss_pct"] == pytest.approx(50 + loss_pct / 2, abs=2.0)
    assert state.frame(newest_s + 60.0)["loss_pct"] == 100.0


@pytest.mark.parametrize(
    ("drill_id", "reads"), [("full_can", "elevation about gravity"), ("band_external_rotation", "")]
)
def test_an_angle_that_is_read_about_gravity_is_said_to_be(drill_id, reads):
    """Without a sensor on the trunk; the rotation is about the upper arm itself. A wrist alone shows another angle."""
    seats = {p: SensorCalibration(p, np.eye(4)[0], 0.0) for p in ("right_upper_arm", "right_wrist")}
    arm = ArmCalibration("right", seats["right_upper_arm"], seats["right_wrist"], (), True)
    drill = load_shipped(drill_id)
    assert told_frame(drill, [arm])["reads"] == reads
    assert told_frame(drill, [replace(arm, upper_arm=None)])["reads"] == ""


def test_each_station_is_shown_while_it_is_held_with_how_long_that_is():
    """2.4 s each, 1.4 s on the way from one to the next; a stay is known 0.3 s after it began."""
    drill = load_shipped("row_rotate")
    angles = draw([(ROW, 1.4, 2.4), (ROTATE, 1.4, 2.4), (REACH, 1.4, 1.2)])
    watch, shown = PostureWatch(drill, "lift", STATIONS_HZ, PARAMS), []
    for row in range(len(angles["elbow"])):
        time_s = row / STATIONS_HZ
        watch.posture(tuple(float(angles[name][row]) for name in watch.needs))
        watch.push(time_s, float(angles[drill.leading_angle][row]))
        shown.append((watch.phase, watch.station, watch.next_station, watch.hold_s(time_s), watch.held_s))
    there = shown[round(0.5 * STATIONS_HZ) :]
    assert [one for one, _ in groupby(own[:3] for own in there)] == [
        ("rest", None, "row"),
        ("lift", None, "row"),
        ("hold", "row", "rotate"),
        ("lift", None, "rotate"),
        ("hold", "rotate", None),
        ("lower", None, None),
        ("rest", None, "row"),
    ]
    for station in ("row", "rotate"):
        longest_s = max(own[3] for own in there if own[1] == station)
        assert longest_s == pytest.approx(2.4, abs=0.7)
    # Once it is left, how long it was held stays.
    (kept_s,) = {own[4] for own in there if own[0] == "lower"}
    assert kept_s == pytest.approx(2.4, abs=0.7)
