"""How well a stretch of an arm's angles fits a drill, by what the drill's file asks: the same for every drill there is.

The stretch is cut into the drill's reps as a marked set is, and its postures are held against the ranges of the start,
the stations and the form. What is off adds up; a drill is as likely as little is off, and "none of them" is as likely
as a drill of which a certain amount is.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from math import exp, inf

import numpy as np

from imu_shoulder.angles.joint import ArmAngles
from imu_shoulder.arrays import bridged
from imu_shoulder.drills import AngleRange, Drill
from imu_shoulder.frames import wrap_deg
from imu_shoulder.model import Event, FloatArray, Side
from imu_shoulder.segment.model import ArmSet, Rep, rows_between
from imu_shoulder.segment.proposing import FitParams
from imu_shoulder.segment.sets import SegmentParams, segment_set, sets_out_elsewhere


@dataclass(frozen=True, slots=True)
class Fit:
    """off: how much speaks against a drill, 0 for nothing. reps: of each arm that lifts, how many the drill counts.
    in_order: the share of the reps that visit all of several stations, 0 for a drill of one."""

    drill: Drill
    off: float
    reps: Mapping[Side, int]
    in_order: float = 0.0


def fit(
    drill: Drill,
    span_s: tuple[float, float],
    counts: Mapping[Side, int | None],
    time_s: FloatArray,
    rate_hz: float,
    arms: Mapping[Side, ArmAngles],
    params: FitParams,
    moving: Collection[Side] = (),
) -> Fit:
    """counts: how often the movement came, by arm that did it, None where nobody counted. arms: with angles, on the
    grid time_s (N,). moving: arms that repeat something meanwhile.

    Where no sensor on the trunk tells which way the body faces, a drill's stations are told without what turns with it.
    """
    told = all(arm.elevation_reference == "trunk" for arm in arms.values())
    asked = drill if told else drill.facing_anywhere()
    return replace(_fit(asked, span_s, counts, time_s, rate_hz, arms, params, moving), drill=drill)


def turned(arm: ArmAngles, turned_deg: float) -> ArmAngles:
    """The arm's angles as of a body that faces otherwise: plane and rotation are shifted against each other."""
    if "plane_deg" not in arm.angles or "rotation_deg" not in arm.angles:
        return arm
    shifted = {
        "plane_deg": wrap_deg(arm.angles["plane_deg"] + turned_deg),
        "rotation_deg": wrap_deg(arm.angles["rotation_deg"] - turned_deg),
    }
    return replace(arm, angles={**arm.angles, **shifted})


def _fit(
    drill: Drill,
    span_s: tuple[float, float],
    counts: Mapping[Side, int | None],
    time_s: FloatArray,
    rate_hz: float,
    arms: Mapping[Side, ArmAngles],
    params: FitParams,
    moving: Collection[Side],
) -> Fit:
    sides = [side for side in counts if side in arms and arms[side].angles]
    if not sides:
        return Fit(drill, inf, {})
    event_side = sides[0] if len(sides) == 1 else "both"
    event = Event(span_s[0], span_s[1] - span_s[0], "set", drill.id, event_side)
    found = segment_set(1, event, drill, time_s, rate_hz, arms, SegmentParams())
    lifts = {own.side: own for own in found if own.role == "lift"}
    rows = rows_between(time_s, *span_s)
    offs = [
        min(_off(drill, lifts.get(side), counts[side], time_s, arms[side], params), params.unseen_off) for side in sides
    ]
    other = [side for side in arms if side not in sides and "elevation_gravity_deg" in arms[side].angles]
    against = _other_arm(drill, [arms[side] for side in other], rows, len(sides), bool({*other} & {*moving}), params)
    reps = {side: len(lifts[side].counted) if side in lifts else 0 for side in sides}
    in_order = min((_in_order(drill, lifts[side], counts[side]) for side in sides if side in lifts), default=0.0)
    return Fit(drill, float(np.sqrt(np.mean(np.square(offs)) + against**2)), reps, in_order)


def done_instead(
    asked: Drill,
    side: Side,
    drills: Iterable[Drill],
    time_s: FloatArray,
    rate_hz: float,
    arms: Mapping[Side, ArmAngles],
    params: FitParams,
) -> Drill | None:
    """The drill that an arm does in place of the asked one; None where none fits well, or the asked one may be meant.

    time_s (N,): of the last stretch of motion, in which no rep of the asked drill counted.
    """
    if len(time_s) < params.min_rows or side not in arms:
        return None
    span_s = float(time_s[0]), float(time_s[-1])
    # Whether the other arm lifts, holds or rests is not told of so short a stretch: this one speaks for itself.
    alone = {side: arms[side]}
    best: Fit | None = None
    for drill in drills:
        found = fit(drill, span_s, {side: None}, time_s, rate_hz, alone, params)
        if found.reps.get(side, 0) >= params.instead_reps and (best is None or found.off < best.off):
            best = found
    if best is None or best.drill.id == asked.id or best.off > params.instead_off:
        return None
    own = fit(asked, span_s, {side: None}, time_s, rate_hz, alone, params)
    return best.drill if own.off > best.off + params.instead_apart else None


