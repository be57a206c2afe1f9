"""Gyroscope bias from the moments in which a person holds still.

An attitude filter calls a sensor at rest when it moves less than about 2 deg/s; a person in a pose or a hold sways
more. What is known over such a moment is that the limb's net rotation is small: its mean rate is the bias, with an
uncertainty of sway over duration. Gravity tells more: how far the limb tilted meanwhile, so the two level components
of the bias are known well, and the one about the vertical is not. Postures differ, and what is upright in one is level
in another; the bias wanders slowly, so the moments are joined by a random-walk model. A hold that sinks or turns is
then no bias.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from itertools import pairwise
from math import radians, sqrt

import numpy as np
from scipy.spatial.distance import cdist

from imu_shoulder.arrays import runs, sums_over
from imu_shoulder.frames import cross
from imu_shoulder.model import BoolArray, FloatArray, Track
from imu_shoulder.spill import parts, room

# The median of chi squared with three degrees of freedom.
CHI_SQUARED_3_MEDIAN = 2.366
# So many are compared with all at a time.
MOST_PIECES = 2048
# Of fewer windows nothing can be said of how they differ.
LEAST_WINDOWS = 5


@dataclass(frozen=True, slots=True)
class StillnessParams:
    """What counts as a person holding still, and how far the limb may turn meanwhile.

    window_s: shortest stillness.
    max_spread_rad_s: largest standard deviation of the rate inside a window, per axis (all three together, by root mean
    square, so that the mounting does not matter). piece_s: longer stillness is judged in pieces of this length.
    max_rate_rad_s: largest mean rate of a piece beside the bias, max_turn_rad_s: of a window; slower turning than this
    passes as still. max_bias_rad_s: a steadier turn than any bias is no stillness.
    restless_rad_s: the spread up to which what is no stillness by max_spread_rad_s still says something.
    sway_rad: standard deviation of where the limb is turned at either end of a window, or sway_s times the window's
    spread if that is more. tilt_rad_s, tilt: of the bias about a level axis times the window's duration squared, in the
    same way: the accelerometer's mean over a third of the window is off by the change of speed in it.
    surprise: a window further off than this many standard deviations says less and less.
    apart_rad_s: how far the bias of one window is from that of another beside its slow walk, at least: a gyroscope's
    bias depends on how gravity lies in it. What the windows show of this in a recording counts if it is more.
    bias_walk_rad_s_sqrt_s: how fast a bias wanders.

    Sources. window_s, piece_s, max_spread_rad_s, max_rate_rad_s, max_turn_rad_s, restless_rad_s, sway_rad, sway_s,
    tilt_rad_s, tilt, apart_rad_s, bias_walk_rad_s_sqrt_s, surprise: ours; max_bias_rad_s: above the 0.5 to 3 deg/s of
    consumer gyroscopes (data sheets, from memory).
    """

    window_s: float = 1.0
    piece_s: float = 3.0
    max_spread_rad_s: float = radians(2.5)
    max_rate_rad_s: float = radians(1.5)
    max_turn_rad_s: float = radians(2.5)
    max_bias_rad_s: float = radians(5.0)
    restless_rad_s: float = radians(7.0)
    sway_rad: float = radians(0.5)
    sway_s: float = 0.4
    tilt_rad_s: float = radians(0.5)
    tilt: float = 0.4
    apart_rad_s: float = radians(0.015)
    bias_walk_rad_s_sqrt_s: float = radians(0.002)
    surprise: float = 2.5


@dataclass(frozen=True, slots=True)
class StillWindow:
    """One moment of stillness: rows [first, last) of the track, and its mean rate (3,) less the limb's own tilting.

    up: (3,) the vertical in the sensor. mean_acc_m_s2: (3,). spread_rad_s: standard deviation of the rate, root mean
    square over the axes.
    """

    first: int
    last: int
    mean_rate_rad_s: FloatArray
    up: FloatArray
    mean_acc_m_s2: FloatArray
    spread_rad_s: float


@dataclass(frozen=True, slots=True)
class BiasTrack:
    """Bias at the middle of each still window: rows (W,), values (W, 3), standard deviation (W,) of what is about the
    vertical. W may be 0. usual_sd_rad_s: the median of these, 0 without any window.
    """

    row: FloatArray
    bias_rad_s: FloatArray
    sd_rad_s: FloatArray
    usual_sd_rad_s: float = field(init=False)

    def __post_init__(self) -> None:
        object.__setattr__(self, "usual_sd_rad_s", float(np.median(self.sd_rad_s)) if len(self.row) else 0.0)

    def at(self, rows: FloatArray) -> FloatArray:
        """Bias (N, 3) at sample rows, held beyond the first and last window; zero without any window."""
        if not len(self.row):
            return np.zeros((len(rows), 3))
        return np.column_stack([np.interp(rows, self.row, self.bias_rad_s[:, axis]) for axis in range(3)])


def cut(first: int, last: int, pieces: int) -> list[tuple[int, int]]:
    """The half-open stretch of rows in so many equal pieces, at least one."""
    count = max(1, pieces)
    return list(pairwise(round(first + k * (last - first) / count) for k in range(count + 1)))


def still_windows(track: Track, rate_hz: float, params: StillnessParams) -> list[StillWindow]:
    """Moments of stillness in a track, each of them as long as it lasts.

    Works with any bias up to a few deg/s: the spread is judged first, then the mean against that of the piece that
    agrees best with all others. Does not depend on how the sensor is turned.
    """
    pieces = StillPieces(track, rate_hz, params)
    if not pieces.slow:
        return []
    return pieces.windows(most_usual([(mean, float(last - first)) for mean, first, last in pieces.slow]))


def most_usual(pieces: Sequence[tuple[FloatArray, float]]) -> FloatArray:
    """The mean rate (3,) that agrees best with all others. pieces: mean rates and how long each lasted; not empty."""
    means, lasts = np.array([mean for mean, _ in pieces]), np.array([last for _, last in pieces])
    far = [cdist(means[rows], means) @ lasts for rows in parts(len(means), MOST_PIECES)]
    return np.asarray(means[np.argmin(np.concatenate(far))])


def agreeing(windows: Sequence[StillWindow], usual: FloatArray, params: StillnessParams) -> list[StillWindow]:
    """The windows whose rate is no further from the usual one than a bias may be."""
    if not windows:
        return []
    off_rad_s = np.linalg.norm(np.array([w.mean_rate_rad_s for w in windows]) - usual, axis=1)
    return [w for w, near in zip(windows, (off_rad_s < params.max_rate_rad_s).tolist(), strict=True) if near]


def calm(windows: Sequence[StillWindow], params: StillnessParams) -> list[StillWindow]:
    """The windows of stillness proper: who is restless also pushes the accelerometer about."""
    return [w for w in windows if w.spread_rad_s < params.max_spread_rad_s]


class StillPieces:
    """Stretches of a track that turn evenly and slowly: a person holding still, or turning as evenly.

    slow: mean rate (3,) and half-open rows of each that is no faster than a bias may be. width: rows of the shortest.
    """

    def __init__(self, track: Track, rate_hz: float, params: StillnessParams) -> None:
        self._track, self._rate_hz, self._params = track, rate_hz, params
        self.width = max(3, round(params.window_s * rate_hz))
        self.slow: list[tuple[FloatArray, int, int]] = []
        if len(track.gyr_rad_s) < self.width:
            return
        gyr = np.where(track.valid, track.gyr_rad_s.T, 0.0)
        self._total = np.cumsum(gyr, axis=1, out=room(gyr.shape))
        self._power = (gyr * gyr).sum(axis=0)
        del gyr
        self._mean = _windowed(self._total, self.width)
        self._mean /= self.width
        power = _windowed(np.cumsum(self._power), self.width) / self.width
        spread_squared = (power - (self._mean * self._mean).sum(axis=0)) / 3
        bad = _windowed(np.cumsum(~track.valid | track.clipped, dtype=np.float64), self.width) > 0
        self._quiet_starts = (spread_squared < params.max_spread_rad_s**2) & ~bad
        self._restless_starts = (spread_squared < params.restless_rad_s**2) & ~bad
        pieces = _pieces(self._quiet_starts, self.width, rate_hz, params)
        means = _means(self._total, pieces)
        slow = np.linalg.norm(means, axis=1) < params.max_bias_rad_s
        self.slow = [(mean, *span) for mean, span, ok in zip(means, pieces, slow, strict=True) if ok]

    def windows(self, usual: FloatArray) -> list[StillWindow]:
        """What each of `spans` says."""
        return self._said(self.spans(usual))

    def spans(self, usual: FloatArray) -> list[tuple[int, int]]:
        """Half-open rows of the stretches that agree with the usual rate (3,), neighbours joined; and of those that are
        less still."""
        if not self.slow:
            return []
        # Between two postures a limb may turn as evenly as it rests.
        usual_starts = np.linalg.norm(self._mean - usual[:, None], axis=0) < self._params.max_turn_rad_s
        still = self._joined(self._quiet_starts & usual_starts, usual)
        for first, last in still:
            usual_starts[max(0, first - self.width + 1) : last] = False
        restless = self._joined(self._restless_starts & usual_starts, usual)
        return sorted(still + restless)

    def _joined(self, starts: BoolArray, usual: FloatArray) -> list[tuple[int, int]]:
        params, width = self._params, self.width
        pieces = _pieces(starts, width, self._rate_hz, params)
        still = np.linalg.norm(_means(self._total, pieces) - usual, axis=1) < params.max_rate_rad_s
        windows: list[tuple[int, int]] = []
        for (first, last), ok in zip(pieces, still, strict=True):
            if ok and windows and windows[-1][1] == first:
                windows[-1] = (windows[-1][0], last)
            elif ok:
                windows.append((first, last))
        # The outermost rows are quiet only together with quieter ones: a movement begins or ends there.
        margin = width // 4
        return [(a + margin, b - margin) if b - a >= 2 * width else (a, b) for a, b in windows]

    def window(self, first: int, last: int) -> StillWindow:
        """What half-open rows of stillness say."""
        return self._said([(first, last)])[0]

    def _said(self, spans: Sequence[tuple[int, int]]) -> list[StillWindow]:
        """What each half-open stretch of rows says: of the mean rate the vertical part, of how far rate and gravity
        disagree on tilting the level part.
        """
        if not spans:
            return []
        first, last = np.array(spans, dtype=np.intp).T
        third, lasts, rate_hz = (last - first) // 3, last - first, self._rate_hz
        acc = np.ascontiguousarray(self._track.acc_m_s2.T)
        mean_acc = sums_over(acc, first, last) / lasts
        mean = _means(self._total, spans).T
        power = sums_over(self._power, first, last) / lasts
        spread = np.sqrt(np.maximum(power - (mean * mean).sum(axis=0), 0.0) / 3)
        before, after = _length_1(sums_over(acc, first, first + third)), _length_1(sums_over(acc, last - third, last))
        # The vertical turns in the sensor against the sensor's own turning.
        tilted = cross(after, before)
        turned = sums_over(self._total, last - third, last) - sums_over(self._total, first, first + third)
        level = (turned / third / rate_hz - tilted) * rate_hz / (lasts - third)
        up = _length_1(before + after)
        rate = level + up * (up * (mean - level)).sum(axis=0)
        parts = zip(spans, rate.T.copy(), up.T.copy(), mean_acc.T.copy(), spread.tolist(), strict=True)
        return [StillWindow(*span, *said) for span, *said in parts]


def _pieces(quiet_starts: BoolArray, width: int, rate_hz: float, params: StillnessParams) -> list[tuple[int, int]]:
    """Half-open stretches of rows that lie in windows of `width` rows beginning at quiet_starts; long ones are cut."""
    quiet = np.zeros(len(quiet_starts) + width - 1, dtype=bool)
    for first, last in runs(quiet_starts):
        quiet[first : last + width - 1] = True
    pieces = []
    for first, last in runs(quiet):
        pieces += cut(first, last, int((last - first) / (params.piece_s * rate_hz)))
    return pieces


def track_bias(
    windows: Sequence[StillWindow], rate_hz: float, params: StillnessParams, *, afterwards: bool = True
) -> BiasTrack:
    """Bias over time from still windows: a random walk seen well about level axes, by sway over duration about up.

    Slow turning passes for stillness, but a bias does not jump: a window that disagrees with those before it has little
    say, so that a hold that turns is not taken for bias.
    afterwards: smooth in both directions (finished recording); otherwise each value uses its past only (live).
    """
    count = len(windows)
    row = np.array([(w.first + w.last) / 2 for w in windows])
    if not count:
        return BiasTrack(row, np.zeros((0, 3)), np.zeros(0))
    seen = np.stack([w.mean_rate_rad_s for w in windows])
    ups = np.stack([w.up for w in windows])
    level, upright = _noise(windows, rate_hz, params)
    walk = params.bias_walk_rad_s_sqrt_s**2 * np.diff(row, prepend=row[0]) / rate_hz
    noise = (level**2 + params.apart_rad_s**2)[:, None, None] * np.eye(3)
    noise = noise + (upright**2 - level**2)[:, None, None] * (ups[:, :, None] * ups[:, None, :])
    value, variance = _walked(seen, noise, walk, params.surprise, afterwards=afterwards)
    apart_rad_s = max(params.apart_rad_s, _apart(seen - value, ups, level, upright))
    about_up = np.einsum("ki,kij,kj->k", ups, variance, ups)
    return BiasTrack(row, value, np.sqrt(about_up + apart_rad_s**2))


def _noise(windows: Sequence[StillWindow], rate_hz: float, params: StillnessParams) -> tuple[FloatArray, FloatArray]:
    """Standard deviations (W,) of each window's mean rate, about level axes and about the vertical."""
    duration_s = np.array([(w.last - w.first) / rate_hz for w in windows])
    spread = np.array([w.spread_rad_s for w in windows])
    upright = sqrt(2.0) * np.maximum(params.sway_rad, params.sway_s * spread) / duration_s
    level = np.maximum(params.tilt_rad_s, params.tilt * spread) / duration_s**2
    return np.minimum(level, upright), upright


