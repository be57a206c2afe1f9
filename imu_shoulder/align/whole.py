"""Aligns a finished recording: all of it is known, so clocks, units and gaps are judged over the whole."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from imu_shoulder.align import checks
from imu_shoulder.align.apart import Apart, Turning, clocks_apart
from imu_shoulder.align.clock import repair_clock
from imu_shoulder.align.grid import grid_times, longest_step_s, resample
from imu_shoulder.align.kernels import kernel_of
from imu_shoulder.align.notes import Notes, clock_notes, coarse_notes, instrument_notes, is_offset, unit_notes
from imu_shoulder.align.params import AlignParams
from imu_shoulder.align.same import same_rows
from imu_shoulder.align.spikes import SpikeParams, spike_rows, undo_wraps, without_spikes
from imu_shoulder.align.unfit import note_unfit, unfit_stretches, zero_rows
from imu_shoulder.align.upside import Upright, upside_down, upside_down_text
from imu_shoulder.arrays import median_of
from imu_shoulder.errors import RecordingError
from imu_shoulder.findings import finding_of
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
    limb_words,
)
from imu_shoulder.spill import PART_ROWS, parts, room, spilled

# How far an event may reach beyond the data: hand-set marks are not to the sample.
_EVENT_SLACK_S = 1.0
# Fewer are no recording of anything.
_LEAST_SAMPLES = 5
# A sensor that misses more than this of the events began late or ended early.
_SPAN_SLACK_S = 2.0


@dataclass(frozen=True, slots=True)
class _Repaired:
    """One sensor after its clock was repaired and its numbers were checked: the rows that are a measurement.

    time_s: (K,). values: (K, 6) acc and gyr. clipped: (K,). breaks_s: when its clock was set back.
    """

    stream: SensorStream
    time_s: FloatArray
    values: FloatArray
    clipped: BoolArray
    quality: SensorQuality
    findings: tuple[Finding, ...]
    breaks_s: tuple[float, ...] = ()


def align_recording(recording: Recording, params: AlignParams | None = None) -> Aligned:
    """All sensors of a recording on one uniform grid, with what was found about them.

    The grid runs from the first sample of the earliest sensor to the last of the latest. Raises RecordingError for
    wrong units, gravity taken out, sensors that do not overlap, events outside the data, no usable sensor.
    """
    params = params or AlignParams()
    sensors = [_repair(stream, params) for stream in recording.streams.values()]
    sensors = _without_doubles(sensors)
    _require_overlap(sensors)
    _require_inside(recording.events, [(sensor.quality.start_s, sensor.quality.end_s) for sensor in sensors])
    sensors = _on_one_clock(sensors, recording.events)
    sensors = _right_way_up(sensors)
    sensors = [_with_span(sensor, sensors, recording.events) for sensor in sensors]
    used = [sensor for sensor in sensors if sensor.quality.used]
    if not used:
        raise RecordingError(
            "a sensor that works",
            "; ".join(f.text for s in sensors for f in s.findings if f.severity == "fault"),
            "check the sensors and record again",
        )
    rate_hz = grid_rate_hz([sensor.stream.declared_rate_hz for sensor in used], params)
    start_s, end_s = min(sensor.quality.start_s for sensor in used), max(sensor.quality.end_s for sensor in used)
    require_memory(int((end_s - start_s) * rate_hz), [len(sensor.time_s) for sensor in used])
    time_s = spilled(grid_times(start_s, end_s, rate_hz))
    tracks = {sensor.stream.placement: _track(sensor, time_s, rate_hz, params) for sensor in used}
    return Aligned(
        rate_hz=rate_hz,
        time_s=time_s,
        tracks=tracks,
        findings=tuple(finding for sensor in sensors for finding in sensor.findings),
        quality={sensor.stream.placement: sensor.quality for sensor in sensors},
    )


def grid_rate_hz(rates_hz: Sequence[float], params: AlignParams) -> float:
    """The grid's rate for sensors of these declared rates.

    Of the rate that most share, and of equally common ones the highest, the smallest whole part that is enough.
    """
    if params.rate_hz is not None:
        return params.rate_hz
    counts = Counter(rates_hz)
    shared_hz = max(counts, key=lambda rate: (counts[rate], rate))
    return shared_hz / max(1, int(shared_hz / params.enough_hz))


def _measured(stream: SensorStream) -> SensorStream:
    """Without rows that hold no number, which are holes like those of samples that never came."""
    good = np.isfinite(stream.acc_m_s2).all(axis=1) & np.isfinite(stream.gyr_rad_s).all(axis=1)
    good &= np.isfinite(stream.time_s)
    if good.all():
        return stream
    if not good.any():
        came, do = "none of its rows does", "correct the file or record again"
        raise RecordingError(f"numbers in every column of {stream.placement}", came, do)
    return replace(
        stream,
        time_s=stream.time_s[good],
        acc_m_s2=stream.acc_m_s2[good],
        gyr_rad_s=stream.gyr_rad_s[good],
        mag=None if stream.mag is None else stream.mag[good],
    )


def _repair(stream: SensorStream, params: AlignParams) -> _Repaired:
    stream = _measured(stream)
    if len(stream.time_s) < _LEAST_SAMPLES:
        raise RecordingError(
            f"{_LEAST_SAMPLES} samples or more of {stream.placement}",
            f"there are {len(stream.time_s)}",
            "record or export it again, or leave that sensor out",
        )
    clock = repair_clock(stream.time_s, stream.declared_rate_hz, params.bridge_s)
    # Channel by channel in memory, which makes the checks of each channel several times as fast.
    values = room((6, len(stream.time_s))).T
    values[:, :3], values[:, 3:] = stream.acc_m_s2, stream.gyr_rad_s
    if len(clock.rows) != len(values) or clock.reordered:
        values = spilled(values.T[:, clock.rows]).T
    time_s, rate_hz = spilled(clock.time_s), clock.rate_hz
    notes = Notes(stream.placement)
    clock_notes(notes, clock, stream, params)

    coarse = coarse_notes(notes, values)
    spikes = _mend(values, notes, params.spikes)
    constant = checks.constant_channels(values)
    if constant:
        zero = "zero" if not values[0, [checks.AXES.index(name) for name in constant]].any() else "one value"
        notes.add("constant_channel", f"not used, since {', '.join(constant)} is {zero} throughout")
    limits = checks.range_limits(stream.acc_range_m_s2, stream.gyr_range_rad_s)
    clipped = checks.clipped_rows(values, limits, coarse=coarse)
    unfit = [] if constant else unfit_stretches(values, rate_hz, params.stuck_s, clipped, coarse=coarse)
    note_unfit(notes, unfit, time_s)
    good = np.ones(len(values), dtype=np.bool_)
    for stretch in unfit:
        good[stretch.start : stretch.end] = False
    # What is no measurement says nothing about the sensor's units and zeros.
    own_s, own = (time_s, values) if good.all() else (spilled(time_s[good]), spilled(values.T[:, good]).T)
    rest = checks.find_rest(own_s, own[:, :3], own[:, 3:], rate_hz) if len(own) else None
    fit = not constant and bool(good.any())
    if rest is not None and not constant:
        unit_notes(notes, rest, own, own_s, rate_hz)
        if is_offset(rest, own[:, 3:]):
            own[:, 3:] -= rest.gyr_rad_s
        fit = instrument_notes(notes, own, own_s, rate_hz, params.disagree, clipped[good])

    share_pct = 100.0 * float(clipped.mean())
    if clipped.any():
        at = time_s[clipped]
        notes.add("clipping", f"clipped for {share_pct:.2g} % of the time", share_pct, float(at[0]), float(at[-1]))
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
        used=fit,
    )
    back = np.diff(stream.time_s[clock.rows]) < 0.0 if clock.set_back_s else np.empty(0, dtype=np.bool_)
    breaks_s = tuple(clock.time_s[1:][back].tolist()) if back.any() else ()
    return _Repaired(stream, own_s, own, spilled(clipped[good]), quality, notes.findings, breaks_s)


def _mend(values: FloatArray, notes: Notes, params: SpikeParams) -> int:
    """Put single readings right that cannot be, values (N, 6). Returns how many spikes there were."""
    wrapped = undo_wraps(values, params)
    if wrapped is not None:
        notes.add("range_wrapped", f"its {wrapped} ran over the end of its range to the other end; undone")
    spikes = spike_rows(values, params) & ~zero_rows(values)
    count = int(np.count_nonzero(spikes))
    if count:
        without_spikes(values, spikes)
        text = f"{count} single samples stick out of their neighbours; a straight line was put in their place"
        notes.add("spikes", text, float(count))
    return count


def _without_doubles(sensors: Sequence[_Repaired]) -> list[_Repaired]:
    """Without sensors that have the same rows: one of two is not what it is said to be, and which is not known."""
    twins = same_rows({s.stream.placement: (s.time_s, s.values) for s in sensors})
    out = []
    for sensor in sensors:
        other = twins.get(sensor.stream.placement)
        if other is not None:
            text = f"not used: its rows are those of the {limb_words(other)} sensor"
            found = finding_of(sensor.stream.placement, "same_data", text)
            quality = replace(sensor.quality, used=False)
            sensor = replace(sensor, quality=quality, findings=(*sensor.findings, found))
        out.append(sensor)
    return out


def _on_one_clock(sensors: Sequence[_Repaired], events: Sequence[Event]) -> list[_Repaired]:
    """Clocks of an arm's two sensors that are apart put right, or the sensor left out where they are too far apart."""
    used = [sensor for sensor in sensors if sensor.quality.used]
    turning = [
        Turning(
            s.stream.placement,
            s.time_s,
            _turning_rad_s(s.values[:, 3:]),
            s.stream.declared_rate_hz,
            s.breaks_s,
        )
        for s in used
    ]
    apart = {found.placement: found for found in clocks_apart(turning, events)}
    return [_on_clock(sensor, apart.get(sensor.stream.placement)) for sensor in sensors]