def likelihoods(fits: Iterable[Fit], priors: Mapping[str, float], none_off: float) -> dict[str | None, float]:
    """Probability of each drill by its id, and of none of them by None. priors: weights, 1 where not named.
    none_off: none of them is as likely as a drill of which this is off."""
    weights: dict[str | None, float] = {
        own.drill.id: priors.get(own.drill.id, 1.0) * exp(-(own.off**2) / 2) for own in fits
    }
    weights[None] = exp(-(none_off**2) / 2)
    total = sum(weights.values())
    return {name: weight / total for name, weight in weights.items()}


def _off(
    drill: Drill, own: ArmSet | None, count: int | None, time_s: FloatArray, arm: ArmAngles, params: FitParams
) -> float:
    if own is None:
        return inf
    # Who is slow or hardly stays passes a station now and then; a drill whose stations are never all seen is none.
    missed = [(_missed(drill, rep), rep) for rep in own.counted]
    reps = [rep for number, rep in missed if number <= 1]
    if not any(number == 0 for number, _ in missed):
        return inf
    off = [params.missed_weight * sum(number for number, _ in missed if number == 1) / len(reps)]
    off += [params.part_weight * max(params.full_share - _path_share(own, reps, time_s, arm, params.path_hz), 0.0)]
    if count is not None:
        off.append(params.count_weight * abs(len(reps) - count) / max(count, len(reps), 3))
    elsewhere = bool(drill.or_start) and sets_out_elsewhere(drill, bridged(own.curve_deg))
    starts = drill.or_start if elsewhere else drill.start
    postures = _Postures(arm, time_s)
    at_start = [postures.over(rep.start_s - 0.4, rep.start_s + 0.1) for rep in reps]
    off += [_outside(asked, at_start, None, params) for asked in starts]
    for station in drill.stations:
        visits = [(k, rep) for k, rep in enumerate(reps) if _visits(drill, rep, station.name)]
        there = [postures.over(*_stay(rep, station.name)) for _, rep in visits]
        from_start = [at_start[k] for k, _ in visits]
        off += [
            _outside(asked, there, from_start, params) for asked in station.ranges if asked.above in (None, "start")
        ]
        if station is drill.top:
            off += [_form_off(drill, limit.asked, there, from_start, params) for limit in drill.form.limits]
    off += _beyond(drill, starts, reps, postures, params)
    off.append(_body_off(drill, at_start, params))
    held_s = float(np.median([np.subtract(*_stay(rep, drill.top.name)[::-1]) for rep in reps]))
    wrong = held_s > params.most_pause_s if drill.top.hold_s == 0 else held_s < params.least_hold_s
    off.append(params.hold_off if wrong else 0.0)
    return float(np.sqrt(np.sum(np.square(np.minimum(off, params.most_off)))))


def _path_share(own: ArmSet, reps: Sequence[Rep], time_s: FloatArray, arm: ArmAngles, path_hz: float) -> float:
    """The share of the way that the arm's segments make in the set which lies within its reps."""
    rows = slice(*own.rows)
    step = max(1, round(len(time_s[rows]) / ((time_s[rows][-1] - time_s[rows][0]) * path_hz)))
    within = np.zeros(len(time_s[rows][::step][1:]), dtype=bool)
    at_s = time_s[rows][::step][1:]
    for rep in reps:
        within |= (rep.start_s <= at_s) & (at_s <= rep.end_s)
    whole, part, every = 0.0, 0.0, {**arm.angles, **arm.hidden}
    for segment in ("forearm", "upper_arm"):
        columns = [every.get(f"{segment}_{axis}") for axis in "xyz"]
        if any(column is None for column in columns):
            continue
        way = np.linalg.norm(np.diff([column[rows][::step] for column in columns if column is not None]), axis=0)
        way[~np.isfinite(way)] = 0.0
        whole += float(way.sum())
        part += float(way[within].sum())
    return part / whole if whole else 1.0


@dataclass(frozen=True, slots=True)
class _Postures:
    arm: ArmAngles
    time_s: FloatArray

    def over(self, start_s: float, end_s: float) -> Mapping[str, float]:
        """The median of every angle over a moment or a stay, by its name."""
        rows = rows_between(self.time_s, start_s, max(end_s, start_s + 0.2))
        out = {}
        for column, values in self.arm.angles.items():
            seen = values[rows][np.isfinite(values[rows])]
            if len(seen):
                out[column.removesuffix("_deg")] = float(np.median(seen))
        return out

    def reached(self, angle: str, start_s: float, end_s: float) -> tuple[float, float] | None:
        """How low and how high an angle went, a moment's worth of each end left out."""
        values = self.arm.angles.get(f"{angle}_deg")
        if values is None:
            return None
        seen = values[rows_between(self.time_s, start_s, end_s)]
        seen = seen[np.isfinite(seen)]
        if len(seen) < 3:
            return None
        low, high = np.quantile(seen, (0.04, 0.96))
        return float(low), float(high)


