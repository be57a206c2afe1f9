"""Acts a session and records it: the way from what is planned to streams, events and their truth."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from imu_shoulder.model import SIDES, Recording
from second_simulator.actor import Actor, Span
from second_simulator.angles import angle_to_down_deg, arm_deg, heading_rad
from second_simulator.between import Interlude, act_interlude
from second_simulator.body import bones_of
from second_simulator.measured import TrueRep, measured
from second_simulator.moves import bends_at_shoulder_height, elbow_bends, forward_raises, neutral_pose
from second_simulator.quat import Array, turned
from second_simulator.restless import alive
from second_simulator.sensors import GRADES, TrueErrors, sensed
from second_simulator.session import Movement, Session
from second_simulator.sets import act_set
from second_simulator.shapes import SetPlan
from second_simulator.skin import ALL, sensors_on
from second_simulator.timeline import PAD_S, RATE_HZ

# The truth has every second row of the grid.
EVERY = 2
Y_UP = np.array([[0.0], [1.0], [0.0]])


@dataclass(frozen=True, slots=True)
class Truth:
    """What truly happened, on true time, from 0.

    time_s (N,). angles: by side, columns (N,) in degrees as docs/coordinates.md has them, about the trunk; the same
    about the vertical with `_gravity` (the trunk's heading) and `_facing` (where the person stands to face), and
    scapula_up_deg from the first neutral pose. trunk: trunk_lean_deg, trunk_turn_deg (against facing, left positive).
    quats: (N, 4) scalar first, earth from thorax, <side>_humerus, <side>_forearm, <side>_blade; sensor_quats by
    placement, earth from sensor. heading_deg: of the thorax, where it faces about the vertical, unwrapped;
    facing_deg: where the person stands to face. points_m (N, 3): joint centres; sensor_points_m by placement. reps:
    in order of time. spans: what was done between, with what hands did to bands. errors: by placement.
    """

    time_s: Array
    angles: Mapping[str, Mapping[str, Array]]
    trunk: Mapping[str, Array]
    quats: Mapping[str, Array]
    sensor_quats: Mapping[str, Array]
    points_m: Mapping[str, Array]
    sensor_points_m: Mapping[str, Array]
    heading_deg: Array
    facing_deg: Array
    reps: tuple[TrueRep, ...]
    spans: tuple[Span, ...]
    errors: Mapping[str, TrueErrors]


def perform(what: Session) -> tuple[Recording, Truth]:
    """The recording of a session, and its truth. The same session gives the same bytes."""
    who, acting, moving, strapping, sensing = what.person, *(what.person.random(k, what.number) for k in range(1, 5))
    actor = act(what, acting)
    duration_s, grid_s = actor.time.now_s, actor.time.grid_s()
    channels = alive(who, actor.time.render(), grid_s, moving)
    bones = bones_of(who, channels)
    carried = sensors_on(who, bones, channels, grid_s, what.placements, strapping)
    streams, errors = {}, {}
    seeds = dict(zip(ALL, sensing.integers(1 << 62, size=len(ALL)), strict=True))
    for placement in what.placements:
        own = np.random.default_rng(seeds[placement])
        streams[placement], errors[placement] = sensed(
            placement, carried[placement], duration_s, GRADES[what.grade], who.bias_deg_s, own
        )
    events = tuple(sorted(actor.events, key=lambda event: event.onset_s))
    name = f"{who.population}_{who.seed}_{what.number}"
    recording = Recording(name, f"{who.population} {who.seed}", "2026-05-04T09:30:00+02:00", streams, events)

    first = round(PAD_S * RATE_HZ)
    kept = slice(first, first + round(duration_s * RATE_HZ) + 1, EVERY)
    time_s = grid_s[kept]
    quats = {name: quat[:, kept] for name, quat in bones.quats.items()}
    facing = np.radians(channels["heading"][kept])
    heading = heading_rad(quats["thorax"])
    angles = {}
    pose = events[0]
    in_pose = (time_s >= pose.onset_s) & (time_s <= pose.end_s)
    for side in SIDES:
        up = bones.blade_up_deg[side][kept]
        angles[side] = arm_deg(quats["thorax"], facing, quats[f"{side}_humerus"], quats[f"{side}_forearm"], side)
        angles[side]["scapula_up_deg"] = up - np.median(up[in_pose])
    thorax_up = turned(quats["thorax"], Y_UP)
    turn = np.degrees(heading - facing)
    truth = Truth(
        time_s=time_s,
        angles=angles,
        trunk={"trunk_lean_deg": angle_to_down_deg(quats["thorax"]), "trunk_turn_deg": (turn + 180) % 360 - 180},
        quats={name: np.ascontiguousarray(quat.T) for name, quat in quats.items()},
        sensor_quats={p: np.ascontiguousarray(c.quat[:, kept].T) for p, c in carried.items()},
        points_m={name: np.ascontiguousarray(point[:, kept].T) for name, point in bones.points_m.items()},
        sensor_points_m={p: np.ascontiguousarray(c.point_m[:, kept].T) for p, c in carried.items()},
        heading_deg=np.degrees(heading),
        facing_deg=np.degrees(facing),
        reps=tuple(
            measured(rep, time_s, angles[rep.side], thorax_up) for rep in sorted(actor.reps, key=lambda r: r.set_out_s)
        ),
        spans=tuple(actor.spans),
        errors=errors,
    )
    return recording, truth


def act(what: Session, rng: np.random.Generator) -> Actor:
    """Everything the session asks for, on a timeline."""
    actor = Actor(what.person, rng)
    arms = {placement.split("_")[0] for placement in what.placements} & set(SIDES)
    side = "both" if len(arms) == 2 else next(iter(arms), None)
    for block in what.blocks:
        if isinstance(block, SetPlan):
            act_set(actor, block)
        elif isinstance(block, Interlude):
            act_interlude(actor, block)
        else:
            _move(actor, block, side or "both")
    actor.time.wait(1.0)
    first_s = min((event.onset_s for event in actor.events if event.trial_type == "set"), default=0.0)
    for slip in what.slips:
        at_s, channel = first_s + slip.at_share * (actor.time.now_s - first_s), f"{slip.band}.{slip.way}"
        steps = actor.time.stroke(slip.lasts_s, actor.habit)
        actor.time.move(channel, actor.time.target[channel] + slip.angle_deg, steps, at_s)
        actor.spans.append(Span(f"slip_{slip.band}", at_s, at_s + slip.lasts_s, slip.angle_deg))
    return actor


def _move(actor: Actor, movement: Movement, side: str) -> None:
    if movement.kind == "neutral_pose":
        neutral_pose(actor, movement.amount)
    elif movement.kind == "elbow_bends":
        elbow_bends(actor, int(movement.amount), side)
    elif movement.kind == "forward_raises":
        forward_raises(actor, int(movement.amount), side)
    else:
        bends_at_shoulder_height(actor, int(movement.amount), side)
