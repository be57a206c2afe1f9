"""Acting a set: reps with strokes, holds, pauses, tiredness and what is wrong in them."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Literal

import numpy as np

from imu_shoulder.drills import Drill, load_shipped
from imu_shoulder.model import SIDES, Side
from second_simulator.actor import Actor, PlannedRep, Stay
from second_simulator.astray import Astray, led_astray, set_out_astray
from second_simulator.body import arm_channels, side_sign
from second_simulator.people import Posture
from second_simulator.quat import Array
from second_simulator.shapes import Fault, SetPlan, Shape, missed_start, shape_of, wrong_top
from second_simulator.timeline import RATE_HZ

LEADING = {"elevation": ("u", "v"), "rotation": ("rotation",)}
# How near to a limit a tired arm comes by itself.
CLEAR_DEG = 5.0


@dataclass(frozen=True, slots=True)
class Leg:
    """One stroke and the stay after it. name: of a station, None where the arm only passes."""

    to: Posture
    stroke_s: float
    stay_s: float
    name: str | None
    way: Literal["up", "down"]


def other(side: Side) -> Side:
    return "left" if side == "right" else "right"


def act_set(actor: Actor, plan: SetPlan) -> None:
    """Take up the start posture, do the reps, mark the set, let the arms hang."""
    drill = load_shipped(plan.drill)
    sides = tuple(side for side in SIDES if plan.side in (side, "both"))
    shapes = {side: shape_of(drill, actor.who, side, actor.rng) for side in sides}
    lying = shapes[sides[0]].lying
    actor.become("lie" if lying else "stand", other(sides[0]))
    actor.sets_done += 1
    reps = plan.reps or drill.dose.reps
    starts = {side: _starts(actor, drill, plan, shapes[side], reps) for side in sides}
    inside = actor.rng.random() < 0.5 if plan.start_inside is None else plan.start_inside
    marked_s = actor.time.now_s if inside and plan.mark_s[0] >= 0 else None
    holder = _raise_holder(actor, drill, sides[0]) if drill.arms == "hold_and_lift" else None
    _take_up(actor, {side: starts[side][0] for side in sides})
    actor.time.wait(actor.rng.uniform(0.8, 2.0) + max(0.0, plan.mark_s[0] - 0.5))
    first_s = actor.time.now_s
    mark_s = first_s - plan.mark_s[0] if marked_s is None else marked_s
    for rep in range(1, reps + 1):
        tired = actor.who.tired * (rep - 1) / max(1, reps - 1)
        actor.trunk(1.0, tired=tired)
        end_s = max(_act_rep(actor, drill, plan, shapes[side], starts[side], rep, side, tired) for side in sides)
        if holder is not None:
            _lead_holder_astray(actor, holder, plan.astray.get(rep, ()), end_s)
        actor.time.now_s = end_s
        if rep < reps:
            pause_s = actor.who.pause_s if plan.pause_s is None else plan.pause_s
            actor.time.wait(pause_s * (1 + 0.5 * tired) * actor.rng.uniform(0.7, 1.3))
    done_s = actor.time.now_s
    actor.time.wait(max(plan.mark_s[1], 0.0) + actor.rng.uniform(0.1, 0.6))
    if holder is not None:
        _lower_holder(actor, drill, holder, mark_s, done_s + plan.mark_s[1])
    actor.mark("set", mark_s, done_s + plan.mark_s[1], plan.side, plan.drill)
    actor.trunk(6.0, tired=0.0)
    if not lying:
        actor.let_hang()


def _take_up(actor: Actor, to: dict[Side, Posture]) -> None:
    """From wherever the arm is into the start posture; the arms that do not work hang, or stay as they lie."""
    took_s = actor.rng.uniform(1.0, 2.5)
    for side, posture in to.items():
        actor.arm(side, posture, took_s)
    actor.time.wait(took_s)


def _starts(actor: Actor, drill: Drill, plan: SetPlan, shape: Shape, reps: int) -> list[Posture]:
    """The posture each rep sets out from, and the last one the arm comes back to."""
    out = []
    for rep in range(1, reps + 2):
        start = actor.vary(shape.start, 0.4 * actor.who.return_deg)
        missed = next((f for f in plan.faults.get(rep, ()) if f.kind == "start_missed"), None)
        if missed is not None:
            start = missed_start(drill, replace(start, plane=shape.stations[0][1].plane), missed.size)
        elif drill.start and drill.start[0].high_deg < np.inf:
            asked = drill.start[0]
            near = min(getattr(start, asked.angle), asked.high_deg - 4.0)
            start = replace(start, **{asked.angle: max(near, asked.low_deg + 4.0)})
        out.append(set_out_astray(start, plan.astray.get(min(rep, reps), ())))
    return out


def _legs(
    actor: Actor, drill: Drill, plan: SetPlan, shape: Shape, start: Posture, rep: int, side: Side, tired: float
) -> list[Leg]:
    """The way up through the stations and back down, without the last leg to the start."""
    who, rng = actor.who, actor.rng
    tempo_s = who.tempo_s if plan.tempo_s is None else plan.tempo_s
    stations = [(name, actor.vary(posture, 1.0)) for name, posture in shape.stations]
    if len(stations) == 1:
        stations = [("top", _top(drill, stations[0][1], start, shape, tired))]
    else:
        row, rotate = stations[0][1], stations[1][1]
        # "above row" counts from the row of the same rep.
        arc = max(rotate.rotation - row.rotation, 60.0 + CLEAR_DEG + 3.0)
        stations[1] = ("rotate", replace(rotate, rotation=row.rotation + arc))
    stations = led_astray(start, stations, plan.astray.get(rep, ()), who.arms[side].carrying_deg)
    for fault in plan.faults.get(rep, ()):
        if fault.kind == "station_skipped":
            gone = fault.way or str(rng.choice([name for name, _ in stations]))
            stations = [s for s in stations if s[0] != gone]
        elif fault.kind == "order_wrong":
            early = (
                [name for name, _ in stations].index(fault.way)
                if fault.way
                else 1 + int(rng.integers(len(stations) - 1))
            )
            k = early - 1
            stations[k], stations[k + 1] = stations[k + 1], stations[k]
        else:
            name, top = stations[-1]
            stations[-1] = (name, wrong_top(drill, top, start, fault, rng, who.arms[side].carrying_deg))
    legs = []
    for name, posture in stations:
        stay_s = _stay_s(actor, drill, plan, name)
        legs.append(Leg(posture, tempo_s * _differs(actor), stay_s, name, "up"))
    # Nobody goes back by way of what was done too early.
    too_early = {fault.way for fault in plan.faults.get(rep, ()) if fault.kind == "order_wrong"}
    for posture in (posture for name, posture in reversed(stations[:-1]) if name not in too_early):
        passing = actor.vary(posture, 1.5)
        legs.append(Leg(passing, tempo_s * _differs(actor), rng.choice([0.0, rng.uniform(0.1, 0.7)]), None, "down"))
    return legs


def _top(drill: Drill, top: Posture, start: Posture, shape: Shape, tired: float) -> Posture:
    """The top of this rep: lower when tired, but of itself never out of the band."""
    band, angle = drill.leading_arc, drill.leading_angle
    level = getattr(top, angle) - 4.0 * tired
    if band is not None:
        base = getattr(start, angle) if band.above == "start" else 0.0
        # What counts from the start is kept up with a start that differs.
        level += (base - getattr(shape.start, angle)) if band.above == "start" else 0.0
        level = float(np.clip(level, base + band.low_deg + CLEAR_DEG, base + band.high_deg - CLEAR_DEG))
    return replace(top, **{angle: level})


def _differs(actor: Actor) -> float:
    return float(np.exp(actor.rng.normal(0, actor.habit.spread)))


def _stay_s(actor: Actor, drill: Drill, plan: SetPlan, name: str) -> float:
    asked_s = next(s.hold_s for s in drill.stations if s.name == name)
    if plan.hold_s is not None:
        return plan.hold_s
    if asked_s == 0:
        return float(actor.rng.choice([0.0, actor.rng.uniform(0.2, 1.2)]))
    if len(drill.stations) > 1:
        return asked_s + actor.rng.uniform(0.4, 1.2)
    return actor.who.hold_s * _differs(actor) ** 0.5


def _act_rep(
    actor: Actor, drill: Drill, plan: SetPlan, shape: Shape, starts: list[Posture], rep: int, side: Side, tired: float
) -> float:
    """One rep of one arm from now on; returns when the arm is back."""
    faults, start, rng = tuple(plan.faults.get(rep, ())), starts[rep - 1], actor.rng
    wrong = plan.astray.get(rep, ())
    legs = _legs(actor, drill, plan, shape, start, rep, side, tired)
    tempo_s = actor.who.tempo_s if plan.tempo_s is None else plan.tempo_s
    legs.append(Leg(starts[rep], tempo_s * _differs(actor) * (1 - 0.15 * tired), 0.0, None, "down"))
    legs = _hurried(drill, legs, faults, rng)
    at_s = out_s = actor.time.now_s + (rng.uniform(0.0, 0.15) if plan.side == "both" else 0.0)
    lead, came_from, stays = LEADING[drill.top.ranges[0].angle], start, []
    strokes = []
    for k, leg in enumerate(legs):
        steps = actor.time.stroke(leg.stroke_s, actor.habit)
        breaks, from_s = _breaks(actor, plan, drill, leg), at_s
        if breaks is None:
            at_s = actor.arm(side, leg.to, leg.stroke_s, at_s, (lead, steps))
        else:
            at_s = _with_break(actor, side, came_from, leg, breaks, at_s)
        parts = ((from_s, at_s),)
        if breaks is not None:
            stopped_s = from_s + leg.stroke_s * breaks[0]
            parts = ((from_s, stopped_s), (stopped_s + breaks[1], at_s))
        strokes.append((leg.way, parts))
        stay_s = leg.stay_s
        short = next((f for f in faults if f.kind == "hold_short"), None)
        if leg.name == drill.top.name and short is not None:
            follow = actor.time.stroke(legs[k + 1].stroke_s, actor.habit)
            stay_s = max(
                0.0, drill.top.hold_s - short.size - _inside_s(drill, start, came_from, leg, legs[k + 1], steps, follow)
            )
        if leg.name is not None:
            stays.append(Stay(leg.name, at_s, at_s + stay_s))
            _sag(actor, drill, side, leg.to, start, stay_s, tired, at_s)
            if leg.name == drill.top.name:
                _stray_in_hold(actor, side, leg.to, {"before": start, leg.name: leg.to}, wrong, at_s, stay_s)
        at_s += stay_s
        came_from = leg.to
    # Two arms have one trunk.
    if side == plan.side or side == SIDES[0]:
        _trunk_astray(actor, side, wrong, out_s, stays[-1] if stays else Stay("", out_s, out_s), at_s)
    _body_faults(actor, drill, faults, side, out_s, stays[-1] if stays else Stay("", out_s, out_s), at_s)
    kinds = tuple(f.kind for f in faults)
    actor.reps.append(
        PlannedRep(actor.sets_done, drill.id, side, rep, "lift", out_s, tuple(stays), at_s, kinds, tuple(strokes))
    )
    return at_s


def _hurried(drill: Drill, legs: list[Leg], faults: tuple[Fault, ...], rng: np.random.Generator) -> list[Leg]:
    """The legs with one stroke too fast, where that is the fault."""
    for fault in faults:
        if fault.kind == "too_fast":
            way = fault.way or ("up" if rng.random() < 0.5 else "down")
            limit_s = drill.lift_at_least_s if way == "up" else drill.lower_at_least_s
            legs = [replace(leg, stroke_s=max(0.2, limit_s - fault.size)) if leg.way == way else leg for leg in legs]
    return legs


def _breaks(actor: Actor, plan: SetPlan, drill: Drill, leg: Leg) -> tuple[float, float] | None:
    """A pause part-way in this stroke, as share and seconds, or None."""
    asked = next(((share, stay_s) for way, share, stay_s in plan.breaks if way == leg.way), None)
    if asked is not None or actor.rng.random() >= actor.who.breaks or len(drill.stations) > 1:
        return asked
    return actor.rng.uniform(0.3, 0.7), actor.rng.uniform(0.4, 2.0)


def _with_break(
    actor: Actor, side: Side, came_from: Posture, leg: Leg, pause: tuple[float, float], at_s: float
) -> float:
    """The stroke in two parts; every joint stops at the same share of its way."""
    share, stay_s = pause
    target = {c: actor.time.target[f"{side}.{c}"] for c in ("u", "v", "rotation", "elbow", "forearm")}
    end = arm_channels(leg.to)
    part = {c: target[c] + share * (end[c] - target[c]) for c in end}
    steps = actor.time.stroke(leg.stroke_s * share, actor.habit)
    for channel, value in part.items():
        actor.time.move(f"{side}.{channel}", value, steps, at_s)
    return actor.arm(side, leg.to, leg.stroke_s * (1 - share), at_s + leg.stroke_s * share + stay_s)


def _inside_s(drill: Drill, start: Posture, came_from: Posture, leg: Leg, back: Leg, up: Array, down: Array) -> float:
    """How long the strokes to and from the top are in the drill's band themselves."""
    band = drill.top.ranges[0]
    # A station that counts from another one comes right after it.
    base = 0.0 if band.above is None else getattr(start if band.above == "start" else came_from, band.angle)
    angle = band.angle
    ends = (getattr(came_from, angle), getattr(leg.to, angle), getattr(back.to, angle))
    values = np.concatenate(
        [ends[0] + (ends[1] - ends[0]) * np.cumsum(up), ends[1] + (ends[2] - ends[1]) * np.cumsum(down)]
    )
    return float(np.count_nonzero((values >= base + band.low_deg) & (values <= base + band.high_deg)) / RATE_HZ)


