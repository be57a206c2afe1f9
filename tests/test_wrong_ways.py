"""Wrong ways to do the drills: both simulators truly do them, and a few are named; the rest is in validation.md."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
import pytest
import wrong_ways
from print_wrong_ways import Seen, seen_of
from second_simulator import Astray, SetPlan, calmed, perform, person, session
from second_simulator.people import Posture
from wrong_ways import BY_NAME, IN_SECOND, WAYS, Way

from imu_shoulder.drills import Drill, load_shipped, shipped_ids
from imu_shoulder.errors import ParameterError
from imu_shoulder.simulate import Athlete, Deviation, Scenario, SetScript, simulate

# Of the angles that were put in, how far the true ones may be: what people's sway, leaning and unevenness add.
TRUE_WITHIN_DEG = 4.0
TRUNK = {"lean_back", "lean_away", "turn_out"}
Spans = Mapping[str, tuple[float, float]]


def test_the_page_has_the_ways_as_they_are():
    text = wrong_ways.PAGE.read_text(encoding="utf-8")
    assert wrong_ways.page(text) == text


def test_every_drill_is_done_wrongly_in_several_ways():
    assert len(BY_NAME) == len(WAYS) >= 20
    assert all(sum(way.drill == drill for way in WAYS) >= 3 for drill in shipped_ids())
    assert all(share >= 1.5 for way in WAYS for share in way.sizes)


def limits_of(drill: Drill) -> set[float]:
    """Every number that a drill's file asks for."""
    ranges = [*drill.start, *(asked for station in drill.stations for asked in station.ranges)]
    ranges += [limit.asked for limit in drill.form.limits]
    form, holds_s = drill.form, [station.hold_s for station in drill.stations]
    singles = [form.trunk_deg, form.upper_arm_swing_deg, form.closing_deg, drill.lower_at_least_s, *holds_s]
    ends = [end for asked in ranges for end in (asked.low_deg, asked.high_deg)]
    return {number for number in (*ends, *singles) if number is not None}


@pytest.mark.parametrize("way", [way for way in WAYS if way.measure], ids=lambda way: way.name)
def test_the_limit_of_a_way_is_one_of_its_drill(way):
    assert way.limit in limits_of(load_shipped(way.drill))


def did_one(way: Way, share: float) -> tuple[Spans, np.ndarray, Mapping[str, np.ndarray], str]:
    """When the last rep was where, by the package's simulator: spans, time, true angles and the rep's faults."""
    run = simulate(Scenario(Athlete(), (way.script(share, "right", 1),), placements=()), 9001)
    rep = [r for r in run.truth.reps if r.role == way.role][-1]
    spans = {name: (first_s, last_s) for name, first_s, last_s in rep.stations}
    whole = {"start": (rep.start_s - 0.25, rep.start_s), "rep": (rep.start_s, rep.end_s)}
    return {**spans, **whole}, run.truth.time_s, run.truth.angles[rep.side], rep.faults


def did_two(way: Way, share: float) -> tuple[Spans, np.ndarray, Mapping[str, np.ndarray], str]:
    who = calmed(person(9001, "table"))
    _, truth = perform(session(who, [way.plan(share, "right", 1)], arms=(), sternum=False))
    rep = [r for r in truth.reps if r.role == way.role][-1]
    spans = {stay.name: (stay.start_s, stay.end_s) for stay in rep.stays}
    whole = {"start": (rep.set_out_s - 0.25, rep.set_out_s), "rep": (rep.set_out_s, rep.arrived_s)}
    return {**spans, **whole}, truth.time_s, {**truth.angles[rep.side], **truth.trunk}, rep.faults


