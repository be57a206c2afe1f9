"""Faults from hand-built reps, with and without; unknown values; words; and that every criterion names its reps."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray
from scipy import stats
from test_segment_reps import RATE_HZ, WAYS, arm_of
from test_segment_stations import POSTURES, REACH, ROTATE, ROW, rep_of
from test_segment_stations import draw as draw_stations

from imu_shoulder.assess.exclusions import EXCLUSIONS
from imu_shoulder.assess.fault import JudgeParams
from imu_shoulder.assess.faults import FAULTS
from imu_shoulder.assess.judge import JudgedRep
from imu_shoulder.assess.sets import assess_set, holder_headline, slope_over_reps
from imu_shoulder.assess.words import HOLDER_SINKS, rep_list
from imu_shoulder.drills import load_shipped
from imu_shoulder.engine.judging import Seen, judge_arm_set
from imu_shoulder.engine.running import without_slipped
from imu_shoulder.model import Event
from imu_shoulder.segment.model import ArmSet, Rep
from imu_shoulder.segment.sets import SegmentParams, segment_set

Array = NDArray[np.float64]


@dataclass(frozen=True)
class Done:
    """How one rep is done: leading angle and times, and what the other angles are meanwhile."""

    start: float
    top: float
    hold_s: float
    lift_s: float = 2.0
    lower_s: float = 2.2
    rest_s: float = 1.4
    dip: float = 0.0
    thumb_up: float = 60.0
    plane: float = 35.0
    elbow: float = 7.0
    lean: float = 0.0


GOOD = {
    "full_can": Done(5, 90, 5.5),
    "band_loop_raise": Done(6, 88, 5.5),
    "overhead_short_arc": Done(90, 140, 0.4, lift_s=1.5, lower_s=1.5),
    "sidelying_external_rotation": Done(-40, 15, 0.4, elbow=90),
    "band_external_rotation": Done(-30, 30, 5.5, elbow=90),
    "full_can_hold_and_lift": Done(5, 90, 0.4),
}


def angles_of(drill_id: str, reps: Sequence[Done]) -> dict[str, Array]:
    """The angles of an arm that does these reps one after the other, and the vertical in trunk components."""
    way = WAYS["minimum jerk"]
    lead, form = [np.full(150, reps[0].start)], [reps[0]] * 150
    for k, rep in enumerate(reps):
        back_to = reps[k + 1].start if k + 1 < len(reps) else rep.start
        held = np.full(round(rep.hold_s * RATE_HZ), float(rep.top))
        if rep.dip:
            # Down within 0.7 s, 0.6 s there, and up again.
            u = np.arange(200) / 100 / 0.7
            first = len(held) // 2 - 100
            held[first : first + 200] -= rep.dip * way(np.minimum(1.0, np.minimum(u, u[::-1])))
        up, down = (np.arange(round(s * RATE_HZ)) / round(s * RATE_HZ) for s in (rep.lift_s, rep.lower_s))
        pieces = [
            rep.start + (rep.top - rep.start) * way(up),
            held,
            rep.top + (back_to - rep.top) * way(down),
            np.full(round(rep.rest_s * RATE_HZ), back_to),
        ]
        lead += pieces
        form += [rep] * sum(len(piece) for piece in pieces)
    curve = np.concatenate(lead)
    shape = (curve - curve.min()) / np.ptp(curve)
    lean_rad = np.radians([rep.lean for rep in form]) * shape
    out = {name: np.array([getattr(rep, name) for rep in form]) for name in ("thumb_up", "plane", "elbow")}
    out |= {"elevation": np.full(len(curve), 8.0), load_shipped(drill_id).leading_angle: curve}
    return {
        **{f"{name}_deg": values for name, values in out.items()},
        # Known as well as any angle is.
        **{f"{name}_deg_sd": np.full(len(curve), JudgeParams().least_sd_deg) for name in out},
        "trunk_up_x": np.zeros(len(curve)),
        "trunk_up_y": np.cos(lean_rad),
        "trunk_up_z": np.sin(lean_rad),
        "trunk_lean_deg": np.degrees(lean_rad),
    }


def judged_set(
    drill_id: str,
    angles: Mapping[str, Array],
    *,
    unseen: slice = slice(0, 0),
    clipped: slice = slice(0, 0),
) -> tuple[ArmSet, tuple[JudgedRep, ...]]:
    """The right arm's set, segmented and judged."""
    count = len(angles["elevation_deg"])
    arm = replace(arm_of("right", elevation=np.zeros(count)), angles=angles)
    time_s = np.arange(count) / RATE_HZ
    event = Event(0.0, float(time_s[-1]), "set", drill_id, "right")
    (arm_set,) = segment_set(1, event, load_shipped(drill_id), time_s, RATE_HZ, {"right": arm}, SegmentParams())
    seen, over = np.ones(count, dtype=bool), np.zeros(count, dtype=bool)
    seen[unseen], over[clipped] = False, True
    return arm_set, judge_arm_set(arm_set, Seen(time_s, RATE_HZ, angles, seen, over), JudgeParams())


