"""Puts samples with their own times onto the common grid, by local interpolation that stays inside the data.

Inside evenly spaced samples: the polynomial through the six nearest samples (Lagrange). Its gain at half a sample
between two is 1.1719 cos(x) - 0.1953 cos(3x) + 0.0234 cos(5x), x = pi f / f_s: 0.9993 for a tremor of 12 Hz sampled
at 100 Hz, where a straight line has 0.93. Beside a hole and at the ends, where six are not to be had: a straight
line. Across a hole longer than the limit: nothing.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from imu_shoulder.arrays import BLOCK_ROWS
from imu_shoulder.model import BoolArray, FloatArray

IntArray = NDArray[np.int64]

# A grid time this close to a sample, in sample spacings, takes the sample itself.
SNAP = 1e-3
_TAPS = 6
AHEAD = _TAPS // 2


@dataclass(frozen=True, slots=True)
class Gridded:
    """values: (M, C), NaN where nothing was measured. clipped: (M,), a neighbouring sample was clipped."""

    values: FloatArray
    clipped: BoolArray


def grid_times(start_s: float, end_s: float, rate_hz: float) -> FloatArray:
    """Times from start_s on with step 1/rate_hz, none after end_s (but for the rounding of one microsecond)."""
    return start_s + np.arange(int((end_s - start_s + 1e-6) * rate_hz) + 1) / rate_hz


def longest_step_s(spacing_s: float, bridge_s: float) -> float:
    """The longest step between two samples that is bridged: bridge_s of missing samples, plus rounding."""
    return bridge_s + 1.5 * spacing_s


@dataclass(frozen=True, slots=True)
class Samples:
    """The samples of S sensors, one sensor's behind the other's: increasing time_s (N,), values (N, C), clipped (N,).

    ends: (S,) behind which of them each sensor's end. spacing_s: (S, 1) of the samples where none is missing;
    longest_s: (S, 1) of `longest_step_s`.
    """

    time_s: FloatArray
    values: FloatArray
    clipped: BoolArray
    ends: Sequence[int]
    spacing_s: FloatArray
    longest_s: FloatArray


def resample(
    time_s: FloatArray,
    values: FloatArray,
    clipped: BoolArray,
    grid_s: FloatArray,
    spacing_s: float,
    bridge_s: float,
) -> Gridded:
    """One sensor's samples, as of `Samples` but for their number, on the increasing times grid_s (M,).

    bridge_s: the longest hole to bridge, beyond the spacing. Each grid time depends on the three samples before and
    after it, and on nothing else.
    """
    limits = np.array([[spacing_s]]), np.array([[longest_step_s(spacing_s, bridge_s)]])
    found, flags = resample_sensors(Samples(time_s, values, clipped, [len(time_s)], *limits), grid_s)
    return Gridded(found[0], flags[0])


def resample_sensors(samples: Samples, grid_s: FloatArray) -> tuple[FloatArray, BoolArray]:
    """As `resample`, of S sensors at once: values (S, M, C), and clipped (S, M).

    All sensors' samples lie behind each other in one array: a live stream has few rows at a time, and then it is the
    number of calls that costs.
    """
    begins = [0, *samples.ends[:-1]]
    heard = [k for k, (begin, end) in enumerate(zip(begins, samples.ends, strict=True)) if begin < end]
    if len(heard) == len(begins) and len(grid_s):
        values, flags = _resampled(samples, begins, grid_s)
    else:
        values = np.full((samples.values.shape[1], len(begins), len(grid_s)), np.nan)
        flags = np.zeros(values.shape[1:], dtype=np.bool_)
        if heard and len(grid_s):
            limits = samples.spacing_s[heard], samples.longest_s[heard]
            of_heard = replace(samples, ends=[samples.ends[k] for k in heard], spacing_s=limits[0], longest_s=limits[1])
            values[:, heard], flags[heard] = _resampled(of_heard, [begins[k] for k in heard], grid_s)
    return values.transpose(1, 2, 0), flags


def _resampled(samples: Samples, begins: Sequence[int], grid_s: FloatArray) -> tuple[FloatArray, BoolArray]:
    """Values (C, S, M) and clipped (S, M) of sensors that were heard. Places below are in their samples joined."""
    time_s, values, clipped = samples.time_s, samples.values, samples.clipped
    spacing_s = samples.spacing_s
    begin, end = np.array([begins, samples.ends])[:, :, None]
    spans = zip(begins, samples.ends, strict=True)
    after = begin + np.array([time_s[first:last].searchsorted(grid_s, side="right") for first, last in spans])
    if after.size <= _FEW and not clipped.any():
        found = _all_six_point(samples, after, begin, end, grid_s)
        if found is not None:
            return found, np.zeros(after.shape, dtype=np.bool_)
    # Before the first sample and behind the last, left and right are the same.
    left, right = np.maximum(after - 1, begin), np.minimum(after, end - 1)
    first, last = left - (AHEAD - 1), left + AHEAD
    first_s, left_s, right_s, last_s = time_s.take(np.array([first, left, right, last]), mode="clip")
    before_s, after_s = grid_s - left_s, right_s - grid_s
    step_s = before_s + after_s
    off_sample = np.minimum(np.abs(before_s), np.abs(after_s)) > SNAP * spacing_s
    between = (right > left) & (step_s <= samples.longest_s) & off_sample
    six = between & (first >= begin) & (last < end) & (last_s - first_s < (_TAPS - 0.4) * spacing_s)
    flags = np.zeros(after.shape, dtype=np.bool_)
    if clipped.any():
        flags[between] = clipped[left[between]] | clipped[right[between]]
    six_at, at = six.ravel().nonzero()[0], (~off_sample).ravel().nonzero()[0]
    line = between & ~six if len(six_at) + len(at) < six.size else None
    out = np.empty((values.shape[1], six.size))
    for start in range(0, len(six_at), BLOCK_ROWS):
        block = six_at[start : start + BLOCK_ROWS]
        out[:, block] = _six_point(values, first.take(block), before_s.take(block) / step_s.take(block))
    if len(at):
        nearest = np.where(after_s < before_s, right, left).take(at)
        out[:, at] = values[nearest].T
        flags[~off_sample] = clipped[nearest]
    if line is not None:
        out[:, (off_sample & ~between).ravel()] = np.nan
        share = (before_s[line] / step_s[line])[:, None]
        out[:, line.ravel()] = (values[left[line]] * (1 - share) + values[right[line]] * share).T
    return out.reshape(-1, *after.shape), flags


def _all_six_point(
    samples: Samples, after: IntArray, begin: IntArray, end: IntArray, grid_s: FloatArray
) -> FloatArray | None:
    """Values (C, S, M) where every grid time lies between six even samples and on none, as is usual in a live stream;
    None where one does not. after: (S, M) the sample behind each; begin, end: (S, 1).
    """
    if (after[:, :1] - AHEAD < begin).any() or (after[:, -1:] + AHEAD > end).any():
        return None
    first_s, left_s, right_s, last_s = samples.time_s.take(after + _AROUND)
    before_s, step_s = grid_s - left_s, right_s - left_s
    even = (last_s - first_s < (_TAPS - 0.4) * samples.spacing_s) & (step_s <= samples.longest_s)
    even &= np.minimum(before_s, right_s - grid_s) > SNAP * samples.spacing_s
    if not even.all():
        return None
    found = _six_point(samples.values, (after - AHEAD).ravel(), (before_s / step_s).ravel())
    return found.reshape(-1, *after.shape)


def _lagrange() -> FloatArray:
    """(6, 6) powers of the share -> weights of the six samples, whose third lies at 0 and fourth at 1."""
    nodes = np.arange(_TAPS) - (AHEAD - 1)
    columns = []
    for node in nodes:
        others = nodes[nodes != node]
        columns.append(np.poly(others)[::-1] / math.prod(float(node - other) for other in others))
    return np.column_stack(columns)


_LAGRANGE = _lagrange()
# So few that it is the number of calls that costs.
_FEW = 256
# Of six samples around a grid time the first, the two beside it and the last, from the one behind it.
_AROUND = np.array([-AHEAD, -1, 0, AHEAD - 1])[:, None, None]


def _six_point(values: FloatArray, first: IntArray, share: FloatArray) -> FloatArray:
    """Polynomial through the six even samples (C, M) from `first` on, at `share` (0 to 1) between third and fourth."""
    powers = np.empty((_TAPS, len(share)))
    powers[0], powers[1] = 1.0, share
    np.multiply(share, share, out=powers[2])
    np.multiply(powers[1:3], powers[2], out=powers[3:5])
    np.multiply(powers[3], powers[2], out=powers[5])
    six = values.T.take(first + np.arange(_TAPS)[:, None], axis=1)
    return np.asarray(np.einsum("tm,ctm->cm", _LAGRANGE.T @ powers, six))
