"""Drills with several stations: a rep leaves the start posture, visits stations and comes back."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np

from imu_shoulder.drills import AngleRange, Drill, Station
from imu_shoulder.model import BoolArray, FloatArray
from imu_shoulder.segment.curve import bridged, smoothed, velocity_deg_s
from imu_shoulder.segment.model import Rep, StationVisit

# A stay shorter than this is passing through, a break shorter than this inside a stay is a wobble.
MIN_STAY_S = 0.4
MAX_BREAK_S = 0.3
# Moving faster than this is not staying, whatever the angle.
MAX_STAY_VELOCITY_DEG_S = 15.0
# The start posture must be left by this much before a rep begins.
LEAVE_DEG = 10.0


def find_station_reps(
    time_s: FloatArray, angles: Mapping[str, FloatArray], rate_hz: float, drill: Drill
) -> tuple[Rep, ...]:
    """Reps in the rows of one set. angles: name without unit -> (N,) degrees. The drill has a start posture."""
    names = {r.angle for station in drill.stations for r in station.ranges} | {r.angle for r in drill.start}
    smooth = {name: smoothed(bridged(angles[name]), rate_hz) for name in names | {drill.leading_angle}}
    away = _away_from_start(smooth, drill.start)
    spans = _excursions(away)
    lead = smooth[drill.leading_angle]
    reps = []
    for k, (first, last) in enumerate(spans):
        following = spans[k + 1][0] if k + 1 < len(spans) else len(time_s) - 1
        visits = _visits(time_s, smooth, rate_hz, drill, first, last)
        reps.append(_rep(time_s, lead, drill, visits, first, last, following))
    return tuple(reps)


def inside(values: FloatArray, asked: AngleRange, reference_deg: float, margin_deg: float = 0.0) -> BoolArray:
    """Rows (N,) in which values lie in the asked range, counted from reference_deg where the range is relative."""
    shifted = values - reference_deg if asked.above is not None else values
    with np.errstate(invalid="ignore"):
        return np.asarray((shifted >= asked.low_deg - margin_deg) & (shifted <= asked.high_deg + margin_deg))


def _away_from_start(smooth: Mapping[str, FloatArray], start: tuple[AngleRange, ...]) -> FloatArray:
    """How far (deg) the posture is outside the start, the largest of its ranges; 0 or less inside."""
    outside = [np.maximum(smooth[r.angle] - r.high_deg, r.low_deg - smooth[r.angle]) for r in start]
    return np.asarray(np.max(outside, axis=0))


def _excursions(away: FloatArray) -> list[tuple[int, int]]:
    """Row spans that leave the start posture by LEAVE_DEG and return into it; a span cut by the end is kept."""
    out = (away > 0).astype(np.int8)
    edges = np.flatnonzero(np.diff(np.concatenate([[0], out, [0]])))
    return [(int(a), int(b) - 1) for a, b in edges.reshape(-1, 2) if away[a:b].max() > LEAVE_DEG and a > 0]


def _visits(
    time_s: FloatArray, smooth: Mapping[str, FloatArray], rate_hz: float, drill: Drill, first: int, last: int
) -> tuple[StationVisit, ...]:
    """Stays at the stations between two rows, in time order. A station may count from an earlier one's angle."""
    rows = slice(first, last + 1)
    held: dict[str, dict[str, float]] = {"start": {name: float(v[first]) for name, v in smooth.items()}}
    visits = []
    for station in drill.stations:
        stays = _stays(smooth, station, rate_hz, held, rows)
        if stays:
            longest = max(stays, key=lambda stay: stay[1] - stay[0])
            held[station.name] = {name: float(np.median(v[longest[0] : longest[1]])) for name, v in smooth.items()}
        visits += [StationVisit(station.name, float(time_s[a]), float(time_s[b - 1])) for a, b in stays]
    return tuple(sorted(visits, key=lambda visit: visit.start_s))


def _stays(
    smooth: Mapping[str, FloatArray],
    station: Station,
    rate_hz: float,
    held: Mapping[str, Mapping[str, float]],
    rows: slice,
) -> list[tuple[int, int]]:
    """Half-open row spans of staying: every range met, nothing moving fast."""
    ok = np.ones(rows.stop - rows.start, dtype=bool)
    for asked in station.ranges:
        values = smooth[asked.angle][rows]
        if asked.above is not None and asked.above not in held:
            return []  # the station it counts from was never held
        reference = 0.0 if asked.above is None else held[asked.above][asked.angle]
        ok &= inside(values, asked, reference)
        ok &= np.abs(velocity_deg_s(values, rate_hz)) < MAX_STAY_VELOCITY_DEG_S
    edges = np.flatnonzero(np.diff(np.concatenate([[0], ok.astype(np.int8), [0]])))
    joined: list[tuple[int, int]] = []
    for a, b in edges.reshape(-1, 2):
        if joined and a - joined[-1][1] <= MAX_BREAK_S * rate_hz:
            joined[-1] = (joined[-1][0], int(b))
        else:
            joined.append((int(a), int(b)))
    return [(a + rows.start, b + rows.start) for a, b in joined if b - a >= MIN_STAY_S * rate_hz]


def _rep(
    time_s: FloatArray,
    lead: FloatArray,
    drill: Drill,
    visits: tuple[StationVisit, ...],
    first: int,
    last: int,
    following: int,
) -> Rep:
    """The rep's top is its last station, or the last one it reached, or its furthest point if it reached none."""
    reached = [v for v in visits if v.name == drill.top.name] or list(visits[-1:])
    if reached:
        top_start_s, top_end_s = reached[0].start_s, reached[-1].end_s
        top_deg = float(np.median(lead[(time_s >= top_start_s) & (time_s <= top_end_s)]))
    else:
        peak = first + int(np.argmax(lead[first : last + 1]))
        top_start_s = top_end_s = float(time_s[peak])
        top_deg = float(lead[peak])
    kind = "rep" if visits else "partial"
    return Rep(
        float(time_s[first]),
        top_start_s,
        top_end_s,
        float(time_s[last]),
        float(time_s[following]),
        float(lead[first]),
        top_deg,
        float(lead[last]),
        kind,
        visits,
    )
