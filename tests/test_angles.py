"""Clinical angles of known postures, the forearm pointer, and the hand-over between its two sources."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray
from scipy.spatial.transform import Rotation

from imu_shoulder.angles.joint import ISB_COLUMNS, AngleParams, ArmAngles, arm_angles, skin_of
from imu_shoulder.calibrate.model import ArmCalibration, SensorCalibration
from imu_shoulder.frames import EARTH_FROM_STANDING, heading_rotation, quat_from_rotation, rotation_from_quat, side_sign
from imu_shoulder.model import SIDES, Side
from imu_shoulder.orient.attitude import Attitude
from imu_shoulder.orient.bias import StillnessParams, track_bias

Array = NDArray[np.float64]
X, Y, Z = np.eye(3)
RATE_HZ = 100.0
# Where the person faces, and how the two sensors are strapped on: anything, as long as calibration knows it.
FACING_RAD = 0.8
MOUNTED = {
    "upper_arm": Rotation.from_euler("XYZ", [20, -70, 130], degrees=True),
    "wrist": Rotation.from_euler("XYZ", [-160, 35, 10], degrees=True),
    "sternum": Rotation.from_euler("XYZ", [5, 80, -40], degrees=True),
}
NO_BIAS = track_bias([], RATE_HZ, StillnessParams())


def worked_out(arm, attitudes, carrying_deg: float = 0.0) -> ArmAngles:
    """The arm's angles, the skin's share as the rows themselves tell it. carrying_deg: that the arm was built with."""
    params = AngleParams(carrying_deg=carrying_deg)
    return arm_angles(arm, attitudes, skin_of(arm, attitudes, RATE_HZ, params), params)


def seen_by(placement: str, standing_from_segment: Rotation) -> tuple[Attitude, SensorCalibration]:
    """What a sensor strapped on somehow shows of a segment (N,), and the calibration that knows how it sits."""
    sensor_from_segment = MOUNTED[placement.removeprefix("right_").removeprefix("left_")]
    earth_from_sensor = (
        heading_rotation(FACING_RAD) * EARTH_FROM_STANDING * standing_from_segment * sensor_from_segment.inv()
    )
    quat = quat_from_rotation(earth_from_sensor)
    attitude = Attitude(placement, quat, np.zeros((len(quat), 3)), np.ones(len(quat), dtype=bool), NO_BIAS)
    return attitude, SensorCalibration(placement, quat_from_rotation(sensor_from_segment), FACING_RAD)


def angles_of(
    side: Side,
    humerus: Rotation,
    forearm: Rotation | None = None,
    *,
    skin: Rotation | None = None,
    thorax: Rotation | None = None,
    carrying_deg: float = 0.0,
) -> ArmAngles:
    """Angles for bones given in the axes of someone standing, (N,) each. skin: how the upper-arm sensor turns off."""
    bones = {f"{side}_upper_arm": humerus if skin is None else humerus * skin}
    bones |= {} if forearm is None else {f"{side}_wrist": forearm}
    bones |= {} if thorax is None else {"sternum": thorax}
    attitudes, seats = {}, {}
    for placement, bone in bones.items():
        attitudes[placement], seats[placement] = seen_by(placement, bone)
    return worked_out(calibrated(side, seats), attitudes, carrying_deg)


def calibrated(side: Side, seats: Mapping[str, SensorCalibration]) -> ArmCalibration:
    """An arm whose sensors' seats are all known."""
    upper, wrist, trunk = (seats.get(p) for p in (f"{side}_upper_arm", f"{side}_wrist", "sternum"))
    return ArmCalibration(
        side,
        upper,
        wrist,
        ("neutral_pose",),
        joined=wrist is not None,
        trunk=trunk,
        trunk_joined=trunk is not None,
    )


def about(axis: Array, *angles_deg: float) -> Rotation:
    return Rotation.from_rotvec(np.multiply.outer(np.radians(angles_deg), axis))


def value(found: ArmAngles, name: str) -> float:
    return float(found.angles[f"{name}_deg"][0])


# Physical truths: postures a person can be put into. Outward and backward are found by geometry, not by the code.


