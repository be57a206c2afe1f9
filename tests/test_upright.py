"""Lying down: without a sensor on the trunk an angle about gravity is never said to be one of the shoulder.

The truth is the simulator's, which knows the arm about the trunk and about gravity.
"""

from __future__ import annotations

import json
from dataclasses import replace
from functools import cache

import numpy as np
import pytest

from imu_shoulder.analysis import Analysis, Params
from imu_shoulder.angles.joint import ISB_COLUMNS, ArmAngles
from imu_shoulder.angles.lean import NOT_UPRIGHT, UNSAID, UPRIGHT, asked_stance, off_upright, upright_only
from imu_shoulder.angles.skin import SkinShare
from imu_shoulder.drills import Drill, load_shipped, parse_drill, shipped_ids
from imu_shoulder.errors import DrillError
from imu_shoulder.model import Event, Recording, Track
from imu_shoulder.pipeline import analyse
from imu_shoulder.report.headlines import terminal_lines
from imu_shoulder.report.html import build_report
from imu_shoulder.report.summary import summarise
from imu_shoulder.report.tables import angles_table, reps_table
from imu_shoulder.simulate import Simulated, simulate
from imu_shoulder.simulate.scenarios import drill_scenario
from imu_shoulder.validate.paper import methods_text

LYING = "sidelying_external_rotation"
STANCES = {"upright": UPRIGHT, "lying": NOT_UPRIGHT, "unsaid": UNSAID}


@cache
def recorded(drill: str, side: str = "right", seed: int = 1, *, sternum: bool = False) -> Simulated:
    placements = (f"{side}_wrist", f"{side}_upper_arm", *(("sternum",) if sternum else ()))
    return simulate(drill_scenario(drill, side, placements=placements, rate_hz=50.0, reps=3), seed=seed)


def without(recording: Recording, *trial_types: str) -> Recording:
    return replace(recording, events=tuple(e for e in recording.events if e.trial_type not in trial_types))


def renamed(recording: Recording, drill: str | None) -> Recording:
    """The recording with its set marked as another drill, or as none."""
    events = tuple(replace(e, drill=drill) if e.trial_type == "set" else e for e in recording.events)
    return replace(recording, events=events)


def in_set(run: Simulated, analysis: Analysis, side: str, column: str, truth: str) -> tuple[np.ndarray, np.ndarray]:
    """Error and standard deviation of an angle over the set."""
    rows = slice(*analysis.sets[0].arm_set.rows)
    arm, time_s = analysis.arms[side], analysis.aligned.time_s[rows]
    error = arm.angles[column][rows] - np.interp(time_s, run.truth.time_s, run.truth.angles[side][truth])
    return (error + 180.0) % 360.0 - 180.0, arm.sd[column][rows]


# Side-lying, no sensor on the trunk.


@pytest.mark.parametrize("afterwards", [True, False], ids=["afterwards", "as live"])
@pytest.mark.parametrize(("side", "seed"), [("right", 1), ("left", 2), ("right", 3)])
def test_on_the_side_elevation_and_plane_are_empty_and_what_is_about_gravity_is_called_so(side, seed, afterwards):
    run = recorded(LYING, side, seed)
    analysis = analyse(run.recording, Params(afterwards=afterwards))
    rows, arm = slice(*analysis.sets[0].arm_set.rows), analysis.arms[side]
    for column in ("elevation_deg", "plane_deg", *ISB_COLUMNS):
        values = {**arm.angles, **arm.hidden}[column][rows]
        assert np.isnan(values).all(), column
        assert np.isnan(arm.sd.get(column, values)[rows] if column in arm.sd else values).all(), column
    off, sd = in_set(run, analysis, side, "elevation_gravity_deg", "elevation_gravity_deg")
    # Live knows how the arm hung in the pose, not yet the axis about which the set turns it.
    assert np.abs(off).max() < (8.0 if afterwards else 10.0)
    assert np.median(sd) < 5.0
    # What needs no trunk stays: the bend of the elbow, and how far each rep turned.
    off, sd = in_set(run, analysis, side, "rotation_deg", "rotation_deg")
    assert np.std(off) < 4.0
    assert (np.abs(off) <= 1.96 * sd).all()
    assert np.median(sd) > 10.0
    assert [(j.rep.kind, j.faults, j.excluded) for j in analysis.sets[0].judged] == [("rep", (), "")] * 3
    assert arm.sd["elbow_deg"][rows].max() < 8.0


