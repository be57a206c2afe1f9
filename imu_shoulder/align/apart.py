"""Clocks that do not show the same time, told by how fast an arm's two sensors turn.

An upper arm hardly moves without its wrist, so that the size of their turning goes up and down together. The lag at
which it does is how far their clocks are apart.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from imu_shoulder.arrays import usual_step
from imu_shoulder.filters import moving_mean
from imu_shoulder.model import SIDES, Event, FloatArray, IntArray, limb_words, limbs_of

# Clocks are called apart from here on; up to the second a sure lag is taken off; further is not looked.
LEAST_S, MENDED_S, _FURTHEST_S = 0.17, 2.0, 60.0
_GRID_HZ = 50.0
_SMOOTH_S = 0.2
# Turning by this is neither much nor little.
_USUAL_RAD_S = 0.1
# How alike the turning must be at the lag, how much more than at none, and than at any other.
_ALIKE, _MORE_THAN_AT_NONE, _MORE_THAN_ELSEWHERE = 0.5, 0.03, 0.08
_SAME_LAG_S, _ELSEWHERE_S = 0.05, 0.4
_LEAST_OVERLAP_S = 20.0
# Nothing is told within a hole that lasts longer.
_HOLE_S = 0.5
# A clock that jumps or keeps another pace: the lag is looked for in windows of this length, so far apart, in which both
# move and are alike, so many at least, up to this. It is another one from here on: sound arms of two simulators and of
# six open sessions had 0.2 s at most.
_WINDOW_S, _AWAY_AT_MOST_S, _LEAST_WINDOWS = (10.0, 4.0), 4.0, 4
_MOVES, _ALIKE_HERE, _AWAY_S = 0.3, 0.6, 0.45


@dataclass(frozen=True, slots=True)
class Turning:
    """How fast one sensor turns: time_s (N,), rate_rad_s (N,), on its own clock.

    declared_hz: how many rows a second should have; None where the rows are not the sensor's own.
    """

    placement: str
    time_s: FloatArray
    rate_rad_s: FloatArray
    declared_hz: float | None = None

    @property
    def pace_off(self) -> float:
        """By which share its clock counts another time than its rows do."""
        lasts_s = float(self.time_s[-1] - self.time_s[0])
        if self.declared_hz is None or lasts_s <= 0.0:
            return 0.0
        return abs((len(self.time_s) - 1) / (lasts_s * self.declared_hz) - 1.0)


@dataclass(frozen=True, slots=True)
class Apart:
    """A sensor whose clock is ahead of another's by ahead_s (behind where negative).

    steady: by so much throughout; else it comes to differ by that.
    """

    placement: str
    other: str
    ahead_s: float
    steady: bool = True

    @property
    def mended(self) -> bool:
        return self.steady and abs(self.ahead_s) <= MENDED_S

    @property
    def code(self) -> str:
        """Of the finding."""
        return "clocks_apart" if self.mended else "clock_unknown"

    @property
    def text(self) -> str:
        """What was seen."""
        if not self.steady:
            return f"its clock runs away from that of the {limb_words(self.other)} sensor by {self.ahead_s:.1f} s"
        way = "ahead of" if self.ahead_s > 0 else "behind"
        return f"its clock was {abs(self.ahead_s):.2f} s {way} that of the {limb_words(self.other)} sensor"


def clocks_apart(sensors: Sequence[Turning], events: Sequence[Event]) -> list[Apart]:
    """The sensors whose clock differs from that of the other one on their arm.

    Which of the two it is, the rest of the body and the marked events say: in a pose nobody moves, in a set somebody.
    """
    worn = {sensor.placement for sensor in sensors}
    arms = [limbs_of(side) for side in SIDES if set(limbs_of(side)) <= worn]
    if not arms:
        return []
    grid_s, grids = _on_one_grid(sensors)
    marked = np.zeros(len(grid_s))
    for event in events:
        inside = (grid_s >= event.onset_s) & (grid_s <= event.end_s)
        marked[inside] = -1.0 if event.trial_type == "neutral_pose" else 1.0
    out = []
    for upper, wrist in arms:
        ahead_s = _lag_s(grids[wrist], grids[upper])
        away_s = _runs_away_s(*_later(grids[wrist], grids[upper], ahead_s or 0.0))
        if away_s > _AWAY_S:
            paces = {sensor.placement: sensor.pace_off for sensor in sensors}
            off = {own: _off_from_rest(own, (upper, wrist), grids, paces[own]) for own in (upper, wrist)}
            wrong, right = sorted(off, key=lambda own: off[own], reverse=True)
            out.append(Apart(wrong, right, away_s, steady=False))
            continue
        if ahead_s is None:
            continue
        # Whoever the rest goes with as it is has the right time.
        rest = [*(grids[p] for p in grids if p not in (upper, wrist)), marked]
        wrist_off = sum(_alike_at(own, grids[wrist], -ahead_s) - _alike_at(own, grids[wrist], 0.0) for own in rest)
        upper_off = sum(_alike_at(own, grids[upper], ahead_s) - _alike_at(own, grids[upper], 0.0) for own in rest)
        out.append(Apart(wrist, upper, -ahead_s) if wrist_off > upper_off else Apart(upper, wrist, ahead_s))
    return out


def _off_from_rest(
    own: str, arm: tuple[str, str], grids: Mapping[str, FloatArray], pace_off: float
) -> tuple[bool, float]:
    """Whether a sensor runs away from those that are not on its arm; and how far its clock is off the rows' pace."""
    away_s = max((_runs_away_s(grids[own], grid) for name, grid in grids.items() if name not in arm), default=0.0)
    return away_s > _AWAY_S, pace_off


