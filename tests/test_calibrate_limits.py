"""What a calibration needs at least and bears at most: how far raised, how far turned, how still, how alike mounted."""

from __future__ import annotations

from dataclasses import asdict

import numpy as np
import pytest
from scipy.spatial.transform import Rotation
from test_calibrate import turning

from imu_shoulder.calibrate.functional import bending_heading, pointing_heading, turning_axis
from imu_shoulder.calibrate.mounting import MountingParams
from imu_shoulder.calibrate.pose import CalibrateParams, find_pose
from imu_shoulder.calibrate.slip_model import SlipParams
from imu_shoulder.errors import CalibrationError
from imu_shoulder.frames import quat_from_rotation
from imu_shoulder.model import Event
from imu_shoulder.orient.attitude import Attitude
from imu_shoulder.orient.bias import BiasTrack, StillnessParams
from imu_shoulder.orient.moments import HeadingParams
from imu_shoulder.orient.offset import OffsetParams


@pytest.mark.parametrize("top_deg", [45.0, 90.0])
@pytest.mark.parametrize("forward_deg", [-120.0, 25.0])
def test_an_arm_that_is_raised_half_way_shows_forward_as_well(top_deg, forward_deg):
    """Who cannot raise it further has a forward direction too. The bone's axis points from the elbow to the shoulder:
    of an arm raised by e towards heading h it is (-sin e cos h, -sin e sin h, cos e)."""
    elevation, heading = np.radians(top_deg) * np.sin(np.linspace(0, np.pi, 300)), np.radians(forward_deg)
    axis = np.array([-np.sin(elevation) * np.cos(heading), -np.sin(elevation) * np.sin(heading), np.cos(elevation)]).T
    found = pointing_heading(axis)
    assert found is not None
    assert np.degrees(found.heading_rad) == pytest.approx(forward_deg, abs=0.01)


@pytest.mark.parametrize("right_deg", [-160.0, 20.0])
@pytest.mark.parametrize("speed_deg_s", [5.0, 60.0])
def test_a_bent_elbow_shows_forward_however_slowly_it_was_bent(speed_deg_s, right_deg):
    """To 60 deg and back, about an axis that points to the body's right: forward is a quarter turn to its left."""
    rows = round(60 / speed_deg_s * 50)
    bent_deg = np.interp(np.arange(2 * rows), [0, rows, 2 * rows], [0.0, 60.0, 0.0])
    right = np.array([np.cos(np.radians(right_deg)), np.sin(np.radians(right_deg)), 0.0])
    rate = np.outer(np.gradient(np.radians(bent_deg)) * 50, right)
    found = bending_heading(rate, np.cos(np.radians(bent_deg)), 50.0)
    assert found is not None
    assert np.degrees(found.heading_rad) == pytest.approx(right_deg + 90.0, abs=0.1)


def test_where_an_overhead_arm_points_says_nothing_of_forward():
    """Raised forward to 160 deg, and round the vertical while it is above 130: the heading is that of the raise."""
    elevation = np.radians(np.concatenate([np.linspace(0, 130, 200), np.full(400, 160.0), np.linspace(130, 0, 200)]))
    heading = np.radians(np.concatenate([np.full(200, 25.0), np.linspace(25, 160, 400), np.full(200, 25.0)]))
    axis = np.array([-np.sin(elevation) * np.cos(heading), -np.sin(elevation) * np.sin(heading), np.cos(elevation)]).T
    found = pointing_heading(axis)
    assert found is not None
    assert np.degrees(found.heading_rad) == pytest.approx(25.0, abs=0.01)


def test_a_swaying_arm_shows_no_forward():
    elevation = np.radians(20.0) * np.sin(np.linspace(0, np.pi, 300))
    assert pointing_heading(np.array([-np.sin(elevation), 0 * elevation, np.cos(elevation)]).T) is None


@pytest.mark.parametrize(("rows", "shown"), [(19, False), (20, True)])
def test_an_arm_that_is_raised_for_twenty_rows_shows_forward(rows, shown):
    """Of anything less the direction is chance. Raised by 60 deg, before and after it hangs."""
    elevation = np.radians(np.pad(np.full(rows, 60.0), 50))
    found = pointing_heading(np.array([-np.sin(elevation), 0 * elevation, np.cos(elevation)]).T)
    assert (found is not None) is shown


