"""Leads through calibration: which step runs, how far it is, what came of it."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

from imu_shoulder.engine.stream import Stream
from imu_shoulder.errors import CalibrationError
from imu_shoulder.live.params import LiveParams
from imu_shoulder.live.steps import EVENT_TYPES, Verdict, on_limb, watch_movement, watch_pose
from imu_shoulder.live.words import step_text
from imu_shoulder.model import SIDES, Event, Side, limbs_of

ORDER = ("pose", "bends", "raises", "high", "ready")
LOOK_S = 0.4


class Calibrating:
    """The steps in order. A step runs from its command until it is good, or until the next one begins.

    A step of a recording is over when the recording says so, and counts as a file counts it. A movement can be done
    again by one arm alone; what was seen of the other one stays. The pose is of all sensors at once.
    """

    def __init__(self, stream: Stream, params: LiveParams) -> None:
        self._stream, self._params = stream, params
        self.step = "pose"
        # The arm that does the steps alone.
        self.side: Side | None = None
        self.on_limb: dict[str, bool] = {}
        self._since_s: float | None = None
        self._recorded: Event | None = None
        self._looked_s = -1e9
        self._verdict: Verdict | None = None
        self._last: tuple[str, str] | None = None

    @property
    def events(self) -> list[Event]:
        """What the calibration was made from."""
        return [event for event in self._stream.events if event.trial_type in EVENT_TYPES.values()]

    def start(self, step: str, side: Side | None = None, recorded: Event | None = None) -> str | None:
        """Begin a step (again). Returns a sentence where it cannot begin.

        side: of one arm alone. recorded: the step as a recording has it.
        """
        if step == "pose" and side is not None:
            return "The pose is of both arms: stand still with both."
        if recorded is not None:
            side = next((own for own in SIDES if own == recorded.side), None)
        if step != "pose" and self._stream.pose is None:
            return "First stand still for the pose: nothing else can be seen without it."
        self._end_movement()
        # A pose takes the place of the one before once it is taken.
        if recorded is None and step != "pose":
            self._stream.events = [e for own in self._stream.events for e in _without(own, EVENT_TYPES[step], side)]
        self.step, self._verdict, self._last, self._recorded = step, None, None, recorded
        self.side = side
        self._since_s = self._stream.mark_s if recorded is None else recorded.onset_s
        if recorded is not None:
            self._stream.begin(recorded)
            self._stream.end(recorded.end_s)
        elif step != "pose":
            self._stream.begin(Event(self._since_s, 0.0, EVENT_TYPES[step], side=side))
        return None

    def skip(self) -> str | None:
        if self.step == "pose" and self._stream.pose is None:
            return "The pose cannot be left out: the angles hang on it."
        step = self.step
        self._end_movement()
        # If what was seen of the step did, the next one is due already: that one is not left out.
        if self.step == step:
            self._go_to(_after(step))
        return None

    def close(self) -> None:
        """Go on without what is missing."""
        self._end_movement()
        self._go_to("ready")

    def update(self, now_s: float) -> None:
        if self._since_s is None:
            return
        over = self._recorded is not None and (self._stream.grid_s or 0.0) >= self._recorded.end_s
        if over or now_s - self._looked_s >= LOOK_S:
            self._looked_s = now_s
            self._look(ended=over)

    def _go_to(self, step: str) -> None:
        # An arm that would learn nothing from it is spared the last step.
        if step == "high" and not self._can_go_high():
            step = "ready"
        self.step, self._since_s, self._verdict = step, None, None
        self.side = None if step == "ready" else self.side

    def _can_go_high(self) -> bool:
        calibration = self._stream.calibration
        arms = {} if calibration is None else calibration.arms
        return any(arm.shows_bends for side, arm in arms.items() if self.side in (side, None))

    def _end_movement(self) -> None:
        """What goes on must do, if it shows anything."""
        if self._since_s is not None and self._recorded is None and self.step not in ("pose", "ready"):
            self._look(ended=True)
            if self._since_s is not None:
                self._stream.drop()

    def _look(self, *, ended: bool) -> None:
        assert self._since_s is not None
        verdict = self._pose(ended) if self.step == "pose" else self._movement(ended)
        self._verdict = verdict
        if self._recorded is not None and not ended:
            return
        if verdict.good is None:
            return
        self._last = ("good" if verdict.good else "again", verdict.because)
        if verdict.good:
            if self._recorded is None and self.step != "pose":
                self._stream.end()
            self._go_to(_after(self.step))
            return
        if self._recorded is not None:
            self._since_s = None
            return
        # The step simply goes on: what was no good is forgotten.
        self._since_s = self._stream.mark_s
        if self.step != "pose":
            self._stream.drop()
            self._stream.begin(Event(self._since_s, 0.0, EVENT_TYPES[self.step], side=self.side))

    def _pose(self, ended: bool) -> Verdict:
        assert self._since_s is not None
        stream = self._stream
        if ended:
            # The stream took it, or could not, when it was over.
            error = stream.pose_error
            return Verdict(1.0, True) if error is None else Verdict(0.0, False, f"{error.came}; {error.do}")
        time_s, tracks = stream.raw_since(self._since_s)
        verdict = watch_pose(time_s, tracks, self._since_s, self._params)
        if verdict.good and verdict.event is not None and self._recorded is None:
            try:
                stream.take_pose(verdict.event)
            except CalibrationError as error:
                return Verdict(0.0, False, f"{error.came}; {error.do}")
        return verdict

    def _movement(self, ended: bool) -> Verdict:
        since_s, stream = self._since_s, self._stream
        assert since_s is not None
        assert stream.pose is not None
        event = Event(since_s, stream.mark_s - since_s, EVENT_TYPES[self.step], side=self.side)
        calibration = stream.calibration_with([*stream.events, event])
        asked = {side: arm for side, arm in calibration.arms.items() if self.side in (side, None)}
        calibration = replace(calibration, arms=asked)
        time_s, attitudes = stream.attitudes_since(since_s)
        verdict = watch_movement(
            self.step, event, time_s, attitudes, stream.pose, calibration, self._params, ended=ended
        )
        if verdict.good and self.step == "bends":
            for side in calibration.arms:
                right = on_limb(side, attitudes, stream.pose)
                if right is not None:
                    self.on_limb |= dict.fromkeys(limbs_of(side), right)
        return verdict

    def frame(self) -> dict[str, Any]:
        verdict, because = self._last or (None, "")
        running = self._since_s is not None
        asked = None if self.step in ("pose", "ready") else self._params.asked(self.step)
        progress = 0.0 if self._verdict is None else self._verdict.progress
        return {
            "step": self.step,
            "running": running,
            "side": self.side,
            "text": step_text(self.step, self.side),
            "still": round(progress, 2),
            "count": None if asked is None else round(progress * asked),
            "asked": asked,
            "verdict": verdict,
            "because": because,
        }


def _without(event: Event, trial_type: str, side: Side | None) -> list[Event]:
    """An event that is done again, by one arm alone or by both: what is left of it is the other arm's."""
    if event.trial_type != trial_type:
        return [event]
    others = [own for own in SIDES if event.side in (own, "both", None) and side not in (own, None)]
    return [replace(event, side=others[0])] if others else []


def _after(step: str) -> str:
    return ORDER[min(ORDER.index(step) + 1, len(ORDER) - 1)]
