"""What comes back in a day and is no exercise, by this simulator's means: each a round that a hand makes, of some
points, at a person's own pace, with slips of attention in between."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace

from imu_shoulder.model import SIDES, Side
from second_simulator.actor import Actor
from second_simulator.people import Posture


@dataclass(frozen=True, slots=True)
class Round:
    """points: of a hand's round. round_s: how long one takes at a person's pace, from and to. rounds: before the hand
    stops or goes elsewhere. apart_s: until the next row. dwells: the share of a round that it stays at each point.
    off_deg: how far a point is missed. elsewhere_deg: how far the next row is from this one. both: hands. stance.
    walks: whether the body goes along, and how far it leans."""

    points: tuple[Posture, ...]
    round_s: tuple[float, float]
    rounds: tuple[int, int]
    apart_s: tuple[float, float]
    dwells: float = 0.04
    off_deg: float = 4.0
    elsewhere_deg: float = 8.0
    both: bool = False
    sits: bool = False
    walks: bool = False
    leans_deg: float = 0.0


ROUNDS: Mapping[str, Round] = {
    "brush_teeth": Round(
        (Posture(38.0, 76.0, 0.0, 128.0, 14.0), Posture(44.0, 74.0, 4.0, 118.0, 20.0)),
        (0.24, 0.42),
        (12, 50),
        (0.4, 3.0),
    ),
    "stir": Round(
        (
            Posture(24.0, 74.0, -6.0, 84.0, 64.0),
            Posture(30.0, 64.0, 4.0, 76.0, 58.0),
            Posture(36.0, 80.0, 4.0, 66.0, 62.0),
            Posture(28.0, 88.0, -10.0, 76.0, 68.0),
        ),
        (0.7, 1.8),
        (6, 40),
        (0.4, 9.0),
        off_deg=2.5,
    ),
    "wipe": Round(
        (Posture(34.0, 40.0, 0.0, 60.0, 72.0), Posture(44.0, 100.0, -15.0, 55.0, 72.0)),
        (0.8, 1.9),
        (4, 15),
        (0.3, 4.0),
        leans_deg=-20.0,
    ),
    "iron": Round(
        (Posture(20.0, 40.0, 0.0, 72.0, 72.0), Posture(48.0, 70.0, 10.0, 28.0, 72.0)),
        (1.6, 3.8),
        (3, 10),
        (2.0, 9.0),
        0.08,
        5.0,
    ),
    "comb": Round(
        (
            Posture(96.0, 66.0, 46.0, 126.0, 6.0),
            Posture(78.0, 36.0, 24.0, 124.0, 4.0),
            Posture(66.0, 56.0, 14.0, 112.0, 12.0),
        ),
        (1.2, 2.4),
        (4, 12),
        (0.5, 5.0),
        elsewhere_deg=14.0,
    ),
    "hammer": Round(
        (Posture(56.0, 70.0, 14.0, 112.0, 6.0), Posture(34.0, 78.0, 0.0, 64.0, 8.0)), (0.45, 0.9), (3, 9), (1.5, 9.0)
    ),
    "knit": Round(
        (Posture(14.0, 66.0, -20.0, 96.0, 46.0), Posture(18.0, 70.0, -12.0, 88.0, 60.0)),
        (0.5, 1.2),
        (20, 60),
        (0.4, 5.0),
        both=True,
        sits=True,
    ),
    "drum": Round(
        (Posture(28.0, 72.0, -8.0, 78.0, 64.0), Posture(28.0, 72.0, -8.0, 81.0, 69.0)),
        (0.25, 0.5),
        (5, 30),
        (0.5, 6.0),
        sits=True,
        off_deg=2.0,
    ),
    "hang_washing": Round(
        (Posture(40.0, 80.0, 0.0, 24.0, 34.0), Posture(124.0, 72.0, 24.0, 28.0, 12.0)),
        (4.0, 11.0),
        (2, 9),
        (2.0, 16.0),
        0.2,
        6.0,
        both=True,
    ),
    "ball": Round(
        (Posture(20.0, 80.0, 4.0, 100.0, 40.0), Posture(46.0, 86.0, 4.0, 48.0, 42.0)),
        (0.6, 2.4),
        (6, 25),
        (0.5, 8.0),
        0.1,
        6.0,
    ),
    "scroll": Round(
        (Posture(26.0, 74.0, -16.0, 104.0, 26.0), Posture(29.0, 76.0, -12.0, 98.0, 36.0)),
        (0.9, 5.0),
        (3, 20),
        (0.5, 12.0),
        0.3,
        sits=True,
    ),
    "vacuum": Round(
        (Posture(20.0, 0.0, 5.0, 76.0, 36.0), Posture(52.0, 80.0, 5.0, 18.0, 36.0)),
        (1.5, 3.4),
        (4, 14),
        (0.6, 6.0),
        elsewhere_deg=10.0,
        leans_deg=-15.0,
    ),
    "paint": Round(
        (Posture(54.0, 74.0, 14.0, 66.0, 16.0), Posture(132.0, 72.0, 20.0, 20.0, 18.0)),
        (1.7, 4.0),
        (4, 9),
        (3.0, 12.0),
        0.08,
        6.0,
        12.0,
    ),
    "fold": Round(
        (
            Posture(34.0, 80.0, 0.0, 54.0, 36.0),
            Posture(60.0, 24.0, 14.0, 30.0, 26.0),
            Posture(34.0, 100.0, -30.0, 86.0, 54.0),
        ),
        (2.2, 5.0),
        (2, 7),
        (1.5, 8.0),
        0.08,
        7.0,
        both=True,
    ),
    "knead": Round(
        (Posture(16.0, 66.0, -6.0, 80.0, 72.0), Posture(46.0, 80.0, 0.0, 24.0, 76.0)),
        (0.9, 2.0),
        (6, 25),
        (0.6, 6.0),
        both=True,
        leans_deg=-15.0,
    ),
    "stick": Round(
        (Posture(8.0, 40.0, 0.0, 20.0, 26.0), Posture(38.0, 86.0, 0.0, 26.0, 28.0)),
        (1.0, 1.5),
        (6, 40),
        (1.0, 10.0),
        off_deg=3.0,
        walks=True,
    ),
    "stairs": Round(
        (Posture(56.0, 80.0, 4.0, 24.0, 36.0), Posture(14.0, 60.0, 4.0, 66.0, 40.0)),
        (0.9, 1.7),
        (5, 14),
        (2.0, 20.0),
        off_deg=5.0,
        walks=True,
    ),
}


def act_round(actor: Actor, name: str, duration_s: float) -> None:
    work, rng = ROUNDS[name], actor.rng
    actor.become("sit" if work.sits else "stand")
    side: Side = SIDES[rng.integers(2)]
    sides = SIDES if work.both else (side,)
    actor.trunk(1.2, pitch=work.leans_deg + rng.normal(0, 3))
    end_s = actor.time.now_s + duration_s
    while actor.time.now_s < end_s:
        here = [actor.vary(point, 0.0) for point in work.points]
        shift = rng.normal(0, work.elsewhere_deg, 5)
        here = [
            replace(
                point,
                elevation=max(1.0, point.elevation + shift[0]),
                plane=point.plane + shift[1],
                rotation=point.rotation + shift[2],
                elbow=max(2.0, point.elbow + shift[3]),
                forearm=point.forearm + shift[4],
            )
            for point in here
        ]
        pace_s = rng.uniform(*work.round_s) / len(here)
        if work.walks:
            actor.trunk(0.8, gait=0.7, speed=0.7 * actor.who.walk_m_s)
        for _ in range(int(rng.integers(work.rounds[0], work.rounds[1] + 1))):
            for point in here:
                took_s = pace_s * float(rng.lognormal(0, actor.habit.spread))
                dwell_s = len(here) * pace_s * work.dwells * rng.uniform(0.3, 1.7)
                for own in sides:
                    actor.arm(own, actor.vary(point, work.off_deg), max(took_s - dwell_s, 0.08))
                actor.time.wait(max(took_s, dwell_s + 0.08))
        if work.walks:
            actor.trunk(0.8, gait=0.0, speed=0.0)
        actor.trunk(1.0, heading=actor.time.target["heading"] + rng.normal(0, 12))
        actor.time.wait(rng.uniform(*work.apart_s))
    actor.trunk(1.2, pitch=0.0)
    actor.let_hang() if actor.stance == "stand" else actor.time.wait(1.0)