def test_an_arm_that_turned_by_300_deg_in_all_has_an_axis_of_turning():
    """docs/design_choices.md: "by 300 deg or more in all". It turns by 60 |sin t| deg/s, 38 deg/s in the mean."""
    rate = turning(np.array([0.0, 1.0, 0.0]), 1.0, 4)
    turned_deg = np.cumsum(60 * np.abs(np.sin(np.arange(0, 20, 0.02)))) * 0.02
    assert turning_axis(rate[: np.searchsorted(turned_deg, 260.0)], 50.0) is None
    assert turning_axis(rate[: np.searchsorted(turned_deg, 400.0)], 50.0) is not None


def test_what_swings_more_than_it_turns_has_no_say_in_the_axis_of_turning():
    """20 s about the bone, 5 deg from where it hung, and 8 s about an axis 45 deg from it."""
    bone, between = Rotation.from_euler("x", [[5.0], [50.0]], degrees=True).apply([0.0, 1.0, 0.0])
    rate = np.radians(60.0) * np.concatenate([np.tile(bone, (1000, 1)), np.tile(between, (400, 1))])
    found = turning_axis(rate, 50.0)
    assert found is not None
    assert found.tilt_deg == pytest.approx(5.0, abs=0.01)


@pytest.mark.parametrize(("sway_deg", "still"), [(1.0, True), (2.5, True), (4.0, False), (5.5, False)])
def test_a_pose_that_sways_by_3_deg_is_no_pose(sway_deg, still):
    """CalibrateParams.max_sway_deg; standing people sway by about a third of a degree (common practice), 2.5 deg of
    standard deviation is a person who fidgets."""
    time_s = np.arange(0, 5, 0.02)
    leant_rad = np.sqrt(2) * np.radians(sway_deg) * np.sin(2 * np.pi * 0.4 * time_s)
    leant = Rotation.from_rotvec(np.outer(leant_rad, [1.0, 0.0, 0.0]))
    bias = BiasTrack(np.zeros(0), np.zeros((0, 3)), np.zeros(0))
    seen = np.ones(len(time_s), dtype=bool)
    attitude = Attitude("right_wrist", quat_from_rotation(leant), np.zeros((len(time_s), 3)), seen, bias)
    events = [Event(0.0, 5.0, "neutral_pose")]
    if still:
        pose = find_pose(time_s, {"right_wrist": attitude}, events, None, CalibrateParams())
        assert pose.sway_deg["right_wrist"] == pytest.approx(sway_deg, rel=0.05)
    else:
        with pytest.raises(CalibrationError, match="right_wrist moves by"):
            find_pose(time_s, {"right_wrist": attitude}, events, None, CalibrateParams())


@pytest.mark.parametrize(
    "params", [SlipParams(), MountingParams(), HeadingParams(), StillnessParams(), OffsetParams()], ids=type
)
def test_angles_among_the_limits_are_radians(params):
    """No limit on a limb's or a body's turn is more than half a turn, save what a movement adds up to; none on
    stillness or drift is a turn in two seconds."""
    for name, value in asdict(params).items():
        if name.endswith(("_rad", "_rad_s")) and name != "turned_rad":
            assert 0 < value <= np.pi, name


def pose_of(attitudes, event):
    time_s = np.arange(len(attitudes[0].valid)) / 50
    return find_pose(time_s, {own.placement: own for own in attitudes}, [event], None, CalibrateParams())


def at_rest(placement, earth_from_sensor, rows=300):
    bias = BiasTrack(np.zeros(0), np.zeros((0, 3)), np.zeros(0))
    quat = np.tile(quat_from_rotation(earth_from_sensor), (rows, 1))
    return Attitude(placement, quat, np.zeros((rows, 3)), np.ones(rows, dtype=bool), bias)


def test_a_pose_may_be_just_as_long_as_is_asked():
    least_s, hanging = CalibrateParams().min_pose_s, at_rest("right_wrist", Rotation.identity())
    pose = pose_of([hanging], Event(1.0, least_s, "neutral_pose"))
    assert (pose.start_s, pose.end_s) == (1.0, 1.0 + least_s)
    assert pose.marked is True
    with pytest.raises(CalibrationError, match="or more"):
        pose_of([hanging], Event(1.0, least_s - 0.1, "neutral_pose"))


def test_a_sensor_that_does_not_move_sways_by_nothing_however_it_is_mounted():
    """The scalar product of a direction with itself is 1 but for rounding, to either side."""
    for k, mounting in enumerate(Rotation.random(60, random_state=1)):
        sway_deg = pose_of([at_rest("right_wrist", mounting)], Event(0.0, 5.0, "neutral_pose")).sway_deg
        assert sway_deg["right_wrist"] == pytest.approx(0.0, abs=1e-4), k
