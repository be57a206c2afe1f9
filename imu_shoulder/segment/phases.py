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
class Edge:
    """One movement between two postures: rows (fractional) where speed passes 20 % and 50 % of its peak."""

    low_first: float
    half_first: float
    half_last: float
    low_last: float
    peak_velocity: float

    @property
    def half_width(self) -> float:
        return self.half_last - self.half_first

    def ratio(self) -> float:
        """Pointedness of the profile, mean of both flanks; NaN for a movement of no width."""
        if self.half_width <= 0:
            return float("nan")
        return (self.half_first - self.low_first + self.low_last - self.half_last) / 2 / self.half_width


def find_edge(speed: FloatArray, first: int, last: int, early: int, late: int) -> Edge | None:
    """The movement inside rows [first, last] that has left its first posture at `early` and nears its second at `late`.

    speed: (N,) signed so that the movement is positive. Between early and late it may pause; outside it ends where
    speed falls under 20 % of its peak. None if nothing moves.
    """
    peak = float(speed[first : last + 1].max(initial=0.0))
    if peak <= 0:
        return None
    low = LOW * peak
    low_first = _last_under(speed, first, early, low)
    low_last = -_last_under(speed[::-1], len(speed) - 1 - last, len(speed) - 1 - late, low) + len(speed) - 1
    # Another movement may follow in the window: only the one that was just bounded counts.
    bounds = slice(int(low_first), int(np.ceil(low_last)) + 1)
    over = np.flatnonzero(speed[bounds] >= HALF * peak) + bounds.start
    if not len(over):
        return None
    half_first = _last_under(speed, first, int(over[0]), HALF * peak)
    half_last = (
        len(speed) - 1 - _last_under(speed[::-1], len(speed) - 1 - last, len(speed) - 1 - int(over[-1]), HALF * peak)
    )
    return Edge(min(low_first, half_first), half_first, half_last, max(low_last, half_last), peak)


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
