"""One clock for all nodes: each node's clock is fitted to the host's from arrival times and clock pings.

A packet arrives after its last sample was taken, never before, so arrival minus node time bounds the offset from
above, and the least delayed packets of each stretch trace the clock whatever bursts and outages do to the rest. No
clock drifts by more than 500 ppm: stretches that lie higher than others allow with this were late as a whole, as after
a sleep of the computer, and are left out. A ping is stamped by the node after the host sent it, so it bounds the offset
from below. The drift comes from the least delayed packets alone, by the weighted median of the slopes between them
(Theil-Sen; Sen 1968, doi 10.1080/01621459.1968.10480934, weighted by distance); the offset is the middle between the
bounds, and half their distance is how wrong it can be.
"""

from __future__ import annotations

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
# A stretch whose least delayed packet came later than others by more than this says nothing of the clock.
LATE_S = 0.05
# Bounds closer than this are no better for it.
LEAST_WIDTH_S = 0.0001


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
    bound_s: half the distance between the bounds of the offset, the worst of the boots; infinite without pings.
    residual_s: median distance of the least delayed packets from the line; it grows when the drift is not constant.
    refused_ppm: a drift that was found and not believed, and the clock taken at its nominal pace; None for none.
    """

    rate: float
    offset_s: Mapping[int, float]
    upper_s: Mapping[int, float]
    bound_s: float
    residual_s: float
    refused_ppm: float | None

    @property
    def error_s(self) -> float:
        """How wrong a time on the host's clock can be: the offset's bound and the scatter around the line."""
        return self.bound_s + self.residual_s

    @property
    def drift_ppm(self) -> float:
        """How fast the node's clock runs against the host's, in parts per million."""
        return (1 / self.rate - 1) * 1e6

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


def _believed_slope(
    boots: Mapping[int, BootTimes], anchors: Mapping[int, tuple[FloatArray, FloatArray]]
) -> tuple[float, float | None]:
    """The slope of host over node time less 1, and the drift in ppm that was not believed, if one was found."""
    slope = _slope(list(anchors.values()))
    # A clock far off makes nearly all packets look late; then its pings tell.
    told = slope if slope is not None else _slope([_between(times) for times in boots.values()])
    if told is not None and abs(told) > MOST_DRIFT:
        return 0.0, (1 / (1 + told) - 1) * 1e6
    return slope or 0.0, None


def _between(times: BootTimes) -> tuple[FloatArray, FloatArray]:
    """Node time and offset in the middle of each ping. (M,), (M,)."""
    return times.ping_node_s, (times.ping_before_s + times.ping_after_s) / 2 - times.ping_node_s


def fit_clock(boots: Mapping[int, BootTimes]) -> ClockFit:
    """Fit one node's clock over all its boots: one rate, one offset per boot. Boots without packets are left out."""
    boots = {boot: times for boot, times in boots.items() if len(times.node_s)}
    anchors = {boot: _least_delayed(times) for boot, times in boots.items()}
    slope, refused_ppm = _believed_slope(boots, anchors)
    offsets: dict[int, float] = {}
    uppers: dict[int, float] = {}
    apart: dict[int, float] = {}
    residuals = [np.zeros(0)]
    quantile = FLOOR_QUANTILE if refused_ppm is None else 0.0  # off its pace, the bounds themselves drift apart
    for boot, times in boots.items():
        node_s, above_s = anchors[boot]
        level = above_s - slope * node_s
        upper = uppers[boot] = float(np.quantile(level, quantile))
        if len(times.ping_node_s):
            upper = min(upper, float(np.min(times.ping_after_s - (1 + slope) * times.ping_node_s)))
            lower = float(np.max(times.ping_before_s - (1 + slope) * times.ping_node_s))
            # Left over drift can make the bounds cross by a hair; the middle is still the best there is.
            offsets[boot] = (upper + lower) / 2
            apart[boot] = abs(upper - lower)
        else:
            offsets[boot] = upper
        residuals.append(np.abs(level - upper))
    bound_s = 0.0 if len(apart) == len(boots) else float("inf")
    off_middle = _by_acknowledgement(boots, 1 + slope, offsets, apart)
    for boot, width_s in apart.items():
        offsets[boot] += off_middle[boot]
        bound_s = max(bound_s, width_s / 2 + abs(off_middle[boot]))
    residual = np.concatenate(residuals)
    middle_s = float(np.median(residual)) if len(residual) else 0.0
    return ClockFit(1 + slope, offsets, uppers, bound_s, middle_s, refused_ppm)


def _by_acknowledgement(
    boots: Mapping[int, BootTimes], rate: float, offsets: Mapping[int, float], apart: Mapping[int, float]
) -> dict[int, float]:
    """How far from the middle of its bounds the offset of each boot lies.

    Few pings leave the bounds of a boot far apart. The time from a ping's stamp to its acknowledgement is the radio's,
    much the same in all boots, so they tell it to each other: its mean counts each by its bounds, as variances do.
    """
    if len(apart) < 2:
        return dict.fromkeys(apart, 0.0)
    later_s = [
        float(np.median(boots[boot].ping_after_s - rate * boots[boot].ping_node_s)) - offsets[boot] for boot in apart
    ]
    width_s = np.array(list(apart.values()))
    off_s = np.array(later_s) - np.average(later_s, weights=(width_s + LEAST_WIDTH_S) ** -2)
    return dict(zip(apart, np.clip(off_s, -width_s / 2, width_s / 2).tolist(), strict=True))


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
