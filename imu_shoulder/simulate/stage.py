"""The person on stage: channels over time, the events, what truly happened, and the blocks other than sets."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from imu_shoulder.model import SIDES, Event, Side
from imu_shoulder.simulate.athlete import Athlete
from imu_shoulder.simulate.motions import ARM_CHANNELS, THUMB_UP, Posture, arm, turned_hand
from imu_shoulder.simulate.script import BendsAtShoulderHeight, ElbowBends, ForwardRaises, Pause, Pose
from imu_shoulder.simulate.timeline import Timeline

TRUNK_CHANNELS = ("lean_forward", "lean_right", "turn", "lying", "heading", "x", "y", "z")
SWAY_HZ = (0.1, 1.0)
UNEVEN_HZ = (0.8, 3.0)


@dataclass(frozen=True, slots=True)
class Attempt:
    """One rep as scripted. stations: (name, arrives_s, leaves_s). Times are seconds of the recording's clock."""

    set: int
    drill: str
    side: Side
    rep: int
    start_s: float
    top_start_s: float
    top_end_s: float
    end_s: float
    role: str
    faults: tuple[str, ...]
    counts: bool
    stations: tuple[tuple[str, float, float], ...]


class Stage:
    """Where blocks are performed one after the other. now_s: the time the next block begins."""

    def __init__(self, athlete: Athlete, rng: np.random.Generator) -> None:
        self.athlete = athlete
        self.rng = rng
        self.hanging = arm(
            athlete.pose_elevation_deg,
            athlete.pose_plane_deg,
            athlete.pose_rotation_deg,
            athlete.pose_elbow_deg,
            athlete.pose_forearm_deg,
        )
        start = {f"{side}.{name}": self.hanging[name] for side in SIDES for name in ARM_CHANNELS}
        start |= {f"{side}.shrug": 0.0 for side in SIDES} | {f"trunk.{name}": 0.0 for name in TRUNK_CHANNELS}
        self.line = Timeline(start)
        self.now_s = 2.0
        self.events: list[Event] = []
        self.attempts: list[Attempt] = []

    def finish(self) -> None:
        """A last rest, then the sway and breathing that never stop, over everything."""
        self.now_s += 2.0
        sway_deg = self.athlete.sway_deg
        swaying = [("trunk.lean_forward", 1.0), ("trunk.lean_right", 0.7), ("trunk.turn", 1.0)]
        swaying += [(f"{side}.{name}", 1.0) for side in SIDES for name in ARM_CHANNELS]
        for channel, factor in swaying:
            self.line.noise(channel, 0.0, self.now_s, sway_deg * factor, SWAY_HZ, self.seed())
        for axis in ("x", "y", "z"):
            self.line.noise(f"trunk.{axis}", 0.0, self.now_s, sway_deg * 0.008, SWAY_HZ, self.seed())
        self.line.sine("trunk.lean_forward", 0.0, self.now_s, 0.25, self.athlete.breathing_deg, 0.0)

    def seed(self) -> int:
        return int(self.rng.integers(2**62))

    def normal(self, sd: float) -> float:
        """Natural variation, cut at 2 SD: a person who does a rep well does not do it wildly."""
        return float(np.clip(self.rng.normal(), -2, 2)) * sd * self.athlete.variation

    def times(self, duration_s: float, cv: float = 0.1) -> float:
        return duration_s * (1 + self.normal(cv))

    def go(self, side: Side, posture: Posture, start_s: float, duration_s: float, leading: str | None = None) -> None:
        """Move an arm. Angles other than the leading one start a little later and arrive a little earlier."""
        for name, to in posture.items():
            late_s, early_s = 0.0, 0.0
            if name != leading:
                late_s, early_s = (abs(self.normal(0.05)) * duration_s for _ in range(2))
            self.line.move(f"{side}.{name}", start_s + late_s, duration_s - late_s - early_s, to)
        if leading is not None:
            rms = self.athlete.unevenness_deg
            self.line.noise(f"{side}.{leading}", start_s, duration_s, rms, UNEVEN_HZ, self.seed())

    def go_both(self, posture: Posture, duration_s: float) -> None:
        for side in SIDES:
            self.go(side, posture, self.now_s, duration_s)
        self.now_s += duration_s

    def there_and_back(
        self, channel: str, start_s: float, there_s: float, leave_s: float, end_s: float, by: float
    ) -> None:
        self.line.move(channel, start_s, there_s - start_s, self.line.target(channel) + by)
        self.line.move(channel, leave_s, end_s - leave_s, self.line.target(channel) - by)

    def relaxed(self) -> Posture:
        """Hanging in no particular way."""
        sds = {"elevation": 1.0, "plane": 5.0, "rotation": 4.0, "elbow": 2.0, "forearm": 5.0}
        return {name: value + self.normal(sds[name]) for name, value in self.hanging.items()}


def strike_pose(stage: Stage, block: Pose) -> None:
    stage.go_both(stage.hanging, 1.5)
    stage.now_s += 0.5
    stage.events.append(Event(stage.now_s + 0.5, block.still_s - 1.0, "neutral_pose"))
    stage.now_s += block.still_s


