"""Puts samples with their own times onto the common grid, by local weights that stay inside the data.

A grid about as fast as the samples, inside evenly spaced ones: the polynomial through the six nearest samples
(Lagrange). Its gain at half a sample between two is 1.1719 cos(x) - 0.1953 cos(3x) + 0.0234 cos(5x), x = pi f / f_s:
0.9993 for a tremor of 12 Hz sampled at 100 Hz, where a straight line has 0.93.

A slower grid: more samples, whose weights also keep out what the grid cannot carry (`kernels.py`). Beside a hole and
at the ends, where so many are not to be had: six, else a straight line. Across a hole longer than the limit: nothing.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from imu_shoulder.align.kernels import SIX_POINT, Kernel
from imu_shoulder.arrays import BLOCK_ROWS
from imu_shoulder.model import BoolArray, FloatArray

IntArray = NDArray[np.int64]

# A grid time this close to a sample, in sample spacings, takes the sample itself.
SNAP = 1e-3


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
    longest_s: (S, 1) of `longest_step_s`. kernels: of each sensor.
    """

    time_s: FloatArray
    values: FloatArray
    clipped: BoolArray
    ends: Sequence[int]
    spacing_s: FloatArray
    longest_s: FloatArray
    kernels: Sequence[Kernel]


def resample(
    time_s: FloatArray,
    values: FloatArray,
    clipped: BoolArray,
    grid_s: FloatArray,
    spacing_s: float,
    bridge_s: float,
    kernel: Kernel = SIX_POINT,
) -> Gridded:
    """One sensor's samples, as of `Samples` but for their number, on the increasing times grid_s (M,).

    bridge_s: the longest hole to bridge, beyond the spacing. Each grid time depends on as many samples before and
    after it as the kernel has, and on nothing else.
    """
    limits = np.array([[spacing_s]]), np.array([[longest_step_s(spacing_s, bridge_s)]])
    found, flags = resample_sensors(Samples(time_s, values, clipped, [len(time_s)], *limits, [kernel]), grid_s)
    return Gridded(found[0], flags[0])


def resample_sensors(samples: Samples, grid_s: FloatArray) -> tuple[FloatArray, BoolArray]:
    """As `resample`, of S sensors at once: values (S, M, C), and clipped (S, M).

    All sensors' samples lie behind each other in one array: a live stream has few rows at a time, and then it is the
    number of calls that costs.
    """
    begins = [0, *samples.ends[:-1]]
    heard = [k for k, (begin, end) in enumerate(zip(begins, samples.ends, strict=True)) if begin < end]
    groups = {kernel: [k for k in heard if samples.kernels[k] is kernel] for kernel in set(samples.kernels)}
    if len(grid_s) and len(groups) == 1 and len(heard) == len(begins):
        values, flags = _resampled(samples, begins, grid_s, samples.kernels[0])
    else:
        values = np.full((samples.values.shape[1], len(begins), len(grid_s)), np.nan)
        flags = np.zeros(values.shape[1:], dtype=np.bool_)
        for kernel, own in groups.items():
            if own and len(grid_s):
                ends, limits = [samples.ends[k] for k in own], (samples.spacing_s[own], samples.longest_s[own])
                part = replace(samples, ends=ends, spacing_s=limits[0], longest_s=limits[1])
                values[:, own], flags[own] = _resampled(part, [begins[k] for k in own], grid_s, kernel)
    return values.transpose(1, 2, 0), flags


