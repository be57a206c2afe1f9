"""The simulator against physics, ISB conventions and the drill files."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.interpolate import CubicSpline
from scipy.spatial.transform import Rotation, Slerp
from vqf import offlineVQF

from imu_shoulder.drills import shipped_ids
from imu_shoulder.errors import ParameterError
from imu_shoulder.frames import (
    X_AXIS,
    Y_AXIS,
    Z_AXIS,
    isb_thoracohumeral_rad,
    mirror_sagittal,
    quat_from_rotation,
    rotation_from_quat,
)
from imu_shoulder.simulate import (
    IDEAL_ATHLETE,
    PERFECT_SENSOR,
    Athlete,
    Pause,
    Pose,
    Scenario,
    SetScript,
    Simulated,
    simulate,
)
from imu_shoulder.simulate.kinematics import elbow, scapular_rotation_deg, shoulder
from imu_shoulder.simulate.motions import MOTIONS
from imu_shoulder.simulate.scenarios import drill_scenario, find
from imu_shoulder.simulate.script import other_side
from imu_shoulder.simulate.sensor import true_motion
from imu_shoulder.simulate.timeline import Timeline, band_noise, eased_ramp, minimum_jerk

UNTURNED = (1.0, 0.0, 0.0, 0.0)
PLACEMENTS_4 = ("right_wrist", "right_upper_arm", "left_wrist", "left_upper_arm")


def resampled(to_s: np.ndarray, time_s: np.ndarray, values: np.ndarray) -> np.ndarray:
    return np.asarray(CubicSpline(time_s, values)(to_s))


@pytest.fixture(scope="module")
def noiseless() -> Simulated:
    """A realistic person in noiseless sensors: full can with both kinds of pause after it."""
    scenario = Scenario(
        Athlete(),
        (Pose(), SetScript("full_can", reps=2, tremor_deg=0.1), Pause(6, "walk"), Pause(6, "fidget")),
        placements=("right_wrist", "right_upper_arm", "sternum"),
        sensor=PERFECT_SENSOR,
    )
    return simulate(scenario, 5)


def test_still_arm_reads_gravity_upward_and_no_rotation() -> None:
    scenario = Scenario(
        IDEAL_ATHLETE,
        (Pose(),),
        sensor=PERFECT_SENSOR,
        gravity_m_s2=9.78,
        mountings=dict.fromkeys(PLACEMENTS_4, UNTURNED),
    )
    for stream in simulate(scenario, 1).recording.streams.values():
        # Neutral pose: every arm segment has Y up (ISB), so gravity's reaction is along +Y.
        np.testing.assert_allclose(stream.acc_m_s2, np.tile([0, 9.78, 0], (stream.time_s.size, 1)), atol=1e-6)
        np.testing.assert_allclose(stream.gyr_rad_s, 0, atol=1e-9)


def test_person_in_neutral_pose_sways_but_stays(noiseless: Simulated) -> None:
    pose = noiseless.recording.events[0]
    truth = noiseless.truth
    inside = (truth.time_s > pose.onset_s) & (truth.time_s < pose.end_s)
    assert pose.trial_type == "neutral_pose"
    assert pose.duration_s >= 3
    sway_deg = truth.angles["right"]["elevation_deg"][inside].std()
    assert 0.05 < sway_deg < 0.6


@pytest.mark.parametrize("placement", ["right_wrist", "right_upper_arm", "sternum"])
def test_integrated_gyroscope_reproduces_attitude(noiseless: Simulated, placement: str) -> None:
    stream, truth = noiseless.recording.streams[placement], noiseless.truth
    true = Slerp(truth.time_s, rotation_from_quat(truth.sensor_quats[placement]))(stream.time_s)
    step_s = np.diff(stream.time_s)[:, None]
    turns = Rotation.from_rotvec(step_s * (stream.gyr_rad_s[1:] + stream.gyr_rad_s[:-1]) / 2)
    attitude = true[0]
    errors_deg = []
    for k, turn in enumerate(turns):
        attitude = attitude * turn
        if k % 500 == 0 or k == len(turns) - 1:
            errors_deg.append(np.degrees((attitude.inv() * true[k + 1]).magnitude()))
    # What is left is the error of trapezoidal integration at 100 Hz.
    assert max(errors_deg) < 0.05


@pytest.mark.parametrize("placement", ["right_wrist", "right_upper_arm", "sternum"])
def test_reference_filter_finds_true_inclination(noiseless: Simulated, placement: str) -> None:
    """vqf (Laidig and Seel 2023) is an independent reference; BROAD's inclination RMSE for it is 0.5-0.7 deg."""
    stream, truth = noiseless.recording.streams[placement], noiseless.truth
    found = offlineVQF(np.ascontiguousarray(stream.gyr_rad_s), np.ascontiguousarray(stream.acc_m_s2), None, 0.01, None)[
        "quat6D"
    ]
    true = Slerp(truth.time_s, rotation_from_quat(truth.sensor_quats[placement]))(stream.time_s)
    up_found = rotation_from_quat(found).inv().apply(Z_AXIS)
    up_true = true.inv().apply(Z_AXIS)
    error_deg = np.degrees(np.arccos(np.clip(np.sum(up_found * up_true, axis=1), -1, 1)))
    assert np.sqrt(np.mean(error_deg**2)) < 0.7


