"""What a rep truly was, read from the true angles and not from what was planned of it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from math import sqrt

import numpy as np

from imu_shoulder.drills import Drill, Station, load_shipped
from imu_shoulder.model import Side
from second_simulator.actor import PlannedRep, Stay
from second_simulator.quat import Array

PLATEAU_DEG = 3.0
# Shorter ways out, or ways out no further than this, do not end it: a wander, not a movement.
WANDER_S, WANDER_DEG = 0.3, 5.0
EDGE_S = 0.25
# A stroke moves while it is quicker than this share of its peak; one of minimum jerk is for so much of its time.
MOVES, MOVES_FOR = 0.05, sqrt(1 - sqrt(0.05))


@dataclass(frozen=True, slots=True)
class TrueRep:
    """One rep of one arm, or the whole hold of an arm that holds (role hold).

    start_s, end_s: last and first moment within 3 deg of where it set out from and came back to. band_s: the visit to
    the top station's ranges, None if they were not met. plateau_s: within 3 deg of the level held or turned round at,
    with several stations in the angle that the last one asks for. top_start_s, top_end_s: the hold as docs/measures.md
    has it, band or plateau where the drill asks for a hold and the band was met, else the plateau; hold_s: between
    those. stations: each visit to a station's ranges, in order of time. faults: what was put in. margins: by fault,
    how far inside the drill's limit the true angles were, degrees or seconds; negative where it was broken, put in or
    not. set_out_s, arrived_s: ends of the acted strokes.
    """

    set: int
    drill: str
    side: Side
    rep: int
    role: str
    start_s: float
    top_start_s: float
    top_end_s: float
    end_s: float
    start_deg: float
    top_deg: float
    band_s: tuple[float, float] | None
    plateau_s: tuple[float, float]
    stations: tuple[tuple[str, float, float], ...]
    stays: tuple[Stay, ...]
    faults: tuple[str, ...]
    margins: Mapping[str, float]
    set_out_s: float
    arrived_s: float

    @property
    def hold_s(self) -> float:
        return self.top_end_s - self.top_start_s

    @property
    def arc_deg(self) -> float:
        return self.top_deg - self.start_deg

    @property
    def broken(self) -> tuple[str, ...]:
        """Faults whose limit the true angles break."""
        return tuple(name for name, margin in self.margins.items() if margin < 0)


def measured(rep: PlannedRep, time_s: Array, angles: Mapping[str, Array], thorax_up: Array) -> TrueRep:
    """A rep from the true angles of its arm, (N,) each about the trunk, and from where the trunk's Y points, (3, N)."""
    drill = load_shipped(rep.drill)
    step_s = time_s[1] - time_s[0]
    rows = slice(*np.searchsorted(time_s, (rep.set_out_s - 2 * EDGE_S, rep.arrived_s + 2 * EDGE_S)))
    at_s = time_s[rows]
    own = {name.removesuffix("_deg"): values[rows] for name, values in angles.items()}
    leading = own[drill.leading_angle]
    before = _median_at(own, at_s, rep.set_out_s - EDGE_S, rep.set_out_s)
    after = _median_at(own, at_s, rep.arrived_s, rep.arrived_s + EDGE_S)
    top = rep.stays[-1] if rep.stays else Stay("", rep.set_out_s, rep.arrived_s)
    near = np.abs(at_s - (top.start_s + top.end_s) / 2)
    if top.end_s - top.start_s > 2 * EDGE_S:
        level, middle = _median_at(own, at_s, top.start_s, top.end_s)[drill.leading_angle], int(np.argmin(near))
    else:
        middle = int(np.argmax(np.where(near < max(0.5, top.end_s - top.start_s), leading, -np.inf)))
        level = float(leading[middle])
    # With several stations the angle that the last one asks for tells whether the arm is there.
    told = own[drill.top.ranges[0].angle] if len(drill.stations) > 1 else leading
    held_at = level if told is leading else _median_at(own, at_s, top.start_s, top.end_s)[drill.top.ranges[0].angle]
    off_plateau = np.abs(told - held_at) - PLATEAU_DEG
    stayed = _rows(at_s, top) if top.end_s - top.start_s > 2 * EDGE_S else (middle, middle)
    plateau = _visit(off_plateau, stayed, step_s) or (middle, middle)
    hold = plateau
    held = {stay.name: _median_at(own, at_s, stay.start_s, stay.end_s) for stay in rep.stays} | {"start": before}
    visits = []
    for stay in rep.stays:
        station = next((s for s in drill.stations if s.name == stay.name), None)
        if station is not None and (beyond := _beyond(station, own, held)) is not None:
            span = _visit(beyond, _rows(at_s, stay), step_s)
            if span is not None:
                visits.append((stay.name, float(at_s[span[0]]), float(at_s[span[1]])))
            if span is not None and station is drill.top and drill.top.hold_s > 0:
                hold = _visit(np.minimum(beyond, off_plateau), stayed, step_s) or hold
    band = next(((a, b) for name, a, b in visits if name == drill.top.name), None)
    plateau_s = (float(at_s[plateau[0]]), float(at_s[plateau[1]]))
    top_s = (float(at_s[hold[0]]), float(at_s[hold[1]]))
    if band is not None and rep.role == "hold":
        top_s = band
    away = _away_deg(own, before, drill)
    back = _away_deg(own, after, drill)
    start = np.flatnonzero(away[:middle] <= PLATEAU_DEG)
    end = np.flatnonzero(back[middle:] <= PLATEAU_DEG)
    margins = _margins(drill, rep, own, at_s, top, held, level, top_s, thorax_up[:, rows]) if rep.role == "lift" else {}
    return TrueRep(
        **{name: getattr(rep, name) for name in ("set", "drill", "side", "rep", "role", "faults", "stays")},
        start_s=float(at_s[start[-1]] if start.size else rep.set_out_s),
        top_start_s=top_s[0],
        top_end_s=top_s[1],
        end_s=float(at_s[middle + end[0]] if end.size else rep.arrived_s),
        start_deg=before[drill.leading_angle],
        top_deg=level,
        band_s=band,
        plateau_s=plateau_s,
        stations=tuple(sorted(visits, key=lambda visit: visit[1])),
        margins=margins,
        set_out_s=float(rep.set_out_s),
        arrived_s=float(rep.arrived_s),
    )


