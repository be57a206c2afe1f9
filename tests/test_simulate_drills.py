"""Simulated drills, holds and faults against the drill files: what is said to have happened did happen."""

from __future__ import annotations

from itertools import product

import numpy as np
import pytest
from scipy.signal import butter, sosfiltfilt

from imu_shoulder.drills import AngleRange, load_shipped, shipped_ids
from imu_shoulder.errors import ParameterError
from imu_shoulder.frames import Z_AXIS, rotation_from_quat
from imu_shoulder.simulate import Athlete, Scenario, SetScript, Simulated, TrueRep, simulate
from imu_shoulder.simulate.motions import RANGE_MOTIONS
from imu_shoulder.simulate.scenarios import SCENARIOS, daily, drill_scenario, find
from imu_shoulder.simulate.script import PartWay, possible_faults

QUIET = Athlete(sway_deg=0, variation=0, unevenness_deg=0, tremor_deg=0, breathing_deg=0)


def held(simulated: Simulated, column: str = "elevation_deg") -> tuple[np.ndarray, np.ndarray]:
    """Time and angle over the first hold without its eased ends."""
    truth, rep = simulated.truth, simulated.truth.reps[0]
    inside = (truth.time_s >= rep.top_start_s + 0.5) & (truth.time_s <= rep.top_end_s - 0.5)
    return truth.time_s[inside], truth.angles[rep.side][column][inside]


def test_injected_tremor_is_in_the_true_angle() -> None:
    _, angle = held(
        simulate(drill_scenario("full_can", athlete=QUIET, placements=(), reps=1, hold_s=10, tremor_deg=0.4), 1)
    )
    sos = butter(2, [6, 15], "bandpass", fs=100, output="sos")
    assert np.sqrt(np.mean(sosfiltfilt(sos, angle - angle.mean()) ** 2)) == pytest.approx(0.4, rel=0.1)


def test_injected_drift_sag_and_wander_are_in_the_true_angle() -> None:
    time_s, drift = held(
        simulate(drill_scenario("full_can", athlete=QUIET, placements=(), reps=1, hold_s=8, hold_drift_deg_s=-0.7), 1)
    )
    # Eased ends leave the plateau a little steeper: total change over (duration - ease).
    assert np.polyfit(time_s, drift, 1)[0] == pytest.approx(-0.7 * 8 / 7.7, rel=1e-3)
    _, sag = held(
        simulate(drill_scenario("full_can", athlete=QUIET, placements=(), reps=1, hold_s=8, hold_sag_deg=6), 1)
    )
    assert sag[0] - sag[-1] == pytest.approx(6, abs=0.3)
    _, wander = held(
        simulate(drill_scenario("full_can", athlete=QUIET, placements=(), reps=1, hold_s=20, hold_wander_deg=1.5), 1)
    )
    assert wander.std() == pytest.approx(1.5, rel=0.1)
    _, turned = held(
        simulate(drill_scenario("full_can", athlete=QUIET, placements=(), reps=1, hold_s=20, rotation_wander_deg=2), 1),
        "rotation_deg",
    )
    assert turned.std() == pytest.approx(2, rel=0.1)


# The drill files against the true angles: clean reps meet every limit, a fault breaks the one it is named after.


def at_stations(simulated: Simulated, rep: TrueRep) -> dict[str, dict[str, float]]:
    """Median true angle per column at the start and at each station."""
    truth = simulated.truth
    spans = {"start": (rep.start_s - 0.2, rep.start_s)} | {name: (a, b) for name, a, b in rep.stations}
    return {
        name: {
            column.removesuffix("_deg"): float(np.median(values[(truth.time_s >= a) & (truth.time_s <= b)]))
            for column, values in truth.angles[rep.side].items()
        }
        for name, (a, b) in spans.items()
    }


def inside(wanted: AngleRange, at: dict[str, dict[str, float]], where: str) -> bool:
    base = 0.0 if wanted.above is None else at[wanted.above][wanted.angle]
    return wanted.low_deg <= at[where][wanted.angle] - base <= wanted.high_deg


