"""How long an arm truly held, by the words of docs/measures.md and the true angles; apart from the measuring of it."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np

from imu_shoulder.drills import Drill
from imu_shoulder.model import BoolArray, FloatArray

PLATEAU_DEG = 3.0
# A way out that goes no further, or is over as soon, ends nothing.
WANDER_DEG, WANDER_S = 5.0, 0.3
# Of a rest, so much before the movement tells where it began.
REST_S = 0.25


def true_hold(
    drill: Drill,
    time_s: FloatArray,
    angles: Mapping[str, FloatArray],
    span_s: tuple[float, float],
    top_s: tuple[float, float],
    stations: Mapping[str, tuple[float, float]],
) -> tuple[float, float]:
    """When one attempt's hold began and ended.

    time_s (N,) and angles, column -> (N,) in degrees. span_s: of the attempt. top_s: from arriving at the top to
    leaving it. stations: from arriving to leaving, by name.
    """
    rows = slice(*np.searchsorted(time_s, span_s, side="left"))
    times = time_s[rows]
    first = drill.leading_angle if len(drill.stations) == 1 else drill.top.ranges[0].angle
    told = angles[f"{first}_deg"][rows]
    at_top = _within(times, *top_s)
    turns_round = top_s[1] - top_s[0] < 2 * REST_S
    # Turning round, the level is the furthest point; a sway turns there.
    level = float(told[at_top].max() if turns_round else np.median(told[at_top]))
    outside = np.abs(told - level) - PLATEAU_DEG
    if drill.top.hold_s > 0:
        met, from_band = True, np.full(len(times), -np.inf)
        for asked in drill.top.ranges:
            values = angles[f"{asked.angle}_deg"]
            base = 0.0
            if asked.above == "start":
                base = float(np.median(values[_within(time_s, span_s[0] - REST_S, span_s[0])]))
            elif asked.above is not None:
                met &= asked.above in stations
                base = float(np.median(values[_within(time_s, *stations.get(asked.above, span_s))]))
            low, high = base + asked.low_deg, base + asked.high_deg
            from_band = np.maximum(from_band, np.maximum(low - values[rows], values[rows] - high))
            met &= low <= float(np.median(values[rows][at_top])) <= high
        if met:
            outside = np.minimum(outside, from_band)
    staying = outside <= 0
    for away, back in _spans(~staying):
        between = away > 0 and back < len(times) - 1
        if between and (times[back] - times[away] <= WANDER_S or outside[away : back + 1].max() <= WANDER_DEG):
            staying[away : back + 1] = True
    stays = [(times[a], times[b]) for a, b in _spans(staying) if times[a] <= top_s[1] and times[b] >= top_s[0]]
    start_s, end_s = max(stays, key=lambda stay: stay[1] - stay[0], default=(top_s[0], top_s[0]))
    return float(start_s), float(end_s)


def _within(time_s: FloatArray, start_s: float, end_s: float) -> BoolArray:
    """The rows of a time; the one next to it where it has no length."""
    inside = (time_s >= start_s) & (time_s <= end_s)
    if not inside.any():
        inside[int(np.abs(time_s - start_s).argmin())] = True
    return inside


def _spans(mask: BoolArray) -> list[tuple[int, int]]:
    """First and last row of each stretch of True."""
    turns = np.flatnonzero(np.diff(np.r_[0, mask.astype(np.int8), 0]))
    return [(int(a), int(b) - 1) for a, b in zip(turns[::2], turns[1::2], strict=True)]