def test_every_output_says_that_it_is_about_gravity_or_that_it_is_not_known():
    run = recorded(LYING)
    analysis = analyse(run.recording)
    summary, reps, angles = summarise(analysis), reps_table(analysis), angles_table(analysis)
    assert summary["elevation_reference"] == "gravity"
    assert summary["sets"][0]["elevation_reference"] == ""
    assert (reps["elevation_reference"] == "").all()
    assert reps[["plane_deg", "hold_elevation_sd_deg", "elevation_owed_deg"]].isna().all(axis=None)
    rows = slice(*analysis.sets[0].arm_set.rows)
    assert angles["right_elevation_reference"][rows].isna().all()
    assert set(angles["right_elevation_reference"].dropna()) == {"gravity"}
    assert (angles["right_elevation_reference"].isna() == angles["right_elevation_deg"].isna()).all()
    off, _ = in_set(run, analysis, "right", "elevation_gravity_deg", "elevation_gravity_deg")
    assert np.abs(off).max() < 8.0
    assert np.median(angles["right_elevation_gravity_deg"][rows]) == pytest.approx(90, abs=15)
    line = next(text for text in summary["not_seen"] if "not upright" in text)
    for words in ("Set 1, right arm", "Elevation and plane", "left empty", "elevation_gravity_deg", "breastbone"):
        assert words in line
    page = build_report(summary, reps, angles)
    assert "Elevation is an angle about gravity, not about the trunk" in page
    assert "elevation_gravity_deg is about gravity" in page
    assert any("elevation_gravity_deg is about gravity" in text for text in terminal_lines(summary))
    assert "No elevation about the trunk was available in set 1." in methods_text(summary)


def test_upright_the_angle_about_gravity_is_named_in_the_set_its_reps_and_its_curve():
    analysis = analyse(recorded("full_can").recording)
    summary, reps, angles = summarise(analysis), reps_table(analysis), angles_table(analysis)
    assert summary["sets"][0]["elevation_reference"] == "gravity"
    assert (reps["elevation_reference"] == "gravity").all()
    assert "<span>Elevation about gravity, asked" in build_report(summary, reps, angles)
    rows = slice(*analysis.sets[0].arm_set.rows)
    np.testing.assert_array_equal(angles["right_elevation_deg"][rows], angles["right_elevation_gravity_deg"][rows])
    # As an angle about the trunk it is less sure than as one about gravity.
    assert (angles["right_elevation_deg_sd"][rows] > angles["right_elevation_gravity_deg_sd"][rows]).all()
    assert not any("not upright" in line for line in summary["not_seen"])


@pytest.mark.parametrize("only_pose", [False, True], ids=["all movements", "pose alone"])
@pytest.mark.parametrize("seed", [1, 2])
def test_with_a_breastbone_sensor_lying_down_itself_joins_it_and_elevation_is_the_shoulders(seed, only_pose):
    run = recorded(LYING, seed=seed, sternum=True)
    recording = without(run.recording, "elbow_bends", "forward_raises") if only_pose else run.recording
    analysis = analyse(recording)
    assert analysis.arms["right"].elevation_reference == "trunk"
    off, sd = in_set(run, analysis, "right", "elevation_deg", "elevation_deg")
    assert (np.abs(off) <= 1.96 * sd).mean() >= 0.95
    assert np.median(sd) < 6.0
    assert summarise(analysis)["sets"][0]["elevation_reference"] == "trunk"


# Sets of which nobody says how the body was, and drills of one's own.


@pytest.mark.parametrize(("side", "seed"), [("right", 1), ("left", 2), ("right", 3)])
def test_without_a_drill_the_standard_deviation_holds_a_person_who_lies(side, seed):
    """It reads about 90 where the shoulder is at 8: named as about gravity, 1.96 of its deviations reach the truth."""
    run = recorded(LYING, side, seed)
    analysis = analyse(renamed(run.recording, None))
    off, sd = in_set(run, analysis, side, "elevation_deg", "elevation_deg")
    assert np.median(off) > 70.0
    assert (np.abs(off) <= 1.96 * sd).mean() >= 0.95
    off, sd = in_set(run, analysis, side, "elevation_gravity_deg", "elevation_gravity_deg")
    assert np.median(sd) < 5.0
    assert summarise(analysis)["sets"][0]["elevation_reference"] == "gravity"
    assert any("no drill says how the trunk was held" in line for line in summarise(analysis)["not_seen"])