def posture(side: Side, name: str) -> tuple[Rotation, Rotation]:
    """Humerus and forearm of one named posture, in the standing body's axes: x forward, y up, z right."""
    out = side_sign(side)  # the body's outward direction on this side is out * z
    if name == "hanging":
        return about(Y, 0), about(Y, 0)
    if name == "abduction 90":  # the arm straight out to the side, thumb forward
        return about(X, -90 * out), about(X, -90 * out)
    if name == "flexion 90":  # the arm straight forward, thumb up
        return about(Z, 90), about(Z, 90)
    if name == "elbow 90":  # the upper arm hangs, the forearm points forward, thumb up
        return about(Y, 0), about(Z, 90)
    if name == "external rotation 40":  # as before, forearm turned 40 deg outward
        turned = about(Y, -40 * out)
        return turned, turned * about(Z, 90)
    if name == "internal rotation 30":
        turned = about(Y, 30 * out)
        return turned, turned * about(Z, 90)
    if name == "palm down":  # elbow 90, forearm turned in by 50 deg
        return about(Y, 0), about(Z, 90) * about(Y, 50 * out)
    if name == "full can":  # 90 deg up in a plane 35 deg in front of the side, thumb to the ceiling
        raised = about(Y, 35 * out) * about(X, -90 * out) * about(Y, -90 * out)
        return raised, raised
    if name == "thumb down":  # the same arm with the thumb to the floor
        raised = about(Y, 35 * out) * about(X, -90 * out) * about(Y, 90 * out)
        return raised, raised
    raise KeyError(name)


KNOWN = {
    "hanging": {"elevation": 0, "elbow": 0, "thumb_up": 0, "forearm_elevation": 0},
    "abduction 90": {"elevation": 90, "plane": 0, "elbow": 0, "thumb_up": 0, "forearm_elevation": 90},
    "flexion 90": {"elevation": 90, "plane": 90, "elbow": 0, "thumb_up": 90, "rotation": 0},
    "elbow 90": {"elevation": 0, "elbow": 90, "rotation": 0, "forearm": 0, "thumb_up": 90, "forearm_elevation": 90},
    "external rotation 40": {"elevation": 0, "elbow": 90, "rotation": 40, "forearm": 0},
    "internal rotation 30": {"elevation": 0, "elbow": 90, "rotation": -30, "forearm": 0},
    "palm down": {"elevation": 0, "elbow": 90, "rotation": 0, "forearm": 50, "thumb_up": 40},
    "full can": {"elevation": 90, "plane": 35, "elbow": 0, "thumb_up": 90},
    "thumb down": {"elevation": 90, "plane": 35, "elbow": 0, "thumb_up": -90},
}


@pytest.mark.parametrize("side", SIDES)
@pytest.mark.parametrize("name", KNOWN)
def test_known_postures_have_the_same_clinical_angles_on_both_sides(name, side):
    found = angles_of(side, *posture(side, name))
    for angle, expected in KNOWN[name].items():
        assert value(found, angle) == pytest.approx(expected, abs=1e-4), angle


@pytest.mark.parametrize("side", SIDES)
def test_the_postures_are_the_ones_they_are_named_after(side):
    """The bones point where the names say, in plain axes: a check of the check."""
    out = side_sign(side) * Z
    for name, points, thumb in (
        ("abduction 90", out, X),
        ("flexion 90", X, Y),
        ("full can", np.cos(np.radians(35)) * out + np.sin(np.radians(35)) * X, Y),
        ("external rotation 40", np.cos(np.radians(40)) * X + np.sin(np.radians(40)) * out, Y),
    ):
        _, forearm = posture(side, name)
        np.testing.assert_allclose(forearm.apply(-Y)[0], points, atol=1e-12)
        np.testing.assert_allclose(forearm.apply(X)[0], thumb, atol=1e-12)


def test_the_plane_is_left_empty_where_it_means_nothing():
    """Under 15 and over 165 deg of elevation."""
    elevations = (5, 14, 16, 90, 164, 166, 175)
    found = angles_of("right", about(Z, *elevations))
    np.testing.assert_array_equal(
        np.isfinite(found.angles["plane_deg"]), [False, False, True, True, True, False, False]
    )
    np.testing.assert_allclose(found.angles["elevation_deg"], elevations, atol=1e-4)


def test_the_isb_triple_is_kept_for_researchers():
    """90 deg of forward flexion is (90, -90, -90) by ISB: plane, elevation, axial rotation (Wu et al. 2005; the
    worked triple by SciPy's own sequence)."""
    found = angles_of("right", about(Z, 90))
    triple = [found.hidden[name][0] for name in ISB_COLUMNS]
    again = Rotation.from_euler("YXY", triple, degrees=True)
    assert triple[0] == pytest.approx(90, abs=1e-4)
    assert triple[1] == pytest.approx(-90, abs=1e-4)
    assert (again * about(Z, 90)[0].inv()).magnitude() < 1e-6


