"""Reps of one sensor about the main axis of its motion, where no drill says which angle leads.

The leading signal is the sensor's attitude, not its angular rate: pulls of the upper body turn the wrist twice a rep,
but its posture comes back once. A rep is one excursion of that posture away from where the set starts, and back.
No period is assumed, so holds, rests and changes of tempo do not matter, and nothing depends on the mounting.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise
from typing import Literal

import numpy as np

from imu_shoulder.arrays import longest_run
from imu_shoulder.errors import ParameterError
from imu_shoulder.filters import moving_mean
from imu_shoulder.model import FloatArray
from imu_shoulder.segment.free_motion import WORKING_RATE_HZ, Bout, find_bouts
from imu_shoulder.segment.free_strokes import (
    HALF_REP,
    Strokes,
    find_alternation,
    find_strokes,
    rep_pieces,
    start_sign,
    unfold,
)

# Smaller than this there is no set, only fidgeting.
SMALLEST_ARC_RAD = np.radians(10.0)
# Against the set's typical arc: less is a partial rep, and less than the second is not worth a name.
PARTIAL_SHARE = 0.5
FALSE_START_SHARE = 0.2
# A way of a rep is taken as cut by the end of the recording when less than this share of it is there.
WHOLE_WAY = 0.8
# A way begins and ends where its speed passes this share of its peak, near the end of the way (END_SHARE).
SPEED_SHARE = 0.1
END_SHARE = 0.3
# How far the strokes of a path that halves the reps may be from half as many.
HALVING_TOLERANCE = 0.15
# The acceleration of a turn is taken over half a stroke, and over no more than this where the posture is held.
TURNING_SPAN_S = 0.5
LONGEST_GAP_S = 0.15

Exclusion = Literal["partial", "gap"]


@dataclass(frozen=True, slots=True)
class FreeRep:
    """One excursion about the main axis. Times are seconds of the recording's clock.

    start_s, top_start_s, top_end_s, end_s: where the way there begins and ends and the way back begins and ends.
    arc_rad: range of the turn about the main axis.
    cut: the recording or the set's path ends before the rep does; what is there is at least about half of it.
    excluded: why it does not count: partial (under half the set's typical arc, such as a false start), gap (data
    missing for over 0.15 s); None for a counted rep.
    """

    start_s: float
    top_start_s: float
    top_end_s: float
    end_s: float
    arc_rad: float
    cut: bool
    excluded: Exclusion | None


@dataclass(frozen=True, slots=True)
class FreeSet:
    """One stretch of exercise: its leading signal at a working rate, time_s and curve_rad (K,), and its reps."""

    time_s: FloatArray
    curve_rad: FloatArray
    reps: tuple[FreeRep, ...]


def find_free_sets(
    time_s: FloatArray, acc_m_s2: FloatArray, gyr_rad_s: FloatArray, rate_hz: float
) -> tuple[FreeSet, ...]:
    """The sets of a recording in order, with every rep, the excluded ones too; those with excluded None count.

    time_s: (N,) uniform with step 1/rate_hz. acc_m_s2, gyr_rad_s: (N, 3) in the sensor's own frame, NaN where
    missing. rate_hz: at least 25. Sets are parted by stillness over 30 s, and each has a main axis of its own.
    A rep that the recording cuts counts where at least about half of its motion is there.
    Raises ParameterError for a rate under 25 Hz or arrays that do not fit together.
    """
    if not rate_hz >= WORKING_RATE_HZ:
        raise ParameterError(
            f"a rate of at least {WORKING_RATE_HZ:g} Hz", f"it is {rate_hz:g} Hz", "record at a higher rate"
        )
    shape = (len(time_s), 3)
    if acc_m_s2.shape != shape or gyr_rad_s.shape != shape:
        raise ParameterError(
            f"acceleration and angular rate of shape {shape}",
            f"they have {acc_m_s2.shape} and {gyr_rad_s.shape}",
            "pass one row of three per time stamp",
        )
    bouts = find_bouts(time_s, acc_m_s2, gyr_rad_s, rate_hz)
    return tuple(found for bout in bouts if (found := _bout_set(bout)) is not None)


def _bout_set(bout: Bout) -> FreeSet | None:
    strokes = find_strokes(bout.posture, bout.still_start, bout.still_end)
    if strokes is None or strokes.typical_rad < SMALLEST_ARC_RAD:
        return None
    path, strokes = _whole_reps(bout, strokes)
    x = path[:, 0]
    sign = start_sign(x, strokes)
    pieces = [piece for piece in rep_pieces(x, strokes, sign) if (piece[1] + piece[2]) / 2 >= HALF_REP]
    tops = [top for top, _, _ in pieces]
    y = sign * x
    # Between two tops the lowest turn parts the reps.
    lows = [a + int(np.argmin(y[a : b + 1])) for a, b in pairwise(tops)]
    bounds = [strokes.first, *lows, strokes.last]
    spans = [_bounds(y, bounds[k], top, bounds[k + 1]) for k, top in enumerate(tops)]
    reps = [
        _rep(bout, y, span, strokes.typical_rad, min(away, back) < WHOLE_WAY)
        for span, (_, away, back) in zip(spans, pieces, strict=True)
    ]
    ends, starts = [strokes.first, *(span[3] for span in spans)], [*(span[0] for span in spans), strokes.last]
    for low, high in zip(ends, starts, strict=True):
        reps += [
            _rep(bout, y, _bounds(y, low + left, low + top, low + right), strokes.typical_rad, False)
            for left, top, right in _excursions(y[low : high + 1], FALSE_START_SHARE * strokes.typical_rad)
        ]
    rest = float(np.median(y[[span[0] for span in spans]])) if spans else 0.0
    return FreeSet(bout.time_s, y - rest, tuple(sorted(reps, key=lambda rep: rep.start_s)))


def _whole_reps(bout: Bout, strokes: Strokes) -> tuple[FloatArray, Strokes]:
    """The path (M, 3), leading signal first, on which two strokes are one rep, and its strokes.

    Where the main axis turns twice a rep, every second turning point is in another posture or, when the wrist only
    travels in between, under another acceleration. If an axis through those two postures comes back once a rep, it
    leads; otherwise the main axis is unfolded.
    """
    half_stroke = max(1, int(min(np.median(np.diff(strokes.turns)) / 2, TURNING_SPAN_S * bout.rate_hz)))
    posture_places = find_alternation(bout.posture, strokes)
    places = posture_places or find_alternation(moving_mean(bout.acc_g, half_stroke), strokes)
    if places is None:
        return bout.posture, strokes
    if posture_places is not None:
        path = bout.posture @ np.linalg.svd(places.axis[np.newaxis])[2].T
        whole = find_strokes(path, bout.still_start, bout.still_end, places.apart / 2)
        if whole is not None and abs(len(whole.turns) / len(strokes.turns) - 0.5) < HALVING_TOLERANCE:
            return path, whole
    path = np.column_stack([unfold(bout.posture[:, 0], strokes.turns, places.first), bout.posture[:, 1:]])
    whole = find_strokes(path, bout.still_start, bout.still_end)
    return (bout.posture, strokes) if whole is None else (path, whole)


def _excursions(y: FloatArray, smallest: float) -> list[tuple[int, int, int]]:
    """(foot, top, foot) of the bumps in a rest that are too small to be reps."""
    from scipy.signal import find_peaks  # heavy, and for sets without a drill alone

    tops, found = find_peaks(y, prominence=smallest)
    return [(int(a), int(b), int(c)) for a, b, c in zip(found["left_bases"], tops, found["right_bases"], strict=True)]


def _bounds(y: FloatArray, low: int, top: int, next_low: int) -> tuple[int, int, int, int]:
    """Indices where the way to the top begins and ends and the way back begins and ends; y: (M,) with tops upward."""
    start, top_start = _way(y[low : top + 1])
    back_end, back_start = _way(y[top : next_low + 1][::-1])
    return low + start, low + top_start, next_low - back_start, next_low - back_end


def _way(y: FloatArray) -> tuple[int, int]:
    """Indices where a rise from the first to the last value of y begins and ends, by speed and place together."""
    if len(y) < 3:
        return 0, len(y) - 1
    speed = np.gradient(y)
    fastest = int(np.argmax(speed))
    slow = speed < SPEED_SHARE * speed[fastest]
    share = (y - y[0]) / (y[-1] - y[0]) if y[-1] > y[0] else np.full(len(y), 0.5)
    before = np.flatnonzero(slow[:fastest] & (share[:fastest] < END_SHARE))
    after = np.flatnonzero(slow[fastest:] & (share[fastest:] > 1 - END_SHARE))
    return int(before[-1]) if len(before) else 0, fastest + int(after[0]) if len(after) else len(y) - 1


def _rep(bout: Bout, x: FloatArray, span: tuple[int, int, int, int], typical: float, cut: bool) -> FreeRep:
    start, top_start, top_end, end = span
    ways = (x[top_start] - x[start], x[top_end] - x[end])
    arc_rad = float(np.ptp(bout.posture[start : end + 1, 0]))
    excluded: Exclusion | None = None
    if longest_run(bout.bridged[start : end + 1]) > LONGEST_GAP_S * bout.rate_hz:
        excluded = "gap"
    elif max(ways) < PARTIAL_SHARE * typical:
        excluded = "partial"
    start_s, top_start_s, top_end_s, end_s = bout.time_s[list(span)].tolist()
    return FreeRep(start_s, top_start_s, top_end_s, end_s, arc_rad, cut, excluded)
