"""Finished recordings on one grid: signals keep their shape, gaps stay gaps, wrong data are named."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pytest
from open_data import RATE_HZ, watch_sets, with_stillness
from scipy.signal import resample as fourier_resample

from imu_shoulder.align import AlignParams, align_recording, still_windows
from imu_shoulder.align.checks import NORMAL_GRAVITY_M_S2
from imu_shoulder.align.grid import grid_times, resample
from imu_shoulder.align.kernels import SIX_POINT, Kernel, kernel_of
from imu_shoulder.align.whole import grid_rate_hz
from imu_shoulder.errors import ParameterError, RecordingError
from imu_shoulder.model import Aligned, Event, FloatArray, Recording, SensorStream
from imu_shoulder.simulate import Damage, simulate
from imu_shoulder.simulate.scenarios import drill_scenario

G = 9.80665  # standard gravity, 3rd CGPM (1901)


def worn(
    placement: str = "right_wrist", rate_hz: float = 100.0, seconds: float = 40.0, start_s: float = 0.0
) -> SensorStream:
    """Still for 8 s, then tilting to and fro by 45 deg about its y, with a little noise. All in closed form."""
    time_s = start_s + np.arange(int(seconds * rate_hz)) / rate_hz
    phase = np.maximum(time_s - 8.0, 0.0) * 2 * np.pi * 0.2
    tilt, rate = np.pi / 8 * (1 - np.cos(phase)), np.pi / 8 * np.sin(phase) * 2 * np.pi * 0.2 * (time_s > 8)
    rng = np.random.default_rng(len(placement))
    zero = np.zeros_like(tilt)
    # Turned by tilt about y, the upward direction has the components (-sin, 0, cos).
    acc = G * np.column_stack([-np.sin(tilt), zero, np.cos(tilt)]) + rng.normal(0, 0.02, (len(tilt), 3))
    gyr = np.column_stack([zero, rate, zero]) + rng.normal(0, 0.002, (len(tilt), 3))
    return SensorStream(placement, time_s, acc, gyr, rate_hz)


def align(*streams: SensorStream, events: tuple[Event, ...] = (), **params: float) -> Aligned:
    recording = Recording("spring", "M.K.", "2026-05-04", {s.placement: s for s in streams}, events)
    return align_recording(recording, AlignParams(**params))


def codes(aligned: Aligned) -> dict[str, str]:
    return {finding.code: finding.severity for finding in aligned.findings}


def kept(stream: SensorStream, rows: FloatArray) -> SensorStream:
    return replace(stream, time_s=stream.time_s[rows], acc_m_s2=stream.acc_m_s2[rows], gyr_rad_s=stream.gyr_rad_s[rows])


def test_samples_on_the_grid_are_not_touched() -> None:
    stream = worn()
    track = align(stream, rate_hz=100.0).tracks["right_wrist"]
    np.testing.assert_array_equal(track.acc_m_s2, stream.acc_m_s2)
    np.testing.assert_array_equal(track.gyr_rad_s, stream.gyr_rad_s)
    assert track.valid.all()
    assert not track.clipped.any()


def gain_of(frequency_hz: float, grid_s: FloatArray, own_hz: float, kernel: Kernel) -> complex:
    own_s = np.arange(int(20 * own_hz)) / own_hz
    wave = np.exp(2j * np.pi * frequency_hz * own_s)
    both = np.column_stack([wave.real, wave.imag])
    got = resample(own_s, both, np.zeros(len(own_s), bool), grid_s, 1.0 / own_hz, 0.05, kernel).values
    return complex(np.mean((got[:, 0] + 1j * got[:, 1]) * np.exp(-2j * np.pi * frequency_hz * grid_s)))


@pytest.mark.parametrize("frequency_hz", [0.5, 4.0, 8.0, 12.0])
@pytest.mark.parametrize("phase", [0.1, 0.25, 0.5, 0.77])
def test_tremor_keeps_its_amplitude(frequency_hz: float, phase: float) -> None:
    """Against the sinusoid itself. 8-12 Hz is the band of physiological tremor."""
    gain = gain_of(frequency_hz, (np.arange(10, 1990) + phase) / 100, 100.0, SIX_POINT)
    assert abs(gain - 1.0) < 0.02  # no phase shift either


@pytest.mark.parametrize("phase", [0.0, 0.1, 0.25, 0.5, 0.77, 0.999999])
@pytest.mark.parametrize(("own_hz", "grid_hz"), [(100.0, 50.0), (104.0, 52.0), (148.0, 49.3), (400.0, 50.0)])
def test_a_slower_grid_keeps_tremor_and_keeps_out_what_would_look_like_it(
    own_hz: float, grid_hz: float, phase: float
) -> None:
    """Against the sinusoid itself: up to 12 Hz as it is, and nothing of what folds to below 12 Hz."""
    grid_s = (np.arange(40, 900) + phase) / grid_hz
    kernel = kernel_of(own_hz, grid_hz)
    for frequency_hz in (0.5, 4.0, 8.0, 12.0):
        assert abs(gain_of(frequency_hz, grid_s, own_hz, kernel) - 1.0) < 0.006
    for folds_to_hz in (0.5, 8.0, 12.0):
        assert abs(gain_of(grid_hz - folds_to_hz, grid_s, own_hz, kernel)) < 0.02


def test_a_slower_grid_leaves_a_straight_line_straight() -> None:
    own_s = np.arange(1000) / 100.0
    grid_s = 1.0 + np.arange(400) / 50.0 + 0.00321
    got = resample(
        own_s, (3.0 - 2.0 * own_s)[:, None], np.zeros(1000, bool), grid_s, 0.01, 0.05, kernel_of(100.0, 50.0)
    )
    np.testing.assert_allclose(got.values[:, 0], 3.0 - 2.0 * grid_s, atol=1e-7)


@pytest.mark.parametrize(
    ("rates_hz", "grid_hz"),
    [
        ([100.0, 100.0, 51.2], 50.0),
        ([51.2, 100.0], 50.0),
        ([89.0], 89.0),
        ([90.0], 45.0),
        ([208.0, 208.0], 52.0),
        ([25.0], 25.0),
    ],
)
def test_the_grid_is_the_smallest_whole_part_of_the_common_rate_that_is_enough(
    rates_hz: list[float], grid_hz: float
) -> None:
    assert grid_rate_hz(rates_hz, AlignParams()) == grid_hz
    assert grid_rate_hz(rates_hz, AlignParams(rate_hz=80.0)) == 80.0


def test_resampling_agrees_with_scipy() -> None:
    """A periodic band-limited signal through scipy.signal.resample (exact for it) to twice the rate."""
    rng = np.random.default_rng(2)
    own_s = np.arange(1000) / 100
    wave = sum(rng.normal() * np.cos(2 * np.pi * k * own_s / 10 + rng.uniform(0, 6)) for k in range(1, 101))  # to 10 Hz
    exact = fourier_resample(wave, 2000)
    grid_s = np.arange(2000) / 200
    got = resample(own_s, wave[:, None], np.zeros(1000, bool), grid_s, 0.01, 0.05).values[:, 0]
    inner = slice(12, -12)
    assert np.std(got[inner] - exact[inner]) < 0.002 * np.std(exact)


def test_two_rates_share_one_grid() -> None:
    slow, fast, other = worn("sternum", 51.2), worn("right_wrist", 100.0, start_s=0.0043), worn("left_wrist", 100.0)
    aligned = align(slow, fast, other)
    assert aligned.rate_hz == 50.0
    np.testing.assert_allclose(np.diff(aligned.time_s), 0.02, atol=1e-12)
    expected = np.pi / 8 * np.sin((aligned.time_s - 8) * 0.4 * np.pi) * 0.4 * np.pi * (aligned.time_s > 8)
    for track in aligned.tracks.values():
        rate = track.gyr_rad_s[track.valid, 1]
        assert np.abs(rate - expected[track.valid]).max() < 0.02
    assert align(slow, fast, other, rate_hz=60.0).rate_hz == 60.0


def test_a_slower_grid_does_not_fold_fast_shaking_down() -> None:
    stream = worn("right_wrist", 200.0)
    shaking = 2.0 * np.sin(2 * np.pi * 48 * stream.time_s)  # would show at 2 Hz on a 50 Hz grid
    track = align(replace(stream, acc_m_s2=stream.acc_m_s2 + shaking[:, None]), rate_hz=50.0).tracks["right_wrist"]
    still = track.acc_m_s2[20:350, 1]
    assert np.std(still) < 0.02


def test_gaps_stay_and_single_losses_are_bridged() -> None:
    stream = worn()
    out = np.isin(np.arange(4000), [1000, 1500, 1501]) | ((stream.time_s > 20) & (stream.time_s < 20.5))
    aligned = align(kept(stream, ~out), worn("left_wrist"), rate_hz=100.0)
    track, quality = aligned.tracks["right_wrist"], aligned.quality["right_wrist"]
    missing = ~track.valid
    np.testing.assert_array_equal(np.flatnonzero(missing), np.arange(2001, 2050))
    assert np.isnan(track.acc_m_s2[missing]).all()
    assert np.isnan(track.gyr_rad_s[missing]).all()
    assert np.isfinite(track.acc_m_s2[~missing]).all()
    assert np.abs(track.gyr_rad_s[[1000, 1500, 1501]] - stream.gyr_rad_s[[1000, 1500, 1501]]).max() < 0.02
    assert (quality.bridged_samples, quality.gap_count) == (3, 1)
    assert quality.gap_total_s == pytest.approx(0.5)
    gap = next(f for f in aligned.findings if f.code == "gap")
    assert (gap.start_s, gap.end_s) == (pytest.approx(20.0), pytest.approx(20.5))
    assert codes(aligned)["bridged"] == "note"
    assert not align(kept(stream, ~out), bridge_s=0.0, rate_hz=100.0).tracks["right_wrist"].valid[1000]


def test_sensors_may_start_and_end_apart() -> None:
    aligned = align(worn("right_wrist", seconds=30), worn("left_wrist", seconds=35, start_s=2.0))
    assert (aligned.time_s[0], aligned.time_s[-1]) == (0.0, pytest.approx(36.98))
    assert not aligned.tracks["left_wrist"].valid[:100].any()
    assert not aligned.tracks["right_wrist"].valid[1500:].any()


@pytest.mark.parametrize(("true_hz", "code"), [(100.2, "measured_rate"), (97.0, "rate_off"), (103.0, "rate_off")])
def test_rate_is_measured_against_the_declared_one(true_hz: float, code: str) -> None:
    aligned = align(replace(worn(rate_hz=true_hz), declared_rate_hz=100.0))
    assert aligned.quality["right_wrist"].measured_rate_hz == pytest.approx(true_hz, rel=1e-6)
    assert code in codes(aligned)


def test_no_overlap_is_refused() -> None:
    with pytest.raises(RecordingError, match=r"right_wrist ends at 40\.0 s and sternum starts at 50\.0 s"):
        align(worn(), worn("sternum", start_s=50.0))


@pytest.mark.parametrize("event", [Event(30, 20, "set", "full_can"), Event(500, 3, "set"), Event(-9, 3, "set")])
def test_a_set_outside_the_recording_is_refused(event: Event) -> None:
    with pytest.raises(RecordingError, match=r"within the recording, 0\.0 to 40\.0 s"):
        align(worn(), events=(event,))


def somigliana_m_s2(latitude_deg: float) -> float:
    """Normal gravity on the WGS 84 ellipsoid (NIMA TR8350.2, third edition, equation 4-1 and table 3.4)."""
    sine2 = np.sin(np.radians(latitude_deg)) ** 2
    return float(9.7803253359 * (1 + 0.00193185265241 * sine2) / np.sqrt(1 - 0.00669437999013 * sine2))


def test_gravity_anywhere_on_earth_is_accepted_in_silence() -> None:
    assert somigliana_m_s2(0) == pytest.approx(NORMAL_GRAVITY_M_S2[0], abs=0.001)
    assert somigliana_m_s2(90) == pytest.approx(NORMAL_GRAVITY_M_S2[1], abs=0.001)
    # Standard gravity was meant as that of 45 degrees.
    assert somigliana_m_s2(45) == pytest.approx(G, abs=0.001)
    stream = worn()
    for latitude_deg in (0, 45, 90):
        scaled = replace(stream, acc_m_s2=stream.acc_m_s2 * somigliana_m_s2(latitude_deg) / G)
        assert set(codes(align(scaled))) == {"measured_rate"}


WRONG_UNITS: dict[str, tuple[Callable[[SensorStream], SensorStream], str]] = {
    "g declared as m/s^2": (lambda s: replace(s, acc_m_s2=s.acc_m_s2 / G), 'set the acc_unit of right_wrist to "g"'),
    "m/s^2 declared as g": (lambda s: replace(s, acc_m_s2=s.acc_m_s2 * G), 'set the acc_unit of right_wrist to "m/s'),
    "mg": (lambda s: replace(s, acc_m_s2=s.acc_m_s2 / G * 1000), "check the acc_unit"),
    "deg/s declared as rad/s": (
        lambda s: replace(s, gyr_rad_s=np.degrees(s.gyr_rad_s)),
        'gyr_unit of right_wrist to "deg/s"',
    ),
    "rad/s declared as deg/s": (
        lambda s: replace(s, gyr_rad_s=np.radians(s.gyr_rad_s)),
        'gyr_unit of right_wrist to "rad/s"',
    ),
    "gravity taken out": (
        lambda s: replace(s, acc_m_s2=s.acc_m_s2 - G * s.acc_m_s2 / np.linalg.norm(s.acc_m_s2, axis=1)[:, None]),
        "gravity was taken out",
    ),
}


@pytest.mark.parametrize(("spoil", "said"), WRONG_UNITS.values(), ids=WRONG_UNITS.keys())
def test_wrong_units_are_refused_with_the_cure(spoil: Callable[[SensorStream], SensorStream], said: str) -> None:
    with pytest.raises(RecordingError) as caught:
        align(spoil(worn()))
    assert said in str(caught.value)


def test_scale_offset_and_axes_are_said() -> None:
    stream = worn()
    assert codes(align(replace(stream, acc_m_s2=1.1 * stream.acc_m_s2)))["gravity_off"] == "warning"
    assert codes(align(replace(stream, gyr_rad_s=stream.gyr_rad_s + 0.08)))["gyr_offset"] == "warning"
    for turned in (-stream.gyr_rad_s, stream.gyr_rad_s[:, [1, 0, 2]]):
        with pytest.raises(RecordingError, match="other axes or the other way"):
            align(replace(stream, gyr_rad_s=turned))


def test_clipping_at_the_declared_range_and_at_flat_tops() -> None:
    stream = worn()
    # About the vertical, while it hangs still.
    swing = stream.gyr_rad_s.copy()
    swing[300:700, 2] += 40 * np.sin(np.arange(400) / 400 * 2 * np.pi)
    clipped = replace(stream, gyr_rad_s=np.clip(swing, -34.9, 34.9))
    truth = np.abs(swing) > 34.9
    for declared in (None, 34.9):
        aligned = align(replace(clipped, gyr_range_rad_s=declared), rate_hz=100.0)
        np.testing.assert_array_equal(aligned.tracks["right_wrist"].clipped, truth.any(axis=1))
        assert aligned.quality["right_wrist"].clipped_pct == pytest.approx(100 * truth.any(axis=1).mean())
        assert codes(aligned)["clipping"] == "warning"
    assert "clipping" not in codes(align(replace(stream, gyr_rad_s=swing)))


def test_stuck_frozen_and_zero_channels() -> None:
    stream = worn()
    stuck = stream.gyr_rad_s.copy()
    stuck[2000:2300, 1] = stuck[2000, 1]
    aligned = align(replace(stream, gyr_rad_s=stuck), worn("left_wrist"), rate_hz=100.0)
    np.testing.assert_array_equal(np.flatnonzero(~aligned.tracks["right_wrist"].valid), np.arange(2000, 2300))
    fault = next(f for f in aligned.findings if f.code == "stuck_channel")
    assert (fault.severity, fault.start_s, fault.end_s) == ("fault", pytest.approx(20.0), pytest.approx(22.99))
    assert "gyr_y" in fault.text

    rows = np.arange(4000)
    rows[2000:2300] = 2000
    frozen = replace(stream, acc_m_s2=stream.acc_m_s2[rows], gyr_rad_s=stream.gyr_rad_s[rows])
    assert "all channels" in next(f.text for f in align(frozen).findings if f.code == "stuck_channel")

    dead = stream.gyr_rad_s.copy()
    dead[:, 2] = 0.0
    aligned = align(replace(stream, gyr_rad_s=dead), worn("left_wrist"))
    assert list(aligned.tracks) == ["left_wrist"]
    assert not aligned.quality["right_wrist"].used
    assert codes(aligned)["constant_channel"] == "fault"
    with pytest.raises(RecordingError, match="gyr_z is zero"):
        align(replace(stream, gyr_rad_s=dead))


def test_a_coarse_converter_at_rest_is_not_stuck() -> None:
    stream = worn()
    coarse = replace(stream, acc_m_s2=np.round(stream.acc_m_s2, 1), gyr_rad_s=np.round(stream.gyr_rad_s, 2))
    assert "stuck_channel" not in codes(align(coarse))


def test_spikes_are_counted_and_a_line_put_in_their_place() -> None:
    stream = worn()
    acc, gyr = stream.acc_m_s2.copy(), stream.gyr_rad_s.copy()
    acc[1234, 0] += 90.0
    gyr[[2000, 2001], 1] -= 12.0
    aligned = align(replace(stream, acc_m_s2=acc, gyr_rad_s=gyr), rate_hz=100.0)
    assert aligned.quality["right_wrist"].spikes == 3
    assert codes(aligned)["spikes"] == "note"
    track, was = aligned.tracks["right_wrist"], align(stream, rate_hz=100.0).tracks["right_wrist"]
    assert track.acc_m_s2[1234, 0] == pytest.approx((acc[1233, 0] + acc[1235, 0]) / 2)
    assert np.abs(track.gyr_rad_s - was.gyr_rad_s).max() < 0.05
    assert track.valid.all()


def sway(seconds: float, rate_hz: float = 100.0) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Someone standing still, swaying by 0.3 deg at 0.4 Hz."""
    time_s = np.arange(int(seconds * rate_hz)) / rate_hz
    tilt = np.radians(0.3) * np.sin(2 * np.pi * 0.4 * time_s)
    zero = np.zeros_like(tilt)
    rng = np.random.default_rng(4)
    acc = G * np.column_stack([-np.sin(tilt), zero, np.cos(tilt)]) + rng.normal(0, 0.03, (len(tilt), 3))
    gyr = np.column_stack([zero, np.gradient(tilt, time_s), zero]) + rng.normal(0, 0.003, (len(tilt), 3))
    return time_s, acc, gyr


