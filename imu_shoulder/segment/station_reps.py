"""Drills with several stations: a rep leaves the start posture, visits stations and comes back.

The arm's angles together are cut into moves and stays by their common speed; each stay is then named by the last
station of the drill whose ranges its median posture meets, or that it was aimed at, so that one sample decides nothing.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import pairwise
from typing import TypeVar, cast

import numpy as np

from imu_shoulder.arrays import bridged, runs
from imu_shoulder.drills import AngleRange, Drill, Station
from imu_shoulder.model import FloatArray
from imu_shoulder.segment.curve import SMOOTH_HZ, smoothed, stroke_cutoff_hz
from imu_shoulder.segment.model import UNSEEN_S, Rep, StationVisit
from imu_shoulder.segment.phases import Edge, find_edge, run_out
from imu_shoulder.segment.posture_speed import posture_speed_deg_s, usual_peak_deg_s, weight

# Turning faster than this, all angles together, is moving on to the next station; in a set of slow strokes, this share
# of their fastest, but no less than an unsteady arm wanders at: so many times as fast as in the quietest tenth of the
# rests in the start posture.
MOVE_DEG_S, MOVE_SHARE, LEAST_MOVE_DEG_S = 15.0, 0.2, 4.0
WANDERS, QUIETEST = 1.7, 0.1
# A stay shorter than this is passing through.
MIN_STAY_S = 0.4
# The start posture must be left by this much before a rep begins, and a station's before it was left.
LEAVE_DEG = 10.0
# Between two departures the posture is the usual start to within this: where the arm is within the start's ranges and
# as slow as in this share of the time there.
NOT_START_DEG, QUIET_SHARE = 45.0, 0.3
# A station is met to within this: an elbow may be read so much short of what it is.
MEETS_DEG = 8.0
# A station was aimed at where this share, or less, of the way to it is left, and nothing that it asks is off by more
# degrees: it is visited then, and what is off there is for the judge to say.
LEFT_SHARE, NEAR_DEG = 0.3, 40.0
# This share, where another range that asked for a way of so many degrees is met.
BESIDE_SHARE, BESIDE_DEG = 0.5, 30.0
# A stay is a missed start when it is this share, or less, as far from the start as the first stay of the rep.
MISSED_SHARE = 0.5

Posture = Mapping[str, float]
T = TypeVar("T", float, FloatArray)


@dataclass(frozen=True, slots=True)
class _Attempt:
    """One departure from the start: its moves in order, from leaving the start to being back."""

    moves: tuple[Edge, ...]


def find_station_reps(
    time_s: FloatArray,
    angles: Mapping[str, FloatArray],
    rate_hz: float,
    drill: Drill,
    marks: tuple[bool, bool] = (True, True),
    *,
    faces: bool = True,
) -> tuple[Rep, ...]:
    """Reps in the rows of one set. angles: name without unit -> (N,) degrees. The drill has a start posture. marks:
    whether the first and the last row are the set's marks, which may cut a rep. faces: whether it is known which way
    the body faces; how far an angle goes is known without."""
    whole = {name: bridged(angles[name]) for name in posture_names(drill)}
    smooth = {name: smoothed(values, rate_hz) for name, values in whole.items()}
    speed = posture_speed_deg_s(smooth, rate_hz)
    drill = drill if faces else drill.facing_anywhere()
    departures = _departures(smooth, speed, drill.start, marks)
    cutoff_hz = stroke_cutoff_hz(usual_peak_deg_s(speed, departures))
    if cutoff_hz < SMOOTH_HZ:
        speed = posture_speed_deg_s(
            {name: smoothed(values, rate_hz, cutoff_hz) for name, values in whole.items()}, rate_hz
        )
    least = max(MOVE_SHARE * usual_peak_deg_s(speed, departures), WANDERS * _at_rest(speed, departures))
    move_deg_s = float(np.clip(least, LEAST_MOVE_DEG_S, MOVE_DEG_S))
    attempts = [_attempt(speed, first, last, move_deg_s) for first, last in departures]
    attempts = [attempt for attempt in attempts if attempt.moves]
    beyond = run_out([move for attempt in attempts for move in attempt.moves])
    attempts = [part for attempt in attempts for part in _split(attempt, smooth, drill, beyond, rate_hz)]
    stays = [_stays(attempt, beyond, rate_hz) for attempt in attempts]
    postures = [[_posture(smooth, span) for span in spans] for spans in stays]
    usual = _usual_stations(drill, postures)
    lead = smooth[drill.leading_angle]
    spans = [_outer(attempt, beyond, len(time_s)) for attempt in attempts]
    lost = np.any([np.isnan(angles[name]) for name in whole], axis=0)
    spans = _with_unseen(spans, runs(lost, max(1, round(UNSEEN_S * rate_hz))), _away(smooth, drill.start))
    reps = []
    for k, (start, end) in enumerate(spans):
        names = _named(drill, postures[k], _posture(smooth, (start, start)), usual)
        following = spans[k + 1][0] if k + 1 < len(spans) else len(time_s) - 1.0
        visits = [(name, span) for name, span in zip(names, stays[k], strict=True) if name is not None]
        rep = _rep(time_s, lead, drill, _joined(visits, smooth), (start, end, max(following, end)))
        reps.append(replace(rep, cut=_is_cut(attempts[k], len(time_s), marks)))
    # What was under way at a mark and went to no station may be anything.
    return tuple(rep for rep in reps if rep.visits or not rep.cut)


def _is_cut(attempt: _Attempt, count: int, marks: tuple[bool, bool]) -> bool:
    """Whether the first or the last move is under way in the first or the last row, and that is the set's mark."""
    begun = marks[0] and attempt.moves[0].first.low_first <= 0
    return begun or (marks[1] and attempt.moves[-1].last.low_last >= count - 1)


