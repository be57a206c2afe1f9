"""One clock for all nodes: each node's clock is fitted to the host's from arrival times and clock pings.

A packet arrives after its last sample was taken, never before, so arrival minus node time bounds the offset from
above, and the least delayed packets of each stretch trace the clock whatever bursts and outages do to the rest. No
clock drifts by more than 500 ppm: stretches that lie higher than others allow with this were late as a whole, as after
a sleep of the computer, and are left out. A ping is stamped by the node after the host sent it, so it bounds the offset
from below. The drift comes from the least delayed packets alone, by the weighted median of the slopes between them
(Theil-Sen; Sen 1968, doi 10.1080/01621459.1968.10480934, weighted by distance), and from what crystals are known to do,
the one and the other counted by how well it is known. The offset is the middle between the bounds, and half their
distance is how wrong it can be.

Packets that all wait long for the radio, since they are made in step with it, or pings that all do by chance, bound the
offset poorly. But how long a ping's acknowledgement takes is the radio's, much the same for all boots and for all nodes
of a kind on one host: what bounds it in one bounds it in all.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from imu_shoulder.model import FloatArray

LEAST_SPAN_S = 10.0
MOST_BINS = 300
FLOOR_QUANTILE = 0.1
# The most that the link layer allows even a sleep clock (Bluetooth Core Vol 6, Part B, 4.2.2, from memory). A slope
# beyond it is no clock's: it comes of something else, and a line along it would move samples by any amount.
MOST_DRIFT = 500e-6
# How far a clock's pace is off, as a standard deviation, where its packets do not tell: what the contract allows, and
# the widest class that is sold (data sheet of ACT's 3 x 8 watch crystals, 2017: 10, 20 or 50 ppm, 0.035 ppm per squared
# degree on top).
PRIOR_DRIFT = 50e-6
# The least delayed packets scatter by this over their count at least, since few may agree by chance. Neighbours are
# delayed alike, so that a slope is worse known by this factor than if they were not. Ours, from logs of which most was
# taken away.
LEAST_SCATTER_S = 0.015
ALIKE = 2.0
# The share of the bound that the error of a life stays within, since neither of the two bounds is reached. Ours.
WITHIN_SHARE = 0.75
# Of few acknowledgements the soonest may be later than the soonest of many by as much as nearly all of them are, over
# their count. Ours.
LATER_QUANTILE = 0.95
# Nothing is known of how long an acknowledgement takes.
ANY_TIME = (-math.inf, math.inf)
# A stretch whose least delayed packet came sooner than nearly all others' by more than this was stamped wrongly.
EARLY_S = 0.01
# A stretch whose least delayed packet came later than others by more than this says nothing of the clock.
LATE_S = 0.05


@dataclass(frozen=True, slots=True)
class BootTimes:
    """What is known of one boot, a life of a node between two of its starts; all in seconds.

    node_s, arrival_s: (N,) node time of each packet's last sample and host time of its arrival, in order.
    ping_node_s, ping_before_s, ping_after_s: (M,) node stamp of each ping, host time before it was sent and after it
    was acknowledged.
    """

    node_s: FloatArray
    arrival_s: FloatArray
    ping_node_s: FloatArray
    ping_before_s: FloatArray
    ping_after_s: FloatArray


@dataclass(frozen=True, slots=True)
class ClockFit:
    """host_s = offset_s[boot] + rate * node_s.

    upper_s: by boot, the offset if the least delayed packets had taken no time.
    bounds_s: by boot, how wrong its times can be: half the distance between the bounds of the offset, and what the
    drift may add at the end that is further from the pings; infinite without pings.
    residual_s: median distance of the least delayed packets from the line; it grows when the drift is not constant.
    refused_ppm: a drift that was found and not believed, and the clock taken at its nominal pace; None for none.
    acknowledged_s: the least and the most that the soonest acknowledgement takes after its stamp, by these boots alone.
    """

    rate: float
    offset_s: Mapping[int, float]
    upper_s: Mapping[int, float]
    bounds_s: Mapping[int, float]
    residual_s: float
    refused_ppm: float | None
    acknowledged_s: tuple[float, float]

    @property
    def bound_s(self) -> float:
        """The worst of the boots; 0 for none."""
        return max(self.bounds_s.values(), default=0.0)

    @property
    def error_s(self) -> float:
        """How wrong a time on the host's clock can be: the offset's bound and the scatter around the line."""
        return self.bound_s + self.residual_s

    @property
    def drift_ppm(self) -> float:
        """How fast the node's clock runs against the host's, in parts per million."""
        return (1 / self.rate - 1) * 1e6

    def life_error_s(self, boot: int) -> float:
        """What the error of the times of one boot stays within, all but surely; infinite without pings."""
        return WITHIN_SHARE * self.bounds_s[boot]

    def host_s(self, boot: int, node_s: FloatArray) -> FloatArray:
        """Host time of node times of one boot. Both (N,)."""
        return np.asarray(self.offset_s[boot] + self.rate * node_s)


def _least_delayed(times: BootTimes) -> tuple[FloatArray, FloatArray]:
    """Node time and offset bound of the least delayed packet of each bin of a second or more. (K,), (K,).

    Bins that were late as a whole are left out.
    """
    above_s = times.arrival_s - times.node_s
    span_s = float(np.ptp(times.node_s)) if len(times.node_s) else 0.0
    bins = np.floor((times.node_s - times.node_s.min(initial=np.inf)) / max(1.0, span_s / MOST_BINS)).astype(int)
    order = np.lexsort((above_s, bins))
    first = np.unique(bins[order], return_index=True)[1]
    kept = order[first]
    node_s, above_s = times.node_s[kept], above_s[kept]
    allowed_s = (above_s + MOST_DRIFT * np.abs(node_s[:, None] - node_s)).min(axis=1, initial=np.inf)
    on_time = above_s <= allowed_s + LATE_S
    return node_s[on_time], above_s[on_time]


def _slope(anchors: Sequence[tuple[FloatArray, FloatArray]]) -> float | None:
    """Weighted median of the slopes between anchors of the same boot; None if they span too little to tell."""
    if not anchors:
        return None
    slopes, weights = [], []
    for node_s, above_s in anchors:
        left, right = np.triu_indices(len(node_s), 1)
        run_s = node_s[right] - node_s[left]
        slopes.append((above_s[right] - above_s[left]) / run_s)
        weights.append(run_s)
    slope, weight = np.concatenate(slopes), np.concatenate(weights)
    if weight.max(initial=0.0) < LEAST_SPAN_S:
        return None
    order = np.argsort(slope)
    half = np.searchsorted(np.cumsum(weight[order]), weight.sum() / 2)
    return float(slope[order][half])


def _slope_sd(anchors: Sequence[tuple[FloatArray, FloatArray]], slope: float) -> float:
    """How well the anchors tell the slope, from how they scatter about it and how far they lie apart."""
    off, run_s = [np.zeros(0)], [np.zeros(0)]
    for node_s, above_s in anchors:
        level = above_s - slope * node_s
        off.append(level - np.median(level))
        run_s.append(node_s - node_s.mean())
    every = np.abs(np.concatenate(off))
    count = len(every)
    scatter_s = max(LEAST_SCATTER_S / count, 1.4826 * float(np.median(every)))
    free = max(1, count - len(anchors) - 1)
    return ALIKE * scatter_s * math.sqrt(count / free) / float(np.linalg.norm(np.concatenate(run_s)))


@dataclass(frozen=True, slots=True)
class _Drift:
    """slope: of host over node time less 1, known to sd. refused_ppm: as of ClockFit."""

    slope: float
    sd: float
    refused_ppm: float | None = None


def _drift(boots: Mapping[int, BootTimes], anchors: Mapping[int, tuple[FloatArray, FloatArray]]) -> _Drift:
    """How a node's clock drifts, as far as its anchors tell, by what is known of crystals where they do not."""
    some = [one for one in anchors.values() if len(one[0])]
    slope = _slope(some)
    # A clock far off makes nearly all packets look late; then its pings tell.
    told = slope if slope is not None else _slope([_between(times) for times in boots.values()])
    if told is not None and abs(told) > MOST_DRIFT:
        return _Drift(0.0, 0.0, (1 / (1 + told) - 1) * 1e6)
    if slope is None:
        return _Drift(0.0, PRIOR_DRIFT)
    told_sd = _slope_sd(some, slope)
    # A clock that is surely further off is of no such class.
    prior = max(PRIOR_DRIFT, abs(slope) - 2 * told_sd)
    weight = prior**2 / (prior**2 + told_sd**2)
    return _Drift(weight * slope, math.sqrt(weight) * told_sd)


