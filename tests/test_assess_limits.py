"""What a limit is held against, where, and how likely it was missed; stations as postures; directions; own range."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy import stats
from test_assess import GOOD, angles_of, judged_set
from test_segment_reps import RATE_HZ
from test_segment_stations import POSTURES, REACH, ROTATE, ROW, rep_of
from test_segment_stations import draw as draw_stations

from imu_shoulder.assess.fault import JudgeParams
from imu_shoulder.assess.limits import Reading, beyond, over, under
from imu_shoulder.drills import load_shipped, parse_drill
from imu_shoulder.drills.limits import AngleRange, FormLimit
from imu_shoulder.engine.asked import asked_in
from imu_shoulder.engine.judging import Seen, judge_arm_set
from imu_shoulder.errors import DrillError, RecordingError
from imu_shoulder.model import Event
from imu_shoulder.plan import PlanError, parse_plan
from imu_shoulder.sources.events import events_tsv, read_events

PARAMS = JudgeParams()


def test_the_probability_is_the_normal_distributions():
    """scipy.stats.norm, the reference: what lies beyond the nearer end."""
    for value, sd in ((26.0, 1.0), (24.0, 3.0), (33.0, 5.0)):
        assert over(value, 25.0, sd) == pytest.approx(stats.norm.sf(25.0, value, sd))
        assert under(value, 25.0, sd) == pytest.approx(stats.norm.cdf(25.0, value, sd))
    # Known so badly that both ends are near: the nearer end alone counts, or nothing known would be a fault.
    assert beyond(Reading(40.0, 40.0, 1000.0), (20.0, 60.0)) == pytest.approx(0.5, abs=0.01)
    assert beyond(Reading(float("nan"), float("nan"), 1.0), (0.0, 1.0)) == 0.0
    assert beyond(Reading(9.0, 9.0, float("nan")), (0.0, 1.0)) == 0.0


def with_sd(angles, sd_deg, *columns):
    return {**angles, **{f"{name}_deg_sd": np.full(len(angles["elevation_deg"]), sd_deg) for name in columns}}


@pytest.mark.parametrize(
    ("elbow_deg", "sd_deg", "faults", "close"),
    [
        (33.0, 5.0, ("elbow_off",), ()),  # 8 deg over the limit of 25: 95 %
        (27.0, 5.0, (), ("elbow_off",)),  # 2 over: 66 %
        (27.0, 1.0, ("elbow_off",), ()),
        (22.0, 5.0, (), ("elbow_off",)),  # 3 under: 27 %
        (18.0, 5.0, (), ()),
    ],
)
def test_a_rep_is_blamed_doubted_or_left_alone_by_how_well_the_angle_is_known(elbow_deg, sd_deg, faults, close):
    good = GOOD["full_can"]
    angles = angles_of("full_can", [good, replace(good, elbow=elbow_deg), good])
    _, found = judged_set("full_can", with_sd(angles, sd_deg, "elbow"))
    assert [(j.faults, j.close) for j in found] == [((), ()), (faults, close), ((), ())]
    named = found[1].texts["notes" if faults else "close_notes"]
    assert named.startswith(f"elbow bent {elbow_deg:.0f} deg, asked at most 25 deg") is bool(faults or close)


def judged_by(limit: FormLimit, column: str, values):
    """Faults of the second of three full cans, its form only this limit, one of its angles given, known to 1 deg."""
    good = GOOD["full_can"]
    angles = with_sd(angles_of("full_can", [good] * 3), 1.0, column)
    arm_set, plain = judged_set("full_can", angles)
    time_s = np.arange(len(angles["elevation_deg"])) / RATE_HZ
    second = plain[1].rep
    drill = arm_set.drill
    assert drill is not None
    form = replace(drill.form, limits=(limit,), trunk_deg=None)
    changed = {**angles, f"{column}_deg": values(time_s, second)}
    seen = np.ones(len(time_s), dtype=bool)
    own = replace(arm_set, drill=replace(drill, form=form))
    return judge_arm_set(own, Seen(time_s, RATE_HZ, changed, seen, ~seen), PARAMS)[1].faults


def bump(at: str, lasts_s: float):
    """60 deg for a while at the rep's start, in its lift or in its hold; 10 else."""

    def values(time_s, rep):
        first = {"lift": rep.start_s + 0.5, "hold": rep.top_start_s + 1.0}[at]
        return np.where((time_s >= first) & (time_s < first + lasts_s), 60.0, 10.0)

    return values


