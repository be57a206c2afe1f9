"""Curves small enough to embed, without hiding a peak or a gap."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from imu_shoulder.arrays import runs
from imu_shoulder.model import FloatArray

BIN_S = 0.2  # the narrowest bin: two points each, so that a slow rep keeps its shape and a tremor its width
TICK_S = 0.01
STEP_DEG = 0.1
DIGITS = "ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnopqrstuvwxyz0123456789-_"  # 0 to 63; none is special in HTML or JSON


@dataclass(frozen=True, slots=True)
class Curve:
    """An angle over time. time_s: (N,), ascending. angle_deg: (N,), NaN where it is not known."""

    time_s: FloatArray
    angle_deg: FloatArray

    def known_deg(self, start_s: float, end_s: float) -> FloatArray:
        """The angles that are known between two times, both ends included."""
        first, last = np.searchsorted(self.time_s, start_s), np.searchsorted(self.time_s, end_s, side="right")
        inside = self.angle_deg[first:last]
        return inside[~np.isnan(inside)]


def extremes(time_s: FloatArray, angle_deg: FloatArray, bin_s: float) -> tuple[FloatArray, FloatArray]:
    """Keep the lowest and the highest sample of each bin at their own times, and the ends of every gap.

    time_s, angle_deg: (N,), angle_deg NaN where it is not known. Returns (M,) each, in time; each gap is one NaN.
    No sample kept is averaged or moved, so no peak is lost; what lies between two kept samples of a bin lies
    between their values.
    """
    known = np.isfinite(angle_deg)
    edge = np.flatnonzero(np.diff(known)) + 1
    keep = np.zeros(len(time_s), dtype=np.bool_)
    if known.any():
        rows, bins = np.flatnonzero(known), np.floor((time_s - time_s[0]) / bin_s)[known]
        first = np.append(0, np.flatnonzero(np.diff(bins)) + 1)
        for of_bin in (np.minimum, np.maximum):
            extreme = np.repeat(of_bin.reduceat(angle_deg[rows], first), np.diff(first, append=len(rows)))
            at_extreme = np.flatnonzero(angle_deg[rows] == extreme)
            # The first of equals.
            keep[rows[at_extreme[np.diff(bins[at_extreme], prepend=-1.0) > 0]]] = True
    for place in edge:
        keep[place - 1 : place + 1] = True
    keep &= known | np.isin(np.arange(len(time_s)), edge)
    return time_s[keep], angle_deg[keep]


def encode(time_s: FloatArray, angle_deg: FloatArray) -> str:
    """Three characters a point: the step of time from the point before, the first from zero, and the angle.

    time_s: in time. angle_deg: NaN is a gap, written as one dot in place of the angle. The time step is one digit of
    0.01 s; the last digit (63 steps) stands for a part of it and another digit follows. The angle is two digits of
    0.1 deg from -204.8 deg up.
    """
    most = len(DIGITS) - 1
    points: list[str] = []
    last = 0
    for tick, angle in zip(np.rint(time_s / TICK_S).astype(int).tolist(), angle_deg.tolist(), strict=True):
        longer, rest = divmod(tick - last, most)
        points.append(DIGITS[most] * longer + DIGITS[rest])
        last = tick
        if math.isnan(angle):
            points.append(".")
        else:
            high, low = divmod(round(angle / STEP_DEG) + len(DIGITS) ** 2 // 2, len(DIGITS))
            points.append(DIGITS[high] + DIGITS[low])
    return "".join(points)


def gaps(time_s: FloatArray, angle_deg: FloatArray) -> list[list[float]]:
    """Start and end, in seconds, of every stretch without an angle."""
    last = len(time_s) - 1
    unknown = runs(~np.isfinite(angle_deg))
    return [[round(float(time_s[max(a - 1, 0)]), 2), round(float(time_s[min(b, last)]), 2)] for a, b in unknown]


def summit(curve: Curve, start_s: float | None, end_s: float | None) -> float | None:
    """The highest known angle between two times, rounded to 0.1 deg; None where there is none.

    start_s, end_s: None where the time is not known.
    """
    if start_s is None or end_s is None:
        return None
    known = curve.known_deg(start_s, end_s)
    return round(float(known.max()), 1) if len(known) and math.isfinite(known.max()) else None
