"""Runs a recording through a live session, its own events in place of the athlete's commands."""

from __future__ import annotations

import time
from collections.abc import Callable, Mapping
from dataclasses import replace

from imu_shoulder.drills import Drill, load_shipped
from imu_shoulder.errors import RecordingError
from imu_shoulder.live.engine import LiveSession
from imu_shoulder.model import EVENT_SIDES, SIDES, Event, Recording
from imu_shoulder.plan import Plan, PlannedDrill
from imu_shoulder.range import shipped_tests
from imu_shoulder.sources import RecordingSource

COMMANDS = {
    "neutral_pose": "calibrate_pose",
    "elbow_bends": "calibrate_bends",
    "forward_raises": "calibrate_raises",
}


def plan_for_drill(drill: Drill, side: str, athlete: str) -> Plan:
    """One drill as its own dose asks it. side: right, left or both."""
    return Plan(drill.id, athlete, (_planned(drill, side, drill.dose.sets),))


def plan_for_recording(recording: Recording, drills: Mapping[str, Drill]) -> Plan:
    """What was done, as if it had been asked: one set of a drill after the other, in the recording's order."""
    done = [event for event in recording.events if event.trial_type == "set" and event.drill is not None]
    found = [(drills.get(str(e.drill)) or load_shipped(str(e.drill)), e.side) for e in done]
    if not found:
        raise RecordingError(
            f"sets of drills in {recording.name}",
            "its events hold none",
            "give a recording with sets, or say with --plan what was to be done",
        )
    items = tuple(_planned(drill, side if side in EVENT_SIDES else "both", 1) for drill, side in found)
    return Plan(recording.name, recording.athlete, items)


def without_range_tests(recording: Recording) -> tuple[Recording, tuple[str, ...]]:
    """The recording without the events of range tests, which are no drills, and the names of those left out."""
    tests = shipped_tests()
    left_out = tuple(dict.fromkeys(str(event.drill) for event in recording.events if event.drill in tests))
    events = tuple(event for event in recording.events if event.drill not in tests)
    return replace(recording, events=events), left_out


def _planned(drill: Drill, side: str, sets: int) -> PlannedDrill:
    reps = {arm: drill.dose.reps for arm in SIDES if side in (arm, "both")}
    return PlannedDrill(drill, side, sets, reps)


class Replayed:
    """Turns the recording's events into commands as the sample clock passes them."""

    def __init__(self, session: LiveSession) -> None:
        self._session = session
        self._ends_s: float | None = None
        self._posed = False
        self._pain: float | None = None

    def begun(self, event: Event) -> None:
        session = self._session
        if event.trial_type == "set":
            if event.drill is None:
                return
            if self._ends_s is not None:
                self.passed(float("inf"))
            session.command("start_set")
            self._ends_s, self._pain = event.end_s, event.pain
        elif event.trial_type != "neutral_pose" or not self._posed:
            session.command(COMMANDS[event.trial_type])
            self._posed = True

    def passed(self, now_s: float) -> None:
        if self._ends_s is not None and now_s >= self._ends_s:
            self._session.command("stop_set")
            self._session.command("skip" if self._pain is None else "pain", **self._details())
            self._ends_s = None

    def _details(self) -> dict[str, float]:
        return {} if self._pain is None else {"value": self._pain}


def run(
    source: RecordingSource,
    session: LiveSession,
    speed: float = float("inf"),
    each: Callable[[LiveSession], None] = lambda session: None,
) -> None:
    """Push the source's chunks, `speed` times as fast as they were recorded. each: called after every chunk."""
    replayed = Replayed(session)
    began = time.monotonic()
    for number, chunk in enumerate(source.chunks(), start=1):
        due_s = number * source.chunk_s / speed - (time.monotonic() - began)
        if due_s > 0:
            time.sleep(due_s)
        session.push(chunk.streams)
        replayed.passed(session.now_s)
        for event in chunk.events:
            replayed.begun(event)
        each(session)
    session.command("finish")