def _turning_rad_s(gyr: FloatArray) -> FloatArray:
    """How fast (N,) a sensor turns, gyr (N, 3) without what it says most of the time."""
    zero = np.array([median_of(column) for column in gyr.T])
    out = room(len(gyr))
    for rows in parts(len(gyr), PART_ROWS):
        off = gyr[rows] - zero
        out[rows] = np.sqrt(np.einsum("nj,nj->n", off, off))
    return out


def _on_clock(sensor: _Repaired, apart: Apart | None) -> _Repaired:
    if apart is None:
        return sensor
    if not apart.mended:
        found = finding_of(apart.placement, apart.code, f"not used, since {apart.text}", apart.ahead_s)
        return replace(sensor, quality=replace(sensor.quality, used=False), findings=(*sensor.findings, found))
    text = f"{apart.text}, by how both turned; put right"
    found = finding_of(apart.placement, apart.code, text, apart.ahead_s)
    own_s = spilled(sensor.time_s - apart.ahead_at(sensor.time_s))
    ends_s = np.array([sensor.quality.start_s, sensor.quality.end_s])
    start_s, end_s = ends_s - apart.ahead_at(ends_s)
    rate_hz = sensor.quality.measured_rate_hz / (1.0 - apart.pace)
    quality = replace(sensor.quality, start_s=float(start_s), end_s=float(end_s), measured_rate_hz=rate_hz)
    return replace(sensor, time_s=own_s, quality=quality, findings=(*sensor.findings, found))


