"""Reps of one leading angle: exact movements with known times, what is no rep, and what must not change the count."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray
from scipy.signal import find_peaks

from imu_shoulder.angles.joint import AngleParams, ArmAngles
from imu_shoulder.angles.skin import SkinShare
from imu_shoulder.drills import load_shipped
from imu_shoulder.model import Event, Side
from imu_shoulder.segment.curve import SMOOTH_HZ, smoothed
from imu_shoulder.segment.model import rows_between
from imu_shoulder.segment.reps import RepParams, find_reps
from imu_shoulder.segment.sets import SegmentParams, asked_arc_deg, segment_set
from imu_shoulder.segment.turning import turning_points

Array = NDArray[np.float64]
RATE_HZ = 100.0
# From hanging to the low end of the full can's band.
ASKED_DEG = 70.0

# Ways from 0 to 1 with a closed form, all of them smooth and slow at both ends.
WAYS: dict[str, Callable[[Array], Array]] = {
    "minimum jerk": lambda u: 10 * u**3 - 15 * u**4 + 6 * u**5,  # Flash and Hogan 1985 (from memory)
    "cosine": lambda u: (1 - np.cos(np.pi * u)) / 2,
    "smoothstep": lambda u: 3 * u**2 - 2 * u**3,
}


@dataclass(frozen=True)
class TrueRep:
    """Exact times of one rep, seconds, and its top."""

    start_s: float
    top_start_s: float
    top_end_s: float
    end_s: float
    top_deg: float

    @property
    def hold_s(self) -> float:
        return self.top_end_s - self.top_start_s


def draw(pieces: Sequence[tuple[float, float]], way: str = "minimum jerk", start_deg: float = 5.0) -> Array:
    """A curve through (target_deg, seconds) pieces; a piece whose target is where the curve is, is a stay."""
    curve, value = [np.full(0, start_deg)], start_deg
    for target, seconds in pieces:
        u = np.arange(round(seconds * RATE_HZ)) / round(seconds * RATE_HZ)
        curve.append(value + (target - value) * WAYS[way](u))
        value = target
    return np.concatenate([*curve, [value]])


def a_set(
    count: int = 4,
    *,
    top_deg: float = 90.0,
    start_deg: float = 5.0,
    lift_s: float = 2.0,
    hold_s: float = 5.5,
    lower_s: float = 2.2,
    rest_s: float = 1.2,
    lead_in_s: float = 1.5,
    way: str = "minimum jerk",
) -> tuple[Array, list[TrueRep]]:
    pieces, true, now_s = [(start_deg, lead_in_s)], [], lead_in_s
    for _ in range(count):
        pieces += [(top_deg, lift_s), (top_deg, hold_s), (start_deg, lower_s), (start_deg, rest_s)]
        arrives_s = now_s + lift_s
        leaves_s = arrives_s + hold_s
        true.append(TrueRep(now_s, arrives_s, leaves_s, leaves_s + lower_s, top_deg))
        now_s = leaves_s + lower_s + rest_s
    return draw(pieces, way, start_deg), true


def found_in(curve: Array, asked_deg: float = ASKED_DEG):
    return find_reps(np.arange(len(curve)) / RATE_HZ, curve, RATE_HZ, asked_deg, RepParams())


def unsteady(curve: Array, seed: int = 0) -> Array:
    """Sway of 0.3 deg at 0.1 to 1 Hz and tremor of 0.05 deg at 10 Hz on top."""
    rng = np.random.default_rng(seed)
    time_s = np.arange(len(curve)) / RATE_HZ
    sway = sum(
        np.sin(2 * np.pi * f * time_s + p) for f, p in zip([0.13, 0.37, 0.83], rng.uniform(0, 6, 3), strict=True)
    )
    return curve + 0.3 * sway / np.std(sway) + 0.05 * np.sqrt(2) * np.sin(2 * np.pi * 10 * time_s)


# Physical truths: exact movements.


TIMES = ("start_s", "top_start_s", "top_end_s", "end_s")


@pytest.mark.parametrize("way", WAYS)
@pytest.mark.parametrize(("lift_s", "hold_s"), [(1.0, 2.0), (2.0, 5.5), (3.5, 10.0)])
def test_times_and_arc_of_exact_raises(way, lift_s, hold_s):
    curve, true = a_set(way=way, lift_s=lift_s, lower_s=1.1 * lift_s, hold_s=hold_s)
    found = found_in(curve)
    assert [rep.kind for rep in found] == ["rep"] * len(true)
    for rep, exact in zip(found, true, strict=True):
        assert rep.top_end_s - rep.top_start_s == pytest.approx(exact.hold_s, abs=0.15)
        for name in TIMES:
            assert getattr(rep, name) == pytest.approx(getattr(exact, name), abs=0.15), name
        assert rep.arc_deg == pytest.approx(85.0, abs=0.5)
    for rep, following in pairwise(found):
        assert rep.next_start_s == pytest.approx(following.start_s)


@pytest.mark.parametrize("way", WAYS)
def test_times_and_arc_of_unsteady_raises(way):
    """With sway and tremor: hold time within 0.15 s in the middle and 0.4 s at most."""
    holds, arcs = [], []
    for seed in range(4):
        curve, true = a_set(way=way)
        found = found_in(unsteady(curve, seed))
        assert [rep.kind for rep in found] == ["rep"] * len(true)
        holds += [rep.top_end_s - rep.top_start_s - exact.hold_s for rep, exact in zip(found, true, strict=True)]
        arcs += [rep.arc_deg - 85.0 for rep in found]
    assert np.median(np.abs(holds)) <= 0.15
    assert np.abs(holds).max() <= 0.4
    assert np.median(np.abs(arcs)) <= 0.5


@pytest.mark.parametrize("way", WAYS)
@pytest.mark.parametrize("pause_s", [1.0, 4.0])
def test_times_of_raises_that_pause_part_way(way, pause_s):
    """A pause is no part of how the movement runs out: the times at the top are as exact as without it."""
    pieces, true, now_s = [(5.0, 1.5)], [], 1.5
    for _ in range(3):
        pieces += [(40.0, 1.0), (40.0, pause_s), (90.0, 1.2), (90.0, 4.0)]
        pieces += [(50.0, 1.2), (50.0, pause_s), (5.0, 1.1), (5.0, 1.2)]
        top_s = now_s + 2.2 + pause_s
        true.append((now_s, top_s, top_s + 4.0, top_s + 6.3 + pause_s))
        now_s = true[-1][-1] + 1.2
    reps = found_in(draw(pieces, way))
    assert [rep.kind for rep in reps] == ["rep"] * 3
    found = [(rep.start_s, rep.top_start_s, rep.top_end_s, rep.end_s) for rep in reps]
    assert np.abs(np.array(found) - np.array(true)).max() < 0.06


@pytest.mark.parametrize("way", WAYS)
def test_reps_that_turn_round_without_a_hold(way):
    """Side-lying rotation: up and back, 15 times; the top is the peak."""
    curve, true = a_set(15, top_deg=58.0, start_deg=0.0, lift_s=1.5, hold_s=0.0, lower_s=1.6, rest_s=0.5, way=way)
    found = found_in(curve, 35.0)
    assert [rep.kind for rep in found] == ["rep"] * 15
    for rep, exact in zip(found, true, strict=True):
        assert rep.arc_deg == pytest.approx(58.0, abs=1.0)
        # A cut top is smoothed over some 0.2 s on either side.
        assert rep.top_end_s - rep.top_start_s <= 0.4
        assert (rep.top_start_s + rep.top_end_s) / 2 == pytest.approx(exact.top_start_s, abs=0.1)
        assert rep.start_s == pytest.approx(exact.start_s, abs=0.15)
        assert rep.end_s == pytest.approx(exact.end_s, abs=0.15)


def test_reps_without_a_rest_between_them():
    curve, _ = a_set(10, hold_s=0.0, rest_s=0.0)
    assert [rep.kind for rep in found_in(curve)] == ["rep"] * 10


@pytest.mark.parametrize("value", [5.0, 60.0])
def test_no_motion_is_no_rep(value):
    assert found_in(unsteady(np.full(3000, value))) == ()


def test_a_slow_drift_is_no_rep():
    assert found_in(np.linspace(5, 25, 6000)) == ()


def test_getting_up_and_staying_up_is_no_finished_rep():
    assert found_in(draw([(5, 2), (90, 2), (90, 10)])) == ()


# What is kept and named.


def test_a_partial_rep_is_kept_and_named():
    """Given up at a third of the asked arc between two full ones."""
    full = [(90, 2), (90, 5), (5, 2), (5, 1.5)]
    found = found_in(draw([(5, 1.5), *full, (30, 1.4), (30, 0.3), (5, 1.4), (5, 1.5), *full]))
    assert [rep.kind for rep in found] == ["rep", "partial", "rep"]
    assert found[1].start_s == pytest.approx(12.0, abs=0.2)
    assert found[1].end_s == pytest.approx(15.1, abs=0.2)


def test_a_false_start_is_kept_and_named():
    """8 deg and back, a second before the second rep."""
    full = [(90, 2), (90, 5), (5, 2), (5, 1.5)]
    found = found_in(draw([(5, 1.5), *full, (13, 1.0), (5, 1.0), (5, 1.0), *full]))
    assert [rep.kind for rep in found] == ["rep", "false_start", "rep"]


@pytest.mark.parametrize(("rise_s", "told"), [(1.6, True), (4.0, False)])
def test_a_small_rise_is_a_false_start_where_it_does_not_creep(rise_s, told):
    """6.5 deg up and back; a minimum jerk movement is 1.875 times as fast at its fastest as on average."""
    full = [(90, 2), (90, 5), (5, 2), (5, 1.5)]
    found = found_in(draw([(5, 1.5), *full, (11.5, rise_s), (5, rise_s), (5, 1.0), *full]))
    assert ("false_start" in [rep.kind for rep in found]) is told


def test_sway_in_the_rests_is_no_false_start():
    curve, _ = a_set(4, rest_s=6.0)
    time_s = np.arange(len(curve)) / RATE_HZ
    assert [rep.kind for rep in found_in(curve + 1.5 * np.sin(2 * np.pi * 0.2 * time_s))] == ["rep"] * 4


def test_a_broken_hold_is_one_rep_and_not_two():
    """The arm sinks by a third of the arc in the middle of the hold and comes back."""
    one = [(90, 2), (90, 2), (60, 0.8), (90, 0.8), (90, 2), (5, 2), (5, 1.5)]
    found = found_in(draw([(5, 1.5), *one, *one]))
    assert [rep.kind for rep in found] == ["rep", "rep"]
    assert found[0].top_start_s == pytest.approx(3.5, abs=0.2)
    assert found[0].top_end_s == pytest.approx(9.1, abs=0.2)


# A mark within a rep.


@pytest.mark.parametrize("way", WAYS)
@pytest.mark.parametrize("lift_s", [0.6, 2.0, 8.0])
@pytest.mark.parametrize("share", [0.3, 0.5, 0.75])
def test_a_set_marked_within_its_first_lift_has_that_rep_cut(way, lift_s, share):
    """A part of the arc, or of the time, is missing: the rep is there, and not judged by what was left of it."""
    curve, _ = a_set(3, way=way, lift_s=lift_s, lower_s=lift_s)
    found = found_in(unsteady(curve)[round((1.5 + share * lift_s) * RATE_HZ) :])
    assert [(rep.kind, rep.cut) for rep in found] == [("rep", True), ("rep", False), ("rep", False)]


@pytest.mark.parametrize("way", WAYS)
@pytest.mark.parametrize("lower_s", [0.6, 2.0, 8.0])
@pytest.mark.parametrize("share", [0.3, 0.5, 0.75])
def test_a_set_whose_end_is_marked_within_the_last_lowering_has_that_rep_cut(way, lower_s, share):
    curve, true = a_set(3, way=way, lift_s=lower_s, lower_s=lower_s)
    found = found_in(unsteady(curve)[: round((true[-1].top_end_s + share * lower_s) * RATE_HZ)])
    assert [(rep.kind, rep.cut) for rep in found] == [("rep", False), ("rep", False), ("rep", True)]


def test_a_mark_that_leaves_out_next_to_nothing_cuts_no_rep():
    """Set out 0.2 s before the mark: less than a degree of the arc is missing."""
    curve, _ = a_set(3)
    assert [rep.cut for rep in found_in(curve[170:])] == [False] * 3


def test_a_mark_while_the_arm_comes_to_its_start_cuts_no_rep():
    """Down from 60 deg, and up from 60 to a start at 90, while the set is marked."""
    full = [(90, 2), (90, 5), (5, 2), (5, 1.5)]
    down = draw([(5, 2), (5, 1.5), *full, *full], start_deg=60.0)[100:]
    assert [(rep.kind, rep.cut) for rep in found_in(down)] == [("rep", False)] * 2
    one = [(146, 1.5), (146, 0.3), (90, 1.6), (90, 1.0)]
    up = draw([(90, 2), (90, 1.5), *one, *one], start_deg=60.0)[100:]
    (found,) = segmented("overhead_short_arc", "left", arm_of("left", elevation=up))
    assert [(rep.kind, rep.cut) for rep in found.reps] == [("rep", False)] * 2


def test_a_first_rep_that_sets_out_from_a_higher_rest_is_whole():
    """At 30 deg, still, when the set is marked; later reps come back to 5 deg."""
    full = [(90, 2), (90, 5), (5, 2), (5, 1.5)]
    found = found_in(draw([(30, 1.5), *full, *full], start_deg=30.0))
    assert [(rep.kind, rep.cut) for rep in found] == [("rep", False)] * 2


def test_a_stretch_of_a_set_that_begins_in_a_lift_is_not_marked_there():
    curve, _ = a_set(3)
    later = curve[250:]
    times = np.arange(len(later)) / RATE_HZ
    found = find_reps(times, later, RATE_HZ, ASKED_DEG, RepParams(), marks=(False, True))
    assert not any(rep.cut for rep in found)


# Any tempo.


@pytest.mark.parametrize("raise_s", [0.8, 2.0])
@pytest.mark.parametrize("stroke_s", [2.5, 5.0, 10.0])
def test_a_quick_raise_into_the_start_hides_no_slow_short_arc(raise_s, stroke_s):
    one = [(146, stroke_s), (146, 0.3), (90, stroke_s), (90, 1.0)]
    curve = draw([(5, 1.0), (90, raise_s), (90, 1.0), *one, *one, *one, (5, raise_s), (5, 1.0)])
    (found,) = segmented("overhead_short_arc", "left", arm_of("left", elevation=unsteady(curve)))
    assert [rep.kind for rep in found.reps] == ["rep"] * 3


def test_a_quick_lowering_begins_no_slow_lift():
    """Without a rest between a lowering of 0.6 s and a lift of 9 s, the lift sets out where the arm turns round."""
    curve, true = a_set(4, lift_s=9.0, lower_s=0.6, hold_s=0.0, rest_s=0.0, way="cosine")
    found = found_in(unsteady(curve))
    assert [rep.kind for rep in found] == ["rep"] * 4
    for rep, exact in zip(found, true, strict=True):
        assert rep.end_s == pytest.approx(exact.end_s, abs=0.4)
    for rep, exact in zip(found[1:], true[1:], strict=True):
        assert rep.start_s == pytest.approx(exact.start_s, abs=0.4)


# Properties.


@settings(max_examples=60)
@given(
    count=st.integers(1, 8),
    arc_deg=st.floats(50, 140),
    lift_s=st.floats(0.6, 10.0),
    lower_s=st.floats(0.6, 10.0),
    hold_s=st.floats(0.0, 8.0),
    rest_s=st.floats(0.0, 4.0),
    way=st.sampled_from(sorted(WAYS)),
    seed=st.integers(0, 20),
)
@example(count=3, arc_deg=50.0, lift_s=3.25, lower_s=0.8125, hold_s=0.0, rest_s=0.0, way="cosine", seed=4)
def test_the_count_is_exact_for_any_amplitude_and_tempo(count, arc_deg, lift_s, lower_s, hold_s, rest_s, way, seed):
    curve, _ = a_set(
        count,
        top_deg=5 + arc_deg,
        lift_s=lift_s,
        lower_s=lower_s,
        hold_s=hold_s,
        rest_s=rest_s,
        way=way,
    )
    assert [rep.kind for rep in found_in(unsteady(curve, seed))] == ["rep"] * count


@settings(max_examples=25)
@given(lead_in_s=st.floats(0.5, 20.0), tail_s=st.floats(0.0, 20.0))
def test_more_rest_before_and_after_changes_no_rep(lead_in_s, tail_s):
    curve, _ = a_set(3)
    longer, _ = a_set(3, lead_in_s=lead_in_s)
    longer = np.concatenate([longer, np.full(round(tail_s * RATE_HZ), 5.0)])
    shift = round(lead_in_s * RATE_HZ) / RATE_HZ - 1.5
    for before, after in zip(found_in(curve), found_in(longer), strict=True):
        for name in ("start_s", "top_start_s", "top_end_s", "end_s"):
            assert getattr(after, name) - shift == pytest.approx(getattr(before, name), abs=0.02), name
        assert after.arc_deg == pytest.approx(before.arc_deg, abs=0.05)


@settings(max_examples=20)
@given(offset_deg=st.floats(-100, 100))
def test_where_zero_is_does_not_matter(offset_deg):
    curve, _ = a_set(3, hold_s=2.0)
    for before, after in zip(found_in(curve), found_in(curve + offset_deg), strict=True):
        assert (after.start_s, after.end_s, after.kind) == pytest.approx((before.start_s, before.end_s, before.kind))
        assert after.arc_deg == pytest.approx(before.arc_deg, abs=1e-6)


# Sets of drills.


def arm_of(side: Side, **angles: Array) -> ArmAngles:
    """One arm with the given angles (without their unit) and nothing else."""
    count = len(next(iter(angles.values())))
    skin = SkinShare(AngleParams().skin_share, AngleParams().skin_share_sd, 0.0)
    by_name = {f"{name}_deg": values for name, values in angles.items()}
    return ArmAngles(side, "gravity", by_name, np.ones(count), skin)


def segmented(drill_id: str, event_side: str, *arms: ArmAngles):
    count = len(next(iter(arms[0].angles.values())))
    time_s = np.arange(count) / RATE_HZ
    event = Event(0.0, float(time_s[-1]), "set", drill_id, event_side)
    by_side = {arm.side: arm for arm in arms}
    return segment_set(1, event, load_shipped(drill_id), time_s, RATE_HZ, by_side, SegmentParams())


@pytest.mark.parametrize(
    ("drill_id", "arc_deg"), [("full_can", 70), ("overhead_short_arc", 30), ("band_external_rotation", 40)]
)
def test_the_arc_a_drill_asks_for(drill_id, arc_deg):
    """From hanging (5 deg) to the low end of 75; from the middle of 75 to 105 to 120; 40 above the start."""
    assert asked_arc_deg(load_shipped(drill_id)) == pytest.approx(arc_deg)


def test_short_arcs_overhead_start_at_shoulder_height():
    """Raising the arm to the start and lowering it at the end are no reps."""
    one = [(146, 1.5), (146, 0.3), (90, 1.6), (90, 1.0)]
    curve = draw([(5, 1.0), (90, 2.0), (90, 2.0), *one, *one, *one, *one, (5, 2.0), (5, 1.0)])
    (found,) = segmented("overhead_short_arc", "left", arm_of("left", elevation=curve))
    assert [rep.kind for rep in found.reps] == ["rep"] * 4
    for rep in found.reps:
        assert rep.start_deg == pytest.approx(90, abs=1.5)
        assert rep.top_deg == pytest.approx(146, abs=1.5)


def test_only_the_named_arm_does_the_set():
    curve, _ = a_set(3)
    right, left = arm_of("right", elevation=curve), arm_of("left", elevation=curve)
    assert [(s.side, len(s.reps)) for s in segmented("full_can", "left", right, left)] == [("left", 3)]
    assert [(s.side, len(s.reps)) for s in segmented("full_can", "both", right, left)] == [("right", 3), ("left", 3)]


@pytest.mark.parametrize(("event_side", "holder"), [("left", "right"), ("right", "left")])
def test_hold_and_lift_has_a_holder_and_a_lifter(event_side, holder):
    """The event names the arm that lifts; the other one's whole stay is one hold."""
    lifting, true = a_set(5, hold_s=0.4)
    holding = np.full(len(lifting), 88.0)
    lifter: Side = "left" if holder == "right" else "right"
    found = segmented(
        "full_can_hold_and_lift", event_side, arm_of(lifter, elevation=lifting), arm_of(holder, elevation=holding)
    )
    roles = {s.side: s for s in found}
    assert (roles[lifter].role, roles[holder].role) == ("lift", "hold")
    assert len(roles[lifter].counted) == 5
    (hold,) = roles[holder].reps
    assert hold.kind == "hold"
    assert hold.start_s == pytest.approx(true[0].start_s, abs=0.2)
    assert hold.end_s == pytest.approx(true[-1].end_s, abs=0.2)
    assert hold.top_deg == pytest.approx(88.0)


