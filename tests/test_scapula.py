"""The shoulder blade: tilts against closed forms, the own relation against exact reps, shrugs against injected ones."""

from __future__ import annotations

from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest
from print_coverage import any_person
from scipy import stats
from scipy.spatial.transform import Rotation
from second_simulator import Fault, SetPlan, perform, person, session

from imu_shoulder.analysis import Params
from imu_shoulder.angles.scapula import REACH_DEG, ScapulaParams, scapula_tilt, seat_blade, up_from_pose
from imu_shoulder.assess.fault import Case, JudgeParams
from imu_shoulder.assess.faults import FAULTS
from imu_shoulder.frames import Z_AXIS, quat_from_rotation
from imu_shoulder.measure.registry import RepData
from imu_shoulder.measure.scapula import (
    OwnRelation,
    excess,
    fit_relation,
    scapula_share_pct,
    scapula_up_deg,
    shrug_deg,
    shrug_shown_pct,
)
from imu_shoulder.pipeline import analyse
from imu_shoulder.report.lines import SHRUG_UNSEEN, criteria
from imu_shoulder.report.summary import summarise
from imu_shoulder.report.tables import angles_table, reps_table
from imu_shoulder.segment.model import Rep
from imu_shoulder.simulate import Athlete, simulate
from imu_shoulder.simulate.scenarios import ARMS, drill_scenario

RATE_HZ = 50.0
PARAMS = ScapulaParams()


def movement(lean_deg: float = 0.0, seed: int = 5):
    """40 s of swaying with a hanging arm, then 20 s of raising it to 110 deg: elevation, upward rotation, trunk."""
    time_s = np.arange(0, 60, 1 / RATE_HZ)
    rise = np.clip((time_s - 40) / 10, 0, 1) - np.clip((time_s - 55) / 5, 0, 1)
    elevation_deg = 5 + 105 * rise
    up_deg = 38 * rise
    rng = np.random.default_rng(seed)
    f_hz, phase = rng.uniform(0.1, 0.6, (2, 4)), rng.uniform(0, 6, (2, 4))
    sway = np.sin(2 * np.pi * f_hz[..., None] * time_s + phase[..., None]).sum(axis=1)
    trunk = np.stack([sway[0] + lean_deg * rise, sway[1], np.zeros_like(sway[0])], axis=1)
    return elevation_deg, up_deg, Rotation.from_rotvec(np.radians(trunk))


def ups(up_deg, trunk, azimuth_deg: float):
    """Where up points in both level frames, written out: the trunk leans, the blade turns on it about its own x."""
    thorax_up = trunk.inv().apply(Z_AXIS)
    in_blade = Rotation.from_euler("x", up_deg[:, None], degrees=True).apply(thorax_up)
    return Rotation.from_euler("z", azimuth_deg, degrees=True).apply(in_blade), thorax_up


def test_up_from_pose_is_the_same_for_every_mounting():
    """A quaternion turned by hand against SciPy's own rotation of the vertical."""
    rng = np.random.default_rng(2)
    for mounting in Rotation.random(4, rng=rng):
        tilted = Rotation.from_euler("xy", [[0, 0], [30, 0], [0, -20]], degrees=True)
        attitude = SimpleNamespace(quat_earth_from_sensor=quat_from_rotation(tilted * mounting))
        up = up_from_pose(attitude, mounting)
        assert up[0] == pytest.approx([0, 0, 1], abs=1e-9)
        assert np.degrees(np.arccos(up[:, 2])) == pytest.approx([0, 30, 20], abs=1e-6)


def tilt(blade_up, trunk_up, elevation_deg, reference):
    """Seated and read on the same rows; None where the arm was never raised."""
    seat = seat_blade(blade_up, trunk_up, elevation_deg, RATE_HZ, PARAMS)
    return None if seat is None else scapula_tilt(seat, blade_up, trunk_up, elevation_deg, reference, 0.7, PARAMS)