OWN = """
schema = 1
id = "own_side_raise"
title = "Raise on the side"
{body}
set_up = ["Lie on your side.", "Raise the upper arm."]
leading_angle = "elevation"
[[stations]]
name = "top"
ranges = [{{ angle = "elevation", at_least = 45, at_most = 70 }}]
[tempo]
lift_at_least_s = 1.0
lower_at_least_s = 1.0
[form]
plane_deg = {{ at_least = -20, at_most = 20 }}
[dose]
sets = 1
reps = 3
source = "ours"
"""


def own_drill(body: str) -> Drill:
    return parse_drill(OWN.format(body=body), "own_side_raise.toml")


def test_a_drill_whose_set_up_says_lie_must_say_how_the_body_is():
    with pytest.raises(DrillError) as caught:
        own_drill("")
    assert "body" in str(caught.value)
    assert "Lie on your side" in str(caught.value)
    assert "\n" not in str(caught.value)
    assert own_drill('body = "lying"').body == "lying"
    assert own_drill('body = "upright"').body == "upright"
    with pytest.raises(DrillError, match="bent_over"):
        own_drill('body = "hanging"')


@pytest.mark.parametrize("word", ["side-lying", "prone", "bent over", "Face down", "lie", "supine", "bend over"])
def test_words_that_say_the_body_is_not_upright_are_known(word):
    with pytest.raises(DrillError, match="body"):
        parse_drill(OWN.format(body="").replace("Lie on your side.", f"Get ready, {word}, and breathe."), "own.toml")


def test_the_shipped_drills_say_how_the_body_is():
    assert {name for name in shipped_ids() if load_shipped(name).body != "upright"} == {LYING}


def test_a_drill_that_lies_and_leads_with_elevation_is_counted_and_not_judged():
    recording = renamed(recorded(LYING).recording, "own_side_raise")
    analysis = analyse(recording, drills={"own_side_raise": own_drill('body = "lying"')})
    (found,) = analysis.sets
    assert found.arm_set.counted_only
    assert len(found.arm_set.counted) == 3
    summary = summarise(analysis)
    assert summary["sets"][0]["judged"] is False
    assert (
        "Set 1, right arm: the reps were counted and not judged, for elevation is not seen here." in summary["not_seen"]
    )


def test_stations_told_by_an_angle_that_is_not_seen_are_named_and_nothing_is_counted():
    run = recorded("row_rotate")
    summary = summarise(analyse(without(run.recording, "elbow_bends", "forward_raises")))
    assert summary["sets"][0]["done"]["reps"] == 0
    # Rows may join the sensors, so that the elbow is seen; which way the body faces they do not show.
    assert any("no rep was counted" in line and "plane" in line for line in summary["not_seen"])


# The parts.


def test_what_is_asked_of_the_body_row_by_row():
    time_s = np.arange(0.0, 70.0, 1.0)
    events = [
        Event(0.0, 4.5, "neutral_pose"),
        Event(10.0, 4.5, "forward_raises"),
        Event(20.0, 4.5, "set", LYING, "right"),
        Event(30.0, 4.5, "set", "full_can", "right"),
        Event(40.0, 4.5, "set", None, "right"),
        Event(50.0, 4.5, "set", "flexion", "right"),  # a range test
    ]
    drills = {name: load_shipped(name) for name in (LYING, "full_can")}
    stance = asked_stance(time_s, events, drills)
    asked = {0: UPRIGHT, 10: UPRIGHT, 20: NOT_UPRIGHT, 30: UPRIGHT, 40: UNSAID, 50: UPRIGHT}
    for start, expected in asked.items():
        assert set(stance[start : start + 5]) == {expected}
        assert set(stance[start + 5 : start + 10]) == {UNSAID}


