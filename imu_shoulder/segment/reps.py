"""Reps of one leading angle: excursions from rest, cut into lift, top and lower."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from imu_shoulder.model import FloatArray
from imu_shoulder.segment.curve import smoothed, velocity_deg_s
from imu_shoulder.segment.model import Rep
from imu_shoulder.segment.phases import Edge, find_edge, run_out
from imu_shoulder.segment.turning import Excursion, excursions


@dataclass(frozen=True, slots=True)
class RepParams:
    """What is a rep of an asked arc, as shares of that arc.

    attempt_share: a rise this large is looked at as a rep; counts_share: this large counts, less is a partial one.
    return_share: a rep ends when this share of its rise is undone; less is a dip in its hold. Up to whole_return_share
    it must also come to rest there, for rest_s.
    partial_share: less than this is a false start. false_start_deg, false_start_velocity_deg_s: the least rise that is
    worth naming when it is no attempt.

    Sources. attempt_share, counts_share, partial_share, return_share, whole_return_share, rest_s, false_start_deg,
    false_start_velocity_deg_s: ours.
    """

    attempt_share: float = 0.35
    counts_share: float = 0.5
    partial_share: float = 0.25
    return_share: float = 0.4
    whole_return_share: float = 0.62
    rest_s: float = 1.4
    false_start_deg: float = 5.0
    false_start_velocity_deg_s: float = 8.0


@dataclass(frozen=True, slots=True)
class _Cut:
    """An excursion's two movements, and the rows between which they were looked for."""

    lift: Edge
    lower: Edge
    reach: tuple[int, int]


def find_reps(
    time_s: FloatArray,
    curve_deg: FloatArray,
    rate_hz: float,
    asked_arc_deg: float,
    params: RepParams,
    floor_deg: float | None = None,
) -> tuple[Rep, ...]:
    """Reps in the rows of one set. time_s, curve_deg: (N,) without NaN, rising into the rep.

    asked_arc_deg: the least arc that is asked for, from rest to the top. floor_deg: where the drill's start posture
    lies when it has to be reached from below; getting into it is no part of a rep.
    """
    smooth = smoothed(curve_deg, rate_hz)
    speed = velocity_deg_s(smooth, rate_hz)
    level = smooth if floor_deg is None else np.maximum(smooth, floor_deg)
    found = excursions(level, params.attempt_share * asked_arc_deg, params.return_share)
    found = _without_dips(level, rate_hz, found, params)
    cuts = _cut_all(level, speed, found)
    beyond = run_out([edge for cut in cuts for edge in (cut.lift, cut.lower)])
    spans = [_times(cut, beyond) for cut in cuts]
    spans += _false_starts(level, speed, spans, beyond, params)
    spans.sort()
    reps = []
    for k, (start, top_start, top_end, end) in enumerate(spans):
        following = spans[k + 1][0] if k + 1 < len(spans) else len(smooth) - 1.0
        reps.append(_rep(time_s, smooth, (start, top_start, top_end, end), max(following, end), asked_arc_deg, params))
    return tuple(reps)


def _without_dips(level: FloatArray, rate_hz: float, found: list[Excursion], params: RepParams) -> list[Excursion]:
    """The excursions, those joined that only a dip parts: neither a whole return nor a rest at its bottom."""
    out: list[Excursion] = []
    for e in found:
        if out and _is_dip(level, rate_hz, out[-1], e, params):
            before = out.pop()
            peak = before.peak if level[before.peak] >= level[e.peak] else e.peak
            e = Excursion(before.valley, peak, e.next_valley)
        out.append(e)
    return out


def _is_dip(level: FloatArray, rate_hz: float, before: Excursion, after: Excursion, params: RepParams) -> bool:
    bottom, top = level[after.valley], min(level[before.peak], level[after.peak])
    fall = top - bottom
    if fall >= params.whole_return_share * (top - level[before.valley]):
        return False
    low = level[before.peak : after.peak + 1] < bottom + 0.15 * fall
    return bool(np.count_nonzero(low) < params.rest_s * rate_hz)


def _cut_all(level: FloatArray, speed: FloatArray, found: list[Excursion]) -> list[_Cut]:
    """The excursions with their movements, each looked for between the peaks of its neighbours."""
    peaks = [0, *(e.peak for e in found), len(level) - 1]
    cuts = [_cut(level, speed, e, (peaks[k], peaks[k + 2])) for k, e in enumerate(found)]
    return [cut for cut in cuts if cut is not None]