def broken_limits(simulated: Simulated, rep: TrueRep) -> set[str]:
    """Faults by the drill file, from the truth alone."""
    drill, at, found = load_shipped(rep.drill), at_stations(simulated, rep), set()
    visited = [name for name, _, _ in rep.stations]
    asked = [station.name for station in drill.stations]
    if set(visited) != set(asked):
        return {"station_skipped"}
    if visited != asked:
        return {"order_wrong"}
    if not all(inside(wanted, at, "start") for wanted in drill.start):
        found.add("start_missed")
    for station in drill.stations:
        arrives_s, leaves_s = next((a, b) for name, a, b in rep.stations if name == station.name)
        if leaves_s - arrives_s < station.hold_s and rep.role == "lift":
            found.add("hold_short")
        for wanted in station.ranges:
            if inside(wanted, at, station.name):
                continue
            if wanted is not drill.arc:
                found.add("station_off")
                continue
            base = 0.0 if wanted.above is None else at[wanted.above][wanted.angle]
            found.add("short_arc" if at[station.name][wanted.angle] - base < wanted.low_deg else "over_arc")
    top = at[drill.top.name]
    for name, limits in (("plane", drill.form.ends_of("plane")), ("elbow", drill.form.ends_of("elbow"))):
        if limits is not None and not limits[0] <= top[name] <= limits[1]:
            found.add(f"{name}_off")
    thumb = drill.form.ends_of("thumb_up")
    if thumb is not None and top["thumb_up"] < thumb[0]:
        found.add("thumb_down")
    if drill.form.trunk_deg is not None and abs(top["trunk_lean"] - at["start"]["trunk_lean"]) > drill.form.trunk_deg:
        found.add("trunk_moved")
    first_arrival_s, last_departure_s = rep.stations[0][1], rep.stations[-1][2]
    if first_arrival_s - rep.start_s < drill.lift_at_least_s:
        found.add("too_fast")
    if (rep.end_s - last_departure_s) / len(drill.stations) < drill.lower_at_least_s:
        found.add("too_fast")
    return found


@pytest.mark.parametrize("drill_id", shipped_ids())
def test_clean_reps_meet_every_limit_of_their_drill(drill_id: str) -> None:
    side = "both" if drill_id == "band_loop_raise" else "left"
    simulated = simulate(drill_scenario(drill_id, side, placements=(), reps=6), 21)
    lifts = [rep for rep in simulated.truth.reps if rep.role == "lift"]
    assert len(lifts) == (12 if side == "both" else 6)
    for rep in lifts:
        assert rep.counts
        assert broken_limits(simulated, rep) == set(), rep


VISIBLE_IN_STATION_MEDIANS = ("hold_broken", "shrug", "partial", "false_start")


def fault_cases() -> list[tuple[str, str]]:
    pairs = product(shipped_ids(), sorted(set().union(*(possible_faults(load_shipped(d)) for d in shipped_ids()))))
    return [
        (drill_id, fault)
        for drill_id, fault in pairs
        if fault in possible_faults(load_shipped(drill_id)) and fault not in VISIBLE_IN_STATION_MEDIANS
    ]


@pytest.mark.parametrize(("drill_id", "fault"), fault_cases())
def test_a_fault_breaks_the_limit_it_is_named_after_and_no_other(drill_id: str, fault: str) -> None:
    scenario = Scenario(Athlete(), (SetScript(drill_id, reps=2, faults={2: (fault,)}),), placements=())
    simulated = simulate(scenario, 33)
    clean, faulty = (rep for rep in simulated.truth.reps if rep.role == "lift")
    assert broken_limits(simulated, clean) == set()
    assert faulty.faults == (fault,)
    assert broken_limits(simulated, faulty) == {fault}


def test_broken_hold_leaves_the_band_and_comes_back() -> None:
    simulated = simulate(drill_scenario("full_can", placements=(), reps=2, faults={1: ("hold_broken",)}), 3)
    _, angle = held(simulated)
    assert angle.min() < 75 - 5
    assert angle[0] > 80
    assert angle[-1] > 80