def _runs_away_s(first: FloatArray, second: FloatArray) -> float:
    """By how much the lag between the two changes from window to window; 0 where few windows show one."""
    rows, hop = (round(span_s * _GRID_HZ) for span_s in _WINDOW_S)
    furthest = round(_AWAY_AT_MOST_S * _GRID_HZ)
    lags_s = []
    for start in range(0, len(first) - rows + 1, hop):
        a, b = first[start : start + rows], second[start : start + rows]
        if not (a.all() and b.all()) or min(a.std(), b.std()) < _MOVES:
            continue
        lags, alike = _alike(a - a.mean(), b - b.mean(), furthest)
        best = int(np.argmax(alike))
        if alike[best] > _ALIKE_HERE and best not in (0, len(lags) - 1):
            lags_s.append(lags[best] / _GRID_HZ)
    # One window, or one in twenty, may be taken for the rep beside it.
    stray = max(1, len(lags_s) // 20)
    lags_s.sort()
    return float(lags_s[-1 - stray] - lags_s[stray]) if len(lags_s) >= _LEAST_WINDOWS else 0.0


def _on_one_grid(sensors: Sequence[Turning]) -> tuple[FloatArray, Mapping[str, FloatArray]]:
    """The grid, and how fast each turns on it, as a logarithm without its mean; zero where it was not there."""
    start_s, end_s = min(s.time_s[0] for s in sensors), max(s.time_s[-1] for s in sensors)
    grid_s = np.arange(start_s, end_s, 1.0 / _GRID_HZ)
    out = {}
    for sensor in sensors:
        spacing_s = usual_step(sensor.time_s)
        rate = moving_mean(sensor.rate_rad_s, max(1, round(_SMOOTH_S / spacing_s)))
        after = np.clip(np.searchsorted(sensor.time_s, grid_s), 1, len(sensor.time_s) - 1)
        heard = (grid_s >= sensor.time_s[0]) & (grid_s <= sensor.time_s[-1])
        heard &= sensor.time_s[after] - sensor.time_s[after - 1] < _HOLE_S
        values = np.log1p(np.interp(grid_s, sensor.time_s, rate) / _USUAL_RAD_S)
        out[sensor.placement] = np.where(heard, values - values[heard].mean() if heard.any() else 0.0, 0.0)
    return grid_s, out


def _lag_s(first: FloatArray, second: FloatArray) -> float | None:
    """How far the second one is late against the first, where that is sure and not next to nothing; else None."""
    both = (first != 0.0) & (second != 0.0)
    if np.count_nonzero(both) < _LEAST_OVERLAP_S * _GRID_HZ:
        return None
    furthest = min(round(_FURTHEST_S * _GRID_HZ), len(first) // 3)
    lags, alike = _alike(first, second, furthest)
    best = int(np.argmax(alike))
    near_none = float(alike[np.abs(lags) <= _SAME_LAG_S * _GRID_HZ].max())
    elsewhere = float(alike[np.abs(lags - lags[best]) > _ELSEWHERE_S * _GRID_HZ].max())
    sure = alike[best] > max(_ALIKE, near_none + _MORE_THAN_AT_NONE, elsewhere + _MORE_THAN_ELSEWHERE)
    if not sure or abs(lags[best]) < LEAST_S * _GRID_HZ or best in (0, len(lags) - 1):
        return None
    before, top, after = alike[best - 1 : best + 2]
    bend = before - 2.0 * top + after
    return float((lags[best] + (0.5 * (before - after) / bend if bend else 0.0)) / _GRID_HZ)


def _alike(first: FloatArray, second: FloatArray, furthest: int) -> tuple[IntArray, FloatArray]:
    """Correlation (-1 to 1) of the first with the second so many rows later, for each lag up to the furthest."""
    size = 1 << (len(first) + furthest - 1).bit_length()
    product = np.fft.irfft(np.conj(np.fft.rfft(first, size)) * np.fft.rfft(second, size), size)
    lags = np.arange(-furthest, furthest + 1)
    return lags, product[lags] / max(float(np.linalg.norm(first) * np.linalg.norm(second)), 1e-12)


def _later(first: FloatArray, second: FloatArray, lag_s: float) -> tuple[FloatArray, FloatArray]:
    """Both as far as they share it with the second one taken lag_s later."""
    rows = round(lag_s * _GRID_HZ)
    return (first[:-rows], second[rows:]) if rows > 0 else (first[-rows:], second[: len(second) + rows])


def _alike_at(first: FloatArray, second: FloatArray, lag_s: float) -> float:
    """The correlation with the second one taken lag_s later."""
    a, b = _later(first, second, lag_s)
    return float(a @ b) / max(float(np.linalg.norm(first) * np.linalg.norm(second)), 1e-12)
