"""Where a measure begins to see what it is about, at the sizes and times that docs/measures.md states."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from test_assess import GOOD, angles_of, judged, judged_set
from test_segment_reps import RATE_HZ, WAYS
from test_segment_stations import REACH, ROTATE, ROW, draw

from imu_shoulder.drills import load_shipped
from imu_shoulder.measure.catalogue import all_measures
from imu_shoulder.measure.registry import Floor, RepData
from imu_shoulder.measure.reps import CURVE_POINTS
from imu_shoulder.segment.model import Rep, StationVisit

GOOD_REP = GOOD["full_can"]


def with_hold_of(rep, change):
    """Three reps; change(values) is made to the elevation over the second one's hold, from its settling on."""
    angles = angles_of("full_can", [GOOD_REP, rep, GOOD_REP])
    _, plain = judged_set("full_can", angles)
    first = round((plain[1].rep.top_start_s + 0.5) * RATE_HZ)
    held = angles["elevation_deg"].copy()
    change(held[first:])
    return judged_set("full_can", {**angles, "elevation_deg": held})[1][1]


@pytest.mark.parametrize(("dip_deg", "broken"), [(4.3, False), (6.0, True)])
def test_a_hold_breaks_where_the_arm_leaves_it_by_5_deg(dip_deg, broken):
    """The hold is at 78 deg and the band begins at 75: both dips leave the band, but not the hold."""
    faults = ("hold_broken",) if broken else ()
    assert judged("full_can", top=78.0, dip=dip_deg) == [(), faults, ()]


@pytest.mark.parametrize(("lasts_s", "breaks"), [(0.15, 0), (0.35, 1)])
def test_a_hold_breaks_where_the_arm_stays_away_for_a_quarter_of_a_second(lasts_s, breaks):
    def drop(held):
        held[200 : 200 + round(lasts_s * RATE_HZ)] -= 20.0

    found = with_hold_of(GOOD_REP, drop)
    assert found.values["hold_breaks"] == breaks
    if breaks:
        assert found.values["break_s"] == pytest.approx(lasts_s, abs=0.02)
        assert found.values["break_deg"] == pytest.approx(-20.0, abs=0.5)


@pytest.mark.parametrize(("off_deg", "settles"), [(1.2, False), (2.4, True)])
def test_an_arm_that_is_off_by_a_degree_and_a_half_has_yet_to_settle(off_deg, settles):
    def arrive(held):
        held[: round(0.6 * RATE_HZ)] += off_deg

    assert (with_hold_of(GOOD_REP, arrive).values["settling_s"] > 0.3) == settles


@pytest.mark.parametrize(("hold_s", "known"), [(1.25, False), (1.7, True)])
def test_a_hold_of_a_second_and_a_half_has_a_steadiness(hold_s, known):
    """0.3 s at either end are left out, and 0.8 s must be left."""
    _, found = judged_set("full_can", angles_of("full_can", [GOOD_REP, replace(GOOD_REP, hold_s=hold_s), GOOD_REP]))
    assert np.isfinite(found[1].values["hold_sd_deg"]) == known


@pytest.mark.parametrize("hold_s", [1.6, 6.0])
def test_unsteadiness_is_the_textbooks_sd_about_a_line(hold_s):
    """Residuals of numpy's polyfit, two degrees of freedom spent; the sensor's own noise comes off in quadrature."""
    rep = replace(GOOD_REP, hold_s=hold_s)
    angles = angles_of("full_can", [rep] * 3)
    noise = np.random.default_rng(3).normal(0, 0.4, len(angles["elevation_deg"]))
    arm_set, found = judged_set("full_can", {**angles, "elevation_deg": angles["elevation_deg"] + noise})
    time_s = arm_set.start_s + np.arange(len(arm_set.curve_deg)) / RATE_HZ
    for judged_rep in found:
        settled = (judged_rep.rep.top_start_s + 0.3, judged_rep.rep.top_end_s - 0.3)
        rows = np.flatnonzero((time_s >= settled[0]) & (time_s <= settled[1]))
        squares = np.polyfit(rows, arm_set.curve_deg[rows], 1, full=True)[1][0]
        ours = np.hypot(judged_rep.values["hold_sd_deg"], judged_rep.floor.sd_deg)
        assert ours == pytest.approx(np.sqrt(squares / (len(rows) - 2)), rel=1e-6)