def judged(drill_id: str, **second: float) -> list[tuple[str, ...]]:
    """Faults of three reps of which the second is done differently."""
    good = GOOD[drill_id]
    _, found = judged_set(drill_id, angles_of(drill_id, [good, replace(good, **second), good]))
    assert [j.excluded for j in found] == [""] * 3
    return [j.faults for j in found]


# Each fault, with and without.


@pytest.mark.parametrize("drill_id", [d for d in GOOD if d != "full_can_hold_and_lift"])
def test_a_set_done_well_has_no_fault(drill_id):
    assert judged(drill_id) == [(), (), ()]


@pytest.mark.parametrize(
    ("drill_id", "second", "fault"),
    [
        ("full_can", {"top": 62}, "short_arc"),
        ("full_can", {"top": 117}, "over_arc"),
        ("full_can", {"hold_s": 3.0}, "hold_short"),
        ("full_can", {"dip": 20}, "hold_broken"),
        ("full_can", {"lift_s": 0.6}, "too_fast"),
        ("full_can", {"lower_s": 0.6}, "too_fast"),
        ("full_can", {"thumb_up": -20}, "thumb_down"),
        ("full_can", {"elbow": 35}, "elbow_off"),
        ("full_can", {"plane": 5}, "plane_off"),
        ("full_can", {"plane": 110}, "plane_off"),
        ("full_can", {"lean": 13}, "trunk_moved"),
        ("full_can", {"start": 32}, "start_missed"),
        ("band_loop_raise", {"top": 60}, "short_arc"),
        ("overhead_short_arc", {"top": 112}, "short_arc"),
        ("overhead_short_arc", {"start": 55}, "start_missed"),
        ("overhead_short_arc", {"elbow": 40}, "elbow_off"),
        ("sidelying_external_rotation", {"top": -15}, "short_arc"),
        ("sidelying_external_rotation", {"elbow": 60}, "elbow_off"),
        ("sidelying_external_rotation", {"start": -12, "top": 30}, "start_missed"),
        ("band_external_rotation", {"top": 0}, "short_arc"),
        ("band_external_rotation", {"hold_s": 2.0}, "hold_short"),
        ("band_external_rotation", {"elbow": 120}, "elbow_off"),
        ("band_external_rotation", {"lean": 12}, "trunk_moved"),
    ],
)
def test_the_fault_is_found_at_its_rep_and_nowhere_else(drill_id, second, fault):
    assert judged(drill_id, **second) == [(), (fault,), ()]


@pytest.mark.parametrize(
    ("drill_id", "second"),
    [
        ("full_can", {"top": 74.6}),  # within a degree of the band
        ("full_can", {"top": 105.4}),
        ("full_can", {"hold_s": 4.95}),
        ("full_can", {"thumb_up": 29.5}),
        ("full_can", {"elbow": 25.5}),
        ("full_can", {"plane": 60.5}),
        ("full_can", {"lean": 8.5}),
        ("full_can", {"start": 20.5}),
        ("full_can", {"dip": 4}),
        ("sidelying_external_rotation", {"start": -36}),
    ],
)
def test_hardly_off_is_not_blamed(drill_id, second):
    assert judged(drill_id, **second) == [(), (), ()]