@pytest.mark.parametrize(
    ("where", "at", "lasts_s", "blamed"),
    [
        ("top", "hold", 1.0, False),  # not the median of a hold of 5 s
        ("top", "hold", 4.0, True),
        ("hold", "hold", 1.0, True),
        ("hold", "hold", 0.2, False),  # a jerk
        ("hold", "lift", 1.0, False),
        ("all", "lift", 1.0, True),
        ("all", "lift", 0.2, False),
    ],
)
def test_a_limit_is_judged_where_the_drill_says(where, at, lasts_s, blamed):
    limit = FormLimit(AngleRange("forearm", -40.0, 40.0), where)
    faults = judged_by(limit, "forearm", bump(at, lasts_s))
    assert faults == (("forearm_off",) if blamed else ())


def test_a_limit_from_the_start_leaves_alone_what_was_so_all_along():
    """An elbow bent by 40 deg from before the rep is kept from its start, and not where the angle itself is asked."""

    def constant(time_s, rep):
        return np.full(len(time_s), 40.0)

    since = FormLimit(AngleRange("elbow", -15.0, 15.0, "start"), "all")
    itself = FormLimit(AngleRange("elbow", -15.0, 15.0), "all")
    assert judged_by(since, "elbow", constant) == ()
    assert judged_by(itself, "elbow", constant) == ("elbow_off",)
    assert judged_by(since, "elbow", bump("hold", 2.0)) == ("elbow_off",)


# The elbow at the side.


def at_side(swing_deg: float, elevation_deg: float = 8.0):
    """Three band external rotations; in the second the upper arm swings out to the side by so much with the turn."""
    good = GOOD["band_external_rotation"]
    angles = angles_of("band_external_rotation", [good] * 3)
    _, plain = judged_set("band_external_rotation", angles)
    time_s, second = np.arange(len(angles["elevation_deg"])) / RATE_HZ, plain[1].rep
    inside = (time_s >= second.start_s) & (time_s <= second.end_s)
    turned = (angles["rotation_deg"] - good.start) / (good.top - good.start)
    elevation = elevation_deg + np.where(inside, swing_deg * turned, 0.0)
    out = np.radians(elevation)
    pointing = {"upper_arm_x": 0.0 * out, "upper_arm_y": -np.cos(out), "upper_arm_z": np.sin(out)}
    return judged_set("band_external_rotation", {**angles, **pointing, "elevation_deg": elevation})[1]


def test_an_elbow_that_leaves_the_side_is_named_with_how_far():
    found = at_side(30.0)
    assert [j.faults for j in found] == [(), ("upper_arm_off",), ()]
    assert found[1].texts["notes"].startswith("elbow left the side by 30 deg, asked at most 20 deg")
    assert found[1].values["upper_arm_swing_deg"] == pytest.approx(30.0, abs=0.5)
    assert [j.faults for j in at_side(10.0)] == [(), (), ()]


def test_an_elbow_off_the_side_from_the_start_on_is_off_by_its_elevation():
    assert [j.faults for j in at_side(0.0, elevation_deg=45.0)] == [("upper_arm_off",)] * 3
    assert [j.faults for j in at_side(0.0, elevation_deg=20.0)] == [()] * 3


# A station is a posture.


def judged_stations(way, drill_id="row_rotate_press"):
    angles = {f"{name}_deg": values for name, values in draw_stations(way).items()}
    return judged_set(drill_id, with_sd(angles, 3.0, "elevation", "plane", "rotation", "elbow"))[1]


def with_second(there, drill_id="row_rotate_press"):
    """Three reps, the second by other postures."""
    names = ("row", "rotate", "press") if drill_id == "row_rotate_press" else ("row", "rotate")
    back = [(REACH, 1.4, 1.2)]
    return judged_stations([*rep_of(*names), *((p, 1.4, 2.4) for p in there), *back, *rep_of(*names)], drill_id)


LOW = {"elevation": 50}


@pytest.mark.parametrize(
    ("there", "drill_id", "faults", "said"),
    [
        ([{**ROW, **LOW}, ROTATE], "row_rotate", ("station_off",), "at row upper arm raised to 50 deg"),
        ([ROW, {**ROTATE, **LOW}], "row_rotate", ("station_off",), "at rotate upper arm raised to 50 deg"),
        ([{**ROW, **LOW}, {**ROTATE, **LOW}], "row_rotate", ("station_off",), "at row upper arm raised to 50 deg"),
        ([{**ROW, "elbow": 130}, ROTATE], "row_rotate", ("station_off",), "at row elbow bent 130 deg"),
        (
            [ROW, ROTATE, {**POSTURES["press"], "elbow": 55}],
            "row_rotate_press",
            ("station_off",),
            "at press elbow bent 55 deg",
        ),
        ([ROW, {**ROTATE, "rotation": 45}, POSTURES["press"]], "row_rotate_press", ("station_off",), "at rotate"),
        ([ROW, POSTURES["press"]], "row_rotate_press", ("station_skipped",), "skipped: rotate"),
        ([ROW, {**ROTATE, "rotation": 45}], "row_rotate", ("short_arc",), "at rotate rotation 45 deg"),
    ],
)
def test_a_station_taken_in_another_posture_is_named_by_what_was_off(there, drill_id, faults, said):
    found = with_second(there, drill_id)
    assert [j.faults for j in found] == [(), faults, ()]
    assert said in found[1].texts["notes"]