def test_sway_is_stillness_and_slow_turning_is_not() -> None:
    time_s, acc, gyr = sway(10)
    assert still_windows(time_s, acc, gyr) == [(pytest.approx(0.0), pytest.approx(9.99))]
    # 8 deg/s is slower than any drill.
    assert still_windows(time_s, acc, gyr + np.radians([0, 8.0, 0])) == []
    # 3 deg/s about a level axis: under the limit, but the tilt adds up to 30 deg.
    turned = np.radians(3.0) * time_s
    acc = G * np.column_stack([-np.sin(turned), 0 * turned, np.cos(turned)])
    assert all(end - start < 2.5 for start, end in still_windows(time_s, acc, gyr))


def test_a_gap_ends_a_stillness() -> None:
    time_s, acc, gyr = sway(10)
    acc[500:520] = np.nan
    (first, second) = still_windows(time_s, acc, gyr)
    assert first[1] < 5.0
    assert second[0] > 5.19


def test_a_stage_with_impossible_parameters_is_refused() -> None:
    with pytest.raises(ParameterError, match="rate_hz"):
        AlignParams(rate_hz=0.0)
    with pytest.raises(ParameterError, match="latency_s"):
        AlignParams(latency_s=0.01)


def test_grid_times_end_with_the_data() -> None:
    np.testing.assert_allclose(grid_times(1.0, 1.05, 100.0), [1.0, 1.01, 1.02, 1.03, 1.04, 1.05])


