"""A recording played at the pace of its own clock, its events in place of the person who gives commands."""

from __future__ import annotations

import asyncio
import time
from collections.abc import AsyncGenerator
from math import inf
from typing import Any

from imu_shoulder.errors import ParameterError
from imu_shoulder.live.hub import Hub
from imu_shoulder.live.replay import Replayed
from imu_shoulder.live.session import LiveSession
from imu_shoulder.model import Recording
from imu_shoulder.sources import Chunk, RecordingSource

# 30 frames a second: each step has its price in calls, however few its samples.
TICK_S = 0.033
SPEEDS = (0.1, 100.0)
# The questions after a set stay for so long before the recording's own ratings answer them.
ASKED_S = 4.0
ANSWERS = ("pain", "not_rated", "effort", "effort_not_rated")


def speed_of(text: str) -> float:
    """How many times as fast as it was: a number, or "max" for as fast as it goes. Raises ParameterError."""
    if text == "max":
        return inf
    try:
        speed = float(text)
    except ValueError:
        raise ParameterError("a number or max as --speed", f"it was {text!r}", "give another --speed") from None
    if not SPEEDS[0] <= speed <= SPEEDS[1]:
        raise ParameterError(f"a speed of {SPEEDS[0]:g} to {SPEEDS[1]:g}", f"it was {speed:g}", "give another --speed")
    return speed


async def replay(recording: Recording, hub: Hub, speed: float = 1.0) -> AsyncGenerator[Chunk, None]:
    """The recording's chunks, one every 33 ms, each as much as fits in that time at that speed; then the end."""
    source = RecordingSource(recording, chunk_s=TICK_S * speed)
    due_s = time.monotonic()
    for chunk in source.chunks():
        due_s += TICK_S
        # A machine too slow for this speed falls behind; the pages still get their turn.
        await asyncio.sleep(max(0.0, due_s - time.monotonic()))
        yield chunk
    hub.command("finish")


class Prompter:
    """Gives the commands of a recording through the hub, so that pages and log see them as if a person gave them."""

    def __init__(self, hub: Hub, session: LiveSession) -> None:
        self._hub, self._session = hub, session
        self._replayed = Replayed(session, self._command)
        # The answers to the questions after a set, each with when to give it.
        self._answers: list[tuple[float, str, dict[str, float]]] = []

    def __call__(self, chunk: Chunk) -> None:
        now_s = self._session.now_s
        self._replayed.passed()
        self._give_answers(now_s)
        for event in chunk.events:
            self._give_answers(inf)
            self._replayed.begun(event)

    def _command(self, name: str, **args: Any) -> str | None:
        """As LiveSession's. The questions after a set stay open for a while, so that somebody at a page may answer
        them; where the recording has no rating of pain, until the next set."""
        if name in ANSWERS:
            after_s = {"pain": ASKED_S, "not_rated": inf}.get(name, 2 * ASKED_S)
            self._answers.append((self._session.now_s + after_s, name, args))
            return None
        self._give_answers(inf)
        answer = self._hub.command(name, args)
        return None if answer.taken else answer.text

    def _give_answers(self, now_s: float) -> None:
        """Give the recording's answers that are due, unless somebody at a page was quicker. Effort follows pain."""
        waiting, self._answers = self._answers, []
        for due_s, name, args in waiting:
            effort, pain_open = name.startswith("effort"), self._session.asks_pain
            if due_s > now_s or (effort and pain_open and now_s < inf):
                self._answers.append((due_s, name, args))
            elif self._session.asks_effort if effort else pain_open:
                self._hub.command(name, args)
