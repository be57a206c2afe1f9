"""Single readings that cannot be: spikes, and channels that run over the end of their range to its other end.

Both are mended before anything else is looked at, since a few of them spoil what units, zeros and scales are told by.
Rows are values (N, 6), accelerometer in m/s^2 first, gyroscope in rad/s.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from imu_shoulder.align.checks import INSTRUMENTS
from imu_shoulder.arrays import runs
from imu_shoulder.errors import require_over_zero
from imu_shoulder.model import BoolArray, FloatArray, IntArray
from imu_shoulder.units import STANDARD_GRAVITY_M_S2

_AROUND = np.array([-2, -1, 1, 2])
# The median of so many steps is none of those that run over.
_BESIDE = 7
_NEAR = np.array([*range(-12, 0), *range(1, 13)])
# So many of the steps come and go by single readings at most.
_MOST_SINGLE = 0.6
# So many of the steps are alike at least.
_MOST_ALIKE = 0.9
# So many ranges from its lowest to its highest turn at most does a channel run over.
_MOST_TURNS = 8.0
# Spikes beside each other show once their neighbours are gone.
_ROUNDS = 3


@dataclass(frozen=True, slots=True)
class SpikeParams:
    """What sticks out, and what ran over.

    acc_m_s2, gyr_rad_s: a reading that is further than this from the median of the two before and the two after is
    looked at. restless: it is a spike if it is so many times as far off as readings near it usually change from row to
    row, and as the middle two of those four differ. most_rows: so many in a row at most are single ones.
    wrap_share: a channel ran over where it steps by more than this share of twice its largest reading, from near its
    one end to near the other. wrap_least_m_s2, wrap_least_rad_s: a smaller range is none that a sensor has.
    wrap_alike_share: all its steps are alike within this.

    Sources. acc_m_s2, gyr_rad_s, restless, most_rows, wrap_share, wrap_least_m_s2, wrap_least_rad_s, wrap_alike_share:
    ours.
    """

    acc_m_s2: float = 10.0
    gyr_rad_s: float = 1.0
    restless: float = 10.0
    most_rows: int = 3
    wrap_share: float = 0.7
    wrap_least_m_s2: float = 7.0
    wrap_least_rad_s: float = 0.4
    wrap_alike_share: float = 0.15

    def __post_init__(self) -> None:
        require_over_zero({name: getattr(self, name) for name in self.__slots__})


def spike_rows(values: FloatArray, params: SpikeParams) -> BoolArray:
    """(N,) rows in which a channel sticks out of its neighbours."""
    found = np.zeros(len(values), dtype=np.bool_)
    limits = [params.acc_m_s2] * 3 + [params.gyr_rad_s] * 3
    for _ in range(_ROUNDS):
        # None found yet: no copy of what may be long.
        rows = np.flatnonzero(~found) if found.any() else None
        count = len(values) if rows is None else len(rows)
        if count < 2 * len(_NEAR):
            return found
        new: set[int] = set()
        for column, limit in zip(values.T, limits, strict=True):
            own = column if rows is None else column[rows]
            new.update(_sticking_out(own, limit, params.restless).tolist())
        if not new:
            break
        places = np.array(sorted(new))
        found[places if rows is None else rows[places]] = True
    for start, end in runs(found, params.most_rows + 1):
        found[start:end] = False
    return found


def _sticking_out(values: FloatArray, limit: float, restless: float) -> IntArray:
    """Places in a channel (N,) of what sticks out."""
    steps = np.abs(np.diff(values))
    high = np.flatnonzero(steps > limit / 2.0)
    if not len(high):
        return high
    looked = np.unique(np.concatenate([high, high + 1]))
    looked = looked[(looked >= len(_AROUND) // 2) & (looked < len(values) - len(_AROUND) // 2)]
    four = np.sort(values[looked[:, None] + _AROUND], axis=1)
    off = np.abs(values[looked] - (four[:, 1] + four[:, 2]) / 2.0)
    far = off > np.maximum(limit, restless * (four[:, 2] - four[:, 1]))
    looked, off = looked[far], off[far]
    usual = np.median(steps[np.clip(looked[:, None] + _NEAR, 0, len(steps) - 1)], axis=1)
    return np.asarray(looked[off > restless * usual])


def without_spikes(values: FloatArray, spikes: BoolArray) -> None:
    """Put a straight line in their place, in all channels of values (N, 6), row by row."""
    good, bad = np.flatnonzero(~spikes), np.flatnonzero(spikes)
    if len(good) and len(bad):
        for column in values.T:
            column[bad] = np.interp(bad, good, column[good])


def undo_wraps(values: FloatArray, params: SpikeParams) -> str | None:
    """Undo in values (N, 6) what ran over. Returns which instruments it was; None where none did."""
    ranges = np.full(6, np.nan)
    for channel, column in enumerate(values.T):
        steps = np.diff(column)
        largest = float(max(column.max(), -column.min(), 0.0)) if len(column) else 0.0
        if largest < (params.wrap_least_m_s2 if channel < 3 else params.wrap_least_rad_s):
            continue
        jumps = np.flatnonzero(np.abs(steps) > params.wrap_share * 2.0 * largest)
        if len(jumps) < 2:
            continue
        # The true way from row to row goes on meanwhile.
        from scipy.ndimage import median_filter  # takes its time to be imported, and few recordings need it

        over = np.abs(steps - median_filter(steps, _BESIDE))
        period = float(np.median(over[jumps]))
        ends = np.minimum(np.abs(column[jumps]), np.abs(column[jumps + 1])) > period / 4.0
        # It nears the end before, or goes on from the other end: else they are spikes.
        goes_on = (
            np.minimum(*np.abs(steps[np.clip([jumps - 1, jumps + 1], 0, len(steps) - 1)]))
            < 2.0 * params.wrap_alike_share * period
        )
        alike = ends & goes_on & (np.abs(over[jumps] / period - 1.0) < params.wrap_alike_share)
        # What jumps back in the next row is a single reading.
        single = np.count_nonzero(np.diff(jumps) == 1)
        if 2 * single > _MOST_SINGLE * len(jumps):
            continue
        if float(alike.mean()) < _MOST_ALIKE or period > 2.0 * (1.0 + params.wrap_alike_share) * largest:
            continue
        jumps = np.flatnonzero(np.abs(over / period - 1.0) < 2.0 * params.wrap_alike_share)
        ways = -np.sign(steps[jumps])
        if np.ptp(np.concatenate([[0.0], np.cumsum(ways)])) > _MOST_TURNS:
            continue
        over_by = np.zeros(len(column))
        over_by[1:][jumps] = ways
        column += period * np.cumsum(over_by)
        ranges[channel] = period / 2.0
    if np.isnan(ranges).all():
        return None
    _put_level(values, ranges)
    over_end = [np.isfinite(ranges[columns]).any() for columns in INSTRUMENTS.values()]
    return " and ".join(name for name, did in zip(INSTRUMENTS, over_end, strict=True) if did)


def _put_level(values: FloatArray, ranges: FloatArray) -> None:
    """What had run over when it began is taken back: a gyroscope mostly reads nothing, an accelerometer gravity."""
    for channel in np.flatnonzero(np.isfinite(ranges)):
        period = 2.0 * ranges[channel]
        shifts = period * np.arange(-_MOST_TURNS / 2, _MOST_TURNS / 2 + 1)
        if channel >= 3:
            off = np.abs(np.median(values[:, channel]) + shifts)
        else:
            others = [k for k in range(3) if k != channel]
            rest = (values[:, others] ** 2).sum(axis=1)
            sizes = [np.sqrt(rest + (values[:, channel] + shift) ** 2) for shift in shifts]
            off = np.array([np.median(np.abs(size - STANDARD_GRAVITY_M_S2)) for size in sizes])
        values[:, channel] += shifts[int(np.argmin(off))]