def _resampled(
    samples: Samples, begins: Sequence[int], grid_s: FloatArray, kernel: Kernel
) -> tuple[FloatArray, BoolArray]:
    """Values (C, S, M) and clipped (S, M) of sensors of one kernel that were heard. Places below are in their samples
    joined."""
    time_s, values, clipped = samples.time_s, samples.values, samples.clipped
    spacing_s = samples.spacing_s
    begin, end = np.array([begins, samples.ends])[:, :, None]
    spans = zip(begins, samples.ends, strict=True)
    after = begin + np.array([time_s[first:last].searchsorted(grid_s, side="right") for first, last in spans])
    if after.size <= _FEW and not clipped.any():
        found = _all_among(samples, after, begin, end, grid_s, kernel)
        if found is not None:
            return found, np.zeros(after.shape, dtype=np.bool_)
    # Before the first sample and behind the last, left and right are the same.
    left, right = np.maximum(after - 1, begin), np.minimum(after, end - 1)
    left_s, right_s = time_s.take(np.array([left, right]))
    before_s, after_s = grid_s - left_s, right_s - grid_s
    step_s = before_s + after_s
    off_sample = np.minimum(np.abs(before_s), np.abs(after_s)) > SNAP * spacing_s
    inside = (right > left) & (step_s <= samples.longest_s)
    flags = np.zeros(after.shape, dtype=np.bool_)
    if clipped.any():
        between = inside & off_sample
        flags[between] = clipped[left[between]] | clipped[right[between]]
    out = np.full((values.shape[1], inside.size), np.nan)
    open_rows = inside
    for weighed in dict.fromkeys((kernel, SIX_POINT)):
        if weighed.exact:
            open_rows = open_rows & off_sample
        first, last = left - (weighed.half - 1), left + weighed.half
        first_s, last_s = time_s.take(np.array([first, last]), mode="clip")
        even = (first >= begin) & (last < end) & (last_s - first_s < (weighed.taps - 0.4) * spacing_s)
        rows = (open_rows & even).ravel().nonzero()[0]
        size = BLOCK_ROWS * SIX_POINT.taps // weighed.taps
        whole = first.ravel(), before_s.ravel(), step_s.ravel()
        for start in range(0, len(rows), size):
            block = rows[start : start + size]
            # Rows that lie beside each other, as nearly all do, need not be gathered.
            beside = block[-1] - block[0] == len(block) - 1
            at = slice(int(block[0]), int(block[-1]) + 1) if beside else block
            first_at, before, step = (one[at] for one in whole)
            out[:, at] = _weighed(values, first_at, before / step, weighed)
        open_rows = open_rows & ~even
    nearest = np.where(after_s < before_s, right, left)
    on_sample = (~off_sample & np.isnan(out[0]).reshape(after.shape)).ravel().nonzero()[0]
    out[:, on_sample] = values[nearest.take(on_sample)].T
    if clipped.any():
        flags[~off_sample] = clipped[nearest[~off_sample]]
    if open_rows.any():
        share = (before_s[open_rows] / step_s[open_rows])[:, None]
        out[:, open_rows.ravel()] = (values[left[open_rows]] * (1 - share) + values[right[open_rows]] * share).T
    return out.reshape(-1, *after.shape), flags


def _all_among(
    samples: Samples, after: IntArray, begin: IntArray, end: IntArray, grid_s: FloatArray, kernel: Kernel
) -> FloatArray | None:
    """Values (C, S, M) where every grid time lies among all the even samples that its kernel has, and if that is exact
    on none, as is usual in a live stream; None where one does not. after: (S, M) the sample behind each; begin, end:
    (S, 1).
    """
    half = kernel.half
    if (after[:, :1] - half < begin).any() or (after[:, -1:] + half > end).any():
        return None
    # The first, the two beside the grid time and the last, from the one behind it.
    around = np.array([-half, -1, 0, half - 1])[:, None, None]
    first_s, left_s, right_s, last_s = samples.time_s.take(after + around)
    before_s, step_s = grid_s - left_s, right_s - left_s
    even = (last_s - first_s < (kernel.taps - 0.4) * samples.spacing_s) & (step_s <= samples.longest_s)
    if kernel.exact:
        even &= np.minimum(before_s, right_s - grid_s) > SNAP * samples.spacing_s
    if not even.all():
        return None
    found = _weighed(samples.values, (after - half).ravel(), (before_s / step_s).ravel(), kernel)
    return found.reshape(-1, *after.shape)


# So few that it is the number of calls that costs.
_FEW = 256


def _weighed(values: FloatArray, first: IntArray, share: FloatArray, kernel: Kernel) -> FloatArray:
    """(C, M) of the kernel's samples from `first` on, at `share` (0 to 1) between the two in the middle."""
    # In an order that does not hang on how many rows there are: a stream's are the same however it was cut.
    weights = np.multiply.outer(kernel.weights[:, -1], share)
    for column in kernel.weights.T[-2:0:-1]:
        weights += column[:, None]
        weights *= share
    weights += kernel.weights[:, :1]
    among = values.T.take(first + np.arange(kernel.taps)[:, None], axis=1)
    among *= weights
    # Of one row alone the sum would be taken in pairs.
    return np.asarray(among.sum(axis=1) if len(share) > 1 else np.add.accumulate(among, axis=1)[:, -1])