def test_specific_force_on_a_circle_is_centripetal() -> None:
    """Elementary mechanics: a = omega^2 r towards the centre."""
    time_s = np.arange(0, 2, 1 / 400)
    rate_rad_s, radius_m = 3.0, 0.4
    spin = Rotation.from_rotvec(np.outer(rate_rad_s * time_s, Z_AXIS))
    force, rate = true_motion(time_s, spin, spin.apply(radius_m * X_AXIS), 9.81)
    # The two end samples repeat their neighbours.
    expected = np.tile([-(rate_rad_s**2) * radius_m, 0, 9.81], (time_s.size - 2, 1))
    np.testing.assert_allclose(force[1:-1], expected, atol=1e-3)
    np.testing.assert_allclose(rate, np.tile([0, 0, rate_rad_s], (time_s.size, 1)), atol=1e-3)


def test_both_sensors_of_an_arm_agree_about_the_elbow() -> None:
    """Rigid body kinematics: a_elbow = a_sensor + alpha x r + omega x (omega x r), the same from either side of it."""
    athlete = Athlete(soft_tissue_share=0, wrist_share=0, bulge_deg=0)
    to_elbow_m = {
        "right_upper_arm": np.array([0, -0.25 * athlete.humerus_m, -0.045]),
        "right_wrist": np.array([0, 0.92 * athlete.forearm_m, -0.028]),
    }
    scenario = Scenario(
        athlete,
        (SetScript("row_rotate_press", reps=1),),
        tuple(to_elbow_m),
        200.0,
        sensor=PERFECT_SENSOR,
        mountings=dict.fromkeys(to_elbow_m, UNTURNED),
    )
    simulated = simulate(scenario, 2)
    grid_s = simulated.truth.time_s[400:-400]
    found = []
    for placement, lever_m in to_elbow_m.items():
        stream = simulated.recording.streams[placement]
        omega, alpha = stream.gyr_rad_s, np.gradient(stream.gyr_rad_s, stream.time_s, axis=0)
        force = stream.acc_m_s2 + np.cross(alpha, lever_m) + np.cross(omega, np.cross(omega, lever_m))
        quats = simulated.truth.sensor_quats[placement]
        attitude = Slerp(simulated.truth.time_s, rotation_from_quat(quats))(stream.time_s)
        found.append(resampled(grid_s, stream.time_s, attitude.apply(force)))
    assert np.abs(found[0] - [0, 0, scenario.gravity_m_s2]).max() > 1.0
    assert np.abs(found[0] - found[1]).max() < 0.05


def test_left_arm_is_the_mirror_image_of_the_right() -> None:
    mountings = dict.fromkeys(PLACEMENTS_4, UNTURNED)
    athlete = Athlete(sway_deg=0, variation=0, unevenness_deg=0, tremor_deg=0)
    scenario = Scenario(
        athlete,
        (SetScript("band_loop_raise", "both", reps=1),),
        rate_hz=200,
        sensor=PERFECT_SENSOR,
        mountings=mountings,
    )
    simulated = simulate(scenario, 1)
    truth = simulated.truth
    for name, right in truth.angles["right"].items():
        np.testing.assert_allclose(truth.angles["left"][name], right, atol=1e-9, err_msg=name)
    for bone in ("humerus", "forearm", "scapula"):
        thorax = rotation_from_quat(truth.quats["thorax"]).inv()
        relative = {side: thorax * rotation_from_quat(truth.quats[f"{side}_{bone}"]) for side in ("right", "left")}
        mirrored = rotation_from_quat(mirror_sagittal(quat_from_rotation(relative["right"])))
        assert (mirrored.inv() * relative["left"]).magnitude().max() < 1e-9
    for segment in ("wrist", "upper_arm"):
        right, left = (simulated.recording.streams[f"{side}_{segment}"] for side in ("right", "left"))
        # A reflection in z: forces are vectors, angular rates are pseudovectors. Sensors sample at different phases;
        # where a minimum-jerk move begins the jerk jumps, and interpolation between phases is off by jerk * step.
        for sign, name in (([1, 1, -1], "acc_m_s2"), ([-1, -1, 1], "gyr_rad_s")):
            values = getattr(right, name) * sign
            shifted = resampled(left.time_s, right.time_s, values)
            np.testing.assert_allclose(shifted[5:-5], getattr(left, name)[5:-5], atol=3e-3)