def watch_recordings(scale: float = 1.0) -> list[Recording]:
    """140 real sets of shoulder exercise at the wrist, 50 Hz (Burns et al. 2018), with stillness at both ends."""
    return [
        Recording(
            "watch",
            "M.K.",
            "2018-01-01",
            {"right_wrist": SensorStream("right_wrist", w.time_s, w.acc_m_s2 * scale, w.gyr_rad_s, RATE_HZ)},
            (),
        )
        for w in map(with_stillness, watch_sets())
    ]


def test_real_sets_pass_the_unit_checks() -> None:
    found = [finding.code for recording in watch_recordings() for finding in align_recording(recording).findings]
    assert found.count("measured_rate") == 140
    assert set(found) <= {"measured_rate", "axes_disagree", "spikes"}
    # Their movement is fast, so that the limb's own acceleration may look like another axis.
    assert found.count("axes_disagree") <= 4


def test_wrong_units_are_seen_in_every_real_set() -> None:
    for recording in watch_recordings(1 / G):
        with pytest.raises(RecordingError, match='set the acc_unit of right_wrist to "g"'):
            align_recording(recording)


@pytest.mark.parametrize(
    ("damage", "said"),
    [
        ({"acc_in_g": True}, 'acc_unit of right_wrist to "g"'),
        ({"gyr_in_deg_s": True}, 'gyr_unit of right_wrist to "deg/s"'),
        ({"gravity_removed": True}, "gravity was taken out"),
    ],
)
def test_simulated_mistakes_are_refused(damage: dict[str, bool], said: str) -> None:
    scenario = drill_scenario("full_can", "right")
    with pytest.raises(RecordingError) as caught:
        align_recording(simulate(replace(scenario, damage={"right_wrist": Damage(**damage)}), 1).recording)
    assert said in str(caught.value)