@pytest.mark.parametrize(
    ("drill_id", "second"),
    [
        ("sidelying_external_rotation", {"thumb_up": -80, "plane": 170}),
        ("sidelying_external_rotation", {"top": 90}),  # no upper end is asked
        ("overhead_short_arc", {"plane": 0}),
        ("overhead_short_arc", {"hold_s": 0.0}),
    ],
)
def test_what_the_drill_does_not_ask_is_not_judged(drill_id, second):
    assert judged(drill_id, **second) == [(), (), ()]


def test_stations_skipped_and_in_another_order():
    way = [*rep_of("row", "rotate", "press"), *rep_of("row", "press"), *rep_of("row", "press", "rotate")]
    angles = draw_stations([*way, *rep_of("row", "rotate", "press")])
    _, found = judged_set("row_rotate_press", {f"{name}_deg": values for name, values in angles.items()})
    assert [j.faults for j in found] == [(), ("station_skipped",), ("order_wrong",), ()]


@pytest.mark.parametrize("pause_s", [0.5, 0.8])
@pytest.mark.parametrize(
    ("drill_id", "gone"), [("row_rotate_press", "row"), ("row_rotate_press", "rotate"), ("row_rotate", "row")]
)
def test_a_station_left_out_and_paused_at_on_the_way_back_is_skipped(drill_id, gone, pause_s):
    """Before, the pause counted as the station done last: out of order."""
    names = ("row", "rotate", "press") if drill_id == "row_rotate_press" else ("row", "rotate")
    there = [(POSTURES[name], 1.4, 2.4) for name in names if name != gone]
    back = [(POSTURES[name], 1.4, pause_s) for name in names[-2::-1]]
    way = [*rep_of(*names), *there, *back, (REACH, 1.4, 1.2), *rep_of(*names)]
    angles = draw_stations(way)
    _, found = judged_set(drill_id, {f"{name}_deg": values for name, values in angles.items()})
    assert [j.faults for j in found] == [(), ("station_skipped",), ()]
    assert found[1].texts["notes"] == f"skipped: {gone}"


def test_a_stay_too_short_at_one_station_is_a_short_hold():
    way = [*rep_of("row", "rotate"), (ROW, 1.4, 2.4), (ROTATE, 1.4, 1.0), *rep_of("row", "rotate")[2:]]
    angles = draw_stations([*way, *rep_of("row", "rotate")])
    _, found = judged_set("row_rotate", {f"{name}_deg": values for name, values in angles.items()})
    assert [j.faults for j in found] == [(), ("hold_short",), ()]


def test_a_station_is_not_left_where_the_forearm_was_not_seen_for_a_moment():
    """The upper arm alone tells the rotation then, by 50 deg otherwise: before, the hold was left and taken again."""
    drawn = draw_stations([*rep_of("row", "rotate", "press"), *rep_of("row", "rotate", "press")])
    angles = {f"{name}_deg": values.copy() for name, values in drawn.items()}
    middle = int(np.argmax(angles["elevation_deg"] > angles["elevation_deg"].max() - 0.1)) + round(1.0 * RATE_HZ)
    lost = slice(middle, middle + round(0.14 * RATE_HZ))
    angles["elbow_deg"][lost] = np.nan
    angles["rotation_deg"][lost] -= 50.0
    _, found = judged_set("row_rotate_press", angles)
    assert [j.faults for j in found] == [(), ()]


@pytest.mark.parametrize(("sd_deg", "fault", "close"), [(1.0, True, False), (8.0, False, True), (np.nan, False, False)])
def test_a_hold_is_broken_as_surely_as_its_angle_is_known(sd_deg, fault, close):
    """A dip of half a second, 3 deg under what is asked at the top and 10 deg or more from where the arm was held."""
    angles = {name: values.copy() for name, values in angles_of("full_can", [GOOD["full_can"]]).items()}
    elevation = angles["elevation_deg"]
    asked = load_shipped("full_can").leading_arc
    middle = int(np.flatnonzero(elevation > elevation.max() - 2.0).mean())
    elevation[middle : middle + round(0.5 * RATE_HZ)] = asked.low_deg - 3.0
    angles["elevation_deg_sd"] = np.full(len(elevation), sd_deg)
    _, (found,) = judged_set("full_can", angles)
    assert ["hold_broken" in told for told in (found.faults, found.close)] == [fault, close]


