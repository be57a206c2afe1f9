"""The sets of a stream: the one that goes on, and those that are over."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

import numpy as np

from imu_shoulder.analysis import AnalysedSet, Params
from imu_shoulder.angles.joint import ArmAngles
from imu_shoulder.angles.lean import UNSAID, drill_stance, off_upright, upright_only
from imu_shoulder.angles.mirrored import Mirrored
from imu_shoulder.angles.plausible import Beyond
from imu_shoulder.angles.uncertainty import angle_sd
from imu_shoulder.calibrate.model import Calibration
from imu_shoulder.drills import Drill
from imu_shoulder.engine.blade import BladeReps
from imu_shoulder.engine.judging import seen_by
from imu_shoulder.engine.running import RunningSet, without_slipped
from imu_shoulder.engine.seating import Kept
from imu_shoulder.model import Event, Finding, FloatArray, Side, Track

# How the sensors sit is looked at anew inside a set when so many reps are told, and each time they have doubled.
FIRST_TOLD = 2


class Sets:
    """running: the set that goes on. done: of each arm, judged."""

    def __init__(self, rate_hz: float, params: Params) -> None:
        self._rate_hz, self._params = rate_hz, params
        self.running: RunningSet | None = None
        self.done: list[AnalysedSet] = []
        self._beyond = Beyond()
        self._mirrored = Mirrored(params.mirror)
        self._closed: RunningSet | None = None
        self._next_told = FIRST_TOLD
        self._closed_sides: set[Side] = set()
        self._blades = BladeReps()

    def open(
        self,
        number: int,
        event: Event,
        drill: Drill | None,
        asked: Mapping[Side, Drill],
        slipped_s: Mapping[Side, float],
    ) -> None:
        """slipped_s: of each arm, infinite for never."""
        self.running = RunningSet(number, event, drill, asked, self._rate_hz, self._params, self._blades)
        self.running.slipped_s.update(slipped_s)
        self._next_told = FIRST_TOLD

    def push(
        self,
        time_s: FloatArray,
        arms: Mapping[Side, ArmAngles],
        tracks: Mapping[str, Track],
        calibration: Calibration | None,
        kept: Kept,
    ) -> None:
        """Rows of the set that goes on. calibration, kept: from which the angles were worked out."""
        if self.running is None or calibration is None or not len(time_s):
            return
        arms = {side: arm for side, arm in arms.items() if side in self.running.sides}
        seen = {side: seen_by(calibration.arms[side], tracks, side, len(time_s)) for side in arms}
        self.running.push(time_s, arms, seen, tracks)
        for side, arm in arms.items():
            self.running.spread.push(time_s, arm, calibration.arms[side], kept[side])

    def has_doubled(self) -> bool:
        """Whether twice as many reps of the set that goes on are told as when this was last so: at 2, 4, 8 and on."""
        told = 0 if self.running is None else self.running.told
        if told < self._next_told:
            return False
        self._next_told = 2 * told
        return True

    def close(self, event: Event) -> None:
        """event: the set that goes on, with its end."""
        if self.running is None:
            return
        closed = self.running.close(event.end_s)
        self.done += closed
        self._closed_sides = {own.arm_set.side for own in closed}
        self._closed, self.running = self.running, None

    def check_reach(
        self, time_s: FloatArray, arms: Mapping[Side, ArmAngles], kept: Kept, calibration: Calibration
    ) -> None:
        """Look at where the arms went in the set that was closed last. time_s: (N,) its rows."""
        if self._closed is None:
            return
        drill, params = self._closed.drill, self._params
        stance = np.full(len(time_s), UNSAID if drill is None else drill_stance(drill))
        for side in self._closed_sides & arms.keys():
            seat = calibration.arms[side]
            sd = angle_sd(arms[side], seat, kept[side], self._rate_hz, stance, params.angles, params.uncertainty)
            arm = upright_only(arms[side], off_upright(arms[side], stance, params.angles.leant_deg))
            self._beyond.look(side, time_s, arm.angles, sd, self._rate_hz)
            self._mirrored.look(side, drill, time_s, arm.angles, sd, self._rate_hz)

    def findings(self) -> list[Finding]:
        """Of angles that no joint reaches, and arms that move as in a mirror."""
        return [*self._beyond.findings(), *self._mirrored.findings()]

    def leave_out(self, side: Side, slipped_s: float) -> None:
        """Reps that ended after a slip are not scored, those of sets that are over included."""
        for own in (self.running, self._closed):
            if own is not None:
                own.slip(side, slipped_s)
        for place, found in enumerate(self.done):
            if found.arm_set.side == side:
                judged = tuple(without_slipped(rep, slipped_s) for rep in found.judged)
                self.done[place] = replace(found, judged=judged)