@pytest.mark.parametrize(("samples", "clipped"), [(2, 0), (3, 3), (4, 4)])
def test_a_flat_top_is_three_samples_in_a_row_at_the_extreme(samples: int, clipped: int) -> None:
    """Without a declared range. Two equal samples are what a turning point gives by chance; three are no turning point
    of a signal with noise (common practice)."""
    stream = worn()
    swing = stream.gyr_rad_s.copy()
    swing[2000 : 2000 + samples, 2] = 20.0
    track = align(replace(stream, gyr_rad_s=swing), rate_hz=100.0).tracks["right_wrist"]
    np.testing.assert_array_equal(np.flatnonzero(track.clipped), np.arange(2000, 2000 + clipped))


@pytest.mark.parametrize(("amplitude_m_s2", "still"), [(0.4, True), (1.5, False)])
def test_who_walks_without_turning_the_sensor_does_not_hold_still(amplitude_m_s2: float, still: bool) -> None:
    """Walking at 2 steps a second lifts the body by about 3 cm to and fro (from memory), which is 2 m/s^2; a standing
    person's breath and heart give a few hundredths."""
    time_s, acc, gyr = sway(10)
    acc[:, 2] += amplitude_m_s2 * np.sin(2 * np.pi * 2.0 * time_s)
    assert bool(still_windows(time_s, acc, gyr)) is still


def test_a_clipped_sample_spoils_the_grid_on_both_of_its_sides() -> None:
    """Each grid time between two samples takes from both, so one that was clipped spoils two; on the sample, one."""
    own_s = np.arange(100) / 100
    clipped = np.arange(100) == 50
    for share, spoilt in ((0.5, [49, 50]), (0.1, [49, 50]), (0.0, [50])):
        grid_s = own_s[10:-10] + share / 100
        found = resample(own_s, np.sin(own_s)[:, None], clipped, grid_s, 0.01, 0.05)
        np.testing.assert_array_equal(np.flatnonzero(found.clipped) + 10, spoilt)