def _sag(
    actor: Actor, drill: Drill, side: Side, top: Posture, start: Posture, stay_s: float, tired: float, at_s: float
) -> None:
    """A held arm sinks slowly, the more the longer and the more tired, and is put right now and then."""
    if stay_s < 1.0:
        return
    sag_deg = abs(actor.rng.normal(0.4, 0.5)) * np.sqrt(stay_s / 5) * (1 + 3 * tired)
    band = drill.top.ranges[0]
    angle, level = band.angle, getattr(top, band.angle)
    base = getattr(start, angle) if band.above == "start" else 0.0
    above_deg = level - base - band.low_deg
    if above_deg > 0:
        sag_deg = min(sag_deg, max(0.0, above_deg - 3.0))
    lower = replace(top, **{angle: level - sag_deg})
    back_s = stay_s * actor.rng.uniform(0.5, 0.8)
    goal, now = arm_channels(lower), arm_channels(top)
    for channel in LEADING[angle]:
        name, change = f"{side}.{channel}", goal[channel] - now[channel]
        here = actor.time.target[name]
        actor.time.move(name, here + change, actor.time.stroke(back_s, actor.habit), at_s + 0.1 * stay_s)
        if actor.rng.random() < 0.4:
            again = actor.time.stroke(0.15 * stay_s, actor.habit)
            actor.time.move(name, here + 0.3 * change, again, at_s + 0.1 * stay_s + back_s)


