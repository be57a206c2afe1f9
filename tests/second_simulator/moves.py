"""The calibration movements: what a person makes of "stand still", "bend your elbows" and "raise your arms forward"."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from imu_shoulder.model import SIDES, Side
from second_simulator.actor import Actor
from second_simulator.people import Posture
from second_simulator.shapes import shape_of


def neutral_pose(actor: Actor, duration_s: float, side: str | None = None) -> None:
    """Arms hanging, thumbs forward, quieter than otherwise."""
    actor.become("stand")
    actor.let_hang(asked=True)
    actor.trunk(0.8, restless=0.6)
    actor.time.wait(actor.rng.uniform(0.8, 1.5))
    begin_s = actor.time.now_s
    actor.time.wait(duration_s)
    actor.mark("neutral_pose", begin_s, actor.time.now_s, side)
    actor.trunk(0.8, restless=1.0)
    actor.time.wait(0.3)


def elbow_bends(actor: Actor, count: int, side: str) -> None:
    """Both elbows bent and straightened; the upper arms drift a little, the hands turn a little."""
    actor.become("stand")
    rng, begin_s = actor.rng, actor.time.now_s
    hanging = {s: actor.hanging(s, asked=True) for s in SIDES}
    actor.time.wait(rng.uniform(0.3, 0.9))
    for _ in range(count):
        took_s = rng.uniform(0.9, 2.2)
        bent, straight = {}, {}
        for s in SIDES:
            base, drift = hanging[s], actor.vary(hanging[s], 1.0)
            end = actor.who.arms[s].stop_deg if actor.who.straightens else base.elbow
            away = float(np.clip(rng.normal(3.0, 2.0), 0, 8))
            bent[s] = replace(
                drift,
                elevation=drift.elevation + away,
                elbow=rng.uniform(115, 140),
                forearm=base.forearm + rng.normal(0, 4),
            )
            straight[s] = replace(drift, elbow=end + abs(rng.normal(0, 0.7)), forearm=base.forearm + rng.normal(0, 2))
        actor.arms(took_s, bent)
        actor.time.wait(rng.choice([0.0, rng.uniform(0.1, 0.6)]))
        actor.arms(took_s * rng.uniform(0.9, 1.3), straight)
        actor.time.wait(rng.uniform(0.1, 0.8))
    actor.arms(0.8, hanging)
    actor.mark("elbow_bends", begin_s, actor.time.now_s, side)
    actor.time.wait(rng.uniform(0.8, 2.0))


def forward_raises(actor: Actor, count: int, side: str) -> None:
    """Straight arms raised forward, or what the person takes for forward, thumbs up."""
    actor.become("stand")
    rng, begin_s = actor.rng, actor.time.now_s
    actor.time.wait(rng.uniform(0.3, 0.9))
    for _ in range(count):
        took_s = rng.uniform(1.2, 2.8)
        to: dict[Side, Posture] = {}
        for s in SIDES:
            pose, plane = actor.who.arms[s].pose, actor.who.raise_plane_deg + rng.normal(0, 1.0)
            forearm = pose.forearm + 0.5 * actor.who.hand_deg
            thumb_up = 84.0 - plane + forearm
            to[s] = Posture(rng.uniform(85, 115), plane, thumb_up, max(1.0, 0.7 * pose.elbow), forearm)
        actor.arms(took_s, to)
        actor.time.wait(rng.uniform(0.1, 0.8))
        actor.let_hang(asked=True, duration_s=took_s * rng.uniform(0.9, 1.3))
        actor.time.wait(rng.uniform(0.2, 0.9))
    actor.mark("forward_raises", begin_s, actor.time.now_s, side)
    actor.time.wait(rng.uniform(0.8, 2.0))


def bends_at_shoulder_height(actor: Actor, count: int, side: str) -> None:
    """The arms held in the can position while the elbows bend and straighten."""
    from imu_shoulder.drills import load_shipped

    actor.become("stand")
    rng, begin_s = actor.rng, actor.time.now_s
    top = {s: shape_of(load_shipped("full_can"), actor.who, s, rng).stations[0][1] for s in SIDES}
    actor.time.wait(rng.uniform(0.2, 0.6))
    actor.arms(rng.uniform(1.5, 2.5), top)
    actor.time.wait(rng.uniform(0.4, 1.0))
    for _ in range(count):
        took_s = rng.uniform(0.9, 1.6)
        bent = {s: replace(actor.vary(top[s], 1.5), elbow=rng.uniform(80, 105)) for s in SIDES}
        actor.arms(took_s, bent)
        actor.time.wait(rng.uniform(0.2, 0.6))
        actor.arms(took_s, {s: actor.vary(top[s], 1.0) for s in SIDES})
        actor.time.wait(rng.uniform(0.2, 0.6))
    actor.let_hang(asked=True, duration_s=rng.uniform(1.5, 2.5))
    actor.mark("bends_at_shoulder_height", begin_s, actor.time.now_s, side)
    actor.time.wait(rng.uniform(0.8, 2.0))