def test_a_gap_in_either_sensor_is_a_gap_in_what_needs_both():
    humerus, forearm = about(Z, 0, 0, 0), about(Z, 90, 90, 90)
    upper_attitude, upper = seen_by("right_upper_arm", humerus)
    wrist_attitude, wrist = seen_by("right_wrist", forearm)
    wrist_attitude.valid[1] = False
    wrist_attitude.quat_earth_from_sensor[1] = np.nan
    arm = calibrated("right", {upper.placement: upper, wrist.placement: wrist})
    attitudes = {a.placement: a for a in (upper_attitude, wrist_attitude)}
    found = worked_out(arm, attitudes).angles
    for name in ("elbow_deg", "forearm_deg", "thumb_up_deg", "forearm_elevation_deg"):
        np.testing.assert_array_equal(np.isfinite(found[name]), [True, False, True])
    assert np.isfinite(found["elevation_deg"]).all()


# Properties.


@settings(max_examples=60)
@given(
    st.floats(0, 160),
    st.floats(-30, 120),
    st.floats(-60, 95),
    st.floats(26, 140),
    st.floats(-80, 80),
    st.floats(-40, 40),
    st.sampled_from(SIDES),
)
def test_the_forearm_pointer_tells_the_humeral_rotation_whatever_the_skin_does(
    elevation, plane, rotation, elbow, pronation, skin, side
):
    """Any posture with a bent elbow, built by swing, twist, flexion and pronation: the angles come back exactly,
    although the skin under the upper-arm sensor turns by up to 40 deg about the bone."""
    out = side_sign(side)
    swing_axis = out * np.sin(np.radians(plane)) * Z - np.cos(np.radians(plane)) * X
    # On the left the whole arm is the right one's mirror image: turns about x and y change sign, about z they do not.
    swing = about(np.array([swing_axis[0] * out, 0.0, swing_axis[2] * out]), elevation)
    humerus = swing * about(Y, -rotation * out)
    forearm = humerus * about(Z, elbow) * about(Y, pronation * out)
    found = angles_of(side, humerus, forearm, skin=about(Y, skin))
    assert value(found, "elevation") == pytest.approx(elevation, abs=1e-4)
    assert value(found, "elbow") == pytest.approx(elbow, abs=1e-4)
    assert value(found, "rotation") == pytest.approx(rotation, abs=1e-3)
    assert value(found, "forearm") == pytest.approx(pronation, abs=1e-3)
    if 16 < elevation < 164:
        assert value(found, "plane") == pytest.approx(plane, abs=1e-3)
    assert found.rotation_from_forearm[0] == 1.0


@pytest.mark.parametrize("side", SIDES)
@pytest.mark.parametrize("pronation", [-40, 0, 50, 80])
@pytest.mark.parametrize("elbow", [0, 90])
def test_the_elbow_reads_its_flexion_however_the_hand_is_turned(elbow, pronation, side):
    """The forearm's bone points outward by 12 deg in a straight elbow and not at all in one bent by 90; the axis that
    hung upright in the pose turns about it. Without the carrying angle a bent elbow reads 9 deg less, palm down."""
    out, carrying_deg = side_sign(side), 12.0
    hung_from_bone = about(X, -carrying_deg * out)
    assert (hung_from_bone.inv().apply(-Y) * out)[0, 2] < 0 < (hung_from_bone.apply(-Y) * out)[0, 2]
    straight = hung_from_bone if elbow == 0 else about(Z, elbow)
    forearm = straight * about(Y, pronation * out) * hung_from_bone.inv()
    found = angles_of(side, about(Y, 0), forearm, carrying_deg=carrying_deg)
    assert value(found, "elbow") == pytest.approx(elbow, abs=1.0)
    if elbow:
        plain = angles_of(side, about(Y, 0), forearm)
        assert value(plain, "elbow") == pytest.approx(elbow - 12 * np.sin(np.radians(pronation)), abs=1.0)


