"""What parts two reps, what is a stay, and which leg of a way is the quick one: just to either side of each limit."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from test_assess import GOOD, angles_of, judged_set
from test_segment_stations import PRESS, RATE_HZ, REACH, ROTATE, ROW, draw, rep_of

from imu_shoulder.drills import AngleRange, Station, load_shipped
from imu_shoulder.segment.model import unseen_stretches
from imu_shoulder.segment.phases import find_edge, run_out
from imu_shoulder.segment.station_reps import find_station_reps

GOOD_REP = GOOD["full_can"]


def kinds(reps):
    return [judged.rep.kind for judged in judged_set("full_can", angles_of("full_can", reps))[1]]


@pytest.mark.parametrize(
    ("back_to_deg", "rests_s", "count"),
    [
        (30.0, 0.3, 3),  # 70 % of the way back: a return, however short the rest
        (45.0, 2.0, 3),  # half of the way back, and it rests there
        (45.0, 0.3, 2),  # half of the way back and at once up again: a dip in the hold
        (62.0, 2.0, 2),  # a third of the way back: a dip, however long
    ],
)
def test_a_rep_ends_where_the_arm_is_back_or_rests_part_way(back_to_deg, rests_s, count):
    """RepParams: 62 % of the rise undone is a whole return; from 40 % on it must come to rest for 1.4 s."""
    first = replace(GOOD_REP, rest_s=rests_s, lower_s=1.6)
    assert kinds([first, replace(GOOD_REP, start=back_to_deg), GOOD_REP]) == ["rep"] * count


@pytest.mark.parametrize(("top_deg", "kind"), [(36.0, "partial"), (46.0, "rep")])
def test_half_of_the_asked_arc_makes_a_rep(top_deg, kind):
    """docs/outputs.md: partial is "turned back before half the asked arc". From hanging (5 deg) to the band's 75."""
    low = replace(GOOD_REP, top=top_deg, hold_s=1.0)
    assert kinds([GOOD_REP, low, GOOD_REP])[1] == kind


def stations(way):
    angles = draw([*way, *rep_of("row", "rotate", "press")])
    _, found = judged_set("row_rotate_press", {f"{name}_deg": values for name, values in angles.items()})
    return found[0]


def way_of(row_s=2.4, moves_s=(1.4, 1.4, 1.4)):
    """Row, rotate and press, each held, and back."""
    there = zip((ROW, ROTATE, PRESS), moves_s, (row_s, 2.4, 2.4), strict=True)
    return [*there, (ROTATE, 1.4, 0.1), (ROW, 1.4, 0.1), (REACH, 1.4, 1.2)]


def test_a_stay_of_more_than_half_a_second_is_a_station_held_too_short():
    """0.6 s; what is shorter than 0.4 s is passing through."""
    assert stations(way_of()).faults == ()
    assert stations(way_of(row_s=0.6)).faults == ("hold_short",)


@pytest.mark.parametrize("quick", [0, 1, 2])
def test_the_quickest_leg_of_a_way_is_held_against_the_tempo(quick):
    """0.8 s is asked of each way (row_rotate_press.toml); one of three takes half a second."""
    moves_s = [1.4, 1.4, 1.4]
    moves_s[quick] = 0.5
    assert stations(way_of(moves_s=moves_s)).faults == ("too_fast",)


def test_a_station_near_the_start_is_a_station_and_no_way_back():
    """A user's own drill: drawn back, let out almost to the start, turned up. The second stay is nearer to the
    start than to the first; were it at no station, it would be a return short of the start."""
    near = {"elevation": 87, "plane": 72, "rotation": 0, "elbow": 43}
    shipped = load_shipped("row_rotate")
    row, rotate = shipped.stations
    own = replace(shipped, stations=(row, Station("near", (AngleRange("elbow", 38.0, 50.0),), 2.0), rotate))
    way = [(ROW, 1.4, 2.4), (near, 1.4, 2.4), (ROTATE, 1.4, 2.4), (ROW, 1.4, 0.1), (REACH, 1.4, 1.2)] * 2
    angles = draw(way)
    time_s = np.arange(len(angles["elbow"])) / RATE_HZ
    for drill, count in ((own, 2), (shipped, 4)):
        assert len(find_station_reps(time_s, angles, RATE_HZ, drill)) == count
    for rep in find_station_reps(time_s, angles, RATE_HZ, own):
        assert list(dict.fromkeys(visit.name for visit in rep.visits)) == ["row", "near", "rotate"]


@pytest.mark.parametrize("rows", [60, 400])
def test_of_who_shows_no_profile_a_minimum_jerk_one_is_taken(rows):
    """Its own run-out, found from such a movement: its times are then exact. A sine's would be 2.5 times less."""
    u = np.linspace(0.0, 1.0, rows)
    speed = np.concatenate([np.zeros(rows), 16 * u**2 * (1 - u) ** 2, np.zeros(rows)])
    edge = find_edge(speed, 0, len(speed) - 1, round(1.4 * rows), round(1.6 * rows))
    assert edge is not None
    assert run_out([]) == pytest.approx(run_out([edge]), rel=0.02)
    assert edge.begins(run_out([])) == pytest.approx(rows, abs=0.02 * rows)
    assert edge.stops(run_out([])) == pytest.approx(2 * rows - 1, abs=0.02 * rows)


def test_where_nothing_moves_there_is_no_movement():
    assert find_edge(np.zeros(60), 0, 59, 10, 50) is None
    assert find_edge(np.sin(np.linspace(0, np.pi, 60)), 0, 59, 10, 50) is not None


@pytest.mark.parametrize("rate_hz", [26.0, 50.0, 100.0, 104.0])
@pytest.mark.parametrize("start_s", [0.0, 12.34, 1234.56])
def test_two_seconds_without_data_are_a_stretch_wherever_in_the_recording_they_lie(start_s, rate_hz):
    """Times are rounded, and a step between two of them with them."""
    rows = round(2 * rate_hz)
    time_s = start_s + np.arange(round(10 * rate_hz)) / rate_hz
    for missing, found in ((rows, 1), (rows - 1, 0)):
        seen = np.ones(len(time_s), dtype=bool)
        seen[rows : rows + missing] = False
        assert len(unseen_stretches(time_s, seen)) == found
