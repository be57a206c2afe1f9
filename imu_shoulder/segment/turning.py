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
    points = _reversals(curve, threshold, return_share)
    out = []
    for k in range(1, len(points) - 1):
        if curve[points[k]] > curve[points[k - 1]]:
            out.append(Excursion(points[k - 1], points[k], points[k + 1]))
    return out


def _reversals(curve: FloatArray, threshold: float, return_share: float) -> list[int]:
    """Rows of alternating valleys and peaks, beginning with the valley before the first rise."""
    low = high = 0
    points: list[int] = []
    rising = False

    def fall_asked() -> float:
        return max(threshold, return_share * float(curve[high] - curve[low]))

    rows = _extremes(curve)
    for row, value in zip(rows.tolist(), curve[rows].tolist(), strict=True):
        if rising:
            if value > curve[high]:
                high = row
            elif curve[high] - value >= threshold and curve[high] - value >= fall_asked():
                points.append(high)
                rising, low = False, row
        elif value < curve[low]:
            low = row
        elif value - curve[low] >= threshold:
            points.append(low)
            rising, high = True, row
    if rising:
        tail = high + int(np.argmin(curve[high:]))
        if curve[high] - curve[tail] >= fall_asked() / 2:
            points += [high, tail]
    elif points:
        points.append(low)
    return points


def _extremes(curve: FloatArray) -> IntArray:
    """First row, every local high and low, and last level of (N,): all that a search for turning points must look at.

    Of a level stretch its first row.
    """
    steps = np.diff(curve)
    moving = np.flatnonzero(steps)
    turning = np.diff(np.sign(steps[moving]), append=0.0) != 0
    return np.concatenate([[0], moving[turning] + 1])[: len(curve)]