@settings(max_examples=30)
@given(st.floats(-50, 80), st.floats(-30, 30), st.floats(0, 120), st.sampled_from(SIDES))
def test_the_hand_over_from_upper_arm_to_forearm_is_smooth(rotation, skin, elevation, side):
    """Bending the elbow from 5 to 35 deg while the upper arm stays: rotation goes from one source to the other
    between 15 and 25 deg without a jump, and never leaves the range between them."""
    elbow = np.arange(5.0, 35.0, 0.05)
    humerus = about(Z, elevation) * about(Y, -rotation * side_sign(side))
    both = Rotation.from_quat(np.tile(humerus.as_quat(), (len(elbow), 1)))
    found = angles_of(side, both, both * about(Z, *elbow), skin=about(Y, skin))
    turn, share = found.angles["rotation_deg"], found.rotation_from_forearm
    upper, fore = turn[0], turn[-1]
    assert fore == pytest.approx(rotation, abs=1e-3)
    np.testing.assert_allclose(turn[elbow <= 15.0], upper, atol=1e-6)
    np.testing.assert_allclose(turn[elbow >= 25.0], fore, atol=1e-3)
    # A smooth step over 10 deg is at most 1.5 times as steep as a straight line: 1.5 x 0.05 / 10 of the difference.
    assert np.abs(np.diff(turn)).max() <= 0.012 * abs(fore - upper) + 1e-3
    assert (turn >= min(upper, fore) - 1e-3).all()
    assert (turn <= max(upper, fore) + 1e-3).all()
    assert (np.diff(share) >= 0).all()
    assert (share[elbow < 14.9] == 0).all()
    assert (share[elbow > 25.1] == 1).all()


@settings(max_examples=20)
@given(st.floats(-170, 170))
def test_facing_another_way_changes_no_angle(facing):
    """A turn of the whole person that calibration knows leaves every angle as it is."""
    humerus, forearm = posture("right", "full can")
    found = angles_of("right", humerus, forearm * about(Z, 30))
    (upper, upper_seat), (wrist, wrist_seat) = (
        seen_by(f"right_{part}", bone) for part, bone in (("upper_arm", humerus), ("wrist", forearm * about(Z, 30)))
    )

    def turned(attitude: Attitude) -> Attitude:
        earth = heading_rotation(np.radians(facing)) * Rotation.from_quat(
            attitude.quat_earth_from_sensor, scalar_first=True
        )
        return Attitude(
            attitude.placement, quat_from_rotation(earth), attitude.rate_earth_rad_s, attitude.valid, NO_BIAS
        )

    seats = [
        SensorCalibration(s.placement, s.quat_sensor_from_segment, FACING_RAD + float(np.radians(facing)))
        for s in (upper_seat, wrist_seat)
    ]
    arm = calibrated("right", {seat.placement: seat for seat in seats})
    again = worked_out(arm, {a.placement: turned(a) for a in (upper, wrist)})
    for name, values in found.angles.items():
        np.testing.assert_allclose(again.angles[name], values, atol=1e-4)


# The trunk.


@pytest.mark.parametrize(
    ("moved", "lean", "turn"),
    [
        (about(Z, -12), 12, 0),  # bowed forward
        (about(X, 9), 9, 0),  # leaned to the right
        (about(Y, 20), 0, 20),  # turned to the left
        (about(Y, 170), 0, 170),
    ],
)
def test_trunk_lean_and_turn_of_known_postures(moved, lean, turn):
    found = angles_of("right", about(Y, 0), thorax=moved)
    assert value(found, "trunk_lean") == pytest.approx(lean, abs=1e-4)
    assert value(found, "trunk_turn") == pytest.approx(turn, abs=1e-4)


@pytest.mark.parametrize("side", SIDES)
@pytest.mark.parametrize("name", KNOWN)
@pytest.mark.parametrize("moved", [about(Z, -25), about(X, -90), about(X, 90), about(Y, 60) * about(X, 15)])
def test_about_the_trunk_a_posture_is_the_same_in_any_attitude_of_the_body(name, side, moved):
    """Bowed, lying on either side or turned: the angles of the arm on the trunk are those of standing; only what is
    said against gravity (thumb, forearm) follows the body."""
    humerus, forearm = posture(side, name)
    found = angles_of(side, moved * humerus, moved * forearm, thorax=moved)
    assert found.elevation_reference == "trunk"
    for angle, expected in KNOWN[name].items():
        if angle not in ("thumb_up", "forearm_elevation"):
            assert value(found, angle) == pytest.approx(expected, abs=1e-4), angle


