"""Rows of a stream that are no measurement, as soon as they are told from chance; see `unfit`."""

from __future__ import annotations

from collections.abc import Sequence
from operator import eq, gt, sub

import numpy as np

from imu_shoulder.align import checks
from imu_shoulder.align.notes import Notes
from imu_shoulder.align.unfit import longest_by_chance
from imu_shoulder.model import BoolArray, FloatArray

# What is watched: each channel, and each instrument as a whole.
_NAMES = (*checks.AXES, *(f"its {name}" for name in checks.INSTRUMENTS))
_CHANNELS = len(checks.AXES)
_PARTS = tuple(checks.INSTRUMENTS.values())
_MOVES = tuple(checks.MOVES.tolist())
# A shorter repetition is chance in any sensor, a longer one no measure of how often a sensor repeats itself.
_LEAST_ROWS, _LONG_ROWS = 4, 50
# A sensor that has shown less than this is not known well enough.
_KNOWN_ROWS = 200


class UnfitWatch:
    """What was left out of each sensor. It depends on their rows alone, not on how they were cut."""

    def __init__(self, rates_hz: Sequence[float], stuck_s: float) -> None:
        """rates_hz: of each sensor, which is called by its place here."""
        self._sensors = [_Sensor(max(3, round(stuck_s * rate_hz))) for rate_hz in rates_hz]

    def look(self, sensors: Sequence[int], counts: Sequence[int], time_s: FloatArray, values: FloatArray) -> BoolArray:
        """Which of the rows (N, 6) are a measurement. They are of these sensors, one after the other, so many of each,
        at least one.

        Row by row and in plain numbers: of a live stream three rows of a sensor come at a time, and arrays would take
        longer to set up.
        """
        rows = zip(time_s.tolist(), values.tolist(), strict=True)
        fit = [
            self._sensors[sensor].is_fit(*next(rows))
            for sensor, count in zip(sensors, counts, strict=True)
            for _ in range(count)
        ]
        return np.array(fit)

    def note(self, sensor: int, notes: Notes) -> None:
        """Say what was left out of one sensor so far."""
        for (code, why), (start_s, end_s, rows) in self._sensors[sensor].found.items():
            notes.add(
                code,
                f"{rows} rows not used from {start_s:.1f} to {end_s:.1f} s, where {why}",
                end_s - start_s,
                start_s,
                end_s,
            )


class _Sensor:
    """found: by code and why, the first and last time of what was left out, and how many rows."""

    def __init__(self, stuck_rows: int) -> None:
        self._stuck_rows = stuck_rows
        self._count = 0
        self._last = [np.nan] * _CHANNELS
        # Of each watched: the row with which its value came, and how many repetitions there were, those of long ones
        # left out. Of each channel: all channels in that row, and whether another one moved since.
        self._since = [0] * len(_NAMES)
        self._short = [0] * len(_NAMES)
        self._then = [self._last] * _CHANNELS
        self._moved = [False] * _CHANNELS
        # Whether in the last row nothing was repeated. The lists above say so as soon as something is.
        self._all_new = False
        self.found: dict[tuple[str, str], tuple[float, float, int]] = {}

    def is_fit(self, time_s: float, row: list[float]) -> bool:
        """Whether the next row (6,) is a measurement."""
        last, self._last = self._last, row
        same = list(map(eq, row, last))
        unfit = False
        if not (row[0] or row[1] or row[2]):
            unfit = True
            what = "its accelerometer reads" if any(row) else "all channels read"
            self._leave_out("zero_rows", f"{what} zero", time_s)
        repeats = True in same
        if repeats:
            if self._all_new:
                self._since = [self._count - 1] * len(_NAMES)
                self._then, self._moved = [last] * _CHANNELS, [False] * _CHANNELS
            # An instrument that stands still is named before its channels.
            unfit = self._stands_still(time_s, same, unfit=unfit)
            unfit = self._is_stuck(time_s, row, same, unfit=unfit)
        self._all_new = not repeats
        self._count += 1
        return not unfit

    def _stands_still(self, time_s: float, same: Sequence[bool], *, unfit: bool) -> bool:
        """Whether the row is unfit: it was, or an instrument repeats all its channels for longer than chance has it."""
        for k, columns in enumerate(_PARTS, start=_CHANNELS):
            if False in same[columns]:
                self._since[k] = self._count
                continue
            length, since = self._repeated(k), self._since[k]
            known = length >= _LEAST_ROWS and since > 0 and _is_known(length, since)
            if not unfit and known and length > longest_by_chance(self._share(k), since):
                self._leave_out("stuck_channel", f"{_NAMES[k]} repeated one value", time_s)
                unfit = True
        return unfit

    def _is_stuck(self, time_s: float, row: list[float], same: Sequence[bool], *, unfit: bool) -> bool:
        """Whether the row is unfit: it was, or a channel repeats its value for longer than is allowed, while others
        moved."""
        since, then, moved = self._since, self._then, self._moved
        for k in reversed(range(_CHANNELS)):
            if not same[k]:
                since[k], then[k], moved[k] = self._count, row, False
                continue
            length = self._repeated(k)
            moved[k] = moved[k] or any(map(gt, map(abs, map(sub, row, then[k])), _MOVES))
            stuck = length >= self._stuck_rows and moved[k] and _is_known(length, since[k])
            if not unfit and stuck and self._share(k) <= checks.COARSE_SHARE:
                self._leave_out("stuck_channel", f"{_NAMES[k]} repeated one value", time_s)
                unfit = True
        return unfit

    def _repeated(self, k: int) -> int:
        """How many rows in a row have repeated the value of what is watched, this one among them; it is counted."""
        length = self._count - self._since[k]
        self._short[k] += length <= _LONG_ROWS
        return length

    def _share(self, k: int) -> float:
        """Share of the rows before the repetition that goes on that were repetitions."""
        length = self._count - self._since[k]
        return (self._short[k] - min(length, _LONG_ROWS)) / max(self._since[k], 1)

    def _leave_out(self, code: str, why: str, time_s: float) -> None:
        first_s, _, count = self.found.get((code, why), (time_s, 0.0, 0))
        self.found[code, why] = first_s, time_s, count + 1


def _is_known(length: int, since: int) -> bool:
    """Whether a sensor is known well enough. What never changed since the first row says nothing by chance, if it
    lasts."""
    return since >= _KNOWN_ROWS or (since == 0 and length >= _KNOWN_ROWS)