def arm_with(reference: str, lean_deg: list[float] | None) -> ArmAngles:
    count = 4
    angles = {
        name: np.full(count, 50.0) for name in ("elevation_deg", "elevation_gravity_deg", "plane_deg", "elbow_deg")
    }
    if lean_deg is not None:
        angles["trunk_lean_deg"] = np.array(lean_deg)
    return ArmAngles("right", reference, angles, np.zeros(count), SkinShare(0.7, 0.1, 0.0), sd=dict(angles))


@pytest.mark.parametrize("stance", STANCES)
def test_a_lean_that_is_seen_counts_more_than_what_was_asked(stance):
    """A breastbone sensor knows how far the trunk leans before it knows which way."""
    off = off_upright(arm_with("gravity", [0.0, 29.0, 31.0, np.nan]), STANCES[stance], 30.0)
    assert off.tolist() == [False, False, True, stance == "lying"]
    assert off_upright(arm_with("gravity", None), STANCES[stance], 30.0).tolist() == [stance == "lying"] * 4
    assert not off_upright(arm_with("trunk", [90.0] * 4), STANCES[stance], 30.0).any()


def test_what_the_trunk_defines_is_left_out_with_its_deviation_and_nothing_else():
    whole = arm_with("gravity", None)
    left = upright_only(whole, np.array([False, True, True, False]))
    for columns in (left.angles, left.sd):
        for name, values in columns.items():
            unknown = name in ("elevation_deg", "plane_deg")
            assert np.isnan(values).tolist() == [False, unknown, unknown, False], name
    assert left.reference_of(slice(0, 4)) == "gravity"
    assert left.reference_of(slice(1, 3)) == ""
    assert left.not_told(slice(1, 3))
    assert not left.not_told(slice(0, 2))
    # About the trunk an angle is missing for other reasons, such as a gap of the sensor on it.
    gap = replace(left, elevation_reference="trunk")
    assert not gap.not_told(slice(1, 3))
    assert gap.reference_of(slice(1, 3)) == ""


# Live.


def played(recording: Recording) -> list[dict]:
    from imu_shoulder.live.replay import plan_for_recording, run
    from imu_shoulder.live.session import LiveSession
    from imu_shoulder.sources import RecordingSource

    rates = {placement: stream.declared_rate_hz for placement, stream in recording.streams.items()}
    session = LiveSession(plan_for_recording(recording, {}), {}, rates)
    frames: list[dict] = []
    run(RecordingSource(recording, 0.1), session, each=lambda live: frames.append(json.loads(json.dumps(live.frame()))))
    return frames


def test_the_live_page_says_what_elevation_is_about_and_what_it_cannot_show():
    pytest.importorskip("starlette", reason="the live part is not installed")
    frames = played(recorded("full_can").recording)
    told = [frame["drill"] for frame in frames if frame["stage"] == "set"]
    assert {drill["reads"] for drill in told} == {"elevation about gravity"}
    assert {tuple(drill["not_seen"]) for drill in told} == {()}
    bare = played(without(recorded("full_can").recording, "elbow_bends", "forward_raises"))
    (lines,) = {tuple(frame["drill"]["not_seen"]) for frame in bare if frame["stage"] == "set"}
    assert lines == ("Not seen without the forward raises: right elbow, plane and thumb.",)


def test_live_an_angle_that_the_trunk_defines_is_empty_in_a_set_done_lying():
    from imu_shoulder.engine.blade import BladeReps
    from imu_shoulder.engine.running import RunningSet

    still = np.zeros((4, 3))
    for name, empty in ((LYING, True), ("full_can", False)):
        drill, event = load_shipped(name), Event(0.0, 0.0, "set", name, "right")
        live = RunningSet(1, event, drill, {"right": drill}, 50.0, Params(), BladeReps())
        seen = np.ones(4, dtype=bool)
        track = Track("right_wrist", still, still, seen, ~seen)
        live.push(
            np.arange(4) / 50.0, {"right": arm_with("gravity", None)}, {"right": (seen, ~seen)}, {"right_wrist": track}
        )
        columns = live._seen("right", -np.inf, (-np.inf, np.inf)).columns
        assert np.isnan(columns["elevation_deg"]).all() == empty
        assert np.isfinite(columns["elevation_gravity_deg"]).all()