def _apart(residual: FloatArray, ups: FloatArray, level: FloatArray, upright: FloatArray) -> float:
    """What must be added to the windows' standard deviations (W,), so that half of the residuals (W, 3) fit."""
    if len(residual) < LEAST_WINDOWS:
        return 0.0
    about_up = (residual * ups).sum(axis=1) ** 2
    about_level = (residual * residual).sum(axis=1) - about_up
    tried = np.concatenate([[0.0], np.geomspace(radians(0.01), radians(1.0), 40)])
    more = tried[:, None] ** 2
    misfit = np.median(about_level / (level**2 + more) + about_up / (upright**2 + more), axis=1)
    return float(tried[min(int((misfit > CHI_SQUARED_3_MEDIAN).sum()), len(tried) - 1)])


def _walked(
    seen: FloatArray, noise: FloatArray, walk: FloatArray, surprise_sds: float, *, afterwards: bool
) -> tuple[FloatArray, FloatArray]:
    """Values (W, 3) and covariances (W, 3, 3) of a random walk seen with noise (W, 3, 3)."""
    count = len(seen)
    value = np.zeros((count, 3))
    variance = np.zeros((count, 3, 3))
    value[0], variance[0] = seen[0], noise[0]
    steps = walk[:, None, None] * np.eye(3)
    for k in range(1, count):
        predicted = variance[k - 1] + steps[k]
        apart = seen[k] - value[k - 1]
        weight = np.linalg.inv(predicted + noise[k])
        surprise = float(apart @ weight @ apart) / surprise_sds**2
        if surprise > 1.0:
            weight = np.linalg.inv(predicted + noise[k] * surprise**2)
        gain = predicted @ weight
        value[k] = value[k - 1] + gain @ apart
        variance[k] = predicted - gain @ predicted
    if afterwards:
        # Rauch, Tung and Striebel's smoother.
        expected = variance[:-1] + steps[1:]
        gains = variance[:-1] @ np.linalg.inv(expected)
        for k in range(count - 2, -1, -1):
            value[k] += gains[k] @ (value[k + 1] - value[k])
            variance[k] += gains[k] @ (variance[k + 1] - expected[k]) @ gains[k].T
    return value, variance


def _windowed(total: FloatArray, width: int) -> FloatArray:
    """Sums over each run of `width` rows from running sums (..., N): (..., N - width + 1)."""
    sums = total[..., width - 1 :].copy()
    sums[..., 1:] -= total[..., :-width]
    return sums


def _means(total: FloatArray, spans: Sequence[tuple[int, int]]) -> FloatArray:
    """Means (S, 3) over the half-open spans of rows from running sums (3, N)."""
    first, last = np.array(spans, dtype=np.intp).reshape(-1, 2).T
    before = np.where(first > 0, total[:, first - 1], 0.0)
    return np.asarray(((total[:, last - 1] - before) / (last - first)).T)


def _length_1(vectors: FloatArray) -> FloatArray:
    """Vectors (3, N) brought to length 1."""
    return np.asarray(vectors / np.sqrt((vectors * vectors).sum(axis=0)))