@pytest.mark.parametrize("azimuth_deg", [-170.0, -40.0, 0.0, 95.0])
def test_upward_rotation_comes_out_whatever_the_azimuth_and_the_lean(azimuth_deg):
    elevation_deg, up_deg, trunk = movement(lean_deg=-15.0)
    blade_up, trunk_up = ups(up_deg, trunk, azimuth_deg)
    found = tilt(blade_up, trunk_up, elevation_deg, "trunk")
    assert found is not None
    assert found.reference == "trunk"
    assert found.up_deg == pytest.approx(up_deg, abs=0.3)


def test_without_the_sternum_sensor_a_lean_is_read_as_upward_rotation_and_said_to_be_uncertain():
    elevation_deg, up_deg, trunk = movement(lean_deg=-15.0)
    blade_up, trunk_up = ups(up_deg, trunk, 30.0)
    found = tilt(blade_up, None, elevation_deg, "gravity")
    seen = tilt(blade_up, trunk_up, elevation_deg, "trunk")
    top = elevation_deg > 109
    assert np.median(found.up_deg[top] - up_deg[top]) == pytest.approx(15.0, abs=1.5)
    assert found.reference == "gravity"
    assert np.median(found.repeat_sd_deg[top]) > 2 * np.median(seen.repeat_sd_deg[top])


def test_an_unseen_lean_counts_less_at_the_same_elevation_as_it_raises_that_too():
    """Many leans and many shares, drawn: what is over the own relation is the lean less the share of it."""
    elevation_deg, up_deg, trunk = movement()
    blade_up, _ = ups(up_deg, trunk, 30.0)
    rng = np.random.default_rng(3)
    lean_deg = rng.normal(0.0, PARAMS.lean_deg, 100_000)
    over_deg = lean_deg - rng.normal(PARAMS.share, PARAMS.share_sd, len(lean_deg)) * lean_deg
    for reference, expected_deg in (("gravity", over_deg.std()), ("trunk", PARAMS.lean_deg)):
        found = tilt(blade_up, None, elevation_deg, reference)
        assert found.repeat_sd_deg == pytest.approx(np.hypot(0.7, expected_deg), rel=0.02)
        assert (found.sd_deg >= np.hypot(0.7, PARAMS.lean_deg)).all()


def test_a_sternum_sensor_that_does_not_sway_with_the_blade_is_not_used():
    elevation_deg, up_deg, trunk = movement()
    blade_up, _ = ups(up_deg, trunk, 0.0)
    _, elsewhere = ups(up_deg, movement(seed=9)[2], 0.0)
    found = tilt(blade_up, elsewhere, elevation_deg, "trunk")
    assert found.reference == "gravity"


def test_an_arm_that_is_never_raised_tells_no_upward_rotation():
    elevation_deg, up_deg, trunk = movement()
    blade_up, trunk_up = ups(up_deg, trunk, 0.0)
    assert tilt(blade_up, trunk_up, np.minimum(elevation_deg, 30), "trunk") is None


def test_the_stated_sd_grows_with_elevation_to_the_published_size():
    """Up to 6 deg in arm elevation (van Andel et al. 2009; Warner et al. 2012, doi 10.1016/j.humov.2011.07.004)."""
    elevation_deg, up_deg, trunk = movement()
    blade_up, trunk_up = ups(up_deg, trunk, 0.0)
    found = tilt(blade_up, trunk_up, elevation_deg, "trunk")
    at_100 = np.abs(elevation_deg - 100) < 1
    assert 6.0 <= np.median(found.sd_deg[at_100]) < 6.4
    assert np.median(found.sd_deg[elevation_deg < 6]) < 1.5


