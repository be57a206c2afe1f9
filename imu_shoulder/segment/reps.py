"""Reps of one leading angle: excursions from rest, cut into lift, top and lower."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from imu_shoulder.model import FloatArray
from imu_shoulder.segment.curve import SMOOTH_HZ, smoothed, stroke_cutoff_hz, velocity_deg_s
from imu_shoulder.segment.model import Rep
from imu_shoulder.segment.phases import LOW, Edge, find_edge, run_out
from imu_shoulder.segment.turning import Excursion, excursions


@dataclass(frozen=True, slots=True)
class RepParams:
    """What is a rep of an asked arc, as shares of that arc.

    attempt_share: a rise this large is looked at as a rep; counts_share: this large counts, less is a partial one.
    return_share: a rep ends when this share of its rise is undone; less is a dip in its hold. Up to whole_return_share
    it must also come to rest there, for rest_s.
    partial_share: less than this is a false start. false_start_deg, false_start_velocity_deg_s: the least rise that is
    worth naming when it is no attempt. Sway rises as fast, but not as far; a posture that creeps is slower. An arm that
    hangs a little beside the vertical rises by less, and more slowly, than it turns.
    cut_deg, cut_share: a movement that is under way at the set's mark was cut by it where more than this is missing, in
    degrees and as a share of the rep's arc.

    Sources. attempt_share, counts_share, partial_share, return_share, whole_return_share, rest_s, false_start_deg,
    false_start_velocity_deg_s, cut_deg, cut_share: ours.
    """

    attempt_share: float = 0.35
    counts_share: float = 0.5
    partial_share: float = 0.25
    return_share: float = 0.4
    whole_return_share: float = 0.62
    rest_s: float = 1.4
    false_start_deg: float = 5.0
    false_start_velocity_deg_s: float = 5.0
    cut_deg: float = 3.0
    cut_share: float = 0.05


@dataclass(frozen=True, slots=True)
class _Cut:
    """An excursion's two movements, and the rows between which they were looked for."""

    lift: Edge
    lower: Edge
    reach: tuple[int, int]


@dataclass(frozen=True)
class _Curve:
    """The leading angle of a set, (N,) each. level: where the reps are looked for, smoothed and not under the start."""

    whole_deg: FloatArray
    rate_hz: float
    level: FloatArray
    kept: dict[float, FloatArray] = field(default_factory=dict)

    def speed_deg_s(self, cutoff_hz: float = SMOOTH_HZ) -> FloatArray:
        if cutoff_hz not in self.kept:
            self.kept[cutoff_hz] = velocity_deg_s(smoothed(self.whole_deg, self.rate_hz, cutoff_hz), self.rate_hz)
        return self.kept[cutoff_hz]

    def edge(self, way: int, reach: tuple[int, int], between: tuple[int, int]) -> Edge | None:
        """The movement up (way 1) or down (-1) that is under way from one row to the other. A slow one is told from
        an arm's wander by its smoother velocity."""
        peak = float((way * self.speed_deg_s())[between[0] : between[1] + 1].max(initial=0.0))
        return find_edge(way * self.speed_deg_s(stroke_cutoff_hz(peak)), *reach, *between)


