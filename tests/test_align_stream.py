"""The live align stage: any cut of the stream gives the same rows, and they agree with the finished recording."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from imu_shoulder.align import AlignParams, align_recording
from imu_shoulder.align.notes import Notes
from imu_shoulder.align.stream import Align
from imu_shoulder.align.unfit_watch import UnfitWatch
from imu_shoulder.errors import RecordingError
from imu_shoulder.model import Aligned, FloatArray, Recording, SensorStream

G = 9.80665


def worn(placement: str, rate_hz: float, start_s: float, seconds: float = 12.0) -> SensorStream:
    """Swinging by half a radian at 0.5 Hz after 5 s of stillness, with noise."""
    time_s = start_s + np.arange(int(seconds * rate_hz)) / rate_hz
    phase = np.maximum(time_s - 5.0, 0.0) * np.pi
    tilt, rate = 0.25 * (1 - np.cos(phase)), 0.25 * np.pi * np.sin(phase)
    rng = np.random.default_rng(len(placement))
    zero = np.zeros_like(tilt)
    acc = G * np.column_stack([-np.sin(tilt), zero, np.cos(tilt)]) + rng.normal(0, 0.02, (len(tilt), 3))
    gyr = np.column_stack([zero, rate, zero]) + rng.normal(0, 0.002, (len(tilt), 3))
    return SensorStream(placement, time_s, acc, gyr, rate_hz, gyr_range_rad_s=0.78)


def rows(stream: SensorStream, which: FloatArray) -> SensorStream:
    return replace(
        stream, time_s=stream.time_s[which], acc_m_s2=stream.acc_m_s2[which], gyr_rad_s=stream.gyr_rad_s[which]
    )


def streams() -> dict[str, SensorStream]:
    """Three sensors of two rates: one with a gap and single losses, one that starts late."""
    wrist, arm = worn("right_wrist", 100.0, 0.0), worn("right_upper_arm", 100.0, 0.0037)
    lost = (arm.time_s > 6) & (arm.time_s < 6.8) | np.isin(np.arange(len(arm.time_s)), [700, 900, 901])
    return {
        "right_wrist": wrist,
        "right_upper_arm": rows(arm, ~lost),
        "sternum": worn("sternum", 51.2, 0.9, seconds=10.0),
    }


def run(streams: Mapping[str, SensorStream], cuts_s: Sequence[float], params: AlignParams | None = None) -> Aligned:
    stage = Align(params or AlignParams(), {name: stream.declared_rate_hz for name, stream in streams.items()})
    parts = []
    edges = [-np.inf, *sorted(cuts_s), np.inf]
    for low, high in pairwise(edges):
        chunk = {name: rows(s, (s.time_s >= low) & (s.time_s < high)) for name, s in streams.items()}
        parts.append(stage.push(chunk))
    parts.append(stage.finish())
    return Aligned(
        parts[0].rate_hz,
        np.concatenate([part.time_s for part in parts]),
        {
            name: replace(
                parts[0].tracks[name],
                **{
                    field: np.concatenate([getattr(part.tracks[name], field) for part in parts])
                    for field in ("acc_m_s2", "gyr_rad_s", "valid", "clipped")
                },
            )
            for name in streams
        },
        parts[-1].findings,
    )


@settings(max_examples=40)
@given(st.lists(st.floats(0.001, 12.5), max_size=30))
def test_rows_do_not_depend_on_the_cut(cuts_s: list[float]) -> None:
    whole, cut = run(streams(), []), run(streams(), cuts_s)
    np.testing.assert_allclose(cut.time_s, whole.time_s, atol=1e-9)
    assert cut.findings == whole.findings
    for name, track in whole.tracks.items():
        np.testing.assert_allclose(cut.tracks[name].acc_m_s2, track.acc_m_s2, atol=1e-9)
        np.testing.assert_allclose(cut.tracks[name].gyr_rad_s, track.gyr_rad_s, atol=1e-9)
        np.testing.assert_array_equal(cut.tracks[name].valid, track.valid)
        np.testing.assert_array_equal(cut.tracks[name].clipped, track.clipped)


def test_live_agrees_with_the_finished_recording() -> None:
    """The finished form measures the rate to about 1e-9 here; what is left is rounding."""
    live = run(streams(), np.arange(0.1, 12, 0.1).tolist())
    whole = align_recording(Recording("spring", "M.K.", "2026-05-04", streams(), ()))
    assert live.rate_hz == whole.rate_hz
    np.testing.assert_allclose(live.time_s, whole.time_s, atol=1e-6)
    for name, track in whole.tracks.items():
        np.testing.assert_array_equal(live.tracks[name].valid, track.valid)
        np.testing.assert_array_equal(live.tracks[name].clipped, track.clipped)
        np.testing.assert_allclose(live.tracks[name].acc_m_s2, track.acc_m_s2, atol=1e-4)
        np.testing.assert_allclose(live.tracks[name].gyr_rad_s, track.gyr_rad_s, atol=1e-5)
    assert any(track.clipped.any() for track in whole.tracks.values())


def test_rows_come_within_the_latency() -> None:
    stage = Align(AlignParams(latency_s=0.2), {"right_wrist": 100.0, "sternum": 100.0})
    wrist = worn("right_wrist", 100.0, 0.0)
    newest_s = 0.0
    for start in range(0, 1200, 10):
        got = stage.push({"right_wrist": rows(wrist, np.arange(start, start + 10))})
        if len(got.time_s):
            newest_s = got.time_s[-1]
        # The sternum never answers: after the latency the wrist goes on without it.
        assert wrist.time_s[start + 9] - newest_s < 0.2 + 0.011
        assert not got.tracks["sternum"].valid.any()


def test_memory_stays_bounded() -> None:
    stage = Align(AlignParams(), {"right_wrist": 100.0})
    wrist = worn("right_wrist", 100.0, 0.0, seconds=60.0)
    for start in range(0, 6000, 50):
        stage.push({"right_wrist": rows(wrist, np.arange(start, start + 50))})
        assert len(stage._sensors["right_wrist"]) < 100


@pytest.mark.parametrize("period_s", [65.536, 2**32 * 1e-6])
def test_a_counter_that_runs_over_goes_on(period_s: float) -> None:
    wrist = worn("right_wrist", 100.0, period_s - 6.0)
    wrapped = replace(wrist, time_s=wrist.time_s % period_s)
    stage = Align(AlignParams(rate_hz=100.0), {"right_wrist": 100.0})
    parts = [stage.push({"right_wrist": rows(wrapped, np.arange(k, k + 100))}) for k in range(0, 1200, 100)]
    parts.append(stage.finish())
    np.testing.assert_allclose(np.concatenate([part.time_s for part in parts]), wrist.time_s, atol=1e-6)
    assert all(part.tracks["right_wrist"].valid.all() for part in parts)
    assert "clock_wrap" in {finding.code for finding in parts[-1].findings}


def test_repeats_and_late_samples_are_left_out_and_said() -> None:
    wrist = worn("right_wrist", 100.0, 0.0)
    order = np.insert(np.arange(1200), [300, 600], [299, 590])
    got = run({"right_wrist": rows(wrist, order)}, [], AlignParams(rate_hz=100.0))
    values = {finding.code: finding.value for finding in got.findings}
    assert (values["duplicates"], values["reordered"]) == (1.0, 1.0)
    np.testing.assert_array_equal(got.tracks["right_wrist"].gyr_rad_s, wrist.gyr_rad_s)


def test_wrong_units_stop_the_stream_after_a_few_seconds() -> None:
    wrist = worn("right_wrist", 100.0, 0.0)
    wrist = replace(wrist, acc_m_s2=wrist.acc_m_s2 / G)
    stage = Align(AlignParams(), {"right_wrist": 100.0})
    stage.push({"right_wrist": rows(wrist, np.arange(390))})
    with pytest.raises(RecordingError, match='"g"'):
        stage.push({"right_wrist": rows(wrist, np.arange(390, 410))})


def test_a_slow_sensor_is_waited_for_longer() -> None:
    slow = {"right_wrist": worn("right_wrist", 100.0, 0.0), "sternum": worn("sternum", 12.5, 0.01)}
    cut, whole = run(slow, np.arange(0.05, 12, 0.05).tolist()), run(slow, [])
    np.testing.assert_allclose(cut.tracks["sternum"].acc_m_s2, whole.tracks["sternum"].acc_m_s2, atol=1e-9)


@pytest.mark.parametrize("rate_hz", [25.0, 40.0, 50.0, 75.0])
def test_a_slower_grid_is_the_same_live_and_of_a_file(rate_hz: float) -> None:
    live = run(streams(), np.arange(0.03, 12, 0.07).tolist(), AlignParams(rate_hz=rate_hz))
    whole = align_recording(Recording("spring", "M.K.", "2026-05-04", streams(), ()), AlignParams(rate_hz=rate_hz))
    np.testing.assert_allclose(live.time_s, whole.time_s, atol=1e-6)
    for name, track in whole.tracks.items():
        np.testing.assert_array_equal(live.tracks[name].valid, track.valid)
        np.testing.assert_allclose(live.tracks[name].gyr_rad_s, track.gyr_rad_s, atol=1e-5)


def test_repeated_values_are_left_out_whatever_the_cut() -> None:
    """A channel that sticks, an instrument and a whole sensor that stand still, zeros: one row at a time is as all."""
    rng = np.random.default_rng(9104)
    values = np.round(rng.normal(0.0, 3.0, (3000, 6)), 1)
    time_s = np.arange(len(values)) / 100.0
    for first, count, columns in ((400, 90, slice(3, 4)), (900, 25, slice(0, 3)), (1500, 200, slice(None))):
        values[first : first + count, columns] = values[first, columns]
    values[2200:2210, :3] = 0.0
    said = []
    for step in (len(values), 401, 7, 1):
        watch, notes = UnfitWatch([100.0], 0.5), Notes("right_wrist")
        parts = [slice(first, first + step) for first in range(0, len(values), step)]
        fit = [watch.look([0], [len(time_s[part])], time_s[part], values[part]) for part in parts]
        watch.note(0, notes)
        said.append((np.concatenate(fit).tolist(), sorted(finding.text for finding in notes.findings)))
    assert all(own == said[0] for own in said[1:])
    left_out = np.flatnonzero(~np.array(said[0][0]))
    assert {400 + 89, 900 + 24, 1500 + 199, 2200} <= set(left_out.tolist())
    assert len(left_out) < 90 + 25 + 200 + 10