def test_hold_and_lift_without_a_named_arm_goes_by_who_moves():
    lifting, _ = a_set(4, hold_s=0.4)
    arms = arm_of("right", elevation=np.full(len(lifting), 90.0)), arm_of("left", elevation=lifting)
    assert {s.side: s.role for s in segmented("full_can_hold_and_lift", "both", *arms)} == {
        "right": "hold",
        "left": "lift",
    }


def test_a_lone_wrist_sensor_finds_the_reps_of_a_raise_by_its_own_elevation():
    curve, _ = a_set(4)
    (found,) = segmented("full_can", "right", arm_of("right", forearm_elevation=curve))
    assert found.angle == "forearm_elevation"
    assert len(found.counted) == 4


def test_rotation_is_followed_through_half_a_turn():
    """Angles that wrap at 180 deg are no jumps."""
    curve, _ = a_set(4, start_deg=150.0, top_deg=210.0)
    wrapped = (curve + 180) % 360 - 180
    (found,) = segmented("band_external_rotation", "right", arm_of("right", rotation=wrapped))
    assert [rep.arc_deg for rep in found.counted] == pytest.approx([60.0] * 4, abs=1.0)


def test_a_gap_in_the_curve_loses_no_rep_around_it():
    """Missing samples in a hold leave one rep, to be excluded later, and not two halves."""
    curve, _ = a_set(4)
    curve[2000:2060] = np.nan
    (found,) = segmented("full_can", "right", arm_of("right", elevation=curve))
    assert len(found.counted) == 4