def _body_faults(
    actor: Actor, drill: Drill, faults: tuple[Fault, ...], side: Side, out_s: float, top: Stay, back_s: float
) -> None:
    """What the trunk and the shoulder girdle do wrong: with the lift, and back with the lowering."""
    for fault in faults:
        if fault.kind == "trunk_moved":
            lean = (drill.form.trunk_deg or 8.0) + fault.size
            aside = actor.rng.random() < 0.7 and actor.stance == "stand"
            channel, size = ("lean_roll", -side_sign(side) * lean) if aside else ("lean_pitch", lean)
        elif fault.kind == "shrug":
            channel, size = f"{side}.shrug", fault.size
        else:
            continue
        here = actor.time.target[channel]
        actor.time.move(channel, here + size, actor.time.stroke(max(0.3, top.start_s - out_s), actor.habit), out_s)
        actor.time.move(channel, here, actor.time.stroke(max(0.3, back_s - top.end_s), actor.habit), top.end_s)


def _stray_in_hold(
    actor: Actor,
    side: Side,
    held: Posture,
    known: dict[str, Posture],
    wrong: tuple[Astray, ...],
    at_s: float,
    stay_s: float,
) -> None:
    """What changes while the arm should stay: by and by, or out and back in a second."""
    for one in wrong:
        if one.place not in ("staying", "rebound"):
            continue
        goal, now = arm_channels(one.applied(held, known)), arm_channels(held)
        steps = actor.time.stroke(0.8 * stay_s, actor.habit)
        for channel in (channel for channel in goal if goal[channel] != now[channel]):
            name, change = f"{side}.{channel}", goal[channel] - now[channel]
            if one.place == "staying":
                actor.time.move(name, actor.time.target[name] + change, steps, at_s + 0.1 * stay_s)
            else:
                for share in (0.25, 0.6):
                    actor.time.bump(name, change, 1.1, at_s + share * stay_s)


