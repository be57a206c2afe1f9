"""Rows of a stream that are no measurement, as soon as they are told from chance; see `unfit`.

All sensors are looked at in one go: of a live stream a few rows come at a time, and each look has its price.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from imu_shoulder.align import checks
from imu_shoulder.align.notes import Notes
from imu_shoulder.align.unfit import INSTRUMENTS, longest_by_chance, zero_rows
from imu_shoulder.model import BoolArray, FloatArray, IntArray

# What is watched: each channel, and each instrument as a whole.
_NAMES = (*checks.AXES, *(f"its {name}" for name in INSTRUMENTS))
_CHANNELS = len(checks.AXES)
# A shorter repetition is chance in any sensor, a longer one no measure of how often a sensor repeats itself.
_LEAST_ROWS, _LONG_ROWS = 4, 50
# A sensor that has shown less than this is not known well enough.
_KNOWN_ROWS = 200
# More rows than any sensor has.
_APART = 1 << 40


class UnfitWatch:
    """What was left out of each sensor. It depends on their rows alone, not on how they were cut."""

    def __init__(self, rates_hz: Sequence[float], stuck_s: float) -> None:
        """rates_hz: of each sensor, which is called by its place here."""
        count = len(rates_hz)
        self._stuck_rows: IntArray = np.array([max(3, round(stuck_s * rate_hz)) for rate_hz in rates_hz])
        self._last: FloatArray = np.full((count, _CHANNELS), np.nan)
        self._rows: IntArray = np.zeros(count, dtype=np.intp)
        # Of each watched: the row with which its value came, and how many repetitions there were, those of long ones
        # left out. Of each channel: all channels in that row, and whether another one moved since.
        self._since: IntArray = np.zeros((count, len(_NAMES)), dtype=np.intp)
        self._short: IntArray = np.zeros((count, len(_NAMES)), dtype=np.intp)
        self._then: FloatArray = np.full((count, _CHANNELS, _CHANNELS), np.nan)
        self._moved: BoolArray = np.zeros((count, _CHANNELS), dtype=np.bool_)
        # Of each sensor, code and why of what was left out: first and last time, how many rows.
        self._found: list[dict[tuple[str, str], tuple[float, float, int]]] = [{} for _ in rates_hz]

    def look(self, sensors: Sequence[int], counts: Sequence[int], time_s: FloatArray, values: FloatArray) -> BoolArray:
        """Which of the rows (N, 6) are a measurement. They are of these sensors, one after the other, so many of each,
        at least one."""
        who = np.repeat(sensors, counts)
        ends: IntArray = np.cumsum(counts, dtype=np.intp)
        first: IntArray = ends - np.asarray(counts, dtype=np.intp)
        last = ends - 1
        before = np.empty_like(values)
        before[1:], before[first] = values[:-1], self._last[sensors]
        same = np.empty((len(values), len(_NAMES)), dtype=np.bool_)
        np.equal(values, before, out=same[:, :_CHANNELS])
        for k, columns in enumerate(INSTRUMENTS.values(), start=_CHANNELS):
            same[:, k] = same[:, columns].all(axis=1)
        number = (self._rows[who] + np.arange(len(values)) - np.repeat(first, counts))[:, None]
        # No sensor's rows hand on their number to the next one's.
        apart = np.repeat(np.arange(len(sensors)), counts)[:, None] * _APART
        filled = np.where(same, self._since[who], number) + apart
        since: IntArray = np.maximum.accumulate(filled, axis=0) - apart
        length = number - since
        flags = same & (length <= _LONG_ROWS)
        short = np.cumsum(flags, axis=0)
        short += np.repeat(self._short[sensors] - short[first] + flags[first], counts, axis=0)
        found = self._long(sensors, first, ends, length, since, short, values)
        self._last[sensors], self._since[sensors], self._short[sensors] = values[last], since[last], short[last]
        self._rows[sensors] += counts

        out = zero_rows(values)
        if out.any():
            for sensor, start, end in zip(sensors, first, ends, strict=True):
                if out[start:end].any():
                    what = "its accelerometer reads" if values[start:end][out[start:end]].any() else "all channels read"
                    self._leave_out(sensor, "zero_rows", f"{what} zero", time_s[start:end][out[start:end]])
        for k, sensor, start, long in sorted(found, key=lambda own: -own[0]):
            unfit = long & ~out[start : start + len(long)]
            if unfit.any():
                own_s = time_s[start : start + len(long)][unfit]
                self._leave_out(sensor, "stuck_channel", f"{_NAMES[k]} repeated one value", own_s)
                out[start : start + len(long)] |= unfit
        return ~out

    def note(self, sensor: int, notes: Notes) -> None:
        """Say what was left out of one sensor so far."""
        for (code, why), (start_s, end_s, rows) in self._found[sensor].items():
            notes.add(
                code,
                f"{rows} rows not used from {start_s:.1f} to {end_s:.1f} s, where {why}",
                end_s - start_s,
                start_s,
                end_s,
            )

    def _leave_out(self, sensor: int, code: str, why: str, own_s: FloatArray) -> None:
        found = self._found[sensor]
        first_s, _, count = found.get((code, why), (float(own_s[0]), 0.0, 0))
        found[code, why] = first_s, float(own_s[-1]), count + len(own_s)

    def _long(
        self,
        sensors: Sequence[int],
        first: IntArray,
        ends: IntArray,
        length: IntArray,
        since: IntArray,
        short: IntArray,
        values: FloatArray,
    ) -> list[tuple[int, int, int, BoolArray]]:
        """Where an instrument repeats itself for longer than chance has it, or a channel than is allowed: which of the
        watched, the sensor, its first row, and of its rows (n,) those that are meant.

        length, since, short: (N, W) how often the value was repeated in a row, from which row on, and how many short
        repetitions there were by then.
        """
        longest = np.maximum.reduceat(length, first, axis=0)
        to_look = longest[:, :_CHANNELS] >= self._stuck_rows[sensors, None]
        to_look |= length[ends - 1, :_CHANNELS] > 0
        out = []
        for part, k in np.argwhere(to_look).tolist():
            rows, sensor = slice(int(first[part]), int(ends[part])), sensors[part]
            own, its_since = length[rows, k], since[rows, k]
            stuck = own >= self._stuck_rows[sensor]
            runs = {int(its_since[-1]), *its_since[stuck].tolist()}
            long = self._has_moved(sensor, k, its_since, sorted(runs), values[rows])
            if stuck.any():
                share = (short[rows, k] - np.minimum(own, _LONG_ROWS)) / np.maximum(its_since, 1)
                long &= stuck & _is_known(own, its_since) & (share <= checks.COARSE_SHARE)
                out.append((k, sensor, rows.start, long))
        for part, k in np.argwhere(longest[:, _CHANNELS:] >= _LEAST_ROWS).tolist():
            k += _CHANNELS
            rows, sensor = slice(int(first[part]), int(ends[part])), sensors[part]
            own, its_since = length[rows, k], since[rows, k]
            share = (short[rows, k] - np.minimum(own, _LONG_ROWS)) / np.maximum(its_since, 1)
            long = np.zeros(len(own), dtype=np.bool_)
            for row in np.flatnonzero((own >= _LEAST_ROWS) & _is_known(own, its_since) & (its_since > 0)):
                long[row] = own[row] > longest_by_chance(float(share[row]), int(its_since[row]))
            out.append((k, sensor, rows.start, long))
        return out

    def _has_moved(self, sensor: int, k: int, since: IntArray, runs: Sequence[int], values: FloatArray) -> BoolArray:
        """(n,) whether any channel moved since the channel k had its value, in the runs that began with these rows."""
        moved = np.zeros(len(values), dtype=np.bool_)
        for start in runs:
            rows = np.flatnonzero(since == start)
            here = start - int(self._rows[sensor])
            if here >= 0:
                self._then[sensor, k], self._moved[sensor, k] = values[here], False
            beyond = (np.abs(values[rows] - self._then[sensor, k]) > checks.MOVES).any(axis=1)
            moved[rows] = np.logical_or.accumulate(beyond) | self._moved[sensor, k]
            self._moved[sensor, k] = moved[rows[-1]]
        return moved


def _is_known(length: IntArray, since: IntArray) -> BoolArray:
    """(n,) whether a sensor is known well enough. What never changed since the first row says nothing by chance, if it
    lasts."""
    return np.asarray((since >= _KNOWN_ROWS) | ((since == 0) & (length >= _KNOWN_ROWS)))
