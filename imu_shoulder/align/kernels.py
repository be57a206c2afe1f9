"""The weights by which the samples about a grid time make its row."""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import lru_cache

import numpy as np

from imu_shoulder.model import FloatArray

# Samples faster than the grid by less than this are interpolated: what could fold over is beyond their own half rate
# or close to it.
_FASTER = 4.0 / 3.0
# Of the grid's rate: up to the first all is kept, what lies beyond the second is kept out. It would fold to where all
# is kept; between the two it folds to between the two.
_KEPT, _KEPT_OUT = 0.3, 0.7
# Samples of either side, in steps of the grid.
_REACH_STEPS = 3.5
_POWERS, _FREQUENCIES = 6, 64
# Of the rows that a least-squares fit has to meet, over the others.
_EXACT = 1e4


@dataclass(frozen=True, slots=True, eq=False)
class Kernel:
    """half: samples on either side of a grid time, of which there are 2 half. weights: (2 half, P) by the powers of
    the share, 0 to 1, of the way between the two samples beside the grid time. exact: a grid time on a sample is that
    sample."""

    half: int
    weights: FloatArray
    exact: bool

    @property
    def taps(self) -> int:
        return 2 * self.half

    @property
    def waits(self) -> int:
        """Of the samples so far, the one from the end up to which grid times have all they need, itself included."""
        return self.half if self.exact else self.half + 1

    @property
    def nodes(self) -> FloatArray:
        """(taps,) places of the samples, the two beside the grid time being 0 and 1."""
        return np.asarray(np.arange(self.taps) - (self.half - 1.0), dtype=np.float64)


def _lagrange() -> Kernel:
    """Whose third sample lies at 0 and fourth at 1."""
    kernel = Kernel(3, np.empty(0), exact=True)
    columns = []
    for node in kernel.nodes:
        others = kernel.nodes[kernel.nodes != node]
        columns.append(np.poly(others)[::-1] / math.prod(float(node - other) for other in others))
    return Kernel(3, np.array(columns), exact=True)


SIX_POINT = _lagrange()


@lru_cache(maxsize=64)
def kernel_of(samples_hz: float, grid_hz: float) -> Kernel:
    """For samples of one rate on a grid of another.

    A slower grid's weights are the least-squares fit to a gain of 1 up to 0.3 of the grid's rate and of 0 from 0.7 of
    it on, with no delay, such that a constant and a straight line come out as they are; worked out at six shares and
    put through them as a polynomial. From 100 to 50 Hz: fourteen samples, gain 0.996 to 1.005 up to 12 Hz, at most
    0.013 from 35 Hz on.
    """
    ratio = samples_hz / grid_hz
    if ratio <= _FASTER:
        return SIX_POINT
    half = math.ceil(_REACH_STEPS * ratio)
    kept = np.linspace(0.0, _KEPT / ratio, _FREQUENCIES)
    out = np.linspace(_KEPT_OUT / ratio, 0.5, _FREQUENCIES) if 0.5 * ratio > _KEPT_OUT else np.empty(0)
    asked = np.append(np.ones(len(kept)), np.zeros(len(out)))
    angle = 2.0 * np.pi * np.append(kept, out)[:, None]
    wanted = np.concatenate([asked, np.zeros(len(asked)), [_EXACT, 0.0]])
    shares = 0.5 - 0.5 * np.cos(np.pi * np.arange(_POWERS) / (_POWERS - 1.0))
    fitted = np.zeros((_POWERS, 2 * half))
    for share, weights in zip(shares, fitted, strict=True):
        away = np.arange(2 * half) - (half - 1.0) - share
        # On a sample, the furthest on the other side is not used: it is another one a rounding later.
        used = slice(int(share == 1.0), len(away) - int(share == 0.0))
        exact = _EXACT * np.array([np.ones(len(away)), away])
        rows = np.concatenate([np.cos(angle * away), np.sin(angle * away), exact])
        weights[used] = np.linalg.lstsq(rows[:, used], wanted, rcond=None)[0]
    powers = np.vander(shares, _POWERS, increasing=True)
    return Kernel(half, np.asarray(np.linalg.solve(powers, fitted).T, dtype=np.float64), exact=False)