def test_gaps_stay_gaps():
    elevation_deg, up_deg, trunk = movement()
    blade_up, trunk_up = ups(up_deg, trunk, 0.0)
    blade_up[2200:2300] = np.nan
    found = tilt(blade_up, trunk_up, elevation_deg, "trunk")
    lost = np.isnan(found.up_deg)
    assert lost[2200:2300].all()
    assert lost.sum() == 100
    assert (np.isnan(found.sd_deg) == lost).all()


# The athlete's own relation.


def rhythm_deg(elevation_deg):
    """Little at first, then two of three parts by the arm (Inman 1944, via PMC3327809), with a rounded corner."""
    return 0.4 * 6 * np.logaddexp(0, (elevation_deg - 30) / 6)


def exact_rep(top_deg: float, shrug: float = 0.0):
    elevation_deg = np.concatenate([np.linspace(6, top_deg, 150), np.full(400, top_deg)])
    progress = (elevation_deg - 6) / (top_deg - 6)
    return elevation_deg, rhythm_deg(elevation_deg) + shrug * progress


def test_the_relation_of_equal_reps_is_found_to_a_tenth_of_a_degree_past_the_corner():
    relation = fit_relation([exact_rep(top) for top in (86, 88, 90, 92, 95)])
    elevation_deg = np.array([50.0, 70.0, 85.0, 90.0])
    assert relation.at(elevation_deg) == pytest.approx(rhythm_deg(elevation_deg), abs=0.15)
    assert relation.reps == 5
    assert relation.sd_deg < 0.1


@pytest.mark.parametrize("shrugged", [1, 3, 5])
def test_shrugged_reps_do_not_shape_the_relation(shrugged):
    reps = [exact_rep(88 + k / 2, shrug=12.0 if k < shrugged else 0.0) for k in range(10)]
    relation = fit_relation(reps)
    assert relation.reps == 10 - shrugged
    assert relation.at(np.array([88.0])) == pytest.approx(rhythm_deg(88.0), abs=0.2)


@pytest.mark.parametrize(("above_deg", "shapes"), [(2.5, True), (6.0, False)])
def test_a_rep_of_more_than_two_and_a_half_spreads_above_the_others_does_not_shape_the_relation(above_deg, shapes):
    """Ten reps within 2 deg of each other, and one above them."""
    reps = [exact_rep(90, shrug=shrug) for shrug in (*np.linspace(-2, 2, 10), above_deg)]
    assert fit_relation(reps).reps == 10 + shapes


def test_reps_that_are_all_shrugged_are_their_own_measure():
    """The stated limit of the method, so that a change of it is noticed."""
    relation = fit_relation([exact_rep(88 + k, shrug=12.0) for k in range(6)])
    assert relation.at(np.array([88.0])) == pytest.approx(rhythm_deg(88.0) + 12, abs=0.5)


@pytest.mark.parametrize(("reps", "expected"), [(4, 3.434), (10, 1.430), (1000, 1.003)])
def test_few_reps_make_their_own_spread_less_certain(reps, expected):
    """scipy.stats.t, another implementation than the one used: sqrt(1 + 1/n) t(0.99865; n - 1) / 3."""
    relation = OwnRelation(np.zeros(9), 1.0, (0.0, 120.0), reps)
    assert relation.next_sd_deg == pytest.approx(np.sqrt(1 + 1 / reps) * stats.t.ppf(0.99865, reps - 1) / 3, rel=1e-6)
    assert relation.next_sd_deg == pytest.approx(expected, abs=2e-3)


def test_reps_that_differ_by_themselves_are_rarely_blamed():
    """200 sets of ten clean reps that differ by 2 deg: three standard deviations leave one clean rep in 740 above."""
    rng = np.random.default_rng(8)
    over = []
    for _ in range(200):
        reps = [exact_rep(rng.normal(89, 2), shrug=rng.normal(0, 2)) for _ in range(10)]
        relation = fit_relation(reps)
        over += [float(np.median(up - relation.at(e)) > 3 * np.hypot(1.0, relation.next_sd_deg)) for e, up in reps]
    assert np.mean(over) < 0.01


