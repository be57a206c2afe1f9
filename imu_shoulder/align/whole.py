"""Aligns a finished recording: all of it is known, so clocks, units and gaps are judged over the whole."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from imu_shoulder.align import checks
from imu_shoulder.align.clock import Clock, repair_clock
from imu_shoulder.align.grid import grid_times, longest_step_s, make_track, resample
from imu_shoulder.align.notes import Notes, clock_notes, unit_notes
from imu_shoulder.align.params import AlignParams
from imu_shoulder.errors import RecordingError
from imu_shoulder.limits import require_memory
from imu_shoulder.model import (
    Aligned,
    BoolArray,
    Event,
    Finding,
    FloatArray,
    Recording,
    SensorQuality,
    SensorStream,
    Track,
)

# How far an event may reach beyond the data: hand-set marks are not to the sample.
_EVENT_SLACK_S = 1.0


@dataclass(frozen=True, slots=True)
class _Repaired:
    """One sensor after its clock was repaired and its numbers were checked.

    values: (K, 6) acc and gyr. good: (K,) rows that are not stuck.
    """

    stream: SensorStream
    clock: Clock
    values: FloatArray
    clipped: BoolArray
    good: BoolArray
    quality: SensorQuality
    findings: tuple[Finding, ...]


def align_recording(recording: Recording, params: AlignParams | None = None) -> Aligned:
    """All sensors of a recording on one uniform grid, with what was found about them.

    The grid runs from the first sample of the earliest sensor to the last of the latest. Raises RecordingError for
    wrong units, gravity taken out, sensors that do not overlap, events outside the data, no usable sensor.
    """
    params = params or AlignParams()
    sensors = [_repair(stream, params) for stream in recording.streams.values()]
    _require_overlap(sensors)
    _require_inside(recording.events, sensors)
    used = [sensor for sensor in sensors if sensor.quality.used]
    if not used:
        raise RecordingError(
            "a sensor that works",
            "; ".join(f.text for s in sensors for f in s.findings if f.severity == "fault"),
            "check the sensors and record again",
        )
    rate_hz = params.rate_hz or shared_rate_hz([sensor.stream.declared_rate_hz for sensor in used])
    start_s, end_s = min(sensor.quality.start_s for sensor in used), max(sensor.quality.end_s for sensor in used)
    require_memory(int((end_s - start_s) * rate_hz), len(used))
    time_s = grid_times(start_s, end_s, rate_hz)
    tracks = {sensor.stream.placement: _track(sensor, time_s, rate_hz, params) for sensor in used}
    return Aligned(
        rate_hz=rate_hz,
        time_s=time_s,
        tracks=tracks,
        findings=tuple(finding for sensor in sensors for finding in sensor.findings),
        quality={sensor.stream.placement: sensor.quality for sensor in sensors},
    )


def shared_rate_hz(rates_hz: Sequence[float]) -> float:
    """The rate that most sensors share; of equally common ones the highest, which loses nothing."""
    counts = Counter(rates_hz)
    return max(counts, key=lambda rate: (counts[rate], rate))


def _repair(stream: SensorStream, params: AlignParams) -> _Repaired:
    clock = repair_clock(stream.time_s, stream.declared_rate_hz, params.bridge_s)
    # Channel by channel in memory, which makes the checks of each channel several times as fast.
    values = np.empty((len(stream.time_s), 6), order="F")
    values[:, :3], values[:, 3:] = stream.acc_m_s2, stream.gyr_rad_s
    if len(clock.rows) != len(values) or clock.reordered:
        values = np.asfortranarray(values[clock.rows])
    time_s, rate_hz = clock.time_s, clock.rate_hz
    notes = Notes(stream.placement)
    clock_notes(notes, clock, stream, params)

    constant = checks.constant_channels(values)
    if constant:
        zero = "zero" if not values[0, [checks.AXES.index(name) for name in constant]].any() else "one value"
        notes.add("constant_channel", f"not used, since {', '.join(constant)} is {zero} throughout")
    rest = checks.find_rest(time_s, values[:, :3], values[:, 3:], rate_hz)
    if rest is not None and not constant:
        unit_notes(notes, rest, values, time_s, rate_hz)

    clipped = checks.range_rows(values, checks.range_limits(stream)) | checks.flat_top_rows(values)
    share_pct = 100.0 * float(clipped.mean())
    if clipped.any():
        at = time_s[clipped]
        notes.add("clipping", f"clipped for {share_pct:.2g} % of the time", share_pct, float(at[0]), float(at[-1]))
    spikes = checks.count_spikes(values)
    if spikes:
        notes.add("spikes", f"{spikes} single samples stick out of their neighbours", float(spikes))
    good = np.ones(len(values), dtype=np.bool_)
    for stuck in [] if constant else checks.stuck_stretches(values, rate_hz, params.stuck_s):
        good[stuck.start : stuck.end] = False
        start_s, end_s = float(time_s[stuck.start]), float(time_s[stuck.end - 1])
        what = "all channels" if len(stuck.channels) == len(checks.AXES) else ", ".join(stuck.channels)
        text = f"not used from {start_s:.1f} to {end_s:.1f} s, where {what} repeated one value"
        notes.add("stuck_channel", text, end_s - start_s, start_s, end_s)

    after, missing = clock.holes()
    lasts_s = time_s[after] - time_s[after - 1]
    gap = lasts_s > longest_step_s(1.0 / rate_hz, params.bridge_s)
    still = rest if rest is not None and rest.still else None
    quality = SensorQuality(
        placement=stream.placement,
        samples=len(stream.time_s),
        start_s=float(time_s[0]),
        end_s=float(time_s[-1]),
        declared_rate_hz=stream.declared_rate_hz,
        measured_rate_hz=rate_hz,
        jitter_sd_s=clock.jitter_sd_s,
        duplicates=clock.duplicates,
        backward_steps=clock.reordered + clock.wraps + len(clock.set_back_s),
        gap_count=int(gap.sum()),
        gap_total_s=float(lasts_s[gap].sum()),
        longest_gap_s=float(lasts_s[gap].max(initial=0.0)),
        bridged_samples=int(missing[~gap].sum()),
        clipped_pct=share_pct,
        spikes=spikes,
        gravity_m_s2=None if still is None else still.gravity_m_s2,
        gyr_offset_deg_s=None if still is None else float(np.degrees(still.gyr_offset_rad_s)),
        used=not constant and bool(good.any()),
    )
    return _Repaired(stream, clock, values, clipped, good, quality, notes.findings)


def _track(sensor: _Repaired, time_s: FloatArray, rate_hz: float, params: AlignParams) -> Track:
    spacing_s = 1.0 / sensor.clock.rate_hz
    own_s, values, clipped = sensor.clock.time_s, sensor.values, sensor.clipped
    if not sensor.good.all():
        own_s, values, clipped = own_s[sensor.good], values[sensor.good], clipped[sensor.good]
    if rate_hz < 0.75 * sensor.clock.rate_hz:
        values = _band_limited(own_s, values, spacing_s, rate_hz, params.bridge_s)
    return make_track(sensor.stream.placement, resample(own_s, values, clipped, time_s, spacing_s, params.bridge_s))


def _band_limited(
    time_s: FloatArray, values: FloatArray, spacing_s: float, rate_hz: float, bridge_s: float
) -> FloatArray:
    """Take out of faster samples what the slower grid cannot carry, within each stretch without a gap."""
    from scipy.ndimage import convolve1d
    from scipy.signal import firwin

    taps = 2 * int(4.0 / (rate_hz * spacing_s)) + 1
    weights = firwin(taps, 0.45 * rate_hz, fs=1.0 / spacing_s)
    out = np.empty_like(values)
    starts = np.flatnonzero(np.diff(time_s, prepend=-np.inf) > longest_step_s(spacing_s, bridge_s))
    for start, end in zip(starts, np.append(starts[1:], len(values)), strict=True):
        out[start:end] = convolve1d(values[start:end], weights, axis=0, mode="nearest")
    return out


def _require_overlap(sensors: Sequence[_Repaired]) -> None:
    late = max(sensors, key=lambda sensor: sensor.quality.start_s).quality
    early = min(sensors, key=lambda sensor: sensor.quality.end_s).quality
    if late.start_s >= early.end_s:
        raise RecordingError(
            "sensors that recorded at the same time",
            f"{early.placement} ends at {early.end_s:.1f} s and {late.placement} starts at {late.start_s:.1f} s",
            "put all sensors on one clock, or leave one out of recording.toml",
        )


def _require_inside(events: Sequence[Event], sensors: Sequence[_Repaired]) -> None:
    start_s = min(sensor.quality.start_s for sensor in sensors)
    end_s = max(sensor.quality.end_s for sensor in sensors)
    for event in events:
        if event.onset_s < start_s - _EVENT_SLACK_S or event.end_s > end_s + _EVENT_SLACK_S:
            raise RecordingError(
                f"events within the recording, {start_s:.1f} to {end_s:.1f} s",
                f"a {event.trial_type} of events.tsv goes from {event.onset_s:.1f} to {event.end_s:.1f} s",
                "correct its onset and duration: both count in seconds of the sensors' clock",
            )