def _median_at(own: Mapping[str, Array], at_s: Array, start_s: float, end_s: float) -> dict[str, float]:
    """Each angle's median over a time; over its middle moment where it has no length."""
    inside = (at_s >= start_s) & (at_s <= end_s)
    if not inside.any():
        inside[int(np.argmin(np.abs(at_s - (start_s + end_s) / 2)))] = True
    known = {name: values[inside] for name, values in own.items()}
    return {name: float(np.median(v[~np.isnan(v)])) if not np.isnan(v).all() else np.nan for name, v in known.items()}


def _beyond(station: Station, own: Mapping[str, Array], held: Mapping[str, Mapping[str, float]]) -> Array | None:
    """How far the arm is outside a station's ranges, negative inside; None where a posture that they count from was
    left out."""
    out = np.full(next(iter(own.values())).size, -np.inf)
    for wanted in station.ranges:
        if wanted.above is not None and wanted.above not in held:
            return None
        base = 0.0 if wanted.above is None else held[wanted.above][wanted.angle]
        low, high = base + wanted.low_deg, base + wanted.high_deg
        # An angle that means nothing here, such as the plane of a hanging arm, is outside.
        values = np.where(np.isnan(own[wanted.angle]), np.inf, own[wanted.angle])
        out = np.maximum(out, np.maximum(low - values, np.where(np.isinf(values), np.inf, values - high)))
    return out


def _rows(at_s: Array, stay: Stay) -> tuple[int, int]:
    first, last = (int(np.argmin(np.abs(at_s - edge_s))) for edge_s in (stay.start_s, stay.end_s))
    return first, last


def _visit(outside_deg: Array, stayed: tuple[int, int], step_s: float) -> tuple[int, int] | None:
    """First and last row of the longest time inside that meets the rows stayed, over ways out that are a wander."""
    edges = np.flatnonzero(np.diff(np.concatenate([[0], (outside_deg <= 0).astype(int), [0]])))
    joined: list[tuple[int, int]] = []
    for first, last in zip(edges[::2], edges[1::2] - 1, strict=True):
        before = joined[-1][1] if joined else first
        way_out = outside_deg[before : first + 1].max()
        if joined and ((first - before) * step_s <= WANDER_S or way_out <= WANDER_DEG):
            joined[-1] = (joined[-1][0], int(last))
        else:
            joined.append((int(first), int(last)))
    reach = round(WANDER_S / step_s)
    there = [run for run in joined if run[0] - reach <= stayed[1] and stayed[0] <= run[1] + reach]
    return max(there, key=lambda run: run[1] - run[0], default=None)