def test_too_few_reps_give_no_relation_and_unseen_elevations_no_value():
    assert fit_relation([exact_rep(90)] * 3) is None
    assert fit_relation([]) is None
    relation = fit_relation([exact_rep(90)] * 4)
    assert np.isnan(relation.at(np.array([100.0, 130.0]))).all()


def test_nothing_above_the_reach_shapes_the_relation():
    reps = [exact_rep(150) for _ in range(5)]
    wild = [(elevation, np.where(elevation > REACH_DEG, 300.0, up)) for elevation, up in reps]
    assert fit_relation(wild).up_deg == pytest.approx(fit_relation(reps).up_deg)
    assert np.isnan(fit_relation(reps).at(np.array([REACH_DEG + 1]))).all()


def test_a_drill_with_few_reps_is_held_against_the_session():
    time_s, elevation, up, sets = 0.0, [], [], []
    for drill, count in (("long", 6), ("short", 2)):
        first, reps = sum(map(len, elevation)), []
        for k in range(count):
            pair = exact_rep(88, shrug=12.0 if drill == "short" and k == 1 else 0.0)
            lasts_s = len(pair[0]) / 100
            reps.append(Rep(time_s, time_s + 1.5, time_s + lasts_s - 0.01, time_s + lasts_s, 0, 6, 88, 6))
            time_s += lasts_s
            elevation.append(pair[0])
            up.append(pair[1])
        rows = (first, sum(map(len, elevation)))
        named = SimpleNamespace(id=drill)
        sets.append(SimpleNamespace(side="right", drill=named, counted=tuple(reps), rows=rows))
    angle, turned = np.concatenate(elevation), np.concatenate(up)
    grid_s = np.arange(len(angle)) / 100
    columns = {"elevation_deg": angle, "scapula_up_deg": turned, "scapula_repeat_sd_deg": np.ones_like(angle)}
    over, sd = excess("right", sets, grid_s, columns).values()
    last = grid_s > grid_s[-1] - 3
    assert np.median(over[last]) == pytest.approx(12, abs=0.3)
    assert abs(np.median(over[~last])) < 0.3
    assert (sd >= 1).all()
    assert np.isnan(excess("left", sets, grid_s, columns)["scapula_excess_deg"]).all()


# The measures of one rep.


def rep_data(top_deg: float, excess_deg: float = 0.0) -> RepData:
    lift = np.linspace(10, top_deg, 200)
    elevation = np.concatenate([lift, np.full(300, top_deg), lift[::-1]])
    time_s = np.arange(700) / 100
    up = elevation / 3
    rep = Rep(0.0, 2.0, 4.99, 6.99, 8.0, 10.0, top_deg, 10.0)
    angles = {
        "elevation_deg": elevation,
        "scapula_up_deg": up,
        "scapula_excess_deg": np.where(elevation <= REACH_DEG, excess_deg * elevation / 120, np.nan),
    }
    return RepData(rep, None, 100.0, time_s, elevation, angles, None)


def test_the_measures_are_taken_at_the_top_or_just_below_the_reach():
    assert scapula_up_deg(rep_data(90)) == pytest.approx(30, abs=1e-6)
    assert scapula_up_deg(rep_data(150)) == pytest.approx(115 / 3, abs=0.2)
    assert shrug_deg(rep_data(150, 12.0)) == pytest.approx(11.5, abs=0.1)


def test_the_share_of_a_two_to_one_rhythm_is_a_third():
    assert scapula_share_pct(rep_data(90)) == pytest.approx(100 / 3, abs=1e-6)
    assert scapula_share_pct(rep_data(160)) == pytest.approx(100 / 3, abs=1e-6)
    assert np.isnan(scapula_share_pct(rep_data(25)))