def find_reps(
    time_s: FloatArray,
    curve_deg: FloatArray,
    rate_hz: float,
    asked_arc_deg: float,
    params: RepParams,
    floor_deg: float | None = None,
    marks: tuple[bool, bool] = (True, True),
) -> tuple[Rep, ...]:
    """Reps in the rows of one set. time_s, curve_deg: (N,) without NaN, rising into the rep.

    asked_arc_deg: the least arc that is asked for, from rest to the top. floor_deg: where the drill's start posture
    lies when it has to be reached from below; getting into it is no part of a rep. marks: whether the first and the
    last row are the set's marks, which may cut a rep.
    """
    smooth = smoothed(curve_deg, rate_hz)
    level = smooth.copy() if floor_deg is None else np.maximum(smooth, floor_deg)
    curve = _Curve(curve_deg, rate_hz, level)
    begun = marks[0] and _is_begun(level, smooth, curve.speed_deg_s(), asked_arc_deg, params)
    # Backwards in time a lowering is a lift.
    ended = marks[1] and _is_begun(level[::-1], smooth[::-1], -curve.speed_deg_s()[::-1], asked_arc_deg, params)
    for row, is_cut in ((0, begun), (-1, ended)):
        if is_cut:
            level[row] = level.min()
    found = excursions(curve.level, params.attempt_share * asked_arc_deg, params.return_share)
    found = _without_dips(curve.level, rate_hz, found, params)
    cuts = _cut_all(curve, found)
    beyond = run_out([edge for cut in cuts for edge in (cut.lift, cut.lower)])
    spans = [_times(level, cut, beyond) for cut in cuts]
    spans += _false_starts(curve, spans, beyond, params)
    spans.sort()
    reps = []
    for k, (start, top_start, top_end, end) in enumerate(spans):
        following = spans[k + 1][0] if k + 1 < len(spans) else len(smooth) - 1.0
        cut = begun and start == 0.0, ended and end == len(smooth) - 1.0
        rows = start, top_start, top_end, end
        reps.append(_rep(time_s, smooth, rows, max(following, end), cut, asked_arc_deg, params))
    return tuple(reps)


def _is_begun(
    level: FloatArray, smooth: FloatArray, speed: FloatArray, asked_arc_deg: float, params: RepParams
) -> bool:
    """Whether the first lift is under way in the first row: as fast as a lift is before its end, by the lowering after
    it, and with so much of it missing as the arm then comes back to."""
    from_rest = level.copy()
    from_rest[0] = level.min()
    found = excursions(from_rest, params.attempt_share * asked_arc_deg, params.return_share)
    if not found or found[0].valley != 0:
        return False
    first = found[0]
    missing, arc = smooth[[0, first.peak]] - smooth[first.next_valley]
    fastest = float((-speed[first.peak : first.next_valley + 1]).max())
    return bool(speed[0] >= LOW * fastest and missing > max(params.cut_deg, params.cut_share * arc))


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


def _cut_all(curve: _Curve, found: list[Excursion]) -> list[_Cut]:
    """The excursions with their movements, each looked for between the peaks of its neighbours."""
    peaks = [0, *(e.peak for e in found), len(curve.level) - 1]
    cuts = [_cut(curve, e, (peaks[k], peaks[k + 2])) for k, e in enumerate(found)]
    return [cut for cut in cuts if cut is not None]


def _cut(curve: _Curve, e: Excursion, reach: tuple[int, int]) -> _Cut | None:
    """Find lift and lower of an excursion. Its top may dip (a broken hold) without ending the rep."""
    level = curve.level
    top = level[e.peak]
    rise, fall = top - level[e.valley], top - level[e.next_valley]
    up = np.flatnonzero(level[e.valley : e.peak + 1] >= level[e.valley] + 0.8 * rise)[0] + e.valley
    early = _first_over(level, e.valley, up, level[e.valley] + 0.15 * rise)
    down = np.flatnonzero(level[e.peak : e.next_valley + 1] >= level[e.next_valley] + 0.8 * fall)[-1] + e.peak
    late = _last_over(level, down, e.next_valley, level[e.next_valley] + 0.15 * fall)
    lift = curve.edge(1, (reach[0], e.peak), (early, int(up)))
    lower = curve.edge(-1, (e.peak, reach[1]), (int(down), late))
    return None if lift is None or lower is None else _Cut(lift, lower, reach)


def _first_over(smooth: FloatArray, first: int, last: int, level: float) -> int:
    """The earliest row in [first, last] from which the curve stays over the level until `last`."""
    under = np.flatnonzero(smooth[first : last + 1] < level)
    return first + (int(under[-1]) + 1 if len(under) else 0)


