"""What simulated sensors and damaged files look like, against data-sheet arithmetic and plain counting."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy.spatial.transform import Rotation, Slerp

from imu_shoulder.errors import ParameterError
from imu_shoulder.frames import Z_AXIS, rotation_from_quat
from imu_shoulder.model import SensorStream
from imu_shoulder.simulate import (
    IDEAL_ATHLETE,
    PERFECT_SENSOR,
    Athlete,
    Damage,
    Pose,
    Scenario,
    SensorModel,
    SetScript,
    Slip,
    simulate,
)
from imu_shoulder.simulate.scenarios import drill_scenario
from imu_shoulder.simulate.sensor import sense
from imu_shoulder.units import STANDARD_GRAVITY_M_S2

FINE_S = np.arange(0, 60, 1 / 400)
AT_REST = np.tile([0.0, 9.81, 0.0], (FINE_S.size, 1))
NO_TURN = np.zeros((FINE_S.size, 3))


def resting(model: SensorModel, seed: int = 1) -> SensorStream:
    return sense(model, "sternum", FINE_S, AT_REST, NO_TURN, 100.0, np.random.default_rng(seed))[0]


def test_noise_matches_its_density() -> None:
    """One-sided density n over the band up to half the rate: RMS = n sqrt(rate / 2)."""
    stream = resting(replace(PERFECT_SENSOR, gyr_noise_deg_s_rt_hz=0.007, acc_noise_ug_rt_hz=120.0))
    np.testing.assert_allclose(np.degrees(stream.gyr_rad_s).std(axis=0), 0.007 * np.sqrt(50), rtol=0.05)
    acc_ug = stream.acc_m_s2.std(axis=0) / STANDARD_GRAVITY_M_S2 * 1e6
    np.testing.assert_allclose(acc_ug, 120 * np.sqrt(50), rtol=0.05)


def test_biases_have_their_size_and_the_walk_grows_with_the_root_of_time() -> None:
    biased = [resting(replace(PERFECT_SENSOR, gyr_bias_deg_s=0.4, acc_bias_mg=20.0), seed) for seed in range(40)]
    gyr = np.degrees([stream.gyr_rad_s[0] for stream in biased])
    acc = np.array([stream.acc_m_s2[0] - [0, 9.81, 0] for stream in biased]) / STANDARD_GRAVITY_M_S2 * 1e3
    assert gyr.std() == pytest.approx(0.4, rel=0.2)
    assert acc.std() == pytest.approx(20, rel=0.2)
    walks = [resting(replace(PERFECT_SENSOR, gyr_walk_deg_s_rt_s=0.01), seed) for seed in range(40)]
    ends = np.degrees([stream.gyr_rad_s[-1] for stream in walks])
    assert ends.std() == pytest.approx(0.01 * np.sqrt(60), rel=0.2)


def test_range_clips_and_bits_quantise() -> None:
    model = replace(PERFECT_SENSOR, acc_range_g=0.5, gyr_range_deg_s=100.0, bits=8)
    turning = np.tile([3.0, -0.5, 0.0], (FINE_S.size, 1))
    stream, _ = sense(model, "sternum", FINE_S, AT_REST, turning, 100.0, np.random.default_rng(0))
    assert stream.acc_range_m_s2 == pytest.approx(0.5 * STANDARD_GRAVITY_M_S2)
    assert stream.acc_m_s2.max() == pytest.approx(0.5 * STANDARD_GRAVITY_M_S2)
    np.testing.assert_allclose(stream.gyr_rad_s[:, 0], 100 / 180 * np.pi * 1.0)
    steps = stream.gyr_rad_s[:, 1] / (np.radians(100) / 128)
    np.testing.assert_allclose(steps, np.round(steps), atol=1e-9)


def test_clock_runs_fast_by_its_ppm_and_jitters() -> None:
    fast = resting(replace(PERFECT_SENSOR, clock_ppm=500.0, start_offset_s=3.0), seed=2)
    stream, sampled_s = sense(
        replace(PERFECT_SENSOR, clock_ppm=500.0, start_offset_s=3.0),
        "sternum",
        FINE_S,
        AT_REST,
        NO_TURN,
        100.0,
        np.random.default_rng(2),
    )
    np.testing.assert_array_equal(fast.time_s, stream.time_s)
    # Its own stamps are a clean 100 Hz; against true time they gain.
    np.testing.assert_allclose(np.diff(stream.time_s), 0.01, rtol=1e-6)
    gain = np.polyfit(sampled_s, stream.time_s, 1)
    assert gain[1] == pytest.approx(3.0, abs=1e-3)
    assert 1e-6 < abs(gain[0] - 1) < 2e-3
    slow = resting(replace(PERFECT_SENSOR, true_rate_factor=0.97))
    assert slow.declared_rate_hz == 100.0
    np.testing.assert_allclose(np.diff(slow.time_s), 1 / 97)
    jittery = resting(replace(PERFECT_SENSOR, stamp_jitter_s=0.002))
    assert np.diff(jittery.time_s).std() == pytest.approx(0.002 * np.sqrt(2), rel=0.05)


def test_mounting_relates_sensor_to_segment() -> None:
    quat = tuple(Rotation.from_euler("xyz", [20, -50, 130], degrees=True).as_quat(scalar_first=True))
    scenario = Scenario(
        IDEAL_ATHLETE, (Pose(),), ("left_wrist", "sternum"), sensor=PERFECT_SENSOR, mountings={"left_wrist": quat}
    )
    simulated = simulate(scenario, 1)
    expected = rotation_from_quat(np.array(quat)).inv().apply([0, scenario.gravity_m_s2, 0])
    np.testing.assert_allclose(simulated.recording.streams["left_wrist"].acc_m_s2[100], expected, atol=1e-6)
    # Without a given mounting the sensor sits anyhow.
    assert not np.allclose(simulated.truth.mountings["sternum"], [1, 0, 0, 0], atol=0.05)


def test_slip_turns_the_sensor_for_good() -> None:
    model = replace(PERFECT_SENSOR, slips=(Slip(6.0, 25.0, (1.0, 0.0, 0.0)),))
    scenario = Scenario(IDEAL_ATHLETE, (Pose(8.0),), ("right_upper_arm",), sensor=model)
    simulated = simulate(scenario, 1)
    stream = simulated.recording.streams["right_upper_arm"]
    before, after = stream.acc_m_s2[300], stream.acc_m_s2[900]
    cosine = before @ after / np.linalg.norm(before) / np.linalg.norm(after)
    assert np.degrees(np.arccos(cosine)) == pytest.approx(25, abs=0.01)


def test_skin_of_the_upper_arm_follows_seventy_percent_of_axial_rotation() -> None:
    athlete = Athlete(sway_deg=0, variation=0, unevenness_deg=0, bulge_deg=0, breathing_deg=0)
    scenario = drill_scenario(
        "band_external_rotation", athlete=athlete, placements=("right_upper_arm",), sensor=PERFECT_SENSOR, reps=1
    )
    truth = simulate(scenario, 1).truth
    rep = truth.reps[0]
    start, top = np.searchsorted(truth.time_s, [rep.start_s, rep.top_start_s + 1])
    turned_deg = []
    for quats in (truth.sensor_quats["right_upper_arm"], truth.quats["right_humerus"]):
        attitude = rotation_from_quat(quats)
        turned_deg.append(np.degrees((attitude[start].inv() * attitude[top]).magnitude()))
    assert turned_deg[1] == pytest.approx(62, abs=1.5)
    assert turned_deg[0] / turned_deg[1] == pytest.approx(0.7, abs=0.02)


GRAVITY = AT_REST[::4]


def damaged(damage: Damage) -> SensorStream:
    stream = resting(replace(SensorModel(), stamp_jitter_s=0.0))
    return damage.apply(stream, GRAVITY[: stream.time_s.size], np.random.default_rng(7))


def test_losses_are_counted_as_asked() -> None:
    whole = damaged(Damage())
    assert damaged(Damage(drop_share=0.1)).time_s.size / whole.time_s.size == pytest.approx(0.9, abs=0.02)
    outage = damaged(Damage(outages=((20.0, 2.0),)))
    assert np.diff(outage.time_s).max() == pytest.approx(2.01, abs=0.011)
    bursts = damaged(Damage(bursts=3, burst_s=0.3))
    assert np.sum(np.diff(bursts.time_s) > 0.25) == 3
    doubled = damaged(Damage(duplicate_share=0.05))
    repeated = np.diff(doubled.time_s) == 0
    assert repeated.mean() == pytest.approx(0.05, abs=0.01)
    np.testing.assert_array_equal(doubled.acc_m_s2[1:][repeated], doubled.acc_m_s2[:-1][repeated])


def test_clock_faults() -> None:
    back = damaged(Damage(step_back=(30.0, 0.5)))
    assert np.sum(np.diff(back.time_s) < 0) == 1
    assert np.diff(back.time_s).min() == pytest.approx(-0.49, abs=1e-3)
    wrapped = damaged(Damage(wrap_s=25.0))
    assert np.sum(np.diff(wrapped.time_s) < 0) == 2
    assert wrapped.time_s.max() < 25
    assert damaged(Damage(declared_rate_hz=200.0)).declared_rate_hz == 200.0


def test_value_faults() -> None:
    whole = damaged(Damage())
    stuck = damaged(Damage(stuck=(("gyr_y", 10.0, 12.0),)))
    inside = (stuck.time_s >= 10) & (stuck.time_s < 12)
    assert np.ptp(stuck.gyr_rad_s[inside, 1]) == 0
    assert np.ptp(stuck.gyr_rad_s[~inside, 1]) > 0
    assert not damaged(Damage(zero=("acc_z",))).acc_m_s2[:, 2].any()
    np.testing.assert_allclose(damaged(Damage(acc_in_g=True)).acc_m_s2 * 9.80665, whole.acc_m_s2)
    np.testing.assert_allclose(np.radians(damaged(Damage(gyr_in_deg_s=True)).gyr_rad_s), whole.gyr_rad_s)
    with pytest.raises(ParameterError, match="channel"):
        Damage(zero=("acc_w",))
    with pytest.raises(ParameterError, match="share"):
        Damage(drop_share=1.0)


def test_gravity_removed_leaves_only_motion() -> None:
    scenario = Scenario(
        Athlete(),
        (SetScript("full_can", reps=1),),
        ("right_wrist",),
        sensor=PERFECT_SENSOR,
        damage={"right_wrist": Damage(gravity_removed=True)},
    )
    removed = simulate(scenario, 3)
    plain = simulate(replace(scenario, damage={}), 3).recording.streams["right_wrist"]
    stream = removed.recording.streams["right_wrist"]
    assert np.linalg.norm(np.median(stream.acc_m_s2, axis=0)) < 0.1
    quats = removed.truth.sensor_quats["right_wrist"]
    attitude = Slerp(removed.truth.time_s, rotation_from_quat(quats))(stream.time_s)
    np.testing.assert_allclose(
        plain.acc_m_s2 - stream.acc_m_s2, attitude.inv().apply(scenario.gravity_m_s2 * Z_AXIS), atol=2e-3
    )


def test_a_slip_needs_an_axis() -> None:
    with pytest.raises(ParameterError, match="axis"):
        SensorModel(slips=(Slip(1.0, 10.0, (0.0, 0.0, 0.0)),))
