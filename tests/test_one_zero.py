"""A recording with the neutral pose alone: nothing it says may depend on how the sensors are turned on their straps.

The truth is the simulator's. Where no movement showed forward, rotation counts from the pose by either of its sources.
"""

from __future__ import annotations

from dataclasses import replace
from functools import cache

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.spatial.transform import Rotation

from imu_shoulder.analysis import Analysis, Params
from imu_shoulder.calibrate.functional import LEAST_POINTER_SD_RAD, POINTER_SD_RAD, pointer_zero
from imu_shoulder.calibrate.model import SKIN_SHARE, SKIN_SHARE_SD, SegmentAxes
from imu_shoulder.calibrate.store import calibration_document, read_calibration, write_calibration
from imu_shoulder.frames import quat_from_rotation
from imu_shoulder.model import Recording
from imu_shoulder.pipeline import analyse
from imu_shoulder.segment.model import rows_between
from imu_shoulder.simulate import Athlete, Pause, Scenario, SetScript, Simulated, simulate
from imu_shoulder.simulate.scenarios import CALIBRATION

MOUNTINGS = range(6)
ANGLES = ("elevation_deg", "elevation_gravity_deg", "rotation_deg", "elbow_deg", "forearm_elevation_deg")


def only(recording: Recording, *trial_types: str) -> Recording:
    """The recording with its pose, its sets and these movements."""
    kept = ("neutral_pose", "set", *trial_types)
    return replace(recording, events=tuple(e for e in recording.events if e.trial_type in kept))


@cache
def recorded(drills: tuple[str, ...], mounting: int, side: str = "right", seed: int = 1, **knobs: float) -> Simulated:
    """Calibration movements and two reps of each drill, the two sensors of an arm strapped on in one of many ways."""
    rng = np.random.default_rng(100 + mounting)
    arm = (f"{side}_wrist", f"{side}_upper_arm")
    sets = [part for drill in drills for part in (Pause(3, "stand"), SetScript(drill, side, reps=2, **knobs))]
    scenario = Scenario(
        athlete=Athlete(),
        blocks=(*CALIBRATION, *sets, Pause(2, "stand")),
        placements=arm,
        rate_hz=50.0,
        mountings={placement: tuple(quat_from_rotation(Rotation.random(rng=rng))) for placement in arm},
    )
    return simulate(scenario, seed=seed)


def rows_of_set(analysis: Analysis, number: int = 1) -> slice:
    return slice(*next(s.arm_set.rows for s in analysis.sets if s.arm_set.number == number))


def off_deg(run: Simulated, analysis: Analysis, rows: slice, side: str, column: str) -> np.ndarray:
    """Wrapped error of an angle."""
    truth = np.interp(analysis.aligned.time_s[rows], run.truth.time_s, run.truth.angles[side][column])
    return (analysis.arms[side].angles[column][rows] - truth + 180.0) % 360.0 - 180.0


@pytest.mark.parametrize("afterwards", [True, False], ids=["afterwards", "as live"])
@pytest.mark.parametrize(("side", "seed"), [("right", 1), ("left", 2), ("right", 4)])
def test_both_sources_of_the_rotation_have_one_zero_for_every_mounting(side, seed, afterwards):
    """Row, rotate, press: the elbow goes from bent to nearly straight and back, and the source changes with it.

    Errors of pose, skin and tilt are allowed, as large as with all movements; not the tens of an arbitrary turn.
    """
    found = []
    for mounting in MOUNTINGS:
        # Live the pointer's zero is known once a set with a bent elbow is over.
        rows_and_presses = ("row_rotate_press",) * (1 if afterwards else 2)
        run = recorded(("full_can", *rows_and_presses), mounting, side, seed)
        analysis = analyse(only(run.recording), Params(afterwards=afterwards))
        arm, rows = analysis.arms[side], rows_of_set(analysis, 1 + len(rows_and_presses))
        off, share = off_deg(run, analysis, rows, side, "rotation_deg"), arm.rotation_from_forearm[rows]
        passing = (share > 0.0) & (share < 1.0)
        assert min((share == 0.0).sum(), (share == 1.0).sum(), passing.sum()) > 30
        assert np.abs(off[passing]).max() < 30.0
        found.append((np.median(off[share == 0.0]), np.median(off[share == 1.0])))
        sd = arm.sd["rotation_deg"][rows]
        assert np.mean(np.abs(off) <= 1.96 * sd) >= 0.95
        # Arms that went to and fro, unmarked, may be a person who walked and turned: that comes on top.
        facing_sd = np.median(arm.hidden["heading_sd_deg"][rows])
        assert np.median(sd) < np.hypot(15.0, facing_sd)
    sensor, pointer = np.array(found).T
    assert np.abs(sensor).max() < 20.0
    # Live hangs on the pose and on fewer reps.
    assert np.abs(pointer).max() < (10.0 if afterwards else 15.0)
    # What is left of the headings' drift differs by mounting, live more than afterwards.
    assert np.ptp(sensor) < (8.0 if afterwards else 15.0)
    assert np.ptp(pointer) < 8.0


