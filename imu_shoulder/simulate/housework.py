"""More of what comes back in a day and is no exercise: work of the house, and hands that are never still.

Each is a way that a hand goes again and again in runs, between which it does something else or goes on elsewhere.
Postures, paces and counts are a plausible person's, ours.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Literal

from imu_shoulder.model import SIDES
from imu_shoulder.simulate.motions import Posture, arm
from imu_shoulder.simulate.stage import Stage

Span = tuple[float, float]


@dataclass(frozen=True, slots=True)
class Work:
    """way: postures that are visited in turn. stroke_s: from one to the next, drawn for a run, and within it by
    uneven, a share. stays_s: at each of them. runs: rounds of a run; break_s: between two. scatter_deg: of a posture
    from visit to visit; moves_deg: of the whole way from run to run. lean_deg: of the trunk.
    """

    way: tuple[Posture, ...]
    stroke_s: Span
    runs: tuple[int, int]
    break_s: Span
    stays_s: Span = (0.0, 0.1)
    uneven: float = 0.12
    scatter_deg: float = 4.0
    moves_deg: float = 8.0
    hands: Literal["one", "both"] = "one"
    seated: bool = False
    lean_deg: float = 0.0


HOUSEWORK: Mapping[str, Work] = {
    "brush_teeth": Work((arm(42, 70, -5, 122, 20), arm(46, 72, 2, 114, 28)), (0.13, 0.22), (15, 60), (0.5, 3.0)),
    "stir": Work(
        (arm(28, 80, -10, 78, 60), arm(34, 70, 0, 70, 55), (arm(38, 84, 0, 62, 60)), arm(32, 92, -12, 70, 66)),
        (0.18, 0.4),
        (8, 40),
        (0.5, 8.0),
        scatter_deg=2.5,
    ),
    "wipe": Work((arm(30, 60, -10, 80, 70), arm(52, 95, 12, 35, 70)), (0.35, 0.9), (4, 14), (0.4, 4.0), lean_deg=18.0),
    "iron": Work(
        (arm(18, 60, -5, 80, 70), arm(45, 80, 5, 35, 70)),
        (0.7, 1.8),
        (3, 9),
        (2.0, 9.0),
        (0.1, 0.5),
        0.15,
        lean_deg=10.0,
    ),
    "comb": Work(
        (arm(88, 60, 40, 130, 10), arm(76, 30, 20, 128, 0), arm(62, 50, 10, 118, 15)),
        (0.4, 0.9),
        (4, 12),
        (0.5, 4.0),
        moves_deg=14.0,
    ),
    "hammer": Work((arm(50, 75, 10, 105, 10), arm(35, 75, 0, 70, 5)), (0.2, 0.45), (3, 9), (1.5, 9.0)),
    "knit": Work(
        (arm(18, 60, -15, 92, 50), arm(22, 66, -8, 86, 62)),
        (0.25, 0.6),
        (20, 60),
        (0.5, 5.0),
        hands="both",
        seated=True,
    ),
    "drum": Work((arm(26, 70, -10, 80, 66), arm(26, 70, -10, 83, 70)), (0.12, 0.25), (6, 30), (0.5, 6.0), seated=True),
    "hang_washing": Work(
        (arm(35, 85, 0, 30, 30), arm(118, 78, 20, 35, 10)),
        (1.0, 1.9),
        (2, 9),
        (2.0, 15.0),
        (0.6, 4.0),
        0.2,
        6.0,
        hands="both",
    ),
    "ball": Work((arm(24, 78, 0, 95, 45), arm(40, 85, 0, 55, 45)), (0.25, 0.6), (6, 25), (0.5, 8.0), scatter_deg=6.0),
    "scroll": Work((arm(30, 70, -20, 100, 30), arm(33, 72, -16, 95, 38)), (0.3, 0.7), (3, 20), (0.5, 12.0), (0.2, 4.0)),
    "vacuum": Work(
        (arm(15, 20, 5, 70, 40), arm(48, 85, 5, 22, 40)), (0.7, 1.6), (4, 14), (0.8, 6.0), moves_deg=10.0, lean_deg=15.0
    ),
    "paint": Work(
        (arm(60, 80, 10, 60, 20), arm(125, 78, 15, 25, 20)),
        (0.8, 1.8),
        (4, 9),
        (3.0, 12.0),
        (0.1, 0.6),
        0.15,
        6.0,
        12.0,
    ),
    "fold": Work(
        (arm(30, 85, -5, 60, 40), arm(55, 30, 10, 35, 30), arm(38, 95, -25, 80, 50)),
        (0.6, 1.3),
        (2, 7),
        (1.5, 8.0),
        (0.1, 1.0),
        0.2,
        7.0,
        hands="both",
    ),
    "knead": Work(
        (arm(20, 70, -10, 75, 70), arm(42, 85, -5, 30, 75)),
        (0.4, 0.9),
        (6, 25),
        (0.8, 6.0),
        hands="both",
        lean_deg=15.0,
    ),
    "stick": Work((arm(10, 60, 0, 25, 30), arm(34, 88, 0, 30, 30)), (0.5, 0.75), (6, 40), (1.0, 10.0), scatter_deg=3.0),
    "stairs": Work((arm(52, 84, 0, 30, 40), arm(18, 75, 0, 60, 40)), (0.4, 0.8), (5, 14), (2.0, 20.0), scatter_deg=5.0),
}


def do_housework(stage: Stage, name: str, until_s: float) -> None:
    """From where the arms are, until about a time."""
    work, rng = HOUSEWORK[name], stage.rng
    side = SIDES[int(rng.integers(2))]
    sides = SIDES if work.hands == "both" else (side,)
    stage.line.move("trunk.lean_forward", stage.now_s, 1.5, work.lean_deg)
    while stage.now_s < until_s:
        moved = {channel: stage.normal(work.moves_deg) for channel in work.way[0]}
        stroke_s, stays_s = float(rng.uniform(*work.stroke_s)), float(rng.uniform(*work.stays_s))
        for _ in range(int(rng.integers(work.runs[0], work.runs[1] + 1))):
            for posture in work.way:
                took_s = stage.times(stroke_s, work.uneven)
                for own in sides:
                    to = {name: at + moved[name] + stage.normal(work.scatter_deg) for name, at in posture.items()}
                    stage.go(own, to, stage.now_s, took_s)
                stage.now_s += took_s + float(rng.uniform(0.3, 1.7)) * stays_s
        stage.now_s += float(rng.uniform(*work.break_s))
    stage.line.move("trunk.lean_forward", stage.now_s, 1.5, 0.0)
