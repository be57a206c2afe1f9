"""Turning points of a curve: where it reverses by at least a threshold."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from imu_shoulder.model import FloatArray, IntArray


@dataclass(frozen=True, slots=True)
class Excursion:
    """A rise from a valley to a peak and back: rows into the curve. The peak is the highest row between."""

    valley: int
    peak: int
    next_valley: int


def excursions(curve: FloatArray, threshold: float, return_share: float = 0.0) -> list[Excursion]:
    """Every rise of at least `threshold` that is followed by a fall of at least `threshold`.

    curve: (N,) without NaN. return_share: the fall must also undo this share of the rise, or it is a dip that stays
    inside its excursion. A rise at the end that never falls so far is closed at the last row if it fell by half of
    that, otherwise left out: it is not finished.
    """
    points = turning_points(curve, threshold, return_share).tolist()
    if len(points) > 1 and curve[points[-1]] > curve[points[-2]]:
        low, high = points[-2:]
        tail = high + int(np.argmin(curve[high:]))
        fell_half = curve[high] - curve[tail] >= _fall_asked(curve, low, high, threshold, return_share) / 2
        points = [*points, tail] if fell_half else points[:-1]
    out = []
    for k in range(1, len(points) - 1):
        if curve[points[k]] > curve[points[k - 1]]:
            out.append(Excursion(points[k - 1], points[k], points[k + 1]))
    return out


def turning_points(curve: FloatArray, threshold: float, return_share: float = 0.0) -> IntArray:
    """Rows (P,) of the alternating highs and lows of curve (N,), at least `threshold` apart; either may come first.

    The last one is as far as the curve came after the one before, and not yet turned back from. return_share: as for
    `excursions`. Empty where the curve never gets so far.
    """
    points: list[int] = []
    low = high = furthest = way = 0
    rows = _extremes(curve)
    for row, value in zip(rows.tolist(), curve[rows].tolist(), strict=True):
        if way == 0:
            low = row if value < curve[low] else low
            high = row if value > curve[high] else high
            way = int(value - curve[low] >= threshold) or -int(curve[high] - value >= threshold)
            if way:
                points.append(low if way > 0 else high)
                furthest = row
        elif way * (value - curve[furthest]) > 0:
            furthest = row
        else:
            back = way * (curve[furthest] - value)
            if back >= threshold and (
                way < 0 or back >= _fall_asked(curve, points[-1], furthest, threshold, return_share)
            ):
                points.append(furthest)
                way, furthest = -way, row
    return np.array([*points, furthest] if way else points, dtype=np.intp)


def _fall_asked(curve: FloatArray, low: int, high: int, threshold: float, return_share: float) -> float:
    """How far the curve must fall after rising from one row to another for the upper one to be a turning point."""
    return max(threshold, return_share * float(curve[high] - curve[low]))


def _extremes(curve: FloatArray) -> IntArray:
    """First row, every local high and low, and last level of (N,): all that a search for turning points must look at.

    Of a level stretch its first row.
    """
    steps = np.diff(curve)
    moving = np.flatnonzero(steps)
    turning = np.diff(np.sign(steps[moving]), append=0.0) != 0
    return np.concatenate([[0], moving[turning] + 1])[: len(curve)]