@pytest.mark.parametrize(
    ("elevation", "plane", "rotation"), [(60, 40, -30), (90, 0, 80), (90, 90, 0), (150, 20, 48), (25, -20, 10)]
)
def test_shoulder_against_isb_euler_sequence(elevation: float, plane: float, rotation: float) -> None:
    """ISB Y-X'-Y'' (Wu et al. 2005): plane, minus elevation, axial with internal positive.

    Turning by the elevation about an axis of the horizontal plane is Y(p) X(-e) Y(-p), so that the ISB axial angle
    is -(plane + external rotation).
    """
    made = shoulder(np.array([elevation]), np.array([plane]), np.array([rotation]))
    isb = Rotation.from_euler("YXY", [plane, -elevation, -plane - rotation], degrees=True)
    assert (made.inv() * isb).magnitude()[0] < 1e-12
    np.testing.assert_allclose(np.degrees(isb_thoracohumeral_rad(made))[0, :2], [plane, -elevation], atol=1e-9)


def test_elbow_against_isb_euler_sequence() -> None:
    """ISB Z-X'-Y'': flexion, carrying, pronation."""
    made = elbow(np.array([70.0]), 8.0, np.array([25.0]))
    isb = Rotation.from_euler("ZXY", [70, -8, 25], degrees=True)
    assert (made.inv() * isb).magnitude()[0] < 1e-12


def test_directions_of_a_right_arm() -> None:
    """Plain anatomy, in thorax axes (forward, up, right)."""

    def one(value: float) -> np.ndarray:
        return np.array([value])

    hand, thumb = -Y_AXIS, X_AXIS
    np.testing.assert_allclose(shoulder(one(90), one(0), one(0)).apply(hand)[0], Z_AXIS, atol=1e-12)  # abduction
    np.testing.assert_allclose(shoulder(one(90), one(90), one(0)).apply(hand)[0], X_AXIS, atol=1e-12)  # flexion
    np.testing.assert_allclose(shoulder(one(90), one(90), one(0)).apply(thumb)[0], Y_AXIS, atol=1e-12)  # thumb up
    at_side = shoulder(one(0), one(0), one(90)) * elbow(one(90), 0, one(0))  # elbow bent, turned out: hand right
    np.testing.assert_allclose(at_side.apply(hand)[0], Z_AXIS, atol=1e-12)
    np.testing.assert_allclose(elbow(one(0), 0, one(90)).apply(thumb)[0], -Z_AXIS, atol=1e-12)  # pronated: thumb in
    assert elbow(one(0), 10, one(0)).apply(hand)[0] @ Z_AXIS > 0.1  # valgus: hand away from the body


@pytest.mark.parametrize("side", ["right", "left"])
def test_truth_angles_equal_geometry_of_truth_attitudes(side: str) -> None:
    simulated = simulate(drill_scenario("row_rotate_press", side, placements=(), reps=1), 9)
    truth, angles = simulated.truth, simulated.truth.angles[side]
    thorax, humerus, forearm = (
        rotation_from_quat(truth.quats[name]) for name in ("thorax", f"{side}_humerus", f"{side}_forearm")
    )
    arm_axis, trunk_axis = humerus.apply(-Y_AXIS), thorax.apply(-Y_AXIS)
    about_trunk = np.degrees(np.arccos(np.clip(np.sum(arm_axis * trunk_axis, axis=1), -1, 1)))
    np.testing.assert_allclose(angles["elevation_deg"], about_trunk, atol=1e-5)
    np.testing.assert_allclose(angles["elevation_gravity_deg"], np.degrees(np.arccos(-arm_axis[:, 2])), atol=1e-5)
    np.testing.assert_allclose(np.sin(np.radians(angles["thumb_up_deg"])), forearm.apply(X_AXIS)[:, 2], atol=1e-9)
    np.testing.assert_allclose(
        angles["trunk_lean_deg"], np.degrees(np.arccos(np.clip(-trunk_axis[:, 2], -1, 1))), atol=1e-4
    )
    # Rotation is the twist of the swing-twist parting about the humeral axis, mirrored for the left.
    quat = quat_from_rotation(thorax.inv() * humerus)
    quat = quat if side == "right" else mirror_sagittal(quat)
    twist_deg = np.degrees(2 * np.arctan2(quat[:, 2], quat[:, 0]))
    difference = (-twist_deg - angles["rotation_deg"] + 180) % 360 - 180
    assert np.abs(difference).max() < 1e-6


