"""Sets in which it is not known which way the body faces: what goes on being judged, and what is said of the rest.

The angles are drawn, and turned as a whole by an error of the direction: a constant in rotation and plane.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from test_assess import GOOD, angles_of
from test_segment_reps import RATE_HZ, arm_of
from test_segment_stations import draw, rep_of

from imu_shoulder.analysis import Params
from imu_shoulder.assess.fault import JudgeParams
from imu_shoulder.assess.unseen import set_lines
from imu_shoulder.drills import load_shipped, parse_drill
from imu_shoulder.engine.blade import BladeReps
from imu_shoulder.engine.judging import Seen, judge_arm_set
from imu_shoulder.engine.running import RunningSet
from imu_shoulder.model import Event, Track
from imu_shoulder.segment.sets import SegmentParams, segment_set

# Told apart by the plane alone.
ROUND = """
schema = 1
id = "round_the_side"
title = "Round the side"
purpose = "ours"
set_up = ["a"]
cautions = ["b"]
leading_angle = "elevation"
arms = "each"
start = [{ angle = "elevation", at_most = 20 }]
[[stations]]
name = "ahead"
hold_s = 2
ranges = [{ angle = "elevation", at_least = 75, at_most = 105 }, { angle = "plane", at_least = 60, at_most = 120 }]
[[stations]]
name = "aside"
hold_s = 2
ranges = [{ angle = "elevation", at_least = 75, at_most = 105 }, { angle = "plane", at_least = -30, at_most = 30 }]
[tempo]
lift_at_least_s = 0.5
lower_at_least_s = 0.5
[dose]
sets = 1
reps = 3
source = "ours"
"""


def judged(drill, angles, turned_deg, sd_deg):
    """Of the right arm; the set, and what is said of it as a whole."""
    count = len(angles["elevation_deg"])
    turned = {name: angles[name] + turned_deg for name in ("rotation_deg", "plane_deg") if name in angles}
    heading = {"heading_sd_deg": np.full(count, float(sd_deg))}
    arm = replace(arm_of("right", elevation=np.zeros(count)), angles={**angles, **turned}, hidden=heading)
    time_s = np.arange(count) / RATE_HZ
    event = Event(0.0, float(time_s[-1]), "set", drill.id, "right")
    (arm_set,) = segment_set(1, event, drill, time_s, RATE_HZ, {"right": arm}, SegmentParams())
    sees = np.ones(count, dtype=bool)
    columns = {**arm.angles, **heading}
    found = judge_arm_set(arm_set, Seen(time_s, RATE_HZ, columns, sees, ~sees), JudgeParams())
    return found, set_lines([arm_set], {"right": arm}, sternum_worn=False, least_heading_sd_deg=10.0)


def row_rotate(*ways):
    angles = {f"{name}_deg": values for name, values in draw([part for way in ways for part in rep_of(*way)]).items()}
    still = {f"{name}_sd": np.full(len(values), 2.0) for name, values in angles.items()}
    return {**angles, **still}


@pytest.mark.parametrize("turned_deg", [0.0, 45.0, -150.0])
@pytest.mark.parametrize("drill_id", ["band_external_rotation", "sidelying_external_rotation"])
def test_how_far_an_arm_turns_from_the_start_is_judged_wherever_the_body_faces(drill_id, turned_deg):
    good = GOOD[drill_id]
    half = replace(good, top=(good.start + good.top) / 2 - 5)
    found, lines = judged(load_shipped(drill_id), angles_of(drill_id, [good, half, good]), turned_deg, 90.0)
    assert [(j.excluded, j.faults) for j in found] == [("", ()), ("", ("short_arc",)), ("", ())]
    assert lines == []


@pytest.mark.parametrize("turned_deg", [0.0, 80.0, -80.0])
def test_stations_are_told_by_what_does_not_turn_with_the_body(turned_deg):
    both, one = ("row", "rotate"), ("row",)
    found, lines = judged(load_shipped("row_rotate"), row_rotate(both, one, both), turned_deg, 40.0)
    assert [(j.excluded, j.faults) for j in found] == [("", ()), ("", ("station_skipped",)), ("", ())]
    (line,) = lines
    assert line.startswith("Set 1, right arm: the plane was not judged")
    assert "breastbone" in line


def test_a_known_direction_tells_an_arm_that_is_in_front():
    """The same angles: where it is known how the body faces, an arm 80 deg off is no row."""
    both = ("row", "rotate")
    found, lines = judged(load_shipped("row_rotate"), row_rotate(both, both, both), 80.0, 2.0)
    assert all(j.faults or j.excluded for j in found)
    assert lines == []


def test_what_the_plane_alone_tells_apart_is_not_scored():
    hang, ahead, aside = (
        {"elevation": e, "plane": p, "rotation": 0, "elbow": 5} for e, p in ((5, 45), (90, 90), (90, 0))
    )
    way = [(ahead, 1.5, 2.5), (aside, 1.5, 2.5), (hang, 1.5, 1.5)] * 3
    angles = {f"{name}_deg": values for name, values in draw([(hang, 1.0, 2.0), *way]).items()}
    angles |= {f"{name}_sd": np.full(len(values), 2.0) for name, values in angles.items()}
    drill = parse_drill(ROUND, "round.toml")
    found, _ = judged(drill, angles, 0.0, 2.0)
    assert [(j.excluded, j.faults) for j in found] == [("", ())] * 3
    found, lines = judged(drill, angles, 0.0, 40.0)
    assert found
    assert all(j.excluded == "heading_lost" for j in found)
    assert lines


@pytest.mark.parametrize(("sd_deg", "held"), [(40.0, ["row", "rotate"]), (2.0, [])])
def test_the_page_shows_the_hold_at_each_station_wherever_the_body_faces(sd_deg, held):
    """The plane 80 deg off: where that is known, an arm in front is in no row; where it is not, elbow and rotation say
    which station it is."""
    angles = row_rotate(("row", "rotate"))
    angles["plane_deg"] = angles["plane_deg"] + 80.0
    count = len(angles["elevation_deg"])
    heading = {"heading_sd_deg": np.full(count, sd_deg)}
    arm = replace(arm_of("right", elevation=np.zeros(count)), angles=angles, hidden=heading)
    drill, sees, still = load_shipped("row_rotate"), np.ones(count, dtype=bool), np.zeros((count, 3))
    event = Event(0.0, 0.0, "set", drill.id, "right")
    live = RunningSet(1, event, drill, {"right": drill}, RATE_HZ, Params(), BladeReps())
    shown = []
    for k in range(0, count, 10):
        rows = slice(k, min(k + 10, count))
        part = replace(
            arm,
            angles={name: values[rows] for name, values in angles.items()},
            hidden={name: values[rows] for name, values in heading.items()},
        )
        track = Track("right_wrist", still[rows], still[rows], sees[rows], ~sees[rows])
        time_s = np.arange(rows.start, rows.stop) / RATE_HZ
        live.push(time_s, {"right": part}, {"right": (sees[rows], ~sees[rows])}, {"right": track})
        shown.append(live.watches["right"].station)
    assert [name for name in dict.fromkeys(shown) if name is not None] == held
