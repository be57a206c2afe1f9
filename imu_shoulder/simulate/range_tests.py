"""Active range tests as a simulated person does them."""

from __future__ import annotations

from imu_shoulder.model import SIDES, Event
from imu_shoulder.simulate.motions import RANGE_MOTIONS
from imu_shoulder.simulate.script import RangeTestScript
from imu_shoulder.simulate.stage import Stage


def perform_range_test(stage: Stage, script: RangeTestScript) -> None:
    """Take the start posture, go to each goal and back, and note the event. Arms go at the same time."""
    motion = RANGE_MOTIONS[script.test]
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