def posture_names(drill: Drill) -> set[str]:
    """The angles that tell where in the drill the arm is."""
    asked = {r.angle for station in drill.stations for r in station.ranges} | {r.angle for r in drill.start}
    return asked | {drill.leading_angle}


def _at_rest(speed: FloatArray, spans: Sequence[tuple[int, int]]) -> float:
    """How fast the arm wanders in the start posture; 0 where that is nowhere seen."""
    away = np.zeros(len(speed), dtype=bool)
    for first, last in spans:
        away[first : last + 1] = True
    rests = speed[~away & np.isfinite(speed)]
    return float(np.quantile(rests, QUIETEST)) if len(rests) else 0.0


def _departures(
    smooth: Mapping[str, FloatArray], speed: FloatArray, start: Sequence[AngleRange], marks: tuple[bool, bool]
) -> list[tuple[int, int]]:
    """Row spans outside the start posture by LEAVE_DEG at some point, between being in it and being back.

    One that was under way at a mark counts as far as it was seen. Passing through the start's ranges on the way to
    somewhere else is no coming back: that is near to where the arm usually rests within them.
    """
    away = _away(smooth, start)
    inside = np.flatnonzero(away <= 0)
    # An angle that is known nowhere in the set, such as the plane of an arm that hangs, leaves no speed.
    if not len(inside) or np.isnan(speed[inside]).all():
        return []
    quiet = inside[speed[inside] <= np.nanquantile(speed[inside], QUIET_SHARE)]
    apart = _apart(smooth, {name: float(np.median(values[quiet])) for name, values in smooth.items()})
    spans: list[tuple[int, int]] = []
    for a, b in runs(away > 0):
        if spans and apart[spans[-1][1] + 1 : a].min() > NOT_START_DEG:
            spans[-1] = (spans[-1][0], b - 1)
        else:
            spans.append((a, b - 1))
    last = len(away) - 1
    return [
        (a, b)
        for a, b in spans
        if away[a : b + 1].max() > LEAVE_DEG
        and (a > 0 or (marks[0] and speed[0] > MOVE_DEG_S))
        and (b < last or (marks[1] and speed[last] > MOVE_DEG_S))
    ]