def test_a_slow_stay_in_its_posture_for_as_long_as_asked_is_close_to_a_short_hold():
    """Where a slow stroke comes to rest nobody sees: in the ranges it was for longer."""
    slow = [(ROW, 6.0, 2.4), (ROTATE, 6.0, 1.3), (ROW, 6.0, 2.4), (REACH, 6.0, 1.2)]
    angles = draw_stations([*slow, *slow])
    _, found = judged_set("row_rotate", {f"{name}_deg": values for name, values in angles.items()})
    assert [(j.faults, j.close) for j in found] == [((), ("hold_short",))] * 2


# What is not known, not seen or no rep.


def test_unknown_values_blame_nobody_and_are_named_unknown():
    """Only elevation is known: thumb, elbow, plane and trunk of a badly done rep stay unjudged."""
    good = GOOD["full_can"]
    bad = replace(good, thumb_up=-80, elbow=80, plane=-40, lean=30)
    angles = angles_of("full_can", [good, bad, good])
    arm_set, found = judged_set("full_can", {"elevation_deg": angles["elevation_deg"]})
    assert [j.faults for j in found] == [(), (), ()]
    criteria = {c["name"]: c for c in assess_set(arm_set, found)["criteria"]}
    for name in ("thumb", "elbow", "plane", "trunk"):
        assert criteria[name]["unknown"] == [1, 2, 3]
        assert criteria[name]["share"] is None
    assert criteria["arc"]["met"] == [1, 2, 3]


@pytest.mark.parametrize(
    ("lost_s", "kind", "reason"), [(0.2, "unseen", "gap"), (0.1, "unseen", ""), (0.2, "clipped", "clipping")]
)
def test_a_rep_with_lost_data_is_excluded_with_its_reason(lost_s, kind, reason):
    """Over 0.15 s of gap in a rep; the reps around it are scored. A bad rep that is excluded is not blamed."""
    good = GOOD["full_can"]
    lost = {kind: slice(1800, 1800 + round(lost_s * RATE_HZ))}
    arm_set, found = judged_set("full_can", angles_of("full_can", [good, replace(good, elbow=60), good]), **lost)
    assert [j.excluded for j in found] == ["", reason, ""]
    assert found[1].faults == (() if reason else ("elbow_off",))
    entry = assess_set(arm_set, found)
    assert [e["rep"] for e in entry["excluded"]] == ([2] if reason else [])


def test_attempts_are_kept_named_and_not_scored():
    """Rep 2 is given up, and rep 3 has a false start before it: the false start carries the number of its rep."""
    good = GOOD["full_can"]
    given_up = replace(good, top=30, hold_s=0.3)
    false_start = replace(good, top=13, hold_s=0.3, lift_s=1.0, lower_s=1.0)
    arm_set, found = judged_set("full_can", angles_of("full_can", [good, given_up, false_start, good]))
    assert [(j.number, j.excluded) for j in found] == [(1, ""), (2, "partial"), (3, "false_start"), (3, "")]
    entry = assess_set(arm_set, found)
    assert entry["done"] == {"reps": 2, "scored": 2, "clean": 2, "extra": 0, "excluded": 2}
    assert "2 started but not finished" in entry["headline"]


def test_a_set_without_motion_says_so():
    arm_set, found = judged_set("full_can", {"elevation_deg": np.full(2000, 5.0)})
    entry = assess_set(arm_set, found)
    assert entry["done"]["reps"] == 0
    assert entry["headline"] == "No rep was found in this set."


# The arm that holds.


def holder(held: Array) -> tuple[ArmSet, tuple[JudgedRep, ...]]:
    lifting = angles_of("full_can_hold_and_lift", [GOOD["full_can_hold_and_lift"]] * 4)["elevation_deg"]
    time_s = np.arange(len(lifting)) / RATE_HZ
    arms = {
        "left": arm_of("left", elevation=lifting),
        "right": arm_of("right", elevation=np.resize(held, len(lifting))),
    }
    event = Event(0.0, float(time_s[-1]), "set", "full_can_hold_and_lift", "left")
    drill = load_shipped("full_can_hold_and_lift")
    arm_set = next(s for s in segment_set(1, event, drill, time_s, RATE_HZ, arms, SegmentParams()) if s.side == "right")
    all_seen, none_clipped = np.ones(len(time_s), dtype=bool), np.zeros(len(time_s), dtype=bool)
    known = {"elevation_deg_sd": np.full(len(time_s), JudgeParams().least_sd_deg)}
    seen = Seen(time_s, RATE_HZ, {**arms["right"].angles, **known}, all_seen, none_clipped)
    return arm_set, judge_arm_set(arm_set, seen, JudgeParams())