def test_a_set_of_nothing_seen_has_no_reps():
    (found,) = segmented("full_can", "right", arm_of("right", elevation=np.full(1000, np.nan)))
    assert found.reps == ()


@pytest.mark.parametrize("seed", range(20))
@pytest.mark.parametrize("threshold", [1.0, 3.0])
def test_turning_points_between_others_are_the_peaks_of_that_prominence_that_scipy_finds(seed, threshold):
    curve = np.cumsum(np.random.default_rng(seed).normal(size=300))
    points = turning_points(curve, threshold)
    inner, up = points[1:-1], np.diff(curve[points]) > 0
    assert (up[1:] != up[:-1]).all()
    assert (np.abs(np.diff(curve[points])) >= threshold).all()
    for sign, found in ((1.0, inner[up[:-1]]), (-1.0, inner[~up[:-1]])):
        np.testing.assert_array_equal(found, find_peaks(sign * curve, prominence=threshold)[0])


def test_a_curve_that_never_turns_back_so_far_has_no_turning_point_to_speak_of():
    assert turning_points(np.zeros(50), 1.0).tolist() == []
    assert turning_points(np.zeros(0), 1.0).tolist() == []
    assert turning_points(np.arange(5.0), 1.0).tolist() == [0, 4]


def test_a_curve_is_smoothed_where_its_rate_holds_the_movement_and_left_as_it_is_where_not():
    noise = np.random.default_rng(5).normal(0, 1, 200)
    np.testing.assert_array_equal(smoothed(noise, SMOOTH_HZ), noise)
    assert np.std(smoothed(noise, 30 * SMOOTH_HZ)) < 0.5 * np.std(noise)


def test_the_rows_of_a_stretch_are_those_inside_with_both_ends():
    time_s = np.arange(20) * 0.1
    assert time_s[rows_between(time_s, 0.3, 0.7)] == pytest.approx([0.3, 0.4, 0.5, 0.6, 0.7])
    assert len(time_s[rows_between(time_s, 0.32, 0.38)]) == 0
