"""What a day has in it and no exercise is: sitting, typing, drinking, eating, dressing, reaching into shelves.

Postures and durations are a plausible person's, ours. Nothing here is done in equal steps on purpose, and some of it
comes back often, as it does in a day.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping

from imu_shoulder.model import SIDES, Side
from imu_shoulder.simulate.housework import HOUSEWORK, do_housework
from imu_shoulder.simulate.motions import Posture, arm
from imu_shoulder.simulate.script import Chore
from imu_shoulder.simulate.stage import Stage

SITTING_M = -0.45
ON_THE_THIGHS = arm(27, 72, -8, 60, 55)
AT_THE_KEYS = arm(24, 70, -12, 88, 66)
AT_THE_CUP = arm(46, 76, -5, 46, 20)
AT_THE_MOUTH = arm(48, 74, -10, 127, 6)
AT_THE_PLATE = arm(36, 70, -15, 72, 45)
SPOON_AT_THE_MOUTH = arm(52, 66, -8, 122, 25)
PULLOVER = (
    arm(50, 85, 0, 60, 20),
    arm(112, 75, 25, 85, 40),
    arm(148, 60, 40, 50, 30),
    arm(60, 70, -20, 110, 60),
    arm(34, -50, -45, 60, 60),
)
SHELVES = (arm(70, 80, 0, 35, 20), arm(98, 75, 10, 30, 15), arm(122, 72, 20, 28, 10), arm(140, 68, 28, 25, 10))
ON_THE_TABLE = arm(40, 78, -8, 62, 35)


def do_chore(stage: Stage, chore: Chore) -> None:
    acts: Mapping[str, Callable[[Stage, float], None]] = {
        "sit": _sit,
        "type": _type,
        "drink": _drink,
        "eat": _eat,
        "dress": _dress,
        "reach": _reach,
    }
    work = HOUSEWORK.get(chore.activity)
    seated = chore.activity in ("sit", "type", "eat") or (chore.activity == "drink" and stage.rng.random() < 0.5)
    seated = seated or (work is not None and work.seated)
    stage.line.move("trunk.z", stage.now_s, 2.0, SITTING_M if seated else 0.0)
    stage.go_both(ON_THE_THIGHS if seated else stage.relaxed(), 2.2)
    until_s = stage.now_s + chore.duration_s
    if work is None:
        acts[chore.activity](stage, until_s)
    else:
        do_housework(stage, chore.activity, until_s)
    if seated:
        stage.line.move("trunk.z", stage.now_s, 2.0, 0.0)
    stage.go_both(stage.relaxed(), 2.2)


def _about(stage: Stage, posture: Posture, sd_deg: float) -> Posture:
    return {name: value + stage.normal(sd_deg) for name, value in posture.items()}


def _within(stage: Stage, low: float, high: float) -> float:
    return float(stage.rng.uniform(low, high))


def _one(stage: Stage) -> Side:
    return SIDES[int(stage.rng.integers(2))]


def _move(stage: Stage, side: Side, posture: Posture, duration_s: float, sd_deg: float = 5.0) -> None:
    stage.go(side, _about(stage, posture, sd_deg), stage.now_s, duration_s)
    stage.now_s += duration_s


def _sit(stage: Stage, until_s: float) -> None:
    while stage.now_s < until_s:
        stage.now_s += _within(stage, 4, 25)
        _move(stage, _one(stage), ON_THE_THIGHS, _within(stage, 1.0, 2.0), 9.0)


def _type(stage: Stage, until_s: float) -> None:
    stage.go_both(AT_THE_KEYS, 1.4)
    while stage.now_s < until_s:
        took_s = _within(stage, 0.25, 0.7)
        for side in SIDES:
            stage.go(side, _about(stage, AT_THE_KEYS, 2.5), stage.now_s, took_s)
        stage.now_s += took_s + (_within(stage, 0.0, 3.0) if stage.rng.random() < 0.4 else 0.0)
        if stage.rng.random() < 0.03:
            side = _one(stage)
            _move(stage, side, arm(38, 50, -5, 62, 60), _within(stage, 0.7, 1.2))  # the mouse
            stage.now_s += _within(stage, 1.0, 8.0)


def _drink(stage: Stage, until_s: float) -> None:
    side = _one(stage)
    while stage.now_s < until_s:
        _move(stage, side, AT_THE_CUP, _within(stage, 0.9, 1.6))
        stage.now_s += _within(stage, 0.2, 0.8)
        _move(stage, side, AT_THE_MOUTH, _within(stage, 1.0, 1.8), 4.0)
        for _ in range(int(stage.rng.integers(1, 4))):
            begin_s, took_s = stage.now_s, _within(stage, 1.0, 1.8)
            tilt_deg = _within(stage, 8, 28)
            stage.there_and_back(
                f"{side}.forearm", begin_s, begin_s + 0.4 * took_s, begin_s + 0.6 * took_s, begin_s + took_s, tilt_deg
            )
            stage.now_s += took_s + _within(stage, 0.1, 0.8)
        _move(stage, side, AT_THE_CUP, _within(stage, 0.9, 1.6))
        _move(stage, side, ON_THE_TABLE, _within(stage, 0.8, 1.4))
        stage.now_s += _within(stage, 2.0, 40.0)


def _eat(stage: Stage, until_s: float) -> None:
    """By the spoon: the most regular of all, at the pace of chewing."""
    side = _one(stage)
    while stage.now_s < until_s:
        _move(stage, side, AT_THE_PLATE, _within(stage, 0.8, 1.6))
        for _ in range(int(stage.rng.integers(0, 3))):
            _move(stage, side, AT_THE_PLATE, _within(stage, 0.3, 0.8))
        _move(stage, side, SPOON_AT_THE_MOUTH, _within(stage, 0.9, 1.7))
        stage.now_s += _within(stage, 0.3, 0.9)
        _move(stage, side, AT_THE_PLATE, _within(stage, 0.8, 1.5))
        stage.now_s += _within(stage, 1.0, 14.0)


def _dress(stage: Stage, until_s: float) -> None:
    while stage.now_s < until_s:
        for posture in PULLOVER:
            took_s = _within(stage, 0.7, 1.6)
            for side in SIDES:
                stage.go(side, _about(stage, posture, 8.0), stage.now_s, took_s)
            stage.now_s += took_s + _within(stage, 0.0, 1.2)
        stage.go_both(stage.relaxed(), 1.3)
        stage.now_s += _within(stage, 1.0, 12.0)


def _reach(stage: Stage, until_s: float) -> None:
    """Things from a table into shelves of several heights, or back, now by this hand and now by that."""
    while stage.now_s < until_s:
        side = _one(stage)
        shelf = SHELVES[int(stage.rng.integers(len(SHELVES)))]
        line = stage.line
        line.move("trunk.heading", stage.now_s, 1.5, line.target("trunk.heading") + _within(stage, -60, 60))
        for posture in (ON_THE_TABLE, shelf) if stage.rng.random() < 0.7 else (shelf, ON_THE_TABLE):
            _move(stage, side, posture, _within(stage, 0.8, 1.7), 7.0)
            stage.now_s += _within(stage, 0.2, 2.5)
        if stage.rng.random() < 0.6:
            _move(stage, side, stage.relaxed(), _within(stage, 0.9, 1.6))
        stage.now_s += _within(stage, 0.3, 6.0)