def _missed(drill: Drill, rep: Rep) -> int:
    """How many of several stations a rep does not visit; all of them without the last one."""
    missed = [station.name for station in drill.stations if not _visits(drill, rep, station.name)]
    return len(drill.stations) if drill.top.name in missed else len(missed)


def _in_order(drill: Drill, own: ArmSet, count: int | None) -> float:
    if not drill.by_stations:
        return 0.0
    return sum(_missed(drill, rep) == 0 for rep in own.counted) / max(len(own.counted), count or 0, 1)


def _visits(drill: Drill, rep: Rep, station: str) -> bool:
    return not drill.by_stations or any(visit.name == station for visit in rep.visits)


def _stay(rep: Rep, station: str) -> tuple[float, float]:
    visit = next((visit for visit in rep.visits if visit.name == station), None)
    return (rep.top_start_s, rep.top_end_s) if visit is None else (visit.start_s, visit.end_s)


def _outside(
    asked: AngleRange,
    there: Sequence[Mapping[str, float]],
    at_start: Sequence[Mapping[str, float]] | None,
    params: FitParams,
) -> float:
    """How far the median over the reps is outside of a range, in units of what is off by one."""
    angle = asked.angle
    if angle == "elevation" and not any(angle in own for own in there):
        # A lone wrist shows how far the forearm is raised; with a straight elbow that is the arm.
        angle = "forearm_elevation"
    values = []
    for k, own in enumerate(there):
        below = None if asked.above is None or at_start is None else at_start[k].get(angle)
        if angle in own and (asked.above is None or below is not None):
            values.append(own[angle] - (below or 0.0))
    if not values:
        return params.unseen_range
    median = float(np.median(values))
    outside = max(asked.low_deg - median, median - asked.high_deg, 0.0)
    return min(outside / params.off_deg(asked.angle), params.most_off)


def _form_off(
    drill: Drill,
    asked: AngleRange,
    there: Sequence[Mapping[str, float]],
    at_start: Sequence[Mapping[str, float]],
    params: FitParams,
) -> float:
    if asked.angle == "elevation" and drill.body != "upright":
        return 0.0
    if asked.angle == "plane" and drill.directions:
        ranges = [AngleRange("plane", *ends) for ends in drill.directions.values()]
        return min(_outside(own, there, at_start, params) for own in ranges)
    return _outside(asked, there, at_start, params)


def _beyond(
    drill: Drill, starts: Sequence[AngleRange], reps: Sequence[Rep], postures: _Postures, params: FitParams
) -> list[float]:
    """How far elbow and elevation go, in the reps and between them, beyond all that the drill's postures have."""
    out = []
    asked = [*starts, *(own for station in drill.stations for own in station.ranges)]
    asked += [limit.asked for limit in drill.form.limits]
    for angle in ("elbow", "elevation"):
        ranges = [own for own in asked if own.angle == angle and own.above is None]
        if not ranges or (angle == "elevation" and drill.body != "upright"):
            continue
        low, high = min(own.low_deg for own in ranges), max(own.high_deg for own in ranges)
        reached = postures.reached(angle, reps[0].start_s, reps[-1].end_s)
        if reached is not None:
            out.append(max(low - reached[0], reached[1] - high, params.beyond_deg) - params.beyond_deg)
    return [own / params.usual_off_deg for own in out]


def _body_off(drill: Drill, at_start: Sequence[Mapping[str, float]], params: FitParams) -> float:
    """Of a drill that is done lying, how far the upper arm is from level; of others that keep the elbow at the side,
    how far from hanging."""
    raised = [own["elevation_gravity"] for own in at_start if "elevation_gravity" in own]
    if not raised or (drill.body == "upright" and drill.leading_angle != "rotation"):
        return 0.0
    median = float(np.median(raised))
    if drill.body == "lying":
        return max(params.lying_low_deg - median, median - params.lying_high_deg, 0.0) / params.usual_off_deg
    at_side = drill.form.ends_of("elevation") if drill.body == "upright" else None
    return 0.0 if at_side is None else max(median - at_side[1] - 5.0, 0.0) / params.usual_off_deg


def _other_arm(
    drill: Drill, others: Sequence[ArmAngles], rows: slice, lifting: int, moves: bool, params: FitParams
) -> float:
    """What speaks against a drill in the arm that does no reps, where it wears sensors."""
    if lifting == 2:
        return params.other_arm if drill.arms == "hold_and_lift" else 0.0
    if not others:
        return 0.0 if drill.arms == "each" and drill.form.closing_deg is None else params.other_unseen
    if moves:
        alone = drill.arms == "hold_and_lift" or drill.form.closing_deg is not None
        return params.other_arm if alone else params.other_moves
    raised = others[0].angles["elevation_gravity_deg"][rows]
    seen = raised[np.isfinite(raised)]
    held = len(seen) > 0 and bool(
        params.held_low_deg <= np.quantile(seen, 0.2) <= np.quantile(seen, 0.8) <= params.held_high_deg
    )
    if drill.body == "lying":
        return 0.0
    if drill.form.closing_deg is not None:
        # Two arms under one band.
        return params.other_arm
    return params.other_arm if held != (drill.arms == "hold_and_lift") else 0.0