def _right_way_up(sensors: Sequence[_Repaired]) -> list[_Repaired]:
    """Without those whose accelerometer seems to be negated."""
    used = [sensor for sensor in sensors if sensor.quality.used]
    wrong = upside_down([Upright(s.stream.placement, s.time_s, s.values[:, :3], s.values[:, 3:]) for s in used])
    out = []
    for sensor in sensors:
        placement = sensor.stream.placement
        if placement in wrong:
            text = f"not used: {upside_down_text(placement, wrong)}"
            found = finding_of(placement, "accelerometer_upside_down", text)
            quality = replace(sensor.quality, used=False)
            sensor = replace(sensor, quality=quality, findings=(*sensor.findings, found))
        out.append(sensor)
    return out


def _with_span(sensor: _Repaired, sensors: Sequence[_Repaired], events: Sequence[Event]) -> _Repaired:
    """With a finding where it began after the first event, or ended before the last one while others went on."""
    if not sensor.quality.used or not events:
        return sensor
    own_s = sensor.time_s[[0, -1]]
    others = [other.quality for other in sensors if other.quality.used]
    found = []
    if min(event.onset_s for event in events) < own_s[0] - _SPAN_SLACK_S > min(q.start_s for q in others):
        text = f"not worn or not on before {own_s[0]:.1f} s: what it would have shown until then was not seen"
        found.append(finding_of(sensor.stream.placement, "starts_late", text, end_s=float(own_s[0])))
    if max(event.end_s for event in events) > own_s[1] + _SPAN_SLACK_S < max(q.end_s for q in others):
        text = f"nothing came from it after {own_s[1]:.1f} s: what it would have shown from then on was not seen"
        found.append(finding_of(sensor.stream.placement, "ends_early", text, start_s=float(own_s[1])))
    return replace(sensor, findings=(*sensor.findings, *found))