def test_a_steady_holder_is_clean_and_said_to_have_stayed():
    arm_set, found = holder(np.full(4000, 88.0))
    assert [(j.faults, j.excluded) for j in found] == [((), "")]
    entry = assess_set(arm_set, found)
    assert entry["role"] == "hold"
    assert entry["headline"].startswith("Stayed in the band 100 % of the set")
    assert entry["done"]["reps"] == 0


def test_a_holder_that_drops_its_arm_has_broken_the_hold():
    held = np.full(4000, 88.0)
    held[900:1050] = 60.0
    _, found = holder(held)
    assert "hold_broken" in found[0].faults
    assert found[0].values["time_in_band_pct"] < 100


def test_a_holder_is_not_asked_for_what_only_a_lift_has():
    found = assess_set(*holder(np.full(1500, 90.0)))
    names = {criterion["name"] for criterion in found["criteria"]}
    assert "arc" in names
    assert not names & {"tempo", "start", "stations"}


def test_a_holder_that_stays_too_low_is_short_of_the_arc():
    _, found = holder(np.full(4000, 66.0))
    assert found[0].faults == ("short_arc",)


@pytest.mark.parametrize(("held", "sinks"), [(60.0, True), (66.0, True), (88.0, False), (125.0, False)])
def test_a_holder_that_sinks_is_told_the_drills_caution_and_no_other_advice(held, sinks):
    """66 deg all along, 60 or 125 for a while, or still: the caution is for what goes down."""
    rows = np.full(4000, 66.0 if held == 66.0 else 88.0)
    rows[900:1050] = held
    entry = assess_set(*holder(rows))
    assert (entry["change"] == f"{HOLDER_SINKS}.") is sinks
    assert bool(entry["change"]) is (held != 88.0)
    assert f"{HOLDER_SINKS}." in entry["cautions"]


def test_the_caution_said_to_a_holder_is_that_of_its_drill():
    assert f"{HOLDER_SINKS}." in load_shipped("full_can_hold_and_lift").cautions


# Everything summed up can be traced to its reps.


@settings(max_examples=25)
@given(st.lists(st.sampled_from(["good", "short", "bent", "quick", "hold", "gone"]), min_size=1, max_size=6))
def test_every_criterion_names_the_reps_it_comes_from(kinds):
    good = GOOD["full_can"]
    ways = {
        "good": good,
        "short": replace(good, top=62),
        "bent": replace(good, elbow=40),
        "quick": replace(good, lift_s=0.6),
        "hold": replace(good, hold_s=2.0),
        "gone": replace(good, top=30, hold_s=0.2),
    }
    arm_set, found = judged_set("full_can", angles_of("full_can", [ways[kind] for kind in kinds]))
    entry = assess_set(arm_set, found)
    scored = [j.number for j in found if not j.excluded]
    blamed = {j.number: set(j.faults) for j in found if not j.excluded}
    assert scored == [k for k, kind in enumerate(kinds, start=1) if kind != "gone"]
    assert entry["done"]["clean"] == sum(not faults for faults in blamed.values())
    seen: set[int] = set()
    for criterion in entry["criteria"]:
        met, missed, unknown = (criterion[key] for key in ("met", "missed", "unknown"))
        assert sorted([*met, *missed, *unknown]) == scored
        judged_count = len(met) + len(missed)
        assert criterion["share"] == (pytest.approx(len(met) / judged_count) if judged_count else None)
        seen |= set(missed)
    # A rep is blamed if and only if it misses a criterion.
    assert seen == {number for number, faults in blamed.items() if faults}
    lifts = [j.values["lift_s"] for j in found if not j.excluded]
    if lifts:
        assert entry["tempo"]["lift_s"]["median"] == pytest.approx(float(np.median(lifts)))


