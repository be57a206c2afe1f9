"""Gyroscope bias from the moments in which a person holds still.

An attitude filter calls a sensor at rest when it moves less than about 2 deg/s; a person in a pose or a hold sways
more. What is known over such a moment is that the limb's net rotation is small: its mean rate is the bias, with an
uncertainty of sway over duration. The bias wanders slowly, so the moments are joined by a random-walk model.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from math import radians, sqrt

import numpy as np

from imu_shoulder.model import BoolArray, FloatArray, Track


@dataclass(frozen=True, slots=True)
class StillnessParams:
    """What counts as a person holding still, and how far the limb may turn meanwhile.

    max_spread_rad_s: largest standard deviation of the rate inside a window, per axis (all three together, by root mean
    square, so that the mounting does not matter). piece_s: longer stillness is judged in pieces of this length.
    max_rate_rad_s: largest mean rate left after the bias; slower turning than this passes as still. max_bias_rad_s:
    a steadier turn than any bias is no stillness.
    sway_rad: standard deviation of the net rotation over a window (a standing person, about a third of a degree).
    """

    window_s: float = 1.0
    piece_s: float = 3.0
    max_spread_rad_s: float = radians(2.0)
    max_rate_rad_s: float = radians(1.5)
    max_bias_rad_s: float = radians(5.0)
    sway_rad: float = radians(0.35)
    bias_walk_rad_s_sqrt_s: float = radians(0.002)


@dataclass(frozen=True, slots=True)
class StillWindow:
    """One moment of stillness: rows [first, last) of the track, and its mean rate (3,)."""

    first: int
    last: int
    mean_rate_rad_s: FloatArray


@dataclass(frozen=True, slots=True)
class BiasTrack:
    """Bias at the middle of each still window: rows (W,), values (W, 3), standard deviation (W,). W may be 0.

    known_row: (W,) the row at which each window has ended, from which on a live stream knows its value.
    """

    row: FloatArray
    known_row: FloatArray
    bias_rad_s: FloatArray
    sd_rad_s: FloatArray

    def at(self, rows: FloatArray) -> FloatArray:
        """Bias (N, 3) at sample rows, held beyond the first and last window; zero without any window."""
        if not len(self.row):
            return np.zeros((len(rows), 3))
        return np.column_stack([np.interp(rows, self.row, self.bias_rad_s[:, axis]) for axis in range(3)])

    def known_at(self, rows: FloatArray) -> FloatArray:
        """Bias (N, 3) as a live stream knows it: that of the last window that has ended.

        The first window, the pose, serves from the beginning: a live stream starts its filter after it.
        """
        if not len(self.row):
            return np.zeros((len(rows), 3))
        place = np.searchsorted(self.known_row, rows, side="right") - 1
        return self.bias_rad_s[np.maximum(place, 0)]


def runs(mask: BoolArray) -> list[tuple[int, int]]:
    """The half-open [first, last) stretches in which mask (N,) is True."""
    edges = np.flatnonzero(np.diff(np.concatenate([[False], mask, [False]]).astype(np.int8)))
    return [(int(a), int(b)) for a, b in edges.reshape(-1, 2)]


def still_windows(track: Track, rate_hz: float, params: StillnessParams) -> list[StillWindow]:
    """Moments of stillness in a track, each of them as long as it lasts.

    Works with any bias up to a few deg/s: the spread is judged first, then the mean of each piece against that of the
    piece that agrees best with all others. Does not depend on how the sensor is turned.
    """
    width = max(3, round(params.window_s * rate_hz))
    if len(track.gyr_rad_s) < width:
        return []
    gyr = np.where(track.valid[:, None], track.gyr_rad_s, 0.0)
    spread = np.sqrt((_rolling_sd(gyr, width) ** 2).mean(axis=1))
    bad = _rolling_mean((~track.valid | track.clipped).astype(np.float64)[:, None], width)[:, 0]
    quiet_starts = (spread < params.max_spread_rad_s) & (bad == 0)
    quiet = np.zeros(len(gyr), dtype=bool)
    for first, last in runs(quiet_starts):
        quiet[first : last + width - 1] = True
    pieces: list[tuple[int, int]] = []
    for first, last in runs(quiet):
        count = max(1, int((last - first) / (params.piece_s * rate_hz)))
        edges = np.linspace(first, last, count + 1).round().astype(int)
        pieces += [(int(a), int(b)) for a, b in pairwise(edges)]
    total = np.vstack([np.zeros(3), np.cumsum(gyr, axis=0)])
    means = np.array([(total[b] - total[a]) / (b - a) for a, b in pieces]).reshape(-1, 3)
    slow = np.linalg.norm(means, axis=1) < params.max_bias_rad_s
    pieces, means = [piece for piece, ok in zip(pieces, slow, strict=True) if ok], means[slow]
    if not pieces:
        return []
    weight = np.array([b - a for a, b in pieces], dtype=np.float64)
    apart = np.linalg.norm(means[:, None] - means[None], axis=2)
    still = apart[int(np.argmin(apart @ weight))] < params.max_rate_rad_s
    windows: list[tuple[int, int]] = []
    for (first, last), ok in zip(pieces, still, strict=True):
        if ok and windows and windows[-1][1] == first:
            windows[-1] = (windows[-1][0], last)
        elif ok:
            windows.append((first, last))
    return [StillWindow(a, b, (total[b] - total[a]) / (b - a)) for a, b in windows]


def track_bias(
    windows: Sequence[StillWindow], rate_hz: float, params: StillnessParams, *, afterwards: bool = True
) -> BiasTrack:
    """Bias over time from still windows: a random walk seen with sway-over-duration noise.

    afterwards: smooth in both directions (finished recording); otherwise each value uses its past only (live).
    """
    count = len(windows)
    row = np.array([(w.first + w.last) / 2 for w in windows])
    known = np.array([float(w.last) for w in windows])
    if not count:
        return BiasTrack(row, known, np.zeros((0, 3)), np.zeros(0))
    seen = np.stack([w.mean_rate_rad_s for w in windows])
    duration = np.array([(w.last - w.first) / rate_hz for w in windows])
    noise = (sqrt(2.0) * params.sway_rad / duration) ** 2
    walk = params.bias_walk_rad_s_sqrt_s**2 * np.diff(row, prepend=row[0]) / rate_hz
    value = np.zeros((count, 3))
    variance = np.zeros(count)
    value[0], variance[0] = seen[0], noise[0]
    for k in range(1, count):
        predicted = variance[k - 1] + walk[k]
        gain = predicted / (predicted + noise[k])
        value[k] = value[k - 1] + gain * (seen[k] - value[k - 1])
        variance[k] = (1 - gain) * predicted
    if afterwards:
        for k in range(count - 2, -1, -1):
            predicted = variance[k] + walk[k + 1]
            gain = variance[k] / predicted
            value[k] = value[k] + gain * (value[k + 1] - value[k])
            variance[k] = variance[k] + gain**2 * (variance[k + 1] - predicted)
    return BiasTrack(row, known, value, np.sqrt(variance))


def _rolling_mean(values: FloatArray, width: int) -> FloatArray:
    """Mean of each run of `width` rows: (N, C) -> (N - width + 1, C)."""
    total = np.cumsum(np.vstack([np.zeros((1, values.shape[1])), values]), axis=0)
    return np.asarray((total[width:] - total[:-width]) / width)


def _rolling_sd(values: FloatArray, width: int) -> FloatArray:
    centred = values - values.mean(axis=0)
    variance = _rolling_mean(centred**2, width) - _rolling_mean(centred, width) ** 2
    return np.sqrt(np.maximum(variance, 0.0))