def _away(smooth: Mapping[str, FloatArray], start: Sequence[AngleRange]) -> FloatArray:
    """(N,) how far the arm is outside the start posture's ranges (deg), negative inside."""
    outside = [np.maximum(smooth[r.angle] - r.high_deg, r.low_deg - smooth[r.angle]) for r in start]
    return np.asarray(np.max(outside, axis=0))


def _with_unseen(
    spans: Sequence[tuple[float, float]], lost: Sequence[tuple[int, int]], away: FloatArray
) -> list[tuple[float, float]]:
    """Spans of reps with the unseen stretch in which each went on, or came from: an arm that was last seen away from
    the start had more to do, and what it left out is not known."""
    out = list(spans)
    for first, last in lost:
        before, after = max(first - 1, 0), min(last, len(away) - 1)
        k = next((k for k in reversed(range(len(out))) if out[k][0] < first), None)
        if k is not None and away[before] > LEAVE_DEG and out[k][1] < last:
            out[k] = (out[k][0], float(after))
        k = next((k for k in range(len(out)) if out[k][1] > last), None)
        if k is not None and away[after] > LEAVE_DEG and out[k][0] > first and (k == 0 or out[k - 1][1] <= first):
            out[k] = (float(before), out[k][1])
    return out


def _attempt(speed: FloatArray, first: int, last: int, move_deg_s: float) -> _Attempt:
    """The moves of a departure. The first and last one reach into the start posture itself."""
    moving = speed > move_deg_s
    while first > 0 and moving[first - 1]:
        first -= 1
    while last < len(speed) - 1 and moving[last + 1]:
        last += 1
    moves = []
    for a, b in ((a + first, b + first) for a, b in runs(moving[first : last + 1])):
        left, right = max(a - 1, 0), min(b, len(speed) - 1)
        edge = find_edge(speed, left, right, int(a + np.argmax(speed[a:b])), int(a + np.argmax(speed[a:b])))
        if edge is not None:
            moves.append(edge)
    return _Attempt(tuple(moves))


def _outer(attempt: _Attempt, beyond: float, count: int) -> tuple[float, float]:
    start, end = _ends(attempt, beyond)
    return max(start, 0.0), min(end, count - 1.0)


def _stays(attempt: _Attempt, beyond: float, rate_hz: float) -> list[tuple[float, float]]:
    """Row spans between the moves, where the posture stays."""
    found = (_stay(before, after, beyond, rate_hz) for before, after in pairwise(attempt.moves))
    return [span for span in found if span is not None]


def _stay(before: Edge, after: Edge, beyond: float, rate_hz: float) -> tuple[float, float] | None:
    """Rows between two moves; None where the arm only passed through."""
    first = before.stops(beyond)
    last = after.begins(beyond)
    return (first, last) if last - first >= MIN_STAY_S * rate_hz else None


def _posture(smooth: Mapping[str, FloatArray], span: tuple[float, float]) -> Posture:
    rows = slice(int(span[0]), int(span[1]) + 1)
    return {name: float(np.median(values[rows])) for name, values in smooth.items()}


def meets(station: Station, posture: Posture, known: Mapping[str, Posture]) -> bool:
    """Whether a posture meets every range; a range that counts from a posture nobody held is not met."""
    return all(_off_deg(asked, posture, known) <= MEETS_DEG for asked in station.ranges)


def _off_deg(asked: AngleRange, posture: Posture, known: Mapping[str, Posture]) -> float:
    """How far a posture is outside a range, negative inside; NaN where it is not defined or counts from nothing."""
    if asked.above is not None and asked.above not in known:
        return float("nan")
    value = posture[asked.angle] - (0.0 if asked.above is None else known[asked.above][asked.angle])
    return max(asked.low_deg - value, value - asked.high_deg)