@pytest.mark.parametrize("mounting", MOUNTINGS)
@pytest.mark.parametrize("drill", ["row_rotate", "row_rotate_press"])
def test_sets_in_which_the_elbow_moves_along_join_the_sensors_as_well_as_they_say_or_not_at_all(drill, mounting):
    """They can look as if they turned as one about a line 23 deg off: an elbow read from that is 30 deg off."""
    run = recorded((drill,), mounting)
    analysis = analyse(only(run.recording))
    arm, rows = analysis.arms["right"], rows_of_set(analysis)
    if analysis.calibration.arms["right"].joined:
        off, sd = off_deg(run, analysis, rows, "right", "elbow_deg"), arm.sd["elbow_deg"][rows]
        assert np.nanmean(np.abs(off) <= 1.96 * sd) >= 0.9
        assert np.sqrt(np.nanmean(off**2)) < 8.0
    else:
        assert "elbow_deg" not in arm.angles
        assert arm.rotation_from_forearm[rows].max() == 0.0


@pytest.mark.parametrize("drill", ["full_can", "overhead_short_arc", "sidelying_external_rotation"])
def test_an_elbow_from_how_the_sensors_turn_in_the_sets_is_within_its_stated_error(drill):
    """At the tops, where a set is judged."""
    off, sd = [], []
    for seed in range(3):
        run = recorded((drill,), 0, seed=seed)
        analysis = analyse(only(run.recording))
        for judged in analysis.sets[0].judged:
            rows = rows_between(analysis.aligned.time_s, judged.rep.top_start_s, judged.rep.top_end_s)
            off.append(off_deg(run, analysis, rows, "right", "elbow_deg"))
            sd.append(analysis.arms["right"].sd["elbow_deg"][rows])
    assert len(off) == 6
    assert np.mean(np.abs(np.concatenate(off)) <= 1.96 * np.concatenate(sd)) >= 0.95


@settings(max_examples=8)
@given(
    drills=st.sampled_from([("full_can", "row_rotate_press"), ("sidelying_external_rotation",)]),
    seed=st.integers(0, 10_000),
)
def test_how_sensors_are_strapped_on_changes_no_angle_of_a_pose_alone(drills, seed):
    """Both sensors of one recording turned on their straps by anything: the same angles within a degree."""
    rng = np.random.default_rng(seed)
    recording = only(recorded(drills, 0).recording)
    turned = {}
    for placement, stream in recording.streams.items():
        mounting = Rotation.random(rng=rng)
        acc, gyr = (np.ascontiguousarray(mounting.apply(v)) for v in (stream.acc_m_s2, stream.gyr_rad_s))
        turned[placement] = replace(stream, acc_m_s2=acc, gyr_rad_s=gyr)
    before, after = analyse(recording), analyse(replace(recording, streams=turned))
    rows = rows_of_set(before, len(drills))
    for column in ANGLES:
        old, new = (a.arms["right"].angles[column][rows] for a in (before, after))
        np.testing.assert_array_equal(np.isfinite(old), np.isfinite(new))
        if np.isfinite(old).any():
            moved = (new - old + 180.0) % 360.0 - 180.0
            assert np.sqrt(np.nanmean(moved**2)) < 1.0, column
    for a in (before, after):
        arm = a.arms["right"]
        assert not {"plane_deg", "thumb_up_deg", "forearm_deg"} & set(arm.angles)
        assert not {"isb_plane_deg", "isb_axial_deg"} & set(arm.hidden)


@pytest.mark.parametrize("mounting", MOUNTINGS)
def test_elbow_bends_say_nothing_of_the_upper_arms_forward_where_the_two_are_not_joined(mounting):
    """Turning about the vertical does not join the sensors: the plane would be any, by the mounting alone."""
    run = recorded(("band_external_rotation",), mounting, seed=4)
    analysis = analyse(only(run.recording, "elbow_bends"))
    arm, calibration = analysis.arms["right"], analysis.calibration.arms["right"]
    assert not calibration.joined
    assert not {"plane_deg", "elbow_deg", "forearm_deg", "isb_plane_deg"} & (set(arm.angles) | set(arm.hidden))
    # What the wrist's own bends show stays, and what needs no forward.
    for column, limit in {"thumb_up_deg": 15.0, "rotation_deg": 15.0}.items():
        rows = rows_of_set(analysis)
        assert np.abs(np.median(off_deg(run, analysis, rows, "right", column))) < limit, column
        assert np.median(arm.sd[column][rows]) < 15.0, column