def test_thumb_points_up_in_a_full_can_and_down_in_its_fault() -> None:
    simulated = simulate(drill_scenario("full_can", placements=(), reps=3, faults={2: ("thumb_down",)}), 3)
    thumbs = [at_stations(simulated, rep)["top"]["thumb_up"] for rep in simulated.truth.reps]
    assert 60 < thumbs[0] <= 90
    assert thumbs[1] < -20
    assert 60 < thumbs[2] <= 90


def test_given_up_reps_and_false_starts_do_not_count() -> None:
    faults = {2: ("partial",), 3: ("false_start", "thumb_down")}
    simulated = simulate(drill_scenario("full_can", placements=(), reps=3, faults=faults), 3)
    told = [(rep.rep, rep.faults, rep.counts) for rep in simulated.truth.reps]
    assert told == [
        (1, (), True),
        (2, ("partial",), False),
        (3, ("false_start",), False),
        (3, ("thumb_down",), True),
    ]
    arcs = [rep.arc_deg for rep in simulated.truth.reps]
    assert 15 < arcs[1] < arcs[0] / 2
    assert 3 < arcs[2] < 12


def test_shrug_lifts_the_scapula_by_about_twelve_degrees() -> None:
    simulated = simulate(drill_scenario("full_can", placements=(), reps=2, faults={2: ("shrug",)}), 3)
    clean, shrugged = (at_stations(simulated, rep)["top"]["scapula"] for rep in simulated.truth.reps)
    assert 8 < shrugged - clean < 16


def test_fade_unevenness_and_start_shift() -> None:
    script = {"fade": 0.3, "uneven_deg": 10.0, "start_shift_deg": 6.0, "athlete": QUIET, "placements": ()}
    truth = simulate(drill_scenario("band_loop_raise", "both", reps=4, **script), 3).truth
    right = [rep for rep in truth.reps if rep.side == "right"]
    left = [rep for rep in truth.reps if rep.side == "left"]
    assert [round(rep.start_deg) for rep in right] == [8, 8, 8, 14]
    assert right[-1].top_deg - 8 == pytest.approx(0.7 * 82, abs=0.1)
    assert [r.top_deg - left_rep.top_deg for r, left_rep in zip(right, left, strict=True)] == pytest.approx([10] * 4)


def test_pauses_part_way_are_stays_at_their_share_of_the_arc() -> None:
    pauses = (PartWay("up", 0.4, 2.0), PartWay("down", 0.6, 3.0))
    truth = simulate(drill_scenario("full_can", athlete=QUIET, placements=(), reps=2, pauses=pauses), 3).truth
    plain = simulate(drill_scenario("full_can", athlete=QUIET, placements=(), reps=2), 3).truth
    elevation_deg = truth.angles["right"]["elevation_deg"]
    for rep, unpaused in zip(truth.reps, plain.reps, strict=True):
        assert rep.top_start_s - rep.start_s == pytest.approx(unpaused.top_start_s - unpaused.start_s + 2.0, abs=0.02)
        assert rep.end_s - rep.top_end_s == pytest.approx(unpaused.end_s - unpaused.top_end_s + 3.0, abs=0.02)
        for share, stays_s, begins_s in ((0.4, 2.0, rep.start_s), (0.6, 3.0, rep.top_end_s)):
            level_deg = 7 + share * 83
            there = (np.abs(elevation_deg - level_deg) < 0.1) & (truth.time_s > begins_s)
            assert np.count_nonzero(there[truth.time_s < begins_s + 7]) / 100 == pytest.approx(stays_s, abs=0.3)


def test_arms_may_do_different_counts() -> None:
    truth = simulate(drill_scenario("band_loop_raise", "both", placements=(), reps={"right": 2, "left": 3}), 3).truth
    assert [(r.side, r.rep) for r in sorted(truth.reps, key=lambda r: (r.side != "right", r.rep))] == [
        *(("right", 1), ("right", 2)),
        *(("left", 1), ("left", 2), ("left", 3)),
    ]
    alone = (truth.time_s > truth.reps[-1].start_s) & (truth.time_s < truth.reps[-1].end_s)
    assert truth.angles["right"]["elevation_deg"][alone].max() < 15