@pytest.mark.parametrize("side", SIDES)
@pytest.mark.parametrize("name", KNOWN)
@pytest.mark.parametrize("turn", [-70.0, 25.0])
@pytest.mark.parametrize("azimuth", [0.0, 130.0])
def test_a_turn_of_the_trunk_is_no_motion_of_the_arm_wherever_the_sensor_sits_on_the_chest(name, side, turn, azimuth):
    """The azimuth of the sternum sensor is not known, so the direction of a lean is not; a turn is."""
    moved = about(Y, turn)
    humerus, forearm = posture(side, name)
    upper, upper_seat = seen_by(f"{side}_upper_arm", moved * humerus)
    wrist, wrist_seat = seen_by(f"{side}_wrist", moved * forearm)
    trunk, seat = seen_by("sternum", moved)
    turned_seat = rotation_from_quat(seat.quat_sensor_from_segment) * about(Y, azimuth)
    seat = replace(seat, quat_sensor_from_segment=quat_from_rotation(turned_seat)[0])
    seat = replace(seat, body_heading_rad=FACING_RAD + np.radians(azimuth))
    arm = calibrated(side, {s.placement: s for s in (upper_seat, wrist_seat, seat)})
    attitudes = {a.placement: a for a in (upper, wrist, trunk)}
    found = worked_out(replace(arm, trunk_joined=False), attitudes)
    assert found.elevation_reference == "gravity"
    for angle, expected in KNOWN[name].items():
        assert value(found, angle) == pytest.approx(expected, abs=1e-4), angle


def test_where_the_trunk_was_not_seen_its_turn_is_unknown_and_the_elevation_is_not():
    humerus, forearm = posture("right", "external rotation 40")
    seen = [seen_by(p, bone) for p, bone in (("right_upper_arm", humerus), ("right_wrist", forearm))]
    trunk, seat = seen_by("sternum", about(Y, 0))
    trunk = replace(
        trunk, quat_earth_from_sensor=np.full_like(trunk.quat_earth_from_sensor, np.nan), valid=~trunk.valid
    )
    attitudes = {a.placement: a for a, _ in (*seen, (trunk, seat))}
    arm = replace(calibrated("right", {s.placement: s for _, s in (*seen, (trunk, seat))}), trunk_joined=False)
    found = worked_out(arm, attitudes)
    assert np.isnan(value(found, "rotation"))
    assert value(found, "elevation") == pytest.approx(0, abs=1e-4)
    assert value(found, "elbow") == pytest.approx(90, abs=1e-4)


def test_without_a_trunk_sensor_elevation_is_about_gravity_and_says_so():
    """Leaning back 20 deg with the arm kept on the trunk looks like 20 deg of elevation."""
    moved = about(Z, 20)
    found = angles_of("right", moved * about(Y, 0))
    assert found.elevation_reference == "gravity"
    assert value(found, "elevation") == pytest.approx(20, abs=1e-4)


# The skin's share.


@pytest.mark.parametrize("share", [0.5, 0.7, 0.9])
@pytest.mark.parametrize("side", SIDES)
def test_what_the_skin_hides_is_read_from_the_recording_itself(share, side):
    """Rotating with a bent elbow shows how much of it the upper-arm sensor sees; that serves with a straight one.

    Published: axial range is under-read by 26 to 49 deg (Warner and Heller 2025, doi 10.1016/j.jbiomech.2025.112893).
    """
    time_s = np.arange(0, 40, 1 / RATE_HZ)
    rotation = 40 * np.sin(1.5 * time_s)
    elbow = np.where(time_s < 30, 90.0, 3.0)
    out = side_sign(side)
    humerus = about(Y, *(-rotation * out))
    found = angles_of(side, humerus, humerus * about(Z, *elbow), skin=about(Y, *(rotation * out * (1 - share))))
    np.testing.assert_allclose(found.angles["rotation_deg"], rotation, atol=0.5)
    assert (found.rotation_from_forearm[elbow < 15] == 0).all()
    assert found.skin.share == pytest.approx(share, abs=0.01)


def test_without_a_bent_elbow_a_usual_share_is_taken_and_said_so():
    time_s = np.arange(0, 20, 1 / RATE_HZ)
    humerus = about(Y, *(30 * np.sin(time_s)))
    found = angles_of("right", humerus, humerus)
    assert found.skin.turned_deg == 0
    assert found.skin.share == AngleParams().skin_share