def test_without_the_sensor_the_measures_are_unknown_and_nobody_is_blamed():
    data = rep_data(90)
    bare = replace(data, angles={"elevation_deg": data.angles["elevation_deg"]})
    values = {m.__name__: m(bare) for m in (scapula_up_deg, shrug_deg, scapula_share_pct)}
    assert all(np.isnan(v) for v in values.values())
    values |= {"shrug_sd_deg": np.nan, "shrug_shown_pct": shrug_shown_pct(bare)}
    assert FAULTS["shrug"].missed(None, Case(bare, values, 0.0, JudgeParams())) == 0.0


@pytest.mark.parametrize(("over", "sd", "blamed"), [(2.9, 0.5, False), (3.1, 0.5, True), (8.0, 3.0, False)])
def test_a_shrug_is_more_than_the_limit_and_more_than_its_own_uncertainty(over, sd, blamed):
    shown = shrug_shown_pct(rep_data(90))
    assert shown == 100
    case = Case(rep_data(90), {"shrug_deg": over, "shrug_sd_deg": sd, "shrug_shown_pct": shown}, 0.0, JudgeParams())
    assert (FAULTS["shrug"].missed(None, case) == 1.0) is blamed


@pytest.mark.parametrize(("sd", "told"), [(1.0, True), (3.1, False)])
def test_where_a_large_shrug_would_stay_within_the_limit_none_is_judged(sd, told):
    """From 10 to 150 deg the blade is seen up to 115: three quarters, so 12 deg on top show 9 there."""
    shown = shrug_shown_pct(rep_data(150))
    assert shown == pytest.approx(100 * 105 / 140, abs=1)
    case = Case(rep_data(150), {"shrug_deg": 20.0, "shrug_sd_deg": sd, "shrug_shown_pct": shown}, 0.0, JudgeParams())
    assert (FAULTS["shrug"].missed(None, case) == 1.0) is told


def test_a_sample_lost_at_the_top_does_not_hide_how_much_of_the_lift_was_seen():
    data = rep_data(90, 12.0)
    data.angles["elevation_deg"][data.top][5] = np.nan
    assert shrug_shown_pct(data) == 100


def test_where_it_is_unknown_how_much_of_the_lift_was_seen_no_shrug_is_judged():
    values = {"shrug_deg": 20.0, "shrug_sd_deg": 1.0, "shrug_shown_pct": np.nan}
    assert FAULTS["shrug"].missed(None, Case(rep_data(90), values, 0.0, JudgeParams())) == 0.0
    assert FAULTS["shrug"].untold(Case(rep_data(90), values, 0.0, JudgeParams()))


# From sensors to faults.


@pytest.fixture(scope="module")
def two_arms():
    """band_loop_raise with both arms, a sensor on the right shoulder blade only: two shrugs and a lean."""
    worn = (*ARMS, "sternum", "right_acromion")
    faults = {3: ("trunk_moved",)}
    one_sided = {"right": {2: ("shrug",), 5: ("shrug",)}, "left": {4: ("shrug",)}}
    scenario = drill_scenario(
        "band_loop_raise", "both", placements=worn, rate_hz=50.0, reps=6, faults=faults, faults_by_side=one_sided
    )
    run = simulate(scenario, 4)
    return run, analyse(run.recording)


def test_shrugs_are_found_and_the_lean_beside_them_is_not_one(two_arms):
    _, analysis = two_arms
    table = reps_table(analysis)
    found = {
        side: [row.rep for row in table[table.side == side].itertuples() if "shrug" in row.faults.split(";")]
        for side in ("right", "left")
    }
    assert found == {"right": [2, 5], "left": []}
    right = table[table.side == "right"].set_index("rep")
    assert right.shrug_deg[[2, 5]].between(9, 15).all()
    assert right.shrug_deg[[1, 3, 4, 6]].abs().max() < 2.5
    assert right.scapula_share_pct[[1, 4, 6]].between(25, 36).all()
    assert table[table.side == "left"].shrug_deg.isna().all()


