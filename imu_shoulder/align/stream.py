"""Aligns a live stream, chunk by chunk, with bounded latency.

Live samples come with the regular times of their device, so that stamps are taken as they are: wraps and resets are
undone, repeats and late samples left out, and all else is as for a finished recording: the same interpolation, the
same limits, the same range check, the same test for rows that are no measurement as soon as they are told from chance.
What needs the whole recording (even times put in place of jitter, flat tops, rows written twice, scales and zeros,
clocks apart) is left to `align_recording`.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from functools import lru_cache
from itertools import accumulate
from math import isfinite

import numpy as np

from imu_shoulder.align import checks
from imu_shoulder.align.clock import wrap_period_s
from imu_shoulder.align.grid import Samples, longest_step_s, resample_sensors
from imu_shoulder.align.kernels import Kernel, kernel_of
from imu_shoulder.align.notes import Notes, unit_notes
from imu_shoulder.align.params import AlignParams
from imu_shoulder.align.unfit_watch import UnfitWatch
from imu_shoulder.align.whole import grid_rate_hz
from imu_shoulder.model import Aligned, BoolArray, Finding, FloatArray, SensorStream, Track

# A clock that steps back by more was set back; less is a sample that came late.
_SET_BACK_S = 1.0
_UNIT_CHECK_S = 4.0
# Columns of a sample that is kept.
_TIME, _ACC, _GYR, _VALUES, _CLIPPED, _WIDTH = 0, slice(1, 4), slice(4, 7), slice(1, 7), 7, 8
# Samples that no later grid time needs are forgotten when there are so many.
_MOST_ROWS = 64


class Align:
    """The align stage for a live stream. Push chunks of whatever has arrived; each push gives the rows that are ready.

    The rows do not depend on how the stream was cut, as long as every chunk holds, of each sensor, all samples up to
    the same time. A sensor that falls behind by more than latency_s is waited for no longer: its rows are a gap.
    """

    def __init__(self, params: AlignParams, rates_hz: Mapping[str, float]) -> None:
        """rates_hz: declared rate of each expected sensor, by placement."""
        self.rate_hz = grid_rate_hz(list(rates_hz.values()), params)
        self._kernels = [kernel_of(rate_hz, self.rate_hz) for rate_hz in rates_hz.values()]
        self._sensors = {
            placement: _Sensor(place, placement, rate, kernel, params)
            for place, ((placement, rate), kernel) in enumerate(zip(rates_hz.items(), self._kernels, strict=True))
        }
        self._spacing_s = np.array([[1.0 / rate] for rate in rates_hz.values()])
        self._longest_s = np.array([[longest_step_s(1.0 / rate, params.bridge_s)] for rate in rates_hz.values()])
        self._unfit = UnfitWatch(list(rates_hz.values()), params.stuck_s)
        self._start_s: float | None = None
        self._next = 0

    def push(self, chunk: Mapping[str, SensorStream]) -> Aligned:
        """Take in samples, give the rows that are ready. Raises RecordingError for wrong units."""
        self._take_in([(self._sensors[placement], s) for placement, s in chunk.items() if len(s.time_s)])
        return self._emit(last=False)

    @property
    def newest_s(self) -> float | None:
        """Time of the newest sample, of any sensor, on the repaired clock; None before the first."""
        newest_s = max(sensor.newest_s for sensor in self._sensors.values())
        return newest_s if isfinite(newest_s) else None

    @property
    def unfit(self) -> tuple[Finding, ...]:
        """Of all sensors, what was left out so far, since it was no measurement."""
        return tuple(finding for sensor in self._sensors.values() for finding in self._unfit_of(sensor))

    def finish(self) -> Aligned:
        """The rows up to the newest sample, and what was found about each sensor."""
        rest = self._emit(last=True)
        findings = (f for own in self._sensors.values() for f in (*own.findings(), *self._unfit_of(own)))
        return Aligned(rest.rate_hz, rest.time_s, rest.tracks, tuple(findings))

    def _unfit_of(self, sensor: _Sensor) -> tuple[Finding, ...]:
        notes = Notes(sensor.placement)
        self._unfit.note(sensor.place, notes)
        return notes.findings

    def _take_in(self, arrived: Sequence[tuple[_Sensor, SensorStream]]) -> None:
        """Look at all sensors' samples in one go: of a live stream there are a few, and each look has its price."""
        if not arrived:
            return
        ends = list(accumulate(len(stream.time_s) for _, stream in arrived))
        parts = [slice(first, end) for first, end in zip([0, *ends], ends, strict=False)]
        table = np.empty((ends[-1], _WIDTH))
        for (_, stream), part in zip(arrived, parts, strict=True):
            table[part, _TIME], table[part, _ACC], table[part, _GYR] = stream.time_s, stream.acc_m_s2, stream.gyr_rad_s
        time_s = table[:, _TIME]
        later = time_s[1:] > time_s[:-1]
        # Between two sensors anything may be.
        later[[end - 1 for end in ends[:-1]]] = True
        in_order = all(stream.time_s[0] > sensor.before_s for sensor, stream in arrived) and bool(later.all())
        limits = _limits_of(tuple((s.acc_range_m_s2, s.gyr_range_rad_s, len(s.time_s)) for _, s in arrived))
        clipped = checks.range_rows(table[:, _VALUES], limits)
        any_clipped = bool(clipped.any())
        table[:, _CLIPPED] = clipped
        came = [
            (sensor, rows)
            for (sensor, _), part in zip(arrived, parts, strict=True)
            if len(rows := sensor.put_in_order(table[part], in_order=in_order))
        ]
        if not came:
            return
        if not in_order:
            table = np.concatenate([rows for _, rows in came])
        counts = [len(rows) for _, rows in came]
        fit = self._unfit.look([sensor.place for sensor, _ in came], counts, table[:, _TIME], table[:, _VALUES])
        all_fit, end = bool(fit.all()), 0
        for sensor, rows in came:
            first, end = end, end + len(rows)
            sensor.push(rows if all_fit else rows[fit[first:end]], any_clipped=any_clipped)

    def _emit(self, last: bool) -> Aligned:
        sensors = list(self._sensors.values())
        if self._start_s is None and any(len(sensor) for sensor in sensors):
            self._start_s = min(float(sensor.table[0, _TIME]) for sensor in sensors if len(sensor))
        time_s = np.empty(0)
        if self._start_s is not None:
            newest_s = max(sensor.newest_s for sensor in sensors)
            ready_s = newest_s if last else min(sensor.ready_s(newest_s) for sensor in sensors)
            # A grid time on the very last sample is ready with it: hence the microsecond.
            count = int((ready_s - self._start_s + 1e-6) * self.rate_hz) + 1 if ready_s >= self._start_s else 0
            time_s = self._start_s + np.arange(self._next, max(count, self._next)) / self.rate_hz
            self._next += len(time_s)
        table = np.concatenate([sensor.table for sensor in sensors])
        ends = list(accumulate(map(len, sensors)))
        own = table[:, _TIME], table[:, _VALUES], table[:, _CLIPPED] > 0
        values, clipped = resample_sensors(Samples(*own, ends, self._spacing_s, self._longest_s, self._kernels), time_s)
        valid = ~np.isnan(values[:, :, 0])
        tracks = {
            sensor.placement: Track(sensor.placement, values[k, :, :3], values[k, :, 3:], valid[k], clipped[k])
            for k, sensor in enumerate(sensors)
        }
        if len(time_s):
            for sensor in sensors:
                sensor.forget_before(float(time_s[-1]))
        return Aligned(self.rate_hz, time_s, tracks, ())