def _last_over(smooth: FloatArray, first: int, last: int, level: float) -> int:
    """The latest row in [first, last] up to which it stays over the level since `first`."""
    end = len(smooth) - 1
    return end - _first_over(smooth[::-1], end - last, end - first, level)


def _times(level: FloatArray, cut: _Cut, beyond: float) -> tuple[float, float, float, float]:
    """Rows of start, top start, top end, end: the 20 % crossings carried to standstill by the profile's run-out."""
    lift, lower = cut.lift, cut.lower
    first, last = cut.reach
    start = _not_before(level[first:], max(lift.begins(beyond), float(first)) - first, lift.first.low_first - first)
    start += first
    top_start = lift.stops(beyond)
    top_end = lower.begins(beyond)
    # Backwards in time an end is a start.
    end = last - _not_before(level[last::-1], last - min(lower.stops(beyond), float(last)), last - lower.last.low_last)
    if top_end < top_start:  # turned round without stopping
        top_start = top_end = min(max((top_start + top_end) / 2, start), end)
    return start, top_start, top_end, end


def _not_before(level: FloatArray, start: float, low: float) -> float:
    """The row a lift sets out at, that is at 20 % of its speed at row `low`: not while the arm still comes down from
    the rep before, where it turned round without a rest."""
    first, last = int(np.ceil(start)), int(low)
    higher = np.flatnonzero(level[first : last + 1] > level[last])
    return float(first + higher[-1] + np.argmin(level[first + higher[-1] : last + 1])) if len(higher) else start


def _false_starts(
    curve: _Curve,
    spans: list[tuple[float, float, float, float]],
    beyond: float,
    params: RepParams,
) -> list[tuple[float, float, float, float]]:
    """Small rises in the rests: larger and faster than sway, smaller than an attempt."""
    edges = [0.0, *(row for span in spans for row in (span[0], span[3])), len(curve.level) - 1.0]
    out = []
    for first, last in zip(edges[::2], edges[1::2], strict=True):
        a, b = round(first), round(last)
        level = curve.level[a : b + 1]
        rest = _Curve(curve.whole_deg[a : b + 1], curve.rate_hz, level, {SMOOTH_HZ: curve.speed_deg_s()[a : b + 1]})
        small = excursions(level, params.false_start_deg, params.return_share)
        for cut in _cut_all(rest, small):
            start, top_start, top_end, end = _times(level, cut, beyond)
            fastest = rest.speed_deg_s()[int(start) : int(np.ceil(top_start)) + 1].max()
            if fastest >= params.false_start_velocity_deg_s:
                out.append((start + a, top_start + a, top_end + a, end + a))
    return out


def _rep(
    time_s: FloatArray,
    smooth: FloatArray,
    rows: tuple[float, float, float, float],
    following: float,
    cut: tuple[bool, bool],
    asked_arc_deg: float,
    params: RepParams,
) -> Rep:
    """cut: whether the set's marks lie where its lift and its lowering are under way."""
    start, top_start, top_end, end = rows
    grid = np.arange(len(smooth), dtype=np.float64)
    times = np.interp([start, top_start, top_end, end, following], grid, time_s)
    start_deg, end_deg = (float(np.interp(row, grid, smooth)) for row in (start, end))
    inside = smooth[int(np.ceil(top_start)) : int(top_end) + 1]
    peak = float(smooth[int(start) : int(np.ceil(end)) + 1].max())
    # A real hold is judged by its median, a turn-round by its peak.
    top_deg = float(np.median(inside)) if len(inside) > 2 else peak
    share = (top_deg - (end_deg if cut[0] else start_deg)) / asked_arc_deg
    kind = "rep" if share >= params.counts_share else "partial" if share >= params.partial_share else "false_start"
    start_s, top_start_s, top_end_s, end_s, next_start_s = times.tolist()
    return Rep(start_s, top_start_s, top_end_s, end_s, next_start_s, start_deg, top_deg, end_deg, kind, cut=any(cut))