def test_upward_rotation_agrees_with_the_truth_within_its_stated_sd(two_arms):
    run, analysis = two_arms
    columns = angles_table(analysis)
    rows = slice(*analysis.sets[0].arm_set.rows)
    true_deg = np.interp(analysis.aligned.time_s, run.truth.time_s, run.truth.angles["right"]["scapula_deg"])
    error = (columns["right_scapula_up_deg"] - true_deg)[rows]
    assert abs(error).max() < 3.0
    assert error.std() < 1.0
    assert (abs(error) < 2 * columns["right_scapula_up_deg_sd"][rows]).all()
    assert "left_scapula_up_deg" not in columns


def test_a_stream_shows_upward_rotation_too_where_the_blade_has_a_sensor():
    worn = ("right_upper_arm", "right_acromion", "sternum")
    run = simulate(drill_scenario("band_loop_raise", placements=worn, rate_hz=50.0, reps=2), 4)
    analysis = analyse(run.recording, replace(Params(), afterwards=False))
    true_deg = np.interp(analysis.aligned.time_s, run.truth.time_s, run.truth.angles["right"]["scapula_deg"])
    columns = analysis.arms["right"].angles
    rows = slice(*analysis.sets[0].arm_set.rows)
    error = (columns["scapula_up_deg"] - true_deg)[rows]
    assert np.isfinite(error).all()
    assert np.abs(error).max() < 3.0
    assert (np.abs(error) < 2 * analysis.arms["right"].sd["scapula_up_deg"][rows]).all()


def test_the_report_says_of_which_shoulder_shrugging_was_not_seen(two_arms):
    _, analysis = two_arms
    lines = [line for line in summarise(analysis)["not_seen"] if "hrugging" in line]
    assert len(lines) == 1
    assert "left" in lines[0]
    assert "right" not in lines[0]


def test_the_criterion_names_the_shrugged_reps_and_is_there_only_with_the_sensor(two_arms):
    """In the rep with the lean the trunk's share of the tilt is too unsure to judge a shrug."""
    _, analysis = two_arms
    by_side = {entry["side"]: entry for entry in summarise(analysis)["sets"]}
    (row,) = (c for c in by_side["right"]["criteria"] if c["name"] == "shrug")
    assert (row["missed"], row["met"], row["unknown"]) == ([2, 5], [1, 4, 6], [3])
    assert row["share"] == pytest.approx(3 / 5)
    assert row["numbers"]["shrug_deg"]["n"] == 6
    assert not any(c["name"] == "shrug" for c in by_side["left"]["criteria"])
    right, left = (criteria(by_side[side]) for side in ("right", "left"))
    assert any(
        "3 of 5 reps; missed: reps 2 and 5; not judged: rep 3" in line and mark == "part" for line, mark in right
    )
    assert (SHRUG_UNSEEN, "unseen") in left


def test_overhead_without_a_sternum_sensor_shrugs_are_said_not_to_be_judged():
    """Half of the lift is beyond the method's reach, and an unseen trunk may have leaned as far as the rest shows."""
    scenario = drill_scenario(
        "overhead_short_arc", "left", placements=(*ARMS, "left_acromion"), rate_hz=50.0, reps=6, faults={2: ("shrug",)}
    )
    analysis = analyse(simulate(scenario, 0).recording)
    summary = summarise(analysis)
    (row,) = (c for c in summary["sets"][0]["criteria"] if c["name"] == "shrug")
    assert (row["met"], row["missed"]) == ([], [])
    assert len(row["unknown"]) == 6
    assert row["share"] is None
    assert any("left shoulder in set 1: not judged" in line and "breastbone" in line for line in summary["not_seen"])


