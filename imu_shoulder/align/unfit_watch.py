"""Rows of a stream that are no measurement, as soon as they are told from chance; see `unfit`."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from imu_shoulder.align import checks
from imu_shoulder.align.notes import Notes
from imu_shoulder.align.unfit import INSTRUMENTS, longest_by_chance, zero_rows
from imu_shoulder.model import BoolArray, FloatArray, IntArray

# Columns that are watched: each channel, and each instrument as a whole.
_WATCHED = (*(slice(k, k + 1) for k in range(len(checks.AXES))), *INSTRUMENTS.values())
_NAMES = (*checks.AXES, *(f"its {name}" for name in INSTRUMENTS))
_CHANNELS = len(checks.AXES)
# A shorter repetition is chance in any sensor, a longer one no measure of how often a sensor repeats itself.
_LEAST_ROWS, _LONG_ROWS = 4, 50
# A sensor that has shown less than this is not known well enough.
_KNOWN_ROWS = 200


class UnfitWatch:
    """What was left out of one sensor. It depends on the rows alone, not on how they were cut."""

    def __init__(self, rate_hz: float, stuck_s: float) -> None:
        self._stuck_rows = max(3, round(stuck_s * rate_hz))
        self._last: FloatArray = np.full((1, 6), np.nan)
        self._rows = 0
        # Of each watched: the row with which its value came, and how many repetitions there were, those of long ones
        # left out. Of each channel: all channels in that row, and whether another one moved since.
        self._since: IntArray = np.zeros(len(_WATCHED), dtype=np.intp)
        self._short: IntArray = np.zeros(len(_WATCHED), dtype=np.intp)
        self._then: FloatArray = np.full((_CHANNELS, 6), np.nan)
        self._moved: BoolArray = np.zeros(_CHANNELS, dtype=np.bool_)
        # Code and why of what was left out: first and last time, how many rows.
        self._found: dict[tuple[str, str], tuple[float, float, int]] = {}

    def look(self, time_s: FloatArray, values: FloatArray) -> BoolArray | None:
        """Which of the rows (N, 6) are a measurement; None where all are."""
        changes = values != np.concatenate([self._last, values[:-1]])
        same = ~np.column_stack([changes, changes[:, :3].any(axis=1), changes[:, 3:].any(axis=1)])
        number = self._rows + np.arange(len(values))[:, None]
        since = np.maximum.accumulate(np.where(same, self._since, number), axis=0)
        length = number - since
        counts = np.cumsum(same & (length <= _LONG_ROWS), axis=0) + self._short
        share = (counts - np.minimum(length, _LONG_ROWS)) / np.maximum(since, 1)
        long = self._long(length, since, share, values)
        self._last, self._rows = values[-1:].copy(), self._rows + len(values)
        self._since, self._short = since[-1], counts[-1]

        out = zero_rows(values)
        if out.any():
            what = "its accelerometer reads" if values[out].any() else "all channels read"
            self._leave_out("zero_rows", f"{what} zero", out, time_s)
        if long.any():
            for k in np.flatnonzero(long.any(axis=0))[::-1]:
                unfit = long[:, k] & ~out
                if unfit.any():
                    self._leave_out("stuck_channel", f"{_NAMES[k]} repeated one value", unfit, time_s)
                    out |= unfit
        return ~out if out.any() else None

    def note(self, notes: Notes) -> None:
        """Say what was left out so far."""
        for (code, why), (start_s, end_s, rows) in self._found.items():
            notes.add(
                code,
                f"{rows} rows not used from {start_s:.1f} to {end_s:.1f} s, where {why}",
                end_s - start_s,
                start_s,
                end_s,
            )

    def _leave_out(self, code: str, why: str, rows: BoolArray, time_s: FloatArray) -> None:
        own_s = time_s[rows]
        first_s, _, count = self._found.get((code, why), (float(own_s[0]), 0.0, 0))
        self._found[code, why] = first_s, float(own_s[-1]), count + len(own_s)

    def _long(self, length: IntArray, since: IntArray, share: FloatArray, values: FloatArray) -> BoolArray:
        """(N, W) rows in which an instrument repeats itself for longer than chance has it, a channel than is allowed.

        length, since, share: (N, W) how often the value was repeated in a row, from which row on, and the share of
        repetitions before.
        """
        long = np.zeros(length.shape, dtype=np.bool_)
        # What never changed since the first row says nothing by chance, if it lasts.
        known = (since >= _KNOWN_ROWS) | ((since == 0) & (length >= _KNOWN_ROWS))
        for k in range(_CHANNELS):
            if length[-1, k] or length[:, k].max() >= self._stuck_rows:
                runs = {int(since[-1, k]), *since[length[:, k] >= self._stuck_rows, k].tolist()}
                moved = self._has_moved(k, since[:, k], sorted(runs), values)
                long[:, k] = (
                    moved & known[:, k] & (length[:, k] >= self._stuck_rows) & (share[:, k] <= checks.COARSE_SHARE)
                )
        for k in range(_CHANNELS, len(_WATCHED)):
            for row in np.flatnonzero((length[:, k] >= _LEAST_ROWS) & known[:, k]):
                long[row, k] = since[row, k] > 0 and length[row, k] > longest_by_chance(
                    float(share[row, k]), int(since[row, k])
                )
        return long

    def _has_moved(self, k: int, since: IntArray, runs: Sequence[int], values: FloatArray) -> BoolArray:
        """(N,) whether any channel moved since the channel k had its value, in the runs that began with these rows."""
        moved = np.zeros(len(values), dtype=np.bool_)
        for first in runs:
            rows = np.flatnonzero(since == first)
            here = first - self._rows
            if here >= 0:
                self._then[k], self._moved[k] = values[here], False
            beyond = (np.abs(values[rows] - self._then[k]) > checks.MOVES).any(axis=1)
            moved[rows] = np.logical_or.accumulate(beyond) | self._moved[k]
            self._moved[k] = moved[rows[-1]]
        return moved