@pytest.mark.parametrize("did", [did_one, did_two], ids=["one", "two"])
@pytest.mark.parametrize("way", [way for way in WAYS if way.deviate is not None], ids=lambda way: way.name)
def test_a_way_is_in_the_true_angles(way, did):
    share = way.sizes[0]
    spans, time_s, angles, _ = did(way, share)
    last = load_shipped(way.drill).top.name

    def values(column: str, place: str) -> np.ndarray:
        first_s, last_s = spans[place]
        return angles[f"{column}_deg"][(time_s >= first_s) & (time_s <= max(last_s, first_s + 0.02))]

    for one in way.deviations(share):
        base = 0.0 if one.above is None else float(np.median(values(one.angle, one.above)))
        if one.angle in TRUNK:
            turns = values("trunk_turn" if one.angle == "turn_out" else "trunk_lean", "rep")
            got = float(np.ptp(turns))
        elif one.at == "bounce":
            got = float(values(one.angle, last).min())
        elif one.at in ("hold", "holder"):
            over = values(one.angle, last)
            base = float(np.median(over[: len(over) // 20])) if one.at == "hold" else 0.0
            got = float(np.median(over[-len(over) // 20 :]))
        else:
            places = ("start", last) if one.at == "all" else (one.at,)
            seen = [float(np.median(values(one.angle, place))) for place in places]
            got = max(seen, key=lambda deg: abs(deg - one.deg))
        assert got - base == pytest.approx(one.deg, abs=TRUE_WITHIN_DEG), one


@pytest.mark.parametrize("up_deg", [60.0, 0.0, -39.5, -60.0])
def test_a_thumb_that_points_down_is_turned_in_as_far_as_it_goes(up_deg):
    """Overhead it cannot point straight down; no hand is then turned right round for it."""
    before = Posture(135.0, 47.0, 30.0, 4.0, -2.0)
    after = Astray("thumb", up_deg).applied(before, {}, 12.0)
    assert after.rotation < before.rotation or up_deg > 0
    assert abs(after.forearm) < 80
    posture = {name: getattr(before, name) for name in ("elevation", "plane", "rotation", "elbow", "forearm")}
    turned = Deviation("thumb_up", up_deg).put_in(posture, carrying_deg=12.0)
    assert turned["rotation"] < posture["rotation"] or up_deg > 0
    assert abs(turned["forearm"]) < 110


@pytest.mark.parametrize("did", [did_one, did_two], ids=["one", "two"])
@pytest.mark.parametrize("way", [way for way in WAYS if way.fault], ids=lambda way: way.name)
def test_a_way_without_a_size_is_noted_as_what_it_is(way, did):
    assert did(way, 1.5)[3] == (way.fault,)
    assert did(way, 0.0)[3] == ()


def test_nothing_else_moves():
    """One rep of three is wrong: the others stay exactly as they were."""
    plain, wrong = (
        simulate(Scenario(Athlete(), (SetScript("full_can", reps=3, deviations=put_in),), placements=()), 9002).truth
        for put_in in ({}, {2: (Deviation("elbow", 60.0, "top"),)})
    )
    at_start, off = plain.time_s < plain.reps[1].start_s, plain.reps[1]
    for name, values in plain.angles["right"].items():
        assert np.array_equal(values[at_start], wrong.angles["right"][name][at_start])
    in_hold = (plain.time_s > off.top_start_s) & (plain.time_s < off.top_end_s)
    moved = np.median(wrong.angles["right"]["elbow_deg"][in_hold] - plain.angles["right"]["elbow_deg"][in_hold])
    assert moved > 45
    assert np.allclose(plain.angles["right"]["elevation_deg"], wrong.angles["right"]["elevation_deg"], atol=1e-9)


@pytest.mark.parametrize(
    "put_in",
    [
        Deviation("shoulder", 10.0, "top"),
        Deviation("elbow", 10.0, "row"),
        Deviation("elbow", 10.0, "holder"),
        Deviation("lean_back", 10.0, "top"),
        Deviation("elbow", 10.0, "start", "top"),
    ],
)
def test_a_deviation_that_the_drill_has_no_place_for_is_refused(put_in):
    with pytest.raises(ParameterError, match="in a deviation of full_can"):
        SetScript("full_can", deviations={1: (put_in,)})


def test_a_deviation_of_a_rep_that_is_not_done_is_refused():
    with pytest.raises(ParameterError, match="deviations at reps 1 to 3"):
        SetScript("full_can", reps=3, deviations={4: (Deviation("elbow", 60.0, "top"),)})


def test_the_second_simulator_refuses_what_it_does_not_know():
    with pytest.raises(ValueError, match="expected one of elevation"):
        Astray("wing", 10.0)
    with pytest.raises(ValueError, match="came 'press'"):
        SetPlan("full_can", astray={1: (Astray("elbow", 60.0, "press"),)})
    assert {"thumb", "back", "whole", "other_arm"} <= set(IN_SECOND.values())


@pytest.mark.parametrize("simulator", ["one", "two"])
@pytest.mark.parametrize("name", ["can_bent", "can_half_way", "er_elbow_away"])
def test_a_wrong_set_is_named_and_a_near_miss_is_not(name, simulator):
    seen: list[Seen] = seen_of((name, simulator, 9000))
    assert {one.worn for one in seen} == {"sternum", "no sternum"}
    assert [one for one in seen if one.wrong and not one.answered] == []
    assert [one for one in seen if not one.wrong and (one.blamed or not one.found)] == []