def _aimed_at(station: Station, posture: Posture, known: Mapping[str, Posture], left: Posture) -> bool:
    """Whether the arm went from where it left most of the way to a station, and stopped short of it or beside it.

    The way is that of the first range which asks for one; what else the station asks may be off by NEAR_DEG.
    """
    leading = next((asked for asked in station.ranges if not _off_deg(asked, left, known) <= MEETS_DEG), None)
    if leading is None:
        return False
    way_deg, still_deg = _off_deg(leading, left, known), _off_deg(leading, posture, known)
    ways = [(_off_deg(asked, left, known), _off_deg(asked, posture, known)) for asked in station.ranges]
    beside = any(way >= BESIDE_DEG and still <= 0 for way, still in ways)
    near = all(still <= NEAR_DEG for _, still in ways)
    # Beyond the range, the way is over.
    beyond = abs(posture[leading.angle] - left[leading.angle]) > way_deg
    share = BESIDE_SHARE if beside else LEFT_SHARE
    return near and (beyond or still_deg <= max(MEETS_DEG, share * way_deg))


def station_of(drill: Drill, posture: Posture, known: Mapping[str, Posture], latest: str) -> str | None:
    """The station at which a posture is held: the last one that it meets; one that comes later in the drill than the
    latest, where it stopped short of it or beside it; the latest where it is still met; None for none of these.

    known: where the start and the stations were held so far. latest: the last one held, "start" for none yet.
    """
    met = [station.name for station in drill.stations if meets(station, posture, known)]
    if met and met[-1] != latest:
        return met[-1]
    names = ["start", *(station.name for station in drill.stations)]
    later = drill.stations[names.index(latest) :]
    aimed = (station.name for station in later if _aimed_at(station, posture, known, known[latest]))
    return next(aimed, met[-1] if met else None)


def _split(
    attempt: _Attempt, smooth: Mapping[str, FloatArray], drill: Drill, beyond: float, rate_hz: float
) -> list[_Attempt]:
    """A departure cut where the arm stayed at no station and nearer to where it set out than to where it first stayed:
    it came back, short of the start, and set out again."""
    # A first move that was under way at the mark set out before it.
    begin = max(round(_ends(attempt, beyond)[0]), 0)
    start = _posture(smooth, (begin, begin))
    parts, first = [], 0
    here: list[tuple[int, Posture]] = []
    for k in range(len(attempt.moves) - 1):
        span = _stay(attempt.moves[k], attempt.moves[k + 1], beyond, rate_hz)
        if span is not None:
            here.append((k, _posture(smooth, span)))
    for k, posture in here[1:-1]:
        away = _apart(here[0][1], start)
        at_none = not any(meets(station, posture, {"start": start}) for station in drill.stations)
        if at_none and _apart(posture, start) < MISSED_SHARE * away:
            parts.append(_Attempt(attempt.moves[first : k + 1]))
            first = k + 1
    return [*parts, _Attempt(attempt.moves[first:])]


def _apart(a: Mapping[str, T], b: Posture) -> T:
    """How far postures are apart (deg), over the angles that are defined everywhere but straight up or down."""
    squares = sum((a[name] - b[name]) ** 2 for name in a if name != "rotation")
    return cast(T, np.sqrt(squares))


def _ends(attempt: _Attempt, beyond: float) -> tuple[float, float]:
    """Rows at which the first move sets out and the last one arrives."""
    first, last = attempt.moves[0], attempt.moves[-1]
    return first.begins(beyond), last.stops(beyond)


def _usual_stations(drill: Drill, postures: Sequence[Sequence[Posture]]) -> dict[str, Posture]:
    """Median posture at each station over the set: what a later station counts from when a rep skipped the earlier.

    postures: per rep, its stays in time order. A later station's posture often meets an earlier one's ranges too, so
    a rep speaks for a station with one stay there only, on the way there or back: the one that is furthest from a
    station that counts from it, else the first; and most reps outvote one that left it out.
    """
    usual: dict[str, Posture] = {}
    for station in drill.stations:
        there = [[p for p in per_rep if meets(station, p, usual)] for per_rep in postures]
        known = [_before_later(drill, station, own) for own in there if own]
        if known:
            usual[station.name] = {name: float(np.median([p[name] for p in known])) for name in known[0]}
    return usual