def _away_deg(own: Mapping[str, Array], posture: Mapping[str, float], drill: Drill) -> Array:
    """How far the arm is from a posture: in the leading angle, or in any where the drill has several stations."""
    names = (drill.leading_angle,) if len(drill.stations) == 1 else ("elevation", "rotation", "elbow")
    return np.asarray(np.max([np.abs(own[name] - posture[name]) for name in names], axis=0))


def _speed(own: Mapping[str, Array], at_s: Array, drill: Drill) -> Array:
    """How fast (N,) the arm changes posture, deg/s: the leading angle, or all of them where there are stations.

    The plane counts as far as the arm is off vertical, its rotation not at all straight overhead.
    """
    turned = {name: (np.diff(values, append=values[-1]) + 180) % 360 - 180 for name, values in own.items()}
    rate = {name: change / (at_s[1] - at_s[0]) for name, change in turned.items()}
    if len(drill.stations) == 1:
        return np.asarray(np.abs(rate[drill.leading_angle]))
    up = np.radians(own["elevation"])
    plane, rotation = np.nan_to_num(rate["plane"] * np.sin(up)), rate["rotation"] * np.minimum(1 + np.cos(up), 1)
    return np.asarray(np.sqrt(rate["elevation"] ** 2 + plane**2 + np.nan_to_num(rotation) ** 2 + rate["elbow"] ** 2))


def _lasts_s(speed: Array, at_s: Array, start_s: float, end_s: float) -> float:
    """How long a stroke took: as long as one of minimum jerk that moves for as long.

    From where it was acted to begin nobody sees it: some strokes are at 0.1 % of their way after 5 % of their time.
    """
    rows = slice(*np.searchsorted(at_s, (start_s, end_s)))
    over = np.flatnonzero(speed[rows] >= MOVES * speed[rows].max())
    return float(at_s[rows][over[-1]] - at_s[rows][over[0]]) / MOVES_FOR


def _margins(
    drill: Drill,
    rep: PlannedRep,
    own: Mapping[str, Array],
    at_s: Array,
    top: Stay,
    held: Mapping[str, Mapping[str, float]],
    level: float,
    top_s: tuple[float, float],
    thorax_up: Array,
) -> dict[str, float]:
    form, out = drill.form, {}
    on_top = _median_at(own, at_s, top.start_s, top.end_s)
    band = drill.leading_arc
    if band is not None and len(drill.stations) == 1:
        base = held["start"][band.angle] if band.above == "start" else 0.0
        out["short_arc"] = level - base - band.low_deg
        if np.isfinite(band.high_deg):
            out["over_arc"] = base + band.high_deg - level
    if drill.top.hold_s > 0:
        out["hold_short"] = top_s[1] - top_s[0] - drill.top.hold_s
    limits = {"up": drill.lift_at_least_s, "down": drill.lower_at_least_s}
    speed = _speed(own, at_s, drill)
    took_s = [(way, sum(_lasts_s(speed, at_s, *part) for part in parts)) for way, parts in rep.strokes]
    out["too_fast"] = min(seconds - limits[way] for way, seconds in took_s)
    for name, angle, limit in (
        ("thumb_down", "thumb_up", form.ends_of("thumb_up")),
        ("elbow_off", "elbow", form.ends_of("elbow")),
        ("plane_off", "plane", form.ends_of("plane")),
    ):
        if limit is not None:
            out[name] = min(on_top[angle] - limit[0], limit[1] - on_top[angle])
    if form.trunk_deg is not None:
        during = (at_s >= rep.set_out_s) & (at_s <= rep.arrived_s)
        first = thorax_up[:, during][:, :1]
        leans = np.degrees(np.arccos(np.clip((thorax_up[:, during] * first).sum(axis=0), -1, 1)))
        out["trunk_moved"] = form.trunk_deg - float(leans.max())
    if drill.leading_angle == "rotation":
        out["elbow_off_side"] = 30.0 - on_top["elevation"]
    for asked in drill.start:
        here = held["start"][asked.angle]
        margin = min(here - asked.low_deg, asked.high_deg - here)
        out["start_missed"] = min(margin, out.get("start_missed", np.inf))
    return out