def test_a_stored_pose_alone_keeps_its_one_zero(tmp_path):
    """The zero of the pointer is part of the calibration file, and of what is read from it."""
    run = recorded(("full_can", "row_rotate_press"), 2)
    once = analyse(only(run.recording))
    document = calibration_document(run.recording, once.calibration, once.aligned.time_s, once.attitudes, once.findings)
    write_calibration(document, tmp_path / "calibration.json")
    again = analyse(only(run.recording), stored=read_calibration(tmp_path / "calibration.json"))
    kept, fresh = (a.calibration.arms["right"] for a in (again, once))
    assert kept.pointer_sd_deg == fresh.pointer_sd_deg is not None
    assert kept.points
    assert not kept.forward_known
    off = again.arms["right"].angles["rotation_deg"] - once.arms["right"].angles["rotation_deg"]
    assert np.nanmedian(np.abs((off + 180.0) % 360.0 - 180.0)) < 0.5


# The zero of the pointer by itself.


def about_y(degrees: np.ndarray | float) -> Rotation:
    return Rotation.from_rotvec(np.multiply.outer(np.radians(degrees), [0.0, 1.0, 0.0]))


def axes(segment: Rotation) -> SegmentAxes:
    return SegmentAxes(segment.apply([1.0, 0.0, 0.0]).T, segment.apply([0.0, 1.0, 0.0]).T)


def bent_arm(rotation_deg: np.ndarray, skin: float, facing_deg: float) -> tuple[SegmentAxes, SegmentAxes]:
    """A hanging right arm with the elbow at 90 deg, against a body that is said to face facing_deg to the left of where
    it does. skin: the share of the rotation that the upper arm's sensor shows.
    """
    # The sensor's seat was found in the pose: its own axis stood along the said forward.
    sensor = about_y(-skin * rotation_deg)
    forearm = about_y(-facing_deg) * about_y(-rotation_deg) * Rotation.from_euler("Z", 90, degrees=True)
    return axes(sensor), axes(forearm)


@given(st.floats(-170, 170), st.floats(0.55, 0.95), st.integers(0, 100))
def test_the_pointers_zero_is_where_the_upper_arm_is_turned_as_in_the_pose(facing_deg, skin, seed):
    rng = np.random.default_rng(seed)
    turned = rng.uniform(-45, 60) + rng.uniform(10, 35) * np.sin(np.linspace(0, 40, 1500))
    found = pointer_zero(*bent_arm(turned, skin, facing_deg), 50.0)
    assert found is not None
    off = (np.degrees(found.zero_rad) - facing_deg + 180.0) % 360.0 - 180.0
    assert abs(off) <= 2.5 * np.degrees(found.sd_rad)


def test_a_straight_elbow_and_two_that_do_not_go_together_have_no_zero():
    humerus, forearm = bent_arm(np.linspace(-40, 40, 500), 0.7, 30.0)
    assert pointer_zero(humerus, forearm, 50.0) is not None
    assert pointer_zero(humerus, humerus, 50.0) is None
    around = bent_arm(np.linspace(-180, 180, 500), 0.7, 30.0)[1]
    assert pointer_zero(humerus, around, 50.0) is None


@pytest.mark.parametrize("turned_deg", [-60.0, 20.0, 60.0])
def test_an_arm_that_was_turned_all_the_while_leaves_the_zero_as_unsure_as_what_skin_hides(turned_deg):
    """One posture shows the sum of the zero and of what the sensor did not see of the turning: how far persons differ
    in that share is all that parts the two."""
    found = pointer_zero(*bent_arm(np.full(3000, turned_deg), SKIN_SHARE, 0.0), 50.0)
    assert found is not None
    assert np.degrees(found.zero_rad) == pytest.approx(0.0, abs=0.1)
    hidden_deg = turned_deg * SKIN_SHARE_SD / SKIN_SHARE
    of_a_minute_deg = np.degrees(POINTER_SD_RAD) / np.sqrt(60)
    least_deg = np.degrees(LEAST_POINTER_SD_RAD)
    assert np.degrees(found.sd_rad) == pytest.approx(
        np.hypot(np.hypot(hidden_deg, of_a_minute_deg), least_deg), rel=0.02
    )
