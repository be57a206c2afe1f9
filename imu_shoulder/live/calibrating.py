"""Leads through calibration: which step runs, how far it is, what came of it."""

from __future__ import annotations

from typing import Any

from imu_shoulder.errors import CalibrationError
from imu_shoulder.live.flow import LiveFlow
from imu_shoulder.live.params import LiveParams
from imu_shoulder.live.steps import EVENT_TYPES, Verdict, on_limb, watch_movement, watch_pose
from imu_shoulder.live.words import STEPS
from imu_shoulder.model import Event

ORDER = ("pose", "bends", "raises", "ready")
LOOK_S = 0.4


class Calibrating:
    """The steps in order. A step runs from its command until it is good, or until the next one begins."""

    def __init__(self, flow: LiveFlow, params: LiveParams) -> None:
        self._flow, self._params = flow, params
        self.step = "pose"
        self.events: list[Event] = []
        self.on_limb: dict[str, bool] = {}
        self._since_s: float | None = None
        self._looked_s = -1e9
        self._verdict: Verdict | None = None
        self._last: tuple[str, str] | None = None

    @property
    def block(self) -> int:
        """Number of the movement that goes on, -1 for none."""
        return len(self.events) if self._since_s is not None and self.step in ("bends", "raises") else -1

    def start(self, step: str, now_s: float) -> str | None:
        """Begin a step (again). Returns a sentence where it cannot begin."""
        if step != "pose" and self._flow.pose is None:
            return "First stand still for the pose: nothing else can be seen without it."
        if self._since_s is not None and self.step in ("bends", "raises") and step != self.step:
            self._look(now_s, ended=True)
        if step == "pose":
            self.events = []
        self.events = [event for event in self.events if event.trial_type != EVENT_TYPES[step]]
        self.step, self._since_s, self._verdict, self._last = step, now_s, None, None
        return None

    def skip(self, now_s: float) -> str | None:
        if self.step == "pose" and self._flow.pose is None:
            return "The pose cannot be left out: the angles hang on it."
        self.close(now_s, only_this=True)
        return None

    def close(self, now_s: float, *, only_this: bool = False) -> None:
        """Go on without what is missing."""
        if self._since_s is not None and self.step in ("bends", "raises"):
            self._look(now_s, ended=True)
        if self.step == "ready":
            return
        self._since_s, self._verdict = None, None
        self.step = ORDER[ORDER.index(self.step) + 1] if only_this else "ready"

    def update(self, now_s: float) -> None:
        if self._since_s is not None and now_s - self._looked_s >= LOOK_S:
            self._looked_s = now_s
            self._look(now_s, ended=False)

    def _look(self, now_s: float, *, ended: bool) -> None:
        assert self._since_s is not None
        verdict = self._pose() if self.step == "pose" else self._movement(now_s, ended)
        self._verdict = verdict
        if verdict.good is None:
            return
        self._last = ("good" if verdict.good else "again", verdict.because)
        if not verdict.good:
            # The step simply goes on: what was no good is forgotten.
            self._since_s = now_s
            return
        if verdict.event is not None and self.step != "pose":
            self._flow.keep(verdict.event)
            self.events.append(verdict.event)
            self._flow.calibrate(self.events)
        self.step, self._since_s, self._verdict = ORDER[ORDER.index(self.step) + 1], None, None

    def _pose(self) -> Verdict:
        assert self._since_s is not None
        time_s, tracks = self._flow.raw_since(self._since_s)
        verdict = watch_pose(time_s, tracks, self._since_s, self._params)
        if verdict.good and verdict.event is not None:
            try:
                self._flow.take_pose(verdict.event)
            except CalibrationError as error:
                return Verdict(0.0, False, f"{error.came}; {error.do}")
            self.events = [verdict.event]
        return verdict

    def _movement(self, now_s: float, ended: bool) -> Verdict:
        since_s = self._since_s
        assert since_s is not None
        assert self._flow.pose is not None
        event = Event(since_s, now_s - since_s, EVENT_TYPES[self.step])
        calibration = self._flow.calibrate([*self.events, event])
        time_s, attitudes = self._flow.attitudes_since(since_s)
        verdict = watch_movement(
            self.step, event, time_s, attitudes, self._flow.pose, calibration, self._params, ended=ended
        )
        if not verdict.good:
            self._flow.calibrate(self.events)
        elif self.step == "bends":
            for side in calibration.arms:
                right = on_limb(side, attitudes, self._flow.pose)
                if right is not None:
                    self.on_limb |= {f"{side}_wrist": right, f"{side}_upper_arm": right}
        return verdict

    def frame(self) -> dict[str, Any]:
        verdict, because = self._last or (None, "")
        running = self._since_s is not None
        asked = {"bends": self._params.bends, "raises": self._params.raises}.get(self.step)
        progress = 0.0 if self._verdict is None else self._verdict.progress
        return {
            "step": self.step,
            "running": running,
            "text": STEPS[self.step],
            "still": round(progress, 2),
            "count": None if asked is None else round(progress * asked),
            "asked": asked,
            "verdict": verdict,
            "because": because,
        }
