"""Repairs a sensor's clock: wraps and backward steps undone, repeats dropped, the true rate, regular times, gaps.

A sensor samples at an even pace; its stamps jitter, bunch where packets arrive together, wrap or are set back.
So the stamps only say how fast the sensor samples and where samples are missing. Between gaps the samples get
evenly spaced times back, following the stamps' slow wander and nothing faster.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from imu_shoulder.arrays import median_of, medians_of, quantile, sliding
from imu_shoulder.filters import moving_mean
from imu_shoulder.frames import sin_cos
from imu_shoulder.model import FloatArray

IntArray = NDArray[np.int64]

# Counters that run out: bits and tick. Only periods over WRAP_LEAST_S can be told from jitter.
_TICKS_S = (1e-9, 1e-6, 1e-3, 1 / 32768)
_BITS = (16, 24, 32)
WRAP_LEAST_S = 1.0
WRAP_PERIODS_S = tuple(sorted(p for tick in _TICKS_S for bits in _BITS if (p := 2**bits * tick) >= WRAP_LEAST_S))
# After a wrap is undone the next sample must follow within this time.
_WRAP_SLACK_S = 0.5
# Where more than this share of rows repeats the stamp before, stamps mark packets, and rows are no repeats.
_PACKET_SHARE = 0.05
_WANDER_BLOCK_S = 5.0
# Mean power of the phases of a block over that of random phases: over this, single stamps tell their place in the
# count (up to a jitter of about a third of a spacing); under it, only packets do.
_PHASE_SHARP = 2.5
_PHASE_BLOCK = 128
_PHASE_CLEAR = 0.35
# Stamps that stay within so much of a spacing around an even pace have nothing between them: their phases, too.
_NEAR = 0.45
# How long lateness is watched to tell a packet that waits from one that is lost.
_PACKETS_S = 1.0


@dataclass(frozen=True, slots=True)
class Clock:
    """A repaired clock.

    rows: (K,) rows of the stream that are kept, in order of time. time_s: (K,) increasing, evenly spaced between
    gaps. rate_hz: as measured. jitter_sd_s: of the stamps about time_s. wraps, set_back, reordered, duplicates:
    how often each was undone. set_back_s: the steps that were undone.
    """

    rows: IntArray
    time_s: FloatArray
    rate_hz: float
    jitter_sd_s: float
    duplicates: int
    reordered: int
    wraps: int
    set_back_s: tuple[float, ...]

    def holes(self) -> tuple[IntArray, IntArray]:
        """Where samples are missing: index of the sample after each hole, and how many are missing in it."""
        steps = np.diff(self.time_s) * self.rate_hz
        after = np.flatnonzero(steps > 1.5) + 1
        return after, np.rint(steps[after - 1]).astype(np.int64) - 1


def wrap_period_s(step_s: float, spacing_s: float) -> float | None:
    """The period of the counter whose wrap explains a backward step (negative), or None."""
    fits = [p for p in WRAP_PERIODS_S if -0.5 * spacing_s <= step_s + p <= max(_WRAP_SLACK_S, 2 * spacing_s)]
    return min(fits, key=lambda p: abs(step_s + p - spacing_s), default=None)


def repair_clock(time_s: FloatArray, declared_rate_hz: float, split_s: float) -> Clock:
    """Repair the stamps time_s (N,). split_s: a longer hole starts a new stretch of even spacing."""
    declared_s = 1.0 / declared_rate_hz
    rows, stamps = np.arange(len(time_s)), time_s
    repeated = np.append(False, time_s[1:] == time_s[:-1])
    packets = float(repeated.mean()) > _PACKET_SHARE
    if not packets and repeated.any():
        rows = rows[~repeated]
        stamps = time_s[rows]
    stamps, wraps, set_back, reordered = _undo_steps(stamps, declared_s)
    if reordered:
        order = np.argsort(stamps, kind="stable")
        rows, stamps = rows[order], stamps[order]
        repeated = np.diff(stamps, prepend=np.nan) == 0
        if not packets:
            rows, stamps = rows[~repeated], stamps[~repeated]
    duplicates = len(time_s) - len(rows)
    spacing_s, fitted = declared_s, stamps
    if len(stamps) > 2:
        spacing_s, missing = _spacing(stamps, declared_s, split_s)
        fitted = _even_times(stamps, missing, spacing_s, split_s)
    jitter = float(np.std(stamps - fitted))
    if not (fitted[1:] > fitted[:-1]).all():
        keep = fitted > np.maximum.accumulate(np.concatenate([[-np.inf], fitted[:-1]]))
        rows, fitted = rows[keep], fitted[keep]
    return Clock(rows, fitted, 1.0 / spacing_s, jitter, duplicates, reordered, wraps, set_back)


def _undo_steps(time_s: FloatArray, spacing_s: float) -> tuple[FloatArray, int, tuple[float, ...], int]:
    """Add back what wraps and resets took off.

    Returns the stamps, how many wraps, the steps that were taken back, and how often samples came late and are
    left for sorting. A step back within the jitter of the stamps says nothing: the rows are in order.
    """
    steps = np.diff(time_s)
    if not (steps <= -0.5 * spacing_s).any():
        return time_s, 0, (), 0
    least = max(0.5 * spacing_s, 6 * 1.4826 * median_of(np.abs(steps - median_of(steps))))
    places = np.flatnonzero(steps <= -least) + 1
    stamps = time_s.copy()
    wraps, set_back, late = 0, [], 0
    for place in places:
        step = float(stamps[place] - stamps[place - 1])
        if _fits_a_hole(stamps, int(place), spacing_s):
            late += 1
            continue
        period = wrap_period_s(step, spacing_s)
        if period is not None:
            wraps += 1
            stamps[place:] += period
        elif _stays_back(stamps, int(place), step, spacing_s):
            set_back.append(-step)
            stamps[place:] += spacing_s - step
    return stamps, wraps, tuple(set_back), late


def _fits_a_hole(stamps: FloatArray, place: int, spacing_s: float) -> bool:
    """Whether the sample at `place` belongs into a hole that was left shortly before it: it came late."""
    start = max(0, place - 256)
    before = stamps[start:place]
    right = int(np.searchsorted(np.maximum.accumulate(before), stamps[place]))
    if right == 0 or right == len(before):
        return False
    return bool(before[right] - before[right - 1] > 1.5 * spacing_s and stamps[place] > before[right - 1])


def _stays_back(stamps: FloatArray, place: int, step_s: float, spacing_s: float) -> bool:
    """Whether the clock was set back, in contrast to stamps that only jitter about each other."""
    if -step_s > 20 * spacing_s:
        return True
    width = 10
    before, after = stamps[max(0, place - width) : place], stamps[place : place + width]
    if min(len(before), len(after)) < 3:
        return False
    # With an even pace, the middle of the samples after lies so many samples behind the middle of those before.
    expected = 0.5 * (len(before) + len(after)) * spacing_s
    return bool(np.median(after) - np.median(before) - expected < 0.6 * step_s)


def _spacing(stamps: FloatArray, declared_s: float, split_s: float) -> tuple[float, IntArray]:
    """The true sample spacing in seconds, and (N,) how many samples are missing before each sample."""
    steps = np.diff(stamps)
    usual = median_of(steps)
    # No sensor samples ten times as fast as it says: a pace beyond that comes of stamps that mean nothing.
    least_s = 0.1 * declared_s
    if usual > least_s and _even_throughout(stamps):
        missing = np.zeros(len(stamps), dtype=np.int64)
        return _slope(stamps, missing, usual, split_s), missing
    off = np.abs(steps - usual)
    even = off < 0.5 * usual
    jitter_s = 1.4826 * median_of(off) / np.sqrt(2.0)
    block = int(np.clip(round(2.0 / declared_s), 1, max(1, len(steps) // 2)))
    pace_s = max(least_s, quantile(stamps[block:] - stamps[:-block], 0.25) / block)
    if even.mean() > 0.5 and 0.5 * pace_s < usual < 1.5 * pace_s:
        spacing_s, sharpness = _sharpest_spacing(stamps, float(steps[even].mean()), jitter_s)
        if sharpness > _PHASE_SHARP:
            missing = _missing_by_phase(stamps, spacing_s)
            previous, spacing_s = spacing_s, _slope(stamps, missing, spacing_s, split_s)
            if abs(spacing_s / previous - 1) * _PHASE_BLOCK > 0.01:
                missing = _missing_by_phase(stamps, spacing_s)
                spacing_s = _slope(stamps, missing, spacing_s, split_s)
            return spacing_s, missing
    # Stamps that bunch. The pace is too slow where packets are lost, the declared rate may be wrong: the better fits.
    tried = [_spacing_of_packets(stamps, start_s, least_s, split_s) for start_s in (pace_s, declared_s)]
    return min(tried, key=lambda t: median_of(np.abs(stamps - _even_times(stamps, t[1], t[0], split_s))))


def _even_throughout(stamps: FloatArray) -> bool:
    """Whether all stamps stay so near to one even pace that no sample can be missing: then none is looked for."""
    spacing_s = float(stamps[-1] - stamps[0]) / (len(stamps) - 1)
    off = stamps - spacing_s * np.arange(float(len(stamps)))
    return bool(off.max() - off.min() < _NEAR * spacing_s)


def _spacing_of_packets(stamps: FloatArray, spacing_s: float, least_s: float, split_s: float) -> tuple[float, IntArray]:
    missing = np.zeros(len(stamps), dtype=np.int64)
    window = max(20, round(_PACKETS_S / spacing_s))
    for _ in range(4):
        missing = _missing_by_lateness(stamps, spacing_s, window)
        previous, spacing_s = spacing_s, max(least_s, _slope(stamps, missing, spacing_s, split_s))
        if abs(spacing_s / previous - 1) * window < 0.05:
            break
    return spacing_s, missing


def _sharpest_spacing(stamps: FloatArray, spacing_s: float, jitter_s: float) -> tuple[float, float]:
    """The spacing near spacing_s at which the stamps of short blocks lie closest to one phase, and how close.

    Missing samples do not disturb it, as they would a mean. Two rounds: within what the jitter leaves open, then finer.
    """
    blocks = max(1, len(stamps) // _PHASE_BLOCK)
    size = min(len(stamps), _PHASE_BLOCK)
    chosen = np.unique(np.linspace(0, blocks - 1, min(blocks, 40)).astype(np.int64))
    used = stamps[: blocks * size].reshape(blocks, size)[chosen]
    used = used - used[:, :1]
    # Half a percent is the width of the peak of such a block.
    reach = 1 + int(40 * jitter_s / spacing_s)
    for count, step in ((reach, 5e-3), (5, 1e-3)):
        tried = spacing_s * (1 + step * np.arange(-count, count + 1))
        powers = [_sharpness(2 * np.pi / one * used) / size for one in tried]
        best = int(np.argmax(powers))
        spacing_s = float(tried[best])
    return spacing_s, powers[best]


def _sharpness(turns_rad: FloatArray) -> float:
    """Mean power of the sums of unit phasors (blocks, N) over each block."""
    sine, cosine = sin_cos(turns_rad)
    return float(np.mean(sine.sum(axis=1) ** 2 + cosine.sum(axis=1) ** 2))


def _missing_by_phase(stamps: FloatArray, spacing_s: float) -> IntArray:
    """How many samples are missing before each sample, (N,), where stamps jitter by less than a spacing.

    Counted in spacings, stamps lie at one phase, which wanders slowly. Held against that phase, each stamp tells
    its own place in the count, so that no error adds up.
    """
    cycles = (stamps - stamps[0]) / spacing_s
    starts = np.arange(0, max(1, len(cycles) - _PHASE_BLOCK // 2), _PHASE_BLOCK)
    turns = 2 * np.pi * cycles
    angles = np.arctan2(*(np.add.reduceat(part, starts) for part in sin_cos(turns)))
    phases = moving_mean(np.unwrap(angles), 5, ends="constant") / (2 * np.pi)
    middles = 0.5 * (starts + np.append(starts[1:], len(cycles)) - 1)
    own = np.arange(float(len(cycles)))
    beyond = cycles - np.interp(own, middles, phases) - own
    count = np.rint(beyond)
    if np.abs(beyond - count).max() > _PHASE_CLEAR:
        from scipy.ndimage import median_filter  # takes its time to be imported, and few recordings need it

        count = np.rint(median_filter(beyond, size=9, mode="reflect"))
    missing = np.zeros(len(count), dtype=np.int64)
    if (count != count[0]).any():
        missing[1:] = np.diff(np.maximum.accumulate(count))
    return missing


def _missing_by_lateness(stamps: FloatArray, spacing_s: float, window: int) -> IntArray:
    """How many samples are missing before each sample, (N,), where stamps are late by many spacings.

    Lateness against an even pace rises and falls again where packets wait, and stays raised where samples are
    missing. Being late is common and being early is not: so the least lateness on either side is compared.
    """
    count = len(stamps)
    late = stamps - spacing_s * np.arange(count)
    after = _forward_minimum(late, window)
    before = _forward_minimum(late[::-1], window)[::-1]
    rise = np.zeros(count)
    rise[1:] = after[1:] - before[:-1]
    # Missing samples only raise it, so that what falls is noise.
    fall = rise[rise < 0]
    spread = 1.4826 * median_of(-fall) if len(fall) else 0.0
    least = max(0.75 * spacing_s, 5.0 * spread)
    missing = np.zeros(count, dtype=np.int64)
    last = 0
    for place in np.flatnonzero((rise > least) & (np.diff(stamps, prepend=stamps[0]) > spacing_s)):
        # Samples before the last gap say nothing about this one.
        step = float(after[place] - late[max(last, place - window) : place].min())
        if step > least:
            missing[place] = round(step / spacing_s)
            last = int(place)
    return missing


def _forward_minimum(values: FloatArray, window: int) -> FloatArray:
    """Least of values[i : i + window] for each i."""
    return sliding(np.minimum, np.pad(values, (0, window - 1), mode="edge"), window)


def _stretch_starts(missing: IntArray, spacing_s: float, split_s: float) -> IntArray:
    starts = np.flatnonzero((missing - 0.5) * spacing_s > split_s)
    return starts if len(starts) and starts[0] == 0 else np.append(0, starts)


def _slope(stamps: FloatArray, missing: IntArray, spacing_s: float, split_s: float) -> float:
    """Spacing by least squares of stamp on sample count, each stretch about its own middle, late stamps left out."""
    count = _counted(missing)
    starts = _stretch_starts(missing, spacing_s, split_s)
    sizes = np.diff(starts, append=len(stamps))

    def centred(values: FloatArray, use: FloatArray | None) -> FloatArray:
        own, weight = (values, sizes) if use is None else (use * values, np.add.reduceat(use, starts))
        level = np.add.reduceat(own, starts) / np.maximum(weight, 1.0)
        return values - (np.repeat(level, sizes) if len(level) > 1 else level)

    def fit(use: FloatArray | None) -> tuple[float, FloatArray, FloatArray]:
        """The slope, and both sides (N,) of it. use: (N,) 1 for the stamps that are used, else 0; None for all."""
        x, y = centred(count, use), centred(stamps, use)
        own = x if use is None else use * x
        scale = float((own * x).sum())
        return float((own * y).sum()) / scale if scale > 0 else spacing_s, x, y

    slope, x, y = fit(None)
    x *= slope
    error = np.abs(y - x)
    return fit((error <= max(5 * median_of(error), 1e-9)).astype(np.float64))[0]


def _counted(missing: IntArray) -> FloatArray:
    """(N,) the number of each sample, with those that are missing before it."""
    count = np.arange(float(len(missing)))
    if missing.any():
        count += np.cumsum(missing)
    return count


def _even_times(stamps: FloatArray, missing: IntArray, spacing_s: float, split_s: float) -> FloatArray:
    """Evenly spaced times that follow the stamps' slow wander, block by block, within each stretch."""
    even = spacing_s * _counted(missing)
    error = stamps - even
    starts = _stretch_starts(missing, spacing_s, split_s)
    block = max(8, round(_WANDER_BLOCK_S / spacing_s))
    fitted = np.empty(len(stamps))
    for start, end in zip(starts, np.append(starts[1:], len(stamps)), strict=True):
        blocks = max(1, int(end - start) // block)
        size = int(end - start) // blocks
        levels = medians_of(error[start : start + blocks * size].reshape(blocks, size))
        middles = size * np.arange(blocks) + 0.5 * (size - 1)
        fitted[start:end] = even[start:end] + np.interp(np.arange(end - start), middles, levels)
    return fitted