@lru_cache(maxsize=256)
def _limits_of(sensors: tuple[tuple[float | None, float | None, int], ...]) -> FloatArray:
    """Range limits (N, 6) of rows of several sensors. sensors: declared ranges of each, and how many rows are its."""
    return np.repeat(
        [checks.range_limits(acc, gyr) for acc, gyr, _ in sensors], [count for *_, count in sensors], axis=0
    )


class _Sensor:
    """One sensor's buffer: samples that a later grid time may still need. place: among the sensors."""

    def __init__(self, place: int, placement: str, rate_hz: float, kernel: Kernel, params: AlignParams) -> None:
        self.place, self.placement = place, placement
        self.newest_s = -np.inf
        self.table: FloatArray = np.empty((0, _WIDTH))
        self._spacing_s = 1.0 / rate_hz
        self._longest_s = longest_step_s(self._spacing_s, params.bridge_s)
        # A slow sensor's next samples take longer than the latency without being late.
        self._kernel = kernel
        self._wait_s = max(params.latency_s, self._longest_s + kernel.half * self._spacing_s)
        self._offset_s = 0.0
        self._raw_s = -np.inf
        self._counts = {"duplicates": 0, "reordered": 0, "clock_wrap": 0, "clock_set_back": 0, "gap": 0, "clipping": 0}
        self._notes = Notes(placement)
        self._start: list[FloatArray] | None = []

    def __len__(self) -> int:
        return len(self.table)

    @property
    def before_s(self) -> float:
        """The stamp that the next one has to be later than, to be in order."""
        return max(self._raw_s, self.newest_s - self._offset_s)

    def put_in_order(self, rows: FloatArray, *, in_order: bool) -> FloatArray:
        """The rows that are kept, on the repaired clock. rows: with raw stamps, ours to change. in_order: every stamp
        is later than all before."""
        if in_order:
            self._raw_s = float(rows[-1, _TIME])
            rows[:, _TIME] += self._offset_s
            return rows
        rows[:, _TIME], keep = self._continued(rows[:, _TIME].copy())
        return rows[keep]

    def push(self, rows: FloatArray, *, any_clipped: bool) -> None:
        """Keep rows that are a measurement. any_clipped: whether there is anything to count."""
        if not len(rows):
            return
        time_s = rows[:, _TIME]
        before_s = self.newest_s if isfinite(self.newest_s) else float(time_s[0])
        self.newest_s = float(time_s[-1])
        if self.newest_s - before_s > self._longest_s:
            self._counts["gap"] += int((np.diff(time_s, prepend=before_s) > self._longest_s).sum())
        if any_clipped:
            self._counts["clipping"] += int(rows[:, _CLIPPED].sum())
        self.table = np.concatenate([self.table, rows])
        if self._start is not None:
            self._check_units(self._start, rows)

    def ready_s(self, newest_s: float) -> float:
        """Up to where grid times have all the samples they need, or have waited long enough for them."""
        own_s = float(self.table[-self._kernel.waits, _TIME]) - 1e-6 if len(self) >= self._kernel.waits else -np.inf
        return max(own_s, newest_s - self._wait_s)

    def forget_before(self, grid_s: float) -> None:
        """Forget the samples that no grid time after this one needs."""
        if len(self.table) > _MOST_ROWS:
            drop = int(self.table[:, _TIME].searchsorted(grid_s)) - self._kernel.taps
            self.table = self.table[max(drop, 0) :]

    def findings(self) -> tuple[Finding, ...]:
        said = {
            "duplicates": "repeated samples left out",
            "reordered": "samples that came late left out",
            "clock_wrap": "times the counter of the clock ran over; undone",
            "clock_set_back": "times the clock was set back; undone as if no time was lost",
            "gap": "gaps",
            "clipping": "samples clipped",
        }
        for code, count in self._counts.items():
            if count:
                self._notes.add(code, f"{count} {said[code]}", float(count))
        return self._notes.findings

    def _continued(self, raw_s: FloatArray) -> tuple[FloatArray, BoolArray]:
        """Stamps made to go on from the last chunk, and which of them are later than all before."""
        time_s = raw_s + self._offset_s
        steps = np.diff(raw_s, prepend=self._raw_s)
        for place in np.flatnonzero(steps <= -_SET_BACK_S):
            period = wrap_period_s(float(steps[place]), self._spacing_s)
            shift = period if period is not None else self._spacing_s - float(steps[place])
            self._counts["clock_set_back" if period is None else "clock_wrap"] += 1
            self._offset_s += shift
            time_s[place:] += shift
        self._raw_s = float(raw_s[-1])
        before = np.maximum.accumulate(np.concatenate([[self.newest_s], time_s[:-1]]))
        self._counts["duplicates"] += int((time_s == before).sum())
        self._counts["reordered"] += int((time_s < before).sum())
        return time_s, time_s > before

    def _check_units(self, parts: list[FloatArray], rows: FloatArray) -> None:
        """Hold the units against gravity once, on the first seconds of the stream."""
        parts.append(rows)
        start_s = parts[0][0, _TIME]
        if rows[-1, _TIME] - start_s < _UNIT_CHECK_S:
            return
        table = np.concatenate(parts)
        self._start = None
        table = table[table[:, _TIME] - start_s < _UNIT_CHECK_S]
        time_s, values = table[:, _TIME], table[:, _VALUES]
        rest = checks.find_rest(time_s, values[:, :3], values[:, 3:], 1.0 / self._spacing_s)
        if rest is not None:
            unit_notes(self._notes, rest, values, time_s, 1.0 / self._spacing_s)