@pytest.mark.parametrize(
    "wrong",
    [
        {"drill": "full_can", "reps": {"left": 4}},
        {"drill": "full_can", "side": "both", "reps": {"left": 4}},
        {"drill": "row_rotate", "pauses": (PartWay("up", 0.5, 2.0),)},
    ],
)
def test_counts_and_pauses_that_no_set_can_have_are_refused(wrong) -> None:
    with pytest.raises(ParameterError):
        SetScript(**wrong)
    for way, share, stay_s in (("sideways", 0.5, 1.0), ("up", 1.0, 1.0), ("up", 0.5, 0.0)):
        with pytest.raises(ParameterError):
            PartWay(way, share, stay_s)


def test_hold_and_lift_keeps_the_other_arm_up_for_the_whole_set() -> None:
    scenario = drill_scenario(
        "full_can_hold_and_lift", "left", placements=(), reps=3, faults_by_side={"right": {2: ("hold_broken",)}}
    )
    simulated = simulate(scenario, 3)
    holds = [rep for rep in simulated.truth.reps if rep.role == "hold"]
    event = simulated.recording.events[-1]
    assert event.side == "left"
    assert [(rep.side, rep.faults) for rep in holds] == [("right", ("hold_broken",))]
    assert holds[0].top_start_s < event.onset_s
    assert holds[0].top_end_s > event.end_s
    assert 80 < holds[0].top_deg < 100


def test_side_lying_has_the_working_arm_on_top() -> None:
    for side in ("right", "left"):
        truth = simulate(drill_scenario("sidelying_external_rotation", side, placements=(), reps=1), 3).truth
        at = np.searchsorted(truth.time_s, truth.reps[0].top_start_s)
        outward = Z_AXIS if side == "right" else -Z_AXIS
        assert rotation_from_quat(truth.quats["thorax"][at]).apply(outward)[2] > 0.95


def test_a_day_has_no_exercise_and_another_order_for_each_number():
    day = daily(minutes=12.0)
    simulated = simulate(day, 4)
    assert simulated.recording.events == ()
    assert simulated.truth.reps == ()
    assert {block.activity for block in day.blocks} >= {"walk", "sit", "type", "drink", "eat", "dress", "reach"}
    assert daily(12.0, 1).blocks != day.blocks
    # Arms hang, sit and reach: all of it moves them through their range.
    elevation_deg = simulated.truth.angles["right"]["elevation_gravity_deg"]
    assert elevation_deg.min() < 10 < 130 < elevation_deg.max()


@pytest.mark.parametrize("name", sorted(SCENARIOS.keys() - {"daily"}))
def test_named_scenarios_and_their_events(name: str) -> None:
    scenario = find(name)
    simulated = simulate(scenario, 1)
    recording, truth = simulated.recording, simulated.truth
    assert set(recording.streams) == set(scenario.placements)
    assert 180 <= truth.time_s[-1] <= 360
    sets = [event for event in recording.events if event.trial_type == "set"]
    assert {event.trial_type for event in recording.events} == {"neutral_pose", "elbow_bends", "forward_raises", "set"}
    for number, event in enumerate((event for event in sets if event.drill not in RANGE_MOTIONS), 1):
        lifts = [rep for rep in truth.reps if rep.set == number and rep.role == "lift"]
        assert {rep.drill for rep in lifts} == {event.drill}
        assert {rep.side for rep in lifts} == ({"right", "left"} if event.side == "both" else {event.side})
        assert 0.9 < min(rep.start_s for rep in lifts) - event.onset_s < 2.1
        assert 0.9 < event.end_s - max(rep.end_s for rep in lifts) < 2.1
    assert {rep.set for rep in truth.reps} == set(range(1, 1 + sum(event.drill not in RANGE_MOTIONS for event in sets)))