@pytest.mark.parametrize("noise_deg", [0.0, 0.3])
def test_sway_at_a_station_is_that_of_the_forearm_between_arriving_and_leaving(noise_deg):
    """A forearm that circles at 1 Hz on a cone of 0.5 deg is 0.5 deg from its mean direction all the time; the sensor's
    own noise comes off in quadrature. What it does in the first and last 0.3 s of the stay is moving, not swaying."""
    time_s, radius = np.arange(0, 12, 0.01), np.radians(0.5)
    turn = 2 * np.pi * time_s
    x = radius * np.cos(turn) + np.where((time_s < 3.25) | (time_s > 8.75), 0.1, 0.0)
    cone = {"forearm_x": x, "forearm_y": radius * np.sin(turn), "forearm_z": np.ones(len(time_s))}
    rep = Rep(0.0, 3.0, 9.0, 11.0, 12.0, 10.0, 90.0, 10.0, "rep", (StationVisit("row", 3.0, 9.0),))
    noise = Floor(noise_deg, 0.0, 0.0)
    data = RepData(rep, load_shipped("row_rotate"), 100.0, time_s, np.full(len(time_s), 90.0), cone, None, floor=noise)
    sway = next(m for m in all_measures() if m.name == "station_sway_deg").compute(data)
    assert sway == pytest.approx(np.sqrt(0.25 - noise_deg**2), rel=0.03)


@pytest.mark.parametrize("past_deg", [0.0, 8.0])
def test_overshoot_is_how_far_the_arm_went_past_the_angle_it_then_held(past_deg):
    """Up to the peak in 2 s, back to 85 deg within a second, held there for 5 s."""
    up = WAYS["minimum jerk"](np.arange(200) / 200)
    down = WAYS["minimum jerk"](np.arange(100) / 100)
    peak = 85.0 + past_deg
    curve = np.concatenate(
        [
            np.full(150, 5.0),
            5 + (peak - 5) * up,
            peak - past_deg * down,
            np.full(500, 85.0),
            85 - 80 * up,
            np.full(150, 5),
        ]
    )
    (found,) = judged_set("full_can", {"elevation_deg": curve})[1]
    assert found.values["overshoot_deg"] == pytest.approx(past_deg, abs=1.0)


def test_a_rep_is_drawn_from_its_first_row_to_its_last():
    arm_set, found = judged_set("full_can", angles_of("full_can", [GOOD_REP] * 2))
    time_s = arm_set.start_s + np.arange(len(arm_set.curve_deg)) / RATE_HZ
    for judged_rep in found:
        rep, drawn = judged_rep.rep, judged_rep.curve_deg
        inside = (time_s >= rep.start_s - 1e-9) & (time_s <= rep.end_s + 1e-9)
        assert len(drawn) == CURVE_POINTS
        shown_s = np.linspace(*time_s[inside][[0, -1]], CURVE_POINTS)
        assert drawn == pytest.approx(np.interp(shown_s, time_s, arm_set.curve_deg), abs=1e-6)


def test_a_station_is_held_as_long_as_its_angle_is_where_it_is_asked_however_it_sinks():
    """The forearm is asked 60 deg above the row, and sinks from 85 to 68 deg over 4 s."""
    high, sunk = {**ROTATE, "rotation": 85}, {**ROTATE, "rotation": 68}
    rep = [(ROW, 1.4, 2.4), (high, 1.4, 0.5), (sunk, 4.0, 0.5), (ROW, 1.4, 0.1), (REACH, 1.4, 1.2)]
    angles = {f"{name}_deg": values for name, values in draw(rep * 2).items()}
    _, found = judged_set("row_rotate", angles)
    there_s = np.count_nonzero(angles["rotation_deg"] >= 60) / 2 / RATE_HZ
    assert there_s > 5.0
    assert [judged_rep.values["hold_s"] for judged_rep in found] == pytest.approx([there_s] * 2, abs=0.1)