def _between(times: BootTimes) -> tuple[FloatArray, FloatArray]:
    """Node time and offset in the middle of each ping. (M,), (M,)."""
    return times.ping_node_s, (times.ping_before_s + times.ping_after_s) / 2 - times.ping_node_s


def fit_clock(boots: Mapping[int, BootTimes], acknowledged_s: tuple[float, float] = ANY_TIME) -> ClockFit:
    """Fit one node's clock over all its boots: one rate, one offset per boot. Boots without packets are left out.

    acknowledged_s: as of ClockFit, by other nodes of its kind.
    """
    boots = {boot: times for boot, times in boots.items() if len(times.node_s)}
    anchors = {boot: _least_delayed(times) for boot, times in boots.items()}
    drift = _drift(boots, anchors)
    levels = {boot: above_s - drift.slope * node_s for boot, (node_s, above_s) in anchors.items()}
    quantile = FLOOR_QUANTILE if drift.refused_ppm is None else 0.0
    uppers = {boot: float(np.quantile(level, quantile)) for boot, level in levels.items()}
    pinged = {
        # What a host's clock that stood still stamped too early bounds nothing.
        boot: _pinged(boots[boot], drift, float(level[level >= uppers[boot] - EARLY_S].min()))
        for boot, level in levels.items()
        if len(boots[boot].ping_node_s)
    }
    own_s = _acknowledged_s(pinged)
    if drift.refused_ppm is not None:
        # At the nominal pace bounds contradict each other.
        placed, told_s = _by_acknowledgement(pinged, own_s), ANY_TIME
    else:
        both_s = max(own_s[0], acknowledged_s[0]), min(own_s[1], acknowledged_s[1])
        placed, told_s = _by_acknowledgement(pinged, both_s if both_s[0] <= both_s[1] else own_s), own_s
    off_s = np.abs(np.concatenate([np.zeros(0), *(level - uppers[boot] for boot, level in levels.items())]))
    return ClockFit(
        1 + drift.slope,
        uppers | {boot: offset_s for boot, (offset_s, _) in placed.items()},
        uppers,
        dict.fromkeys(boots, math.inf) | {boot: bound_s for boot, (_, bound_s) in placed.items()},
        float(np.median(off_s)) if len(off_s) else 0.0,
        drift.refused_ppm,
        told_s,
    )