def _track(sensor: _Repaired, time_s: FloatArray, rate_hz: float, params: AlignParams) -> Track:
    measured_hz = sensor.quality.measured_rate_hz
    spacing_s, kernel = 1.0 / measured_hz, kernel_of(measured_hz, rate_hz)
    count = len(time_s)
    acc, gyr, valid, clipped = room((count, 3)), room((count, 3)), room(count, np.bool_), room(count, np.bool_)
    # A row depends on the samples about it alone.
    for rows in parts(count):
        own = sensor.time_s, sensor.values, sensor.clipped
        part = resample(*own, time_s[rows], spacing_s, params.bridge_s, kernel)
        acc[rows], gyr[rows] = part.values[:, :3], part.values[:, 3:]
        valid[rows], clipped[rows] = ~np.isnan(part.values[:, 0]), part.clipped
    return Track(sensor.stream.placement, acc, gyr, valid, clipped)


def _require_overlap(sensors: Sequence[_Repaired]) -> None:
    late = max(sensors, key=lambda sensor: sensor.quality.start_s).quality
    early = min(sensors, key=lambda sensor: sensor.quality.end_s).quality
    if late.start_s >= early.end_s:
        raise RecordingError(
            "sensors that recorded at the same time",
            f"{early.placement} ends at {early.end_s:.1f} s and {late.placement} starts at {late.start_s:.1f} s",
            "put all sensors on one clock, or leave one out of recording.toml",
        )


def require_events_inside(recording: Recording, params: AlignParams | None = None) -> None:
    """Raises RecordingError for an event outside the data; for who plays a recording and does not align it."""
    bridge_s = (params or AlignParams()).bridge_s
    clocks = [repair_clock(one.time_s, one.declared_rate_hz, bridge_s) for one in recording.streams.values()]
    _require_inside(recording.events, [(float(clock.time_s[0]), float(clock.time_s[-1])) for clock in clocks])


def _require_inside(events: Sequence[Event], spans_s: Sequence[tuple[float, float]]) -> None:
    """spans_s: start and end of each sensor."""
    start_s, end_s = min(start_s for start_s, _ in spans_s), max(end_s for _, end_s in spans_s)
    for event in events:
        if event.onset_s < start_s - _EVENT_SLACK_S or event.end_s > end_s + _EVENT_SLACK_S:
            raise RecordingError(
                f"events within the recording, {start_s:.1f} to {end_s:.1f} s",
                f"a {event.trial_type} of events.tsv goes from {event.onset_s:.1f} to {event.end_s:.1f} s",
                "correct its onset and duration: both count in seconds of the sensors' clock",
            )