def _cut(smooth: FloatArray, speed: FloatArray, e: Excursion, reach: tuple[int, int]) -> _Cut | None:
    """Find lift and lower of an excursion. Its top may dip (a broken hold) without ending the rep."""
    top = smooth[e.peak]
    rise, fall = top - smooth[e.valley], top - smooth[e.next_valley]
    up = np.flatnonzero(smooth[e.valley : e.peak + 1] >= smooth[e.valley] + 0.8 * rise)[0] + e.valley
    early = _first_over(smooth, e.valley, up, smooth[e.valley] + 0.15 * rise)
    down = np.flatnonzero(smooth[e.peak : e.next_valley + 1] >= smooth[e.next_valley] + 0.8 * fall)[-1] + e.peak
    late = _last_over(smooth, down, e.next_valley, smooth[e.next_valley] + 0.15 * fall)
    lift = find_edge(speed, reach[0], e.peak, early, int(up))
    lower = find_edge(-speed, e.peak, reach[1], int(down), late)
    return None if lift is None or lower is None else _Cut(lift, lower, reach)


def _first_over(smooth: FloatArray, first: int, last: int, level: float) -> int:
    """The last row in [first, last] from which the curve stays over the level until `last`."""
    under = np.flatnonzero(smooth[first : last + 1] < level)
    return first + (int(under[-1]) + 1 if len(under) else 0)


def _last_over(smooth: FloatArray, first: int, last: int, level: float) -> int:
    under = np.flatnonzero(smooth[first : last + 1] < level)
    return first + (int(under[0]) - 1 if len(under) else last - first)


def _times(cut: _Cut, beyond: float) -> tuple[float, float, float, float]:
    """Rows of start, top start, top end, end: the 20 % crossings carried to standstill by the profile's run-out."""
    lift, lower = cut.lift, cut.lower
    start = max(lift.begins(beyond), float(cut.reach[0]))
    top_start = lift.stops(beyond)
    top_end = lower.begins(beyond)
    end = min(lower.stops(beyond), float(cut.reach[1]))
    if top_end < top_start:  # turned round without stopping
        top_start = top_end = min(max((top_start + top_end) / 2, start), end)
    return start, top_start, top_end, end


def _false_starts(
    level: FloatArray,
    speed: FloatArray,
    spans: list[tuple[float, float, float, float]],
    beyond: float,
    params: RepParams,
) -> list[tuple[float, float, float, float]]:
    """Small rises in the rests: larger and faster than sway, smaller than an attempt."""
    edges = [0.0, *(row for span in spans for row in (span[0], span[3])), len(level) - 1.0]
    out = []
    for first, last in zip(edges[::2], edges[1::2], strict=True):
        a, b = round(first), round(last)
        small = excursions(level[a : b + 1], params.false_start_deg, params.return_share)
        for cut in _cut_all(level[a : b + 1], speed[a : b + 1], small):
            if cut.lift.peak_velocity >= params.false_start_velocity_deg_s:
                start, top_start, top_end, end = _times(cut, beyond)
                out.append((start + a, top_start + a, top_end + a, end + a))
    return out


def _rep(
    time_s: FloatArray,
    smooth: FloatArray,
    rows: tuple[float, float, float, float],
    following: float,
    asked_arc_deg: float,
    params: RepParams,
) -> Rep:
    start, top_start, top_end, end = rows
    grid = np.arange(len(smooth), dtype=np.float64)
    times = np.interp([start, top_start, top_end, end, following], grid, time_s)
    start_deg, end_deg = (float(np.interp(row, grid, smooth)) for row in (start, end))
    inside = smooth[int(np.ceil(top_start)) : int(top_end) + 1]
    peak = float(smooth[int(start) : int(np.ceil(end)) + 1].max())
    # A real hold is judged by its median, a turn-round by its peak.
    top_deg = float(np.median(inside)) if len(inside) > 2 else peak
    share = (top_deg - start_deg) / asked_arc_deg
    kind = "rep" if share >= params.counts_share else "partial" if share >= params.partial_share else "false_start"
    start_s, top_start_s, top_end_s, end_s, next_start_s = times.tolist()
    return Rep(start_s, top_start_s, top_end_s, end_s, next_start_s, start_deg, top_deg, end_deg, kind)
