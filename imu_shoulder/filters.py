"""The filters of all stages: a Butterworth low-pass of second order and a moving mean, neither late nor early.

They are scipy.signal's `butter` and `sosfiltfilt` and scipy.ndimage's `uniform_filter1d` without those packages, which
take as long to be imported as a short recording to be analysed. Coefficients of the low-pass: the bilinear transform of
1 / (s^2 + sqrt(2) s + 1), such as in Oppenheim and Schafer, Discrete-Time Signal Processing.
"""

from __future__ import annotations

from math import pi, sqrt, tan
from typing import Literal

import numpy as np
from scipy.linalg.lapack import dtbtrs

from imu_shoulder.model import FloatArray, IntArray

Ends = Literal["odd", "constant"]
MeanEnds = Literal["even", "constant"]


def low_passed(values: FloatArray, cutoff_hz: float, rate_hz: float, pad: int, ends: Ends = "odd") -> FloatArray:
    """Zero-phase low-pass of (N,) or (N, K) without NaN, pad < N.

    pad: rows by which it is made longer at either end, odd (turned about the last value) or constant.
    """
    if len(values) < 2:
        return values.copy()
    before, after = values[:1], values[-1:]
    if ends == "odd":
        head, tail = 2 * before - values[pad:0:-1], 2 * after - values[-2 : -pad - 2 : -1]
    else:
        head, tail = (np.repeat(end, pad, axis=0) for end in (before, after))
    longer = np.concatenate([head, values, tail])
    forwards = _filtered(longer, cutoff_hz, rate_hz)
    return _filtered(forwards[::-1], cutoff_hz, rate_hz)[::-1][pad : pad + len(values)].copy()


def _filtered(values: FloatArray, cutoff_hz: float, rate_hz: float) -> FloatArray:
    """Forwards only, begun as if the first value had always been."""
    gain, first, second = _coefficients(cutoff_hz, rate_hz)
    # What goes in, and what the time before leaves behind: unit gain for what does not change.
    into = gain * values
    into[1:] += 2 * gain * values[:-1]
    into[2:] += gain * values[:-2]
    into[0] += (1.0 - gain) * values[0]
    into[1] += (gain - second) * values[0]
    # y[n] + first y[n-1] + second y[n-2] = into[n] is a banded triangle of equations.
    band = np.empty((3, len(values)), order="F")
    band[0], band[1], band[2] = 1.0, first, second
    found, failed = dtbtrs(band, into.reshape(len(values), -1), uplo="L", diag="U")
    if failed:
        raise ArithmeticError(f"expected a filter that can be run, but LAPACK's dtbtrs says {failed}; check its rows")
    return np.asarray(found.reshape(values.shape))


def _coefficients(cutoff_hz: float, rate_hz: float) -> tuple[float, float, float]:
    """Gain of the numerator 1, 2, 1, and the denominator behind its 1."""
    k = tan(pi * cutoff_hz / rate_hz)
    scale = 1.0 / (1.0 + sqrt(2.0) * k + k * k)
    return k * k * scale, 2.0 * (k * k - 1.0) * scale, (1.0 - sqrt(2.0) * k + k * k) * scale


def moving_mean(values: FloatArray, width: int, axis: int = 0, ends: MeanEnds = "even") -> FloatArray:
    """Mean over `width` rows around each along an axis of values without NaN; of an even number one more lies before.

    ends: what is taken to lie beyond, even (mirrored, the last value twice) or constant.
    """
    out = np.empty(values.shape)
    rows, means = np.moveaxis(values, axis, 0), np.moveaxis(out, axis, 0)
    count, before = len(rows), width // 2
    head, tail = _beyond(count, -before, 0, ends), _beyond(count, count, count + width - before - 1, ends)
    longer = np.concatenate([rows[head], rows, rows[tail]])
    # From each sum to the next one row comes in and one goes out.
    means[0] = np.add.accumulate(longer[:width])[-1]
    np.subtract(longer[width:], longer[: count - 1], out=means[1:])
    np.add.accumulate(means, out=means)
    means /= width
    return out


def _beyond(count: int, first: int, last: int, ends: MeanEnds) -> IntArray:
    """Which of `count` rows stand for the places from first up to last."""
    places = np.arange(first, last)
    if ends == "constant":
        return places.clip(0, count - 1)
    places %= 2 * count
    return np.minimum(places, 2 * count - 1 - places)