def bend_elbows(stage: Stage, block: ElbowBends) -> None:
    """Both elbows; the upper arms come along by a few degrees, as they do."""
    stage.now_s += 1.0
    begin_s = stage.now_s - 0.7
    hanging = stage.hanging
    for _ in range(block.count):
        bent = {"elbow": block.top_deg + stage.normal(4), "forearm": hanging["forearm"] + stage.normal(4)}
        bent |= {"elevation": hanging["elevation"] + stage.normal(2), "rotation": stage.normal(2)}
        straight = {**stage.relaxed(), "plane": hanging["plane"]}
        if block.stop_deg is not None:
            straight["elbow"] = block.stop_deg + abs(straight["elbow"] - hanging["elbow"]) / 2
        for target in (bent, straight):
            duration_s = stage.times(block.each_way_s)
            for side in SIDES:
                stage.go(side, target, stage.now_s, duration_s, "elbow")
            stage.now_s += duration_s + stage.times(0.2)
    stage.events.append(Event(begin_s, stage.now_s + 0.5 - begin_s, "elbow_bends"))
    stage.now_s += 1.0


def raise_forward(stage: Stage, block: ForwardRaises) -> None:
    plane = stage.athlete.raise_plane_deg
    stage.go_both({"plane": plane, "elevation": stage.hanging["elevation"]}, 1.0)
    stage.now_s += 1.0
    begin_s = stage.now_s - 0.7
    for _ in range(block.count):
        up = arm(
            block.top_deg + stage.normal(3),
            plane + stage.normal(2),
            stage.normal(3),
            6 + stage.normal(2),
            stage.normal(3),
        )
        for target in (up, {**stage.relaxed(), "plane": plane}):
            duration_s = stage.times(block.each_way_s)
            for side in SIDES:
                stage.go(side, target, stage.now_s, duration_s, "elevation")
            stage.now_s += duration_s + stage.times(0.5)
    stage.events.append(Event(begin_s, stage.now_s + 0.5 - begin_s, "forward_raises"))
    stage.now_s += 1.0


def bend_at_shoulder_height(stage: Stage, block: BendsAtShoulderHeight) -> None:
    """Both elbows; the upper arms stay up where a full can has them, give or take."""
    stage.now_s += 1.0
    begin_s = stage.now_s - 0.7
    top = turned_hand(THUMB_UP, stage.athlete.hand_deg)

    def go(elbow_deg: float, duration_s: float, leading: str) -> None:
        for side in SIDES:
            posture = {name: value + stage.normal(2) for name, value in top.items()} | {"elbow": elbow_deg}
            stage.go(side, posture, stage.now_s, duration_s, leading)
        stage.now_s += duration_s + stage.times(0.4)

    go(top["elbow"], stage.times(2.0), "elevation")
    for _ in range(block.count):
        go(block.top_deg + stage.normal(4), stage.times(block.each_way_s), "elbow")
        go(top["elbow"], stage.times(block.each_way_s), "elbow")
    stage.go_both(stage.relaxed(), stage.times(2.0))
    stage.events.append(Event(begin_s, stage.now_s + 0.5 - begin_s, "bends_at_shoulder_height"))
    stage.now_s += 1.0


def pause(stage: Stage, block: Pause) -> None:
    start_s = stage.now_s
    stage.go_both(stage.relaxed(), 1.5)
    lasts_s = max(block.duration_s - 1.5, 1.0)
    if block.activity == "walk":
        _walk(stage, lasts_s)
    elif block.activity == "fidget":
        _fidget(stage, lasts_s)
    stage.now_s = max(start_s + block.duration_s, stage.now_s)


def _walk(stage: Stage, lasts_s: float) -> None:
    """A few steps and a turn: arms swing against each other, the trunk bobs at twice the stride rate."""
    line, begin_s, stride_hz = stage.line, stage.now_s, float(stage.rng.uniform(0.8, 0.95))
    turn_deg = float(stage.rng.uniform(60, 180)) * (1 if stage.rng.random() < 0.5 else -1)
    line.move("trunk.heading", begin_s, lasts_s, line.target("trunk.heading") + turn_deg)
    line.move("trunk.x", begin_s, lasts_s, line.target("trunk.x") + 0.6 * lasts_s)
    line.sine("trunk.z", begin_s, lasts_s, 2 * stride_hz, 0.018, 0.0)
    line.sine("trunk.z", begin_s, lasts_s, 4 * stride_hz, 0.003, 1.0)
    line.sine("trunk.turn", begin_s, lasts_s, stride_hz, 4.0, 0.5)
    line.sine("trunk.lean_right", begin_s, lasts_s, stride_hz, 1.5, 0.0)
    for side, phase in zip(SIDES, (0.0, np.pi), strict=True):
        line.move(f"{side}.plane", begin_s, 0.8, 85.0)
        line.sine(f"{side}.elevation", begin_s, lasts_s, stride_hz, 13.0, phase)
        line.sine(f"{side}.elbow", begin_s, lasts_s, stride_hz, 5.0, phase)
        line.sine(f"{side}.forearm", begin_s, lasts_s, stride_hz, 6.0, phase + 1.0)
    stage.now_s += lasts_s


def _fidget(stage: Stage, lasts_s: float) -> None:
    """Scratching, shaking out, folding: arbitrary postures one after the other, each arm in its own time."""
    ends_s = stage.now_s + lasts_s
    for side in SIDES:
        at_s = stage.now_s
        while at_s + 1.2 < ends_s:
            ranges = ((3, 55), (0, 90), (-40, 30), (5, 125), (-50, 50))
            target = arm(*(float(stage.rng.uniform(low, high)) for low, high in ranges))
            duration_s = float(stage.rng.uniform(0.5, 1.1))
            stage.go(side, target, at_s, duration_s)
            at_s += duration_s + float(stage.rng.uniform(0.0, 0.8))
    stage.now_s = ends_s
    stage.go_both(stage.relaxed(), 1.2)