@dataclass(frozen=True, slots=True)
class _Pinged:
    """What bounds the offset of a boot: lower_s, upper_s, which left over drift can make cross by a hair.

    acknowledged_s: host time after the ping that was acknowledged soonest, less the node's time of its stamp. later_s:
    (M,) how much later the others were. adrift_s: what the drift may add at the end that is further from the pings.
    """

    lower_s: float
    upper_s: float
    acknowledged_s: float
    later_s: FloatArray
    adrift_s: float


def _pinged(times: BootTimes, drift: _Drift, upper_s: float) -> _Pinged:
    acknowledged_s = times.ping_after_s - (1 + drift.slope) * times.ping_node_s
    lower_s = float(np.max(times.ping_before_s - (1 + drift.slope) * times.ping_node_s))
    soonest_s = float(acknowledged_s.min())
    furthest_s = float(np.abs(times.node_s[[0, -1]] - times.ping_node_s.mean()).max())
    return _Pinged(lower_s, min(upper_s, soonest_s), soonest_s, acknowledged_s - soonest_s, drift.sd * furthest_s)


def _acknowledged_s(boots: Mapping[int, _Pinged]) -> tuple[float, float]:
    """The least and the most that the soonest acknowledgement takes, by all boots."""
    if not boots:
        return ANY_TIME
    least_s = max(one.acknowledged_s - one.upper_s for one in boots.values())
    return least_s, min(one.acknowledged_s - one.lower_s for one in boots.values())