@pytest.mark.parametrize("seed", [2, 6])
def test_a_lean_that_no_sensor_sees_is_not_taken_for_a_shrug(seed):
    """Persons of the second simulator lean by 16 deg in rep 5 and shrug by 12 in rep 2: alike without the sternum."""
    plan = SetPlan("full_can", "right", 6, faults={2: (Fault("shrug", 12.0),), 5: (Fault("trunk_moved", 8.0),)})
    rows, summaries = {}, {}
    for sternum in (True, False):
        worn = session(person(seed, "table"), [plan], arms=("right",), sternum=sternum, acromion=True)
        summaries[sternum] = summarise(analyse(perform(worn)[0]))
        (rows[sternum],) = (c for c in summaries[sternum]["sets"][0]["criteria"] if c["name"] == "shrug")
    assert rows[True]["missed"] == [2]
    assert (rows[False]["missed"], rows[False]["met"]) == ([], [])
    said = [line for line in summaries[False]["not_seen"] if "hrugging" in line]
    assert any("in set 1: not judged" in line and "breastbone" in line for line in said)


def test_the_report_says_what_gravity_alone_and_the_reach_leave_open():
    worn = ("right_wrist", "right_upper_arm", "right_acromion", "left_acromion")
    scenario = drill_scenario("overhead_short_arc", placements=worn, rate_hz=50.0, reps=2)
    analysis = analyse(simulate(scenario, 1).recording)
    assert list(analysis.arms) == ["right"]
    assert analysis.arms["right"].scapula_reference == "gravity"
    lines = [line for line in summarise(analysis)["not_seen"] if "hrugging" in line]
    assert any("gravity" in line for line in lines)
    assert any("above 120 deg" in line for line in lines)
    assert any("too few reps" in line for line in lines)
    assert any("left" in line and "upper arm" in line for line in lines)


# The bone data that the simulators follow: upward rotation as a share of elevation from 30 to 120 deg, percent. Median
# of eleven in-vivo studies, quarter to quarter 25 to 34, SD between people 5 to 6 (fluoroscopy, n = 20). Read from the
# Spartacus collection: article doi 10.1016/j.jbiomech.2025.112642, data doi 10.5281/zenodo.11455521.
BONE_MEDIAN_PCT, BONE_SD_PCT = 31.5, (5.0, 6.0)


def first_simulator_share_pct(seed):
    """From the true angles of the set that goes furthest up; every seed another person of the coverage tables."""
    athlete = Athlete() if seed is None else any_person(seed)[0]
    scenario = drill_scenario("overhead_short_arc", athlete=athlete, placements=(), reps=1)
    angles = simulate(scenario, seed or 0).truth.angles["right"]
    return share_pct(angles["elevation_deg"], angles["scapula_deg"])


def second_simulator_share_pct(seed):
    who = person(seed, "table")
    plan = SetPlan("overhead_short_arc", "right", 1, start_inside=True)
    _, truth = perform(session(who, [plan], arms=(), sternum=False))
    return share_pct(truth.angles["right"]["elevation_deg"], truth.angles["right"]["scapula_up_deg"])


def share_pct(elevation_deg, up_deg):
    """From where the arm was within 2 deg of 30 and of 120."""
    at = [np.median((up_deg - 0.3 * (elevation_deg - e))[np.abs(elevation_deg - e) < 2]) for e in (30, 120)]
    return 100 * (at[1] - at[0]) / 90


def test_the_first_simulators_usual_athlete_has_the_bone_datas_median():
    assert first_simulator_share_pct(None) == pytest.approx(BONE_MEDIAN_PCT, abs=0.2)


@pytest.mark.parametrize("share_of", [first_simulator_share_pct, second_simulator_share_pct])
def test_both_simulators_follow_the_bone_data(share_of):
    found = np.array([share_of(seed) for seed in range(30)])
    # Of 30 persons the median is known to 1.3 and the SD to 0.7: twice that is allowed.
    assert np.median(found) == pytest.approx(BONE_MEDIAN_PCT, abs=2.6)
    assert BONE_SD_PCT[0] - 1.4 < found.std(ddof=1) < BONE_SD_PCT[1] + 1.4
