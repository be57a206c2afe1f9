"""Where a lift begins and ends: told by velocity, carried to standstill by the person's own profile.

A threshold on velocity alone starts late and ends early by a share of the movement that depends on how its velocity
rises. That share is measured: the time from 20 % to 50 % of peak velocity, over the width at 50 %, tells how pointed
the profile is. The table holds that ratio and the matching run-out for three profiles with a closed form.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import asin, pi, sqrt

import numpy as np

from imu_shoulder.model import FloatArray

LOW, HALF = 0.2, 0.5
# Share of the movement's time at which three profiles with a closed form pass LOW and HALF of their peak velocity:
# 4 u (1 - u), sin(pi u), and 16 u^2 (1 - u)^2, the minimum jerk profile (Flash & Hogan 1985).
_PROFILES = [
    [(1 - sqrt(1 - level)) / 2 for level in (LOW, HALF)],
    [asin(level) / pi for level in (LOW, HALF)],
    [(1 - sqrt(1 - sqrt(level))) / 2 for level in (LOW, HALF)],
]
_PROFILE_RATIO = [(half - low) / (1 - 2 * half) for low, half in _PROFILES]
_PROFILE_RUN_OUT = [low / (1 - 2 * half) for low, half in _PROFILES]


@dataclass(frozen=True, slots=True)
class Stroke:
    """A movement without a pause: rows (fractional) where speed passes 20 % and 50 % of its peak."""

    low_first: float
    half_first: float
    half_last: float
    low_last: float

    @property
    def half_width(self) -> float:
        return self.half_last - self.half_first


@dataclass(frozen=True, slots=True)
class Edge:
    """One movement between two postures. first, last: its strokes at both ends, the same one unless it paused."""

    first: Stroke
    last: Stroke

    def ratio(self) -> float:
        """Pointedness of the profile, mean of both flanks; NaN for a movement of no width."""
        if min(self.first.half_width, self.last.half_width) <= 0:
            return float("nan")
        rise = (self.first.half_first - self.first.low_first) / self.first.half_width
        return (rise + (self.last.low_last - self.last.half_last) / self.last.half_width) / 2

    def begins(self, beyond: float) -> float:
        """The row at which it sets out, its run-out being `beyond` half-widths of the stroke there."""
        return self.first.low_first - beyond * self.first.half_width

    def stops(self, beyond: float) -> float:
        """The row at which it has come to rest."""
        return self.last.low_last + beyond * self.last.half_width


def find_edge(speed: FloatArray, first: int, last: int, early: int, late: int) -> Edge | None:
    """The movement inside rows [first, last] that has left its first posture at `early` and nears its second at `late`.

    speed: (N,) signed so that the movement is positive. Between early and late it may pause; outside it ends where
    speed falls under 20 % of its peak. The peak is its own: a quicker movement may lie beside it in the rows. None if
    nothing moves.
    """
    peak = float(speed[early : late + 1].max(initial=0.0))
    if peak <= 0:
        return None
    whole = _low_rows(speed, (first, last), (early, late), peak)
    # Another movement may follow in the window: only the one that was just bounded counts.
    bounds = slice(int(whole[0]), int(np.ceil(whole[1])) + 1)
    over = np.flatnonzero(speed[bounds] >= HALF * peak) + bounds.start
    if not len(over):
        return None
    gaps = np.flatnonzero(np.diff(over) > 1)
    pauses = [k for k in gaps.tolist() if speed[over[k] : over[k + 1]].min() < LOW * peak]
    if not pauses:
        only = _stroke(speed, (first, last), whole, (int(over[0]), int(over[-1])), peak)
        return Edge(only, only)
    # How a movement runs out at its ends is told by the strokes there, not by how long it paused between them.
    sides = (int(over[0]), int(over[pauses[0]])), (int(over[pauses[-1] + 1]), int(over[-1]))
    peaks = [float(speed[a : b + 1].max()) for a, b in sides]
    begun, ended = (
        _stroke(speed, (first, last), _low_rows(speed, (first, last), over_half, own), over_half, own)
        for over_half, own in zip(sides, peaks, strict=True)
    )
    return Edge(begun, ended)


def _low_rows(speed: FloatArray, within: tuple[int, int], inside: tuple[int, int], peak: float) -> tuple[float, float]:
    """The rows at which speed passes 20 % of the peak, before and after the rows `inside`."""
    return (
        _last_under(speed, within[0], inside[0], LOW * peak),
        _first_under(speed, inside[1], within[1], LOW * peak),
    )


def _stroke(
    speed: FloatArray, within: tuple[int, int], low: tuple[float, float], over: tuple[int, int], peak: float
) -> Stroke:
    """over: the first and the last row of it over 50 % of the peak."""
    half_first = _last_under(speed, within[0], over[0], HALF * peak)
    half_last = _first_under(speed, over[1], within[1], HALF * peak)
    return Stroke(min(low[0], half_first), half_first, half_last, max(low[1], half_last))


def run_out(edges: list[Edge]) -> float:
    """How far, in half-widths, movements go on beyond their 20 % crossings: one figure per person and set."""
    ratios = np.array([edge.ratio() for edge in edges])
    ratios = ratios[np.isfinite(ratios)]
    if not len(ratios):
        return _PROFILE_RUN_OUT[-1]
    return float(np.interp(np.median(ratios), _PROFILE_RATIO, _PROFILE_RUN_OUT))


def _last_under(speed: FloatArray, first: int, row: int, level: float) -> float:
    """The fractional row in [first, row] at which speed last rises through `level`; `first` if it never does."""
    under = np.flatnonzero(speed[first : row + 1] < level)
    if not len(under):
        return float(first)
    below = first + int(under[-1])
    if below == row:
        return float(row)
    return below + float((level - speed[below]) / (speed[below + 1] - speed[below]))


def _first_under(speed: FloatArray, row: int, last: int, level: float) -> float:
    """The fractional row in [row, last] at which speed first falls through `level`; `last` if it never does."""
    end = len(speed) - 1
    return end - _last_under(speed[::-1], end - last, end - row, level)