def _by_acknowledgement(
    boots: Mapping[int, _Pinged], acknowledged_s: tuple[float, float]
) -> dict[int, tuple[float, float]]:
    """The offset of each boot, and how wrong its times can be. Few pings leave the bounds of a boot alone far apart."""
    if not boots:
        return {}
    least_s, most_s = acknowledged_s
    later_s = float(np.quantile(np.concatenate([one.later_s for one in boots.values()]), LATER_QUANTILE))
    out = {}
    for boot, one in boots.items():
        low_s, high_s = sorted((one.lower_s, one.upper_s))
        offset_s = min(max(one.acknowledged_s - (least_s + most_s) / 2, low_s), high_s)
        alone_s = max(high_s - offset_s, offset_s - low_s)
        shared_s = abs(most_s - least_s) / 2 + later_s / len(one.later_s)
        out[boot] = offset_s, min(alone_s, shared_s) + one.adrift_s
    return out


@dataclass(frozen=True, slots=True)
class Lag:
    """How much later one node shows the shake than the reference node. correlation: at the best lag, 1 at most."""

    lag_s: float
    correlation: float


SHAKE_RATE_HZ = 1000.0
SHAKE_MOST_LAG_S = 0.1
SHAKE_LEAST_SPEED_RAD_S = 2.0


def shake_lag(reference: tuple[FloatArray, FloatArray], other: tuple[FloatArray, FloatArray]) -> Lag | None:
    """Lag of one node behind another that was shaken with it, from the speed of turning, whatever way they point.

    reference, other: time_s (N,) and speed of turning in rad/s (N,) during the shake. None where there was too little
    shaking or too little data to tell.
    """
    start_s = max(reference[0][0], other[0][0]) if len(reference[0]) and len(other[0]) else 0.0
    end_s = min(reference[0][-1], other[0][-1]) if len(reference[0]) and len(other[0]) else 0.0
    reach = round(SHAKE_MOST_LAG_S * SHAKE_RATE_HZ)
    grid_s = np.arange(start_s, end_s, 1 / SHAKE_RATE_HZ)
    if len(grid_s) < 10 * reach:
        return None
    ours = np.interp(grid_s, *reference)[reach:-reach]
    theirs = np.interp(grid_s, *other)
    if min(np.quantile(ours, 0.9), np.quantile(theirs, 0.9)) < SHAKE_LEAST_SPEED_RAD_S:
        return None
    windows = np.lib.stride_tricks.sliding_window_view(theirs, len(ours))
    centred = windows - windows.mean(axis=1, keepdims=True)
    ours = ours - ours.mean()
    score = centred @ ours / (np.linalg.norm(centred, axis=1) * np.linalg.norm(ours))
    best = int(np.argmax(score))
    lag = float(best - reach)
    if 0 < best < len(score) - 1:
        before, at, after = score[best - 1 : best + 2]
        lag += 0.5 * (before - after) / (before - 2 * at + after)
    return Lag(lag / SHAKE_RATE_HZ, float(score[best]))