def test_the_advice_is_the_most_frequent_fault_with_its_reps():
    good = GOOD["full_can"]
    reps = [replace(good, elbow=40), good, replace(good, elbow=40), replace(good, top=62)]
    arm_set, found = judged_set("full_can", angles_of("full_can", reps))
    entry = assess_set(arm_set, found)
    assert entry["change"] == f"{FAULTS['elbow_off'].advice}: reps 1 and 3."
    assert entry["headline"].startswith("4 reps (usual dose 10), 1 clean.")


def test_a_direction_that_is_not_the_usual_one_is_named():
    drill = load_shipped("full_can")
    arm_set, found = judged_set("full_can", angles_of("full_can", [GOOD["full_can"]]))
    for direction in drill.directions:
        entry = assess_set(replace(arm_set, drill=drill.towards(direction)), found)
        named = "" if direction == drill.direction else f", {direction}"
        assert (entry["title"], entry["direction"]) == (f"{drill.title}{named}", direction)
    assert len(drill.directions) > 1


def test_a_shrug_brings_its_caution_and_goes_before_the_advice_to_do_more():
    """The full can's cautions say to stop when the shoulder hitches: nobody is told to hold longer then."""
    arm_set, found = judged_set("full_can", angles_of("full_can", [GOOD["full_can"]] * 4))
    faults = [("hold_short",), ("hold_short",), ("shrug",), ()]
    judged = [replace(j, faults=own) for j, own in zip(found, faults, strict=True)]
    caution = "Stop the set when the shoulder hitches up to get the arm there."
    assert caution in load_shipped("full_can").cautions
    assert assess_set(arm_set, judged)["change"] == f"{FAULTS['shrug'].advice}: rep 3. {caution}"
    slower = [replace(j, faults=("too_fast",) if j.faults == ("hold_short",) else j.faults) for j in judged]
    assert assess_set(arm_set, slower)["change"] == f"{FAULTS['too_fast'].advice}: reps 1 and 2."


def test_without_a_fault_the_advice_is_about_the_sensor_that_lost_reps():
    good = GOOD["full_can"]
    arm_set, found = judged_set("full_can", angles_of("full_can", [good, good, good]))
    lost = [replace(j, excluded=why) for j, why in zip(found, ("gap", "sensor_slip", "sensor_slip"), strict=True)]
    assert assess_set(arm_set, lost)["change"] == f"{EXCLUSIONS['sensor_slip'].advice}: reps 2 and 3."
    assert assess_set(arm_set, [lost[0], *found[1:]])["change"] == f"{EXCLUSIONS['gap'].advice}: rep 1."
    assert assess_set(arm_set, found)["change"] == ""
    blamed = replace(found[0], faults=("too_fast",))
    assert assess_set(arm_set, [blamed, *lost[1:]])["change"] == f"{FAULTS['too_fast'].advice}: rep 1."


@pytest.mark.parametrize(
    ("numbers", "text"),
    [
        ([4], "rep 4"),
        ([2, 7], "reps 2 and 7"),
        ([1, 2, 3, 8], "reps 1 to 3 and 8"),
        ([1, 2], "reps 1 and 2"),
        ([1, 3, 5], "reps 1, 3 and 5"),
        ([2, 3, 4], "reps 2 to 4"),
        ([1, 2, 4, 5, 6, 9], "reps 1, 2, 4 to 6 and 9"),
    ],
)
def test_lists_of_reps_in_words(numbers, text):
    assert rep_list(numbers) == text


# Fatigue: the textbook formulas and statistics packages.


def with_values(values: Sequence[float]) -> list[JudgedRep]:
    rep = Rep(0, 1, 2, 3, 4, 5, 90, 5)
    return [JudgedRep(k, rep, {"arc_deg": value}, (), "") for k, value in enumerate(values, start=1)]


def test_the_slope_over_reps_and_its_interval():
    """b = Sxy / Sxx, and t s / sqrt(Sxx) with n - 2 degrees of freedom around it (any textbook of regression)."""
    values = np.array([85.2, 84.1, 84.9, 82.0, 83.3, 81.1, 80.2, 80.9])
    x = np.arange(8.0)
    sxx = np.sum((x - x.mean()) ** 2)
    slope = np.sum((x - x.mean()) * (values - values.mean())) / sxx
    left = values - values.mean() - slope * (x - x.mean())
    half = stats.t.ppf(0.975, 6) * np.sqrt(np.sum(left**2) / 6 / sxx)
    found = slope_over_reps(with_values(values), "arc_deg")
    assert found["slope_per_rep"] == pytest.approx(slope)
    assert found["ci95"] == pytest.approx([slope - half, slope + half])
    assert found["n"] == 8