def _lead_holder_astray(actor: Actor, holder: Side, wrong: tuple[Astray, ...], end_s: float) -> None:
    """The arm that is held up comes to be elsewhere while the other one does its rep."""
    for one in wrong:
        if one.place == "other_arm":
            now = actor.time.target
            u, v = now[f"{holder}.u"], now[f"{holder}.v"]
            held = Posture(
                elevation=float(np.hypot(u, v)),
                plane=float(np.degrees(np.arctan2(v, u))),
                rotation=now[f"{holder}.rotation"],
                elbow=now[f"{holder}.elbow"],
                forearm=now[f"{holder}.forearm"],
            )
            actor.arm(holder, one.applied(held, {}), end_s - actor.time.now_s)


def _trunk_astray(actor: Actor, side: Side, wrong: tuple[Astray, ...], out_s: float, top: Stay, back_s: float) -> None:
    """The trunk goes along with the lift and comes back with the lowering."""
    aside = -side_sign(side)
    for one in wrong:
        if one.of_trunk:
            channel, sign = {"back": ("lean_pitch", 1.0), "away": ("lean_roll", aside), "round": ("lean_twist", aside)}[
                one.joint
            ]
            here = actor.time.target[channel]
            there = actor.time.stroke(max(0.3, top.start_s - out_s), actor.habit)
            actor.time.move(channel, here + sign * one.goal_deg, there, out_s)
            actor.time.move(channel, here, actor.time.stroke(max(0.3, back_s - top.end_s), actor.habit), top.end_s)


def _raise_holder(actor: Actor, drill: Drill, lifting: Side) -> Side:
    """The arm that stays up is raised first."""
    holder = other(lifting)
    top = shape_of(drill, actor.who, holder, actor.rng).stations[0][1]
    actor.time.wait(max(0.0, actor.arm(holder, top, actor.rng.uniform(1.5, 2.5)) - actor.time.now_s))
    return holder


def _lower_holder(actor: Actor, drill: Drill, holder: Side, start_s: float, end_s: float) -> None:
    """How the held arm sank and was put right over the set, and its one row."""
    count = max(1, round((end_s - start_s) / 12.0))
    for at_s in np.linspace(start_s, end_s - 1.0, count, endpoint=False):
        for channel in ("u", "v"):
            name = f"{holder}.{channel}"
            size = -0.012 * abs(actor.rng.normal(0, 1 + actor.who.tired)) * actor.time.target[name]
            actor.time.bump(name, size, (end_s - start_s) / count, float(at_s))
    stay = Stay("top", start_s, end_s)
    actor.reps.append(PlannedRep(actor.sets_done, drill.id, holder, 1, "hold", start_s, (stay,), end_s))
