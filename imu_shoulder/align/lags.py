"""At which lag two signals go up and down together: throughout, more and more late, or from some time on.

Each short window says how likely every lag is, by the correlation there: -n / 2 log(1 - r^2), n the values of it that
are independent. No window says more than so much against a lag, so that none decides alone.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from imu_shoulder.model import FloatArray, IntArray

GRID_HZ = 50.0
_FURTHEST_S = 60.0
# Throughout: how alike the two must be at the lag, how much more than at none, and than at any other.
_ALIKE, _MORE_THAN_AT_NONE, _MORE_THAN_ELSEWHERE = 0.5, 0.03, 0.08
_SAME_LAG_S, _ELSEWHERE_S = 0.05, 0.4
_LEAST_OVERLAP_S = 20.0
# A window: its length, the lags that are looked at either way, independent values in a second, and the correlation and
# the logarithm up to which it speaks.
_WINDOW_S, _REACH_S, _VALUES_HZ, _ALIKE_AT_MOST, _SAYS_AT_MOST = 5.0, 4.0, 1.9, 0.95, 6.0
# A window that does not fit begins so much later.
_NEXT_S = 0.5
_LEAST_WINDOWS = 4
# How much likelier, as a logarithm, another lag is than none, or one that changes than one that does not. In 328 sound
# arms of two simulators, six open sessions among them, the most was 6 for a jump of 0.3 s or more, and a pace that is
# off and a lag throughout never came to 0.17 s.
_SURE = 10.0
# So alike are the two in the mean of all windows, as a logarithm: what has nothing in common comes to a half.
_LEAST_ALIKE = 1.2
# What the two sensors of an arm turn differently.
_ARM_SD_S = 0.03
# A pace that is off: the most, the steps in which it is looked for, by what they come to over all, and the parts of a
# recording that each have to have a lag of their own.
_PACE, _COARSE_S, _FINE_S, _PARTS = 0.05, 0.2, 0.04, 8
# Of more windows than this a pace that comes to more than so much over all speaks against any other by so much in each.
_MANY_WINDOWS, _LITTLE_S, _LEAVES_OUT = 60, 1.0, 0.5


@dataclass(frozen=True, slots=True)
class Runs:
    """A lag that grows: offset_s at the begin, by whole_s until the end, with the standard deviation of that. better:
    than one that does not, as a logarithm."""

    offset_s: float
    whole_s: float
    sd_s: float
    better: float


@dataclass(frozen=True, slots=True)
class Jump:
    """A lag that is offset_s until at_s, and by_s more from then on; sd_s, better: as of `Runs`."""

    at_s: float
    offset_s: float
    by_s: float
    sd_s: float
    better: float


@dataclass(frozen=True, slots=True)
class Lags:
    """What each of K windows says of every lag: middle_s (K,), likely (K, L) as a logarithm, against the lag that is
    likeliest there; most (K,): that one against no likeness at all. lasts_s: of the whole."""

    middle_s: FloatArray
    likely: FloatArray
    most: FloatArray
    lasts_s: float

    @property
    def _none(self) -> int:
        return int(self.likely.shape[1]) // 2

    @property
    def _at_least(self) -> FloatArray:
        """(K,) as of `likely`, of no likeness."""
        return np.asarray(np.maximum(-self.most, self.likely.min(axis=1)))

    def _alike(self, likely: float) -> bool:
        """Whether the two are alike, by the sum of `likely` over the windows."""
        return float(self.most.sum()) + likely > _LEAST_ALIKE * len(self.most)

    def throughout(self) -> tuple[float, float, bool]:
        """The likeliest lag, its standard deviation, and whether it is surely another than none."""
        if len(self.middle_s) < _LEAST_WINDOWS:
            return 0.0, _ARM_SD_S, False
        total = self.likely.sum(axis=0)
        best, width = int(np.argmax(total)), round(_SAME_LAG_S * GRID_HZ)
        near_none = float(total[self._none - width : self._none + width + 1].max())
        sure = float(total[best]) - near_none > _SURE and best not in (0, len(total) - 1)
        sure = sure and self._alike(float(total[best]))
        return (best - self._none) / GRID_HZ, _sd_s(total, best), sure

    def jump(self) -> Jump | None:
        """The likeliest one, where it is sure on either side."""
        if len(self.middle_s) < _LEAST_WINDOWS:
            return None
        before = np.cumsum(self.likely, axis=0)
        total = before[-1]
        before, after = before[:-1], total - before[:-1]
        rows = np.arange(len(before))
        first, second = before.argmax(axis=1), after.argmax(axis=1)
        sides = np.minimum(
            before[rows, first] - before[rows, second],
            after[rows, second] - after[rows, first],
        )
        k = int(np.argmax(sides))
        if sides[k] < _SURE:
            return None
        one, two = int(first[k]), int(second[k])
        sd_s = float(np.hypot(_sd_s(before[k], one), _sd_s(after[k], two)))
        at_s = float(self.middle_s[k] + self.middle_s[k + 1]) / 2.0
        better = float(before[k, one] + after[k, two] - total.max())
        if better < _SURE or not self._alike(better + float(total.max())):
            return None
        return Jump(at_s, (one - self._none) / GRID_HZ, (two - one) / GRID_HZ, sd_s, better)

    def runs(self) -> Runs | None:
        """The likeliest pace, where it is surely likelier than none."""
        if len(self.middle_s) < _LEAST_WINDOWS:
            return None
        least = float(self.likely.sum(axis=0).max())
        parts = self._in_parts()
        open_to = float(parts.likely.max(axis=1).sum()) - least
        if open_to < _SURE:
            return None
        # What comes to little over a long recording shows in its parts, and what comes to much leaves most windows out.
        little = len(self.middle_s) > _MANY_WINDOWS and open_to < _LEAVES_OUT * len(self.middle_s)
        seen, most_s = (parts, _LITTLE_S) if little else (self, _PACE * self.lasts_s)
        whole_s = 0.0
        for reach_s, step_s in ((most_s, _COARSE_S), (_COARSE_S, _FINE_S)):
            tried = whole_s + step_s * np.arange(-round(reach_s / step_s), round(reach_s / step_s) + 1)
            sums = [seen._if_it_runs(float(one)).max() for one in tried]
            whole_s = float(tried[int(np.argmax(sums))])
        along = self._if_it_runs(whole_s)
        best = int(np.argmax(along))
        better = float(along[best]) - least
        if better < _SURE or not self._alike(better + least):
            return None
        middle_s = (best - self._none) / GRID_HZ
        beside = [self._if_it_runs(whole_s + way)[best] for way in (-_COARSE_S, _COARSE_S)]
        bend = 2.0 * float(along[best]) - float(sum(beside))
        sd_s = float(np.hypot(_ARM_SD_S, _COARSE_S / np.sqrt(max(bend, 1.0))))
        return Runs(middle_s - whole_s / 2.0, whole_s, sd_s, better)

    def _in_parts(self) -> Lags:
        """As a few long windows."""
        parts = [part for part in np.array_split(np.arange(len(self.middle_s)), _PARTS) if len(part)]
        summed = ([values[part].sum(axis=0) for part in parts] for values in (self.likely, self.most))
        likely, most = (np.array(values) for values in summed)
        return Lags(np.array([self.middle_s[part].mean() for part in parts]), likely, most, self.lasts_s)

    def gained_by_running(self) -> float:
        """How much likelier a pace is than none; 0 where that is not sure."""
        found = self.runs()
        return 0.0 if found is None else found.better

    def gained_by_jumping(self) -> float:
        """How much likelier a jump is than none; 0 where that is not sure."""
        found = self.jump()
        return 0.0 if found is None else found.better

    def _if_it_runs(self, whole_s: float) -> FloatArray:
        """(L,) how likely each lag in the middle is, if it grows by so much over all."""
        by = np.rint(whole_s * (self.middle_s / self.lasts_s - 0.5) * GRID_HZ).astype(np.intp)
        count = self.likely.shape[1]
        places = np.arange(count) + by[:, None]
        inside = (places >= 0) & (places < count)
        taken = np.take_along_axis(self.likely, np.clip(places, 0, count - 1), axis=1)
        # What is further than a window looks is as likely there as no likeness at all.
        return np.asarray(np.where(inside, taken, self._at_least[:, None]).sum(axis=0))


def _sd_s(likely: FloatArray, best: int) -> float:
    """Of the likeliest lag, by how fast it gets less likely beside it."""
    width = round(_SAME_LAG_S * GRID_HZ)
    beside = likely[np.clip([best - width, best + width], 0, len(likely) - 1)]
    bend = 2.0 * float(likely[best]) - float(beside.sum())
    return float(np.hypot(_ARM_SD_S, _SAME_LAG_S / np.sqrt(max(bend, 0.1))))


def lags_of(first: FloatArray, second: FloatArray) -> Lags:
    """Of two signals (N,) that are zero where there is none: by how much the second one is late."""
    rows, reach, hop = (round(span_s * GRID_HZ) for span_s in (_WINDOW_S, _REACH_S, _NEXT_S))
    second = np.pad(second, reach)
    lost = np.concatenate([[0], np.cumsum(first == 0.0)])
    heard = np.concatenate([[0], np.cumsum(second != 0.0)])
    starts, start = [], 0
    while start + rows <= len(first):
        there = lost[start + rows] == lost[start] and heard[start + reach + rows] - heard[start + reach] == rows
        if there:
            starts.append(start)
        start += rows if there else hop
    lasts_s = len(first) / GRID_HZ
    if not starts:
        return Lags(np.empty(0), np.empty((0, 2 * reach + 1)), np.empty(0), lasts_s)
    begin = np.array(starts)
    one = first[begin[:, None] + np.arange(rows)]
    one = one - one.mean(axis=1)[:, None]
    other = second[begin[:, None] + np.arange(rows + 2 * reach)]
    size = 1 << (rows + 2 * reach - 1).bit_length()
    shared = np.fft.irfft(np.conj(np.fft.rfft(one, size)) * np.fft.rfft(other, size), size)[:, : 2 * reach + 1]
    sums, squares = (np.concatenate([[0.0], np.cumsum(values)]) for values in (second, second**2))
    places = begin[:, None] + np.arange(2 * reach + 1)
    mean = (sums[places + rows] - sums[places]) / rows
    power = np.maximum(squares[places + rows] - squares[places] - rows * mean**2, 1e-9)
    alike = shared / np.sqrt((one**2).sum(axis=1)[:, None] * power + 1e-12)
    alike = np.where(heard[places + rows] - heard[places] == rows, np.clip(alike, 0.0, _ALIKE_AT_MOST), 0.0)
    likely = -0.5 * _VALUES_HZ * _WINDOW_S * np.log1p(-(alike**2))
    most = likely.max(axis=1)
    likely = np.maximum(likely - most[:, None], -_SAYS_AT_MOST)
    return Lags((begin + rows / 2.0) / GRID_HZ, likely, most, lasts_s)


def lag_throughout(first: FloatArray, second: FloatArray, least_s: float) -> float | None:
    """How far the second one is late against the first, if by least_s or more and that is sure; else None. Up to a
    minute, which no window shows."""
    both = (first != 0.0) & (second != 0.0)
    if np.count_nonzero(both) < _LEAST_OVERLAP_S * GRID_HZ:
        return None
    furthest = min(round(_FURTHEST_S * GRID_HZ), len(first) // 3)
    lags, alike = _alike(first, second, furthest)
    best = int(np.argmax(alike))
    near_none = float(alike[np.abs(lags) <= _SAME_LAG_S * GRID_HZ].max())
    elsewhere = float(alike[np.abs(lags - lags[best]) > _ELSEWHERE_S * GRID_HZ].max())
    sure = alike[best] > max(_ALIKE, near_none + _MORE_THAN_AT_NONE, elsewhere + _MORE_THAN_ELSEWHERE)
    if not sure or abs(lags[best]) < least_s * GRID_HZ or best in (0, len(lags) - 1):
        return None
    return float(lags[best]) / GRID_HZ


def _alike(first: FloatArray, second: FloatArray, furthest: int) -> tuple[IntArray, FloatArray]:
    """Correlation (-1 to 1) of the first with the second so many rows later, for each lag up to the furthest."""
    size = 1 << (len(first) + furthest - 1).bit_length()
    product = np.fft.irfft(np.conj(np.fft.rfft(first, size)) * np.fft.rfft(second, size), size)
    lags = np.arange(-furthest, furthest + 1)
    return lags, product[lags] / max(float(np.linalg.norm(first) * np.linalg.norm(second)), 1e-12)


def later(first: FloatArray, second: FloatArray, lag_s: float) -> tuple[FloatArray, FloatArray]:
    """Both as far as they share it with the second one taken lag_s later."""
    rows = round(lag_s * GRID_HZ)
    return (first[:-rows], second[rows:]) if rows > 0 else (first[-rows:], second[: len(second) + rows])


def alike_at(first: FloatArray, second: FloatArray, lag_s: float) -> float:
    """The correlation with the second one taken lag_s later."""
    a, b = later(first, second, lag_s)
    return float(a @ b) / max(float(np.linalg.norm(first) * np.linalg.norm(second)), 1e-12)