@pytest.mark.parametrize(("share", "low"), [(0.315, 0.315), (0.25, 0.5), (0.4, 0.08)])
def test_the_shoulder_blade_takes_the_athletes_share_of_the_elevation(share: float, low: float) -> None:
    athlete = Athlete(blade_share=share, blade_share_low=low)
    found = scapular_rotation_deg(athlete, np.array([0.0, 10.0, 20.0, 30.0, 120.0]))
    assert found[0] == pytest.approx(0, abs=0.3)
    assert found[2] - found[1] == pytest.approx(10 * low, abs=0.06 * 10)
    assert found[4] - found[3] == pytest.approx(90 * share, abs=1e-9)


def test_minimum_jerk_peak_speed_and_eased_ramp() -> None:
    """Peak speed of a minimum-jerk move is 15/8 of its mean speed (from its polynomial)."""
    share = np.linspace(0, 1, 10001)
    assert np.gradient(minimum_jerk(share), share).max() == pytest.approx(15 / 8, rel=1e-5)
    time_s = np.linspace(0, 5, 5001)
    ramp = eased_ramp(time_s, 5.0)
    assert (ramp[0], ramp[-1]) == pytest.approx((0, 1))
    speed = np.gradient(ramp, time_s)
    assert speed.max() == pytest.approx(1 / 4.7, rel=1e-3)
    assert np.abs(np.diff(speed)).max() < 2e-3


def test_rms_of_a_sine_is_its_amplitude_over_root_two() -> None:
    line = Timeline({"angle": 10.0})
    line.sine("angle", 0.0, 20.0, 10.0, 0.6, 0.0)
    time_s = np.arange(0, 20, 1 / 400)
    middle = line.evaluate("angle", time_s)[400:-400]
    assert np.std(middle) == pytest.approx(0.6 / np.sqrt(2), rel=1e-3)


def test_band_noise_has_unit_rms_inside_its_band_only() -> None:
    noise = band_noise(np.random.default_rng(3), 8000, 400.0, 8.0, 12.0)
    assert np.sqrt(np.mean(noise**2)) == pytest.approx(1)
    power = np.abs(np.fft.rfft(noise)) ** 2
    frequency_hz = np.fft.rfftfreq(8000, 1 / 400)
    assert power[(frequency_hz > 7) & (frequency_hz < 13)].sum() / power.sum() > 0.999


def test_same_seed_same_arrays_and_motion_independent_of_sensors() -> None:
    scenario = drill_scenario("full_can", placements=("right_wrist", "sternum"), reps=1)
    first, again, other = simulate(scenario, 4), simulate(scenario, 4), simulate(scenario, 5)
    for placement, stream in first.recording.streams.items():
        np.testing.assert_array_equal(stream.acc_m_s2, again.recording.streams[placement].acc_m_s2)
        np.testing.assert_array_equal(stream.time_s, again.recording.streams[placement].time_s)
    assert first.truth.reps == again.truth.reps
    assert first.truth.reps != other.truth.reps
    fewer = simulate(drill_scenario("full_can", placements=("sternum",), reps=1, sensor=PERFECT_SENSOR), 4)
    np.testing.assert_array_equal(fewer.truth.quats["right_forearm"], first.truth.quats["right_forearm"])
    np.testing.assert_array_equal(fewer.truth.mountings["sternum"], first.truth.mountings["sternum"])


def test_mistakes_are_named() -> None:
    with pytest.raises(ParameterError, match="faults this drill can show"):
        SetScript("sidelying_external_rotation", faults={1: ("thumb_down",)})
    with pytest.raises(ParameterError, match="reps 1 to 3"):
        SetScript("full_can", reps=3, faults={4: ("short_arc",)})
    with pytest.raises(ParameterError, match="one lifting arm"):
        SetScript("full_can_hold_and_lift", "both")
    with pytest.raises(ParameterError, match="clean_warm_up"):
        find("nonsense")
    with pytest.raises(ParameterError, match="placements"):
        Scenario(Athlete(), (), placements=("ankle",))
    with pytest.raises(ParameterError, match="humerus_m"):
        Athlete(humerus_m=0)
    assert other_side("left") == "right"
    assert set(MOTIONS) == set(shipped_ids())
