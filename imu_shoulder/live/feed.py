"""A recording played at the pace of its own clock, and the commands that its events stand for."""

from __future__ import annotations

import asyncio
import time
from collections.abc import AsyncIterator, Iterator
from dataclasses import dataclass, field

from imu_shoulder.errors import ParameterError
from imu_shoulder.live.hub import Hub
from imu_shoulder.model import Event, Recording
from imu_shoulder.sources import Chunk, RecordingSource

TICK_S = 0.02
SPEEDS = (0.1, 100.0)
STEPS = {
    "neutral_pose": "calibrate_pose",
    "elbow_bends": "calibrate_bends",
    "forward_raises": "calibrate_raises",
}


async def replay(recording: Recording, speed: float = 1.0) -> AsyncIterator[Chunk]:
    """The recording's chunks, one every 20 ms, each as much as fits in that time at that speed.

    Raises ParameterError for a speed out of 0.1 to 100.
    """
    if not SPEEDS[0] <= speed <= SPEEDS[1]:
        raise ParameterError(f"a speed of {SPEEDS[0]:g} to {SPEEDS[1]:g}", f"it was {speed:g}", "give another --speed")
    source = RecordingSource(recording, chunk_s=TICK_S * speed)
    due_s = time.monotonic()
    for chunk in source.chunks():
        due_s += TICK_S
        # A machine too slow for this speed falls behind; the pages still get their turn.
        await asyncio.sleep(max(0.0, due_s - time.monotonic()))
        yield chunk


@dataclass(slots=True)
class Prompter:
    """Gives the commands that the events of a recording stand for, as whoever recorded it gave them then."""

    hub: Hub
    _open: list[Event] = field(default_factory=list)
    _told: str | None = None

    def __call__(self, chunk: Chunk) -> None:
        t_s = self.hub.session.frame()["t"]
        for event in self._over(t_s):
            if event.trial_type == "set":
                self.hub.command("stop_set")
            if event.pain is not None:
                self.hub.command("pain", {"value": round(event.pain)})
        for event in chunk.events:
            if event.trial_type == "set":
                self._start(event)
            elif event.trial_type in STEPS and self.hub.session.frame()["stage"] == "calibrate":
                self.hub.command(STEPS[event.trial_type])

    def end(self) -> None:
        """The recording is over."""
        if self.hub.session.frame()["stage"] == "set":
            self.hub.command("stop_set")
        self.hub.command("finish")

    def _over(self, t_s: float | None) -> Iterator[Event]:
        now_s = float("-inf") if t_s is None else t_s
        over = [event for event in self._open if event.end_s <= now_s]
        self._open = [event for event in self._open if event.end_s > now_s]
        yield from over

    def _start(self, event: Event) -> None:
        for _ in range(self.hub.session.frame()["drill"]["of"] if self.hub.session.frame()["drill"] else 0):
            drill = self.hub.session.frame()["drill"]
            if drill is None or (drill["id"] == event.drill and drill["side"] == event.side):
                break
            self.hub.command("next_drill")
        self.hub.command("start_set")
        self._open.append(event)