def test_the_interval_holds_the_truth_as_often_as_it_says():
    """500 sets of 10 reps with a slope of -0.5 and noise of SD 2: 95 % of the intervals hold it."""
    rng = np.random.default_rng(5)
    inside = 0
    for _ in range(500):
        low, high = slope_over_reps(with_values(85 - 0.5 * np.arange(10) + rng.normal(0, 2, 10)), "arc_deg")["ci95"]
        inside += low <= -0.5 <= high
    assert inside / 500 == pytest.approx(0.95, abs=0.03)


def test_three_reps_give_no_slope():
    assert slope_over_reps(with_values([80, 81, 82]), "arc_deg") == {"slope_per_rep": None, "ci95": None, "n": 3}


@pytest.mark.parametrize(
    ("working", "waiting", "breaks", "says"),
    [
        (1.04, 0.5, 0, ", steady to 1.0 deg while the other arm moved and 0.5 deg while it was still."),
        (1.04, np.nan, 0, ", steady to 0.7 deg."),
        (np.nan, 0.5, 0, ", steady to 0.7 deg."),
        (np.nan, np.nan, 1, ", steady to 0.7 deg; left the hold once, by 8 deg at most."),
        (np.nan, np.nan, 2, ", steady to 0.7 deg; left the hold 2 times, by 8 deg at most."),
    ],
)
def test_of_a_holder_is_said_how_steady_it_was_and_how_often_it_left(working, waiting, breaks, says):
    """How steady beside the other arm's work and rest where both were seen, else over all of the hold."""
    values = {"hold_working_sd_deg": working, "hold_waiting_sd_deg": waiting, "hold_sd_deg": 0.7, "hold_s": 60.0}
    values |= {"hold_drift_deg_s": 0.0, "hold_breaks": float(breaks), "break_deg": -8.0, "time_in_band_pct": 96.0}
    rep = Rep(0.0, 0.0, 60.0, 60.0, 60.0, 88.0, 88.0, 88.0, "hold")
    assert holder_headline([JudgedRep(1, rep, values, (), "")]) == f"Stayed in the band 96 % of the set{says}"


def test_a_rep_that_ended_after_a_slip_is_not_scored_and_one_before_it_is():
    rep = Rep(0.0, 2.0, 4.0, 6.0, 7.0, 5.0, 90.0, 5.0)
    blamed = JudgedRep(1, rep, {}, ("short_arc",), "")
    assert without_slipped(blamed, 6.5) == blamed
    slipped = without_slipped(blamed, 5.0)
    assert (slipped.excluded, slipped.faults) == ("sensor_slip", ())
    assert without_slipped(slipped, 5.0) == slipped


def test_what_a_set_was_asked_stands_beside_what_was_done():
    drill, good = load_shipped("full_can"), GOOD["full_can"]
    asked = assess_set(*judged_set("full_can", angles_of("full_can", [good] * 2)))["asked"]
    assert asked == {
        "reps": drill.dose.reps,
        "sets": drill.dose.sets,
        "by": "usual",
        "hold_s": drill.top.hold_s,
        "lift_at_least_s": drill.lift_at_least_s,
        "lower_at_least_s": drill.lower_at_least_s,
        "source": drill.dose.source,
    }


@pytest.mark.parametrize(("sway_deg", "at_floor"), [(0.0, True), (0.5, False)])
def test_a_hold_as_steady_as_a_sensor_can_show_is_said_to_be(sway_deg, at_floor):
    """No sway at all, and half a degree once a second."""
    angles = angles_of("full_can", [GOOD["full_can"]] * 3)
    time_s = np.arange(len(angles["elevation_deg"])) / RATE_HZ
    angles["elevation_deg"] = angles["elevation_deg"] + sway_deg * np.sin(2 * np.pi * time_s)
    steadiness = assess_set(*judged_set("full_can", angles))["steadiness"]
    assert {steadiness[name]["at_floor"] for name in ("hold_sd_deg", "hold_wander_deg")} == {at_floor}
    assert steadiness["hold_sd_deg"]["n"] == 3
