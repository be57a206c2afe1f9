"""Active range tests as a simulated person does them. Degrees; the postures are ours, the ranges a young athlete's."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING

from imu_shoulder.errors import ParameterError
from imu_shoulder.model import EVENT_SIDES, SIDES, Event, Side
from imu_shoulder.simulate.motions import Posture, arm

if TYPE_CHECKING:
    from imu_shoulder.simulate.stage import Stage


@dataclass(frozen=True, slots=True)
class RangeMotion:
    """start, top: postures. channel: what makes the range, which is sign * (its value + offset_deg)."""

    start: Posture
    top: Posture
    channel: str
    offset_deg: float = 0.0
    sign: float = 1.0


# At 90 deg of elevation the forearm's own angle from level is rotation and plane together.
_LEVEL = arm(90, 6, -6, 90, 0)
MOTIONS: Mapping[str, RangeMotion] = {
    "flexion": RangeMotion(arm(6, 85, 0, 8, 0), arm(165, 85, 10, 10, 0), "elevation"),
    "abduction": RangeMotion(arm(6, 8, 0, 8, 0), arm(152, 8, 60, 10, 0), "elevation"),
    "external_rotation_at_side": RangeMotion(arm(7, 15, 0, 90, 0), arm(8, 15, 77, 90, 0), "rotation"),
    "external_rotation_at_90": RangeMotion(_LEVEL, arm(90, 6, 94, 90, 0), "rotation", offset_deg=6),
    "internal_rotation_at_90": RangeMotion(_LEVEL, arm(90, 6, -61, 90, 0), "rotation", offset_deg=6, sign=-1),
}


@dataclass(frozen=True, slots=True)
class RangeTestScript:
    """One active range test. goals_deg: how far each trial goes, for both arms or one list per arm; hold_s: at the end.

    top: angles that differ at the top, such as an elbow that opens.
    """

    test: str
    side: str = "right"
    goals_deg: tuple[float, ...] | Mapping[Side, tuple[float, ...]] = (60.0, 65.0, 62.0)
    hold_s: float = 2.0
    each_way_s: float = 2.2
    top: Mapping[str, float] | None = None

    def __post_init__(self) -> None:
        if self.test not in MOTIONS:
            raise ParameterError(
                f"a range test out of {', '.join(MOTIONS)}", f"it was {self.test!r}", "use one of these"
            )
        if self.side not in EVENT_SIDES:
            raise ParameterError(f"a side out of {', '.join(EVENT_SIDES)}", f"it was {self.side!r}", "use one of these")

    def goals_of(self, side: Side) -> tuple[float, ...]:
        return self.goals_deg[side] if isinstance(self.goals_deg, Mapping) else self.goals_deg


def perform_range_test(stage: Stage, script: RangeTestScript) -> None:
    """Take the start posture, go to each goal and back, and note the event. Arms go at the same time."""
    motion = MOTIONS[script.test]
    sides = [side for side in SIDES if script.side in (side, "both")]
    for side in sides:
        stage.go(side, motion.start, stage.now_s, 2.0)
    stage.now_s += 2.5
    onset_s = stage.now_s
    stage.now_s += 1.5
    for trial in range(max(len(script.goals_of(side)) for side in sides)):
        ends_s = stage.now_s
        for side in sides:
            goals_deg = script.goals_of(side)
            if trial >= len(goals_deg):
                continue
            reached = motion.sign * goals_deg[trial] - motion.offset_deg
            top = {**motion.top, **(script.top or {}), motion.channel: reached}
            up_s, stay_s, down_s = (stage.times(s) for s in (script.each_way_s, script.hold_s, script.each_way_s))
            stage.go(side, top, stage.now_s, up_s, motion.channel)
            back = {name: value + stage.normal(1.5) for name, value in motion.start.items()}
            stage.go(side, back, stage.now_s + up_s + stay_s, down_s, motion.channel)
            ends_s = max(ends_s, stage.now_s + up_s + stay_s + down_s)
        stage.now_s = ends_s + stage.times(1.2, 0.15)
    stage.events.append(Event(onset_s, stage.now_s - onset_s, "set", script.test, script.side))
    stage.go_both(stage.relaxed(), 2.0)