def test_a_press_never_passes_for_the_turn_before_it():
    """Row, then press at once, all reps of the set: nothing in it shows the usual turn."""
    found = judged_stations([(ROW, 1.4, 2.4), (POSTURES["press"], 1.4, 2.4), (REACH, 1.4, 1.2)] * 4)
    assert {j.faults for j in found} == {("station_skipped",)}


# Overhead from two places.


@pytest.mark.parametrize(("start_deg", "faults"), [(90.0, ()), (6.0, ()), (50.0, ("start_missed",))])
def test_overhead_sets_out_from_shoulder_height_or_from_hanging(start_deg, faults):
    good = GOOD["overhead_short_arc"]
    reps = [replace(good, start=start_deg, lift_s=2.0, lower_s=2.0)] * 4
    _, found = judged_set("overhead_short_arc", angles_of("overhead_short_arc", reps))
    assert [j.rep.kind for j in found] == ["rep"] * 4
    assert {j.faults for j in found[1:]} == {faults}


# Directions.


def test_a_raise_goes_in_the_direction_that_is_asked():
    drill = load_shipped("full_can")
    assert (drill.direction, drill.form.ends_of("plane")) == ("diagonal", (20.0, 60.0))
    assert drill.towards("side").form.ends_of("plane") == (-20.0, 20.0)
    assert drill.towards("forward").towards("diagonal") == drill
    with pytest.raises(DrillError, match="one of the directions forward, diagonal, side"):
        drill.towards("backward")
    with pytest.raises(DrillError, match="no direction for Row, then rotate"):
        load_shipped("row_rotate").towards("side")


def test_a_sets_mark_says_its_direction_and_a_wrong_one_is_refused(tmp_path):
    marked = Event(1.0, 20.0, "set", "full_can", "right", direction="forward")
    path = tmp_path / "events.tsv"
    path.write_text(events_tsv([marked]), encoding="utf-8")
    assert read_events(path) == (marked,)
    drill, _ = asked_in([marked], None, None, ()).of(1, marked)
    assert drill is not None
    assert drill.direction == "forward"
    for wrong in (replace(marked, direction="up"), replace(marked, drill="row_rotate")):
        with pytest.raises((DrillError, RecordingError), match="direction"):
            asked_in([wrong], None, None, ())


HEAD = 'schema = 1\nathlete = "R.V."\n[[drill]]\nid = "full_can"\nside = "both"\n'


def test_a_plan_says_direction_rest_and_pauses():
    text = (
        HEAD + 'direction = "side"\nrest_s = 40\npauses = [{ way = "up", at_least = 30, at_most = 60, hold_s = 2 }]\n'
    )
    planned = parse_plan(text, "plan.toml").drills[0]
    asked = planned.asked_of("right", "the plan")
    assert (asked.direction, asked.dose.rest_s, asked.pauses[0].hold_s) == ("side", 40.0, 2.0)
    with pytest.raises(PlanError, match="direction"):
        parse_plan(HEAD + 'direction = "up"\n', "plan.toml")
    with pytest.raises(PlanError, match="left out, as Row, then rotate has none"):
        parse_plan(HEAD.replace("full_can", "row_rotate") + 'direction = "side"\n', "plan.toml")


# The athlete's own range.

OWN = """
schema = 1
id = "own_rotation"
title = "Own rotation"
set_up = ["Turn out."]
cautions = ["Stop at pain."]
leading_angle = "rotation"
[[stations]]
name = "top"
ranges = [{ angle = "rotation", at_least = 40, above = "start", of_own = 0.9 }]
[tempo]
lift_at_least_s = 1
lower_at_least_s = 1
[dose]
sets = 1
reps = 5
source = "ours"
"""


def test_a_share_of_the_own_range_is_asked_where_it_is_known():
    drill = parse_drill(OWN, "own.toml")
    assert drill.top_band_deg(-30.0) == (10.0, np.inf)
    assert drill.own_unknown == ("rotation",)
    known = drill.within_own({"rotation": 30.0})
    assert known.top_band_deg(-30.0) == (-3.0, np.inf)
    assert known.own_unknown == ()
    text = HEAD.replace("full_can", "own_rotation") + "own_range_deg = { rotation = { right = 30 } }\n"
    planned = parse_plan(text, "plan.toml", {"own_rotation": drill}).drills[0]
    assert [planned.asked_of(side, "p").own_unknown for side in ("right", "left")] == [(), ("rotation",)]
    with pytest.raises(DrillError, match="beside at_least"):
        parse_drill(OWN.replace("at_least = 40", "at_most = 40"), "own.toml")