def _before_later(drill: Drill, station: Station, there: Sequence[Posture]) -> Posture:
    """Of the stays that meet a station the one that is furthest from what a later station asks above it."""
    above = [asked for later in drill.stations for asked in later.ranges if asked.above == station.name]
    if not above:
        return there[0]
    angle, up = above[0].angle, above[0].low_deg > 0
    return min(there, key=lambda p: p[angle] if up else -p[angle])


def _named(drill: Drill, postures: Sequence[Posture], start: Posture, usual: Mapping[str, Posture]) -> list[str | None]:
    """The station of each stay of one rep."""
    known: dict[str, Posture] = {**usual, "start": start}
    held: set[str] = set()
    names: list[str | None] = []
    latest = "start"
    for posture in postures:
        name = station_of(drill, posture, known, latest)
        if name is not None and name not in held:
            known[name] = posture
            held.add(name)
        names.append(name)
        latest = name or latest
    return names


def _joined(
    visits: Sequence[tuple[str, tuple[float, float]]], smooth: Mapping[str, FloatArray]
) -> list[tuple[str, tuple[float, float]]]:
    """The visits, with two in a row at one station as one where the arm only wandered between them: an unsteady arm is
    as quick as one that moves on, and goes nowhere. Where it went from the one to the other and did not come back, the
    shorter one was a slow part of the way."""
    out: list[tuple[str, tuple[float, float]]] = []
    for name, span in visits:
        if not out or out[-1][0] != name:
            out.append((name, span))
            continue
        before = out[-1][1]
        between_deg, then_deg = _left_deg(smooth, before, span)
        if between_deg <= LEAVE_DEG:
            out[-1] = (name, (before[0], span[1]))
        elif between_deg - then_deg <= LEAVE_DEG / 2:
            out[-1] = (name, max(before, span, key=lambda stay: stay[1] - stay[0]))
        else:
            out.append((name, span))
    return out


def _left_deg(
    smooth: Mapping[str, FloatArray], first: tuple[float, float], then: tuple[float, float]
) -> tuple[float, float]:
    """How far, in any angle, the arm went from the posture of the first stay at most until the next, and is then."""
    held, after = _posture(smooth, first), _posture(smooth, then)
    near = {name: values[int(first[1]) : int(then[0]) + 1] for name, values in smooth.items()}
    apart = {name: np.abs(weight(name, near) * (values - held[name])) for name, values in near.items()}
    last = {name: np.array([value]) for name, value in after.items()}
    then_deg = max(float(np.abs(weight(name, last) * (value - held[name]))[0]) for name, value in last.items())
    return max(float(own.max()) for own in apart.values()), then_deg


def _rep(
    time_s: FloatArray,
    lead: FloatArray,
    drill: Drill,
    visits: Sequence[tuple[str, tuple[float, float]]],
    outer: tuple[float, float, float],
) -> Rep:
    """The rep's top is its last station, or the last one it reached, or its furthest point if it reached none."""
    rows = np.arange(len(time_s), dtype=np.float64)
    start, end, following = outer
    reached = [span for name, span in visits if name == drill.top.name] or [span for _, span in visits[-1:]]
    if reached:
        top = max(reached, key=lambda span: span[1] - span[0])
    else:
        peak = float(int(start) + int(np.argmax(lead[int(start) : int(end) + 1])))
        top = (peak, peak)
    top_deg = float(np.median(lead[int(top[0]) : int(top[1]) + 1]))
    start_s, top_start_s, top_end_s, end_s, next_start_s = np.interp(
        [start, *top, end, following], rows, time_s
    ).tolist()
    named = tuple(StationVisit(name, *np.interp(span, rows, time_s).tolist()) for name, span in visits)
    start_deg, end_deg = np.interp([start, end], rows, lead).tolist()
    kind = "rep" if visits else "partial"
    return Rep(start_s, top_start_s, top_end_s, end_s, next_start_s, start_deg, top_deg, end_deg, kind, named)
