"""Runs a recording through a live session, its own events in place of the athlete's commands."""

from __future__ import annotations

import time
from collections.abc import Callable, Mapping
from dataclasses import replace

from imu_shoulder.drills import Drill, load_shipped
from imu_shoulder.errors import RecordingError
from imu_shoulder.live.session import LiveSession
from imu_shoulder.live.steps import COMMANDS
from imu_shoulder.model import EVENT_SIDES, SIDES, Event, Recording
from imu_shoulder.plan import Plan, PlannedDrill
from imu_shoulder.range import shipped_tests
from imu_shoulder.sources import RecordingSource


def plan_for_drill(drill: Drill, side: str, athlete: str) -> Plan:
    """One drill as its own dose asks it. side: right, left or both."""
    return Plan(drill.id, athlete, (_planned(drill, side, drill.dose.sets),))


def plan_for_recording(recording: Recording, drills: Mapping[str, Drill]) -> Plan:
    """What was done, as if it had been asked: one set of a drill after the other, in the recording's order."""
    sets = [(event.drill, event) for event in recording.events if event.trial_type == "set"]
    known = [(drills.get(name) or load_shipped(name), event) for name, event in sets if name is not None]
    found = [(drill.towards(e.direction) if e.direction else drill, e.side) for drill, e in known]
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
    return PlannedDrill(drill, side, sets, reps, rest_s=drill.dose.rest_s)


def not_planned(recording: Recording, plan: Plan) -> tuple[str, ...]:
    """The drills and sides of the recording's sets that the plan does not have: they are not played."""
    sets = [event for event in recording.events if event.trial_type == "set" and event.drill is not None]
    return tuple(dict.fromkeys(f"{e.drill} ({e.side or 'both'})" for e in sets if not _places(plan, e)))


def _places(plan: Plan, event: Event) -> list[int]:
    """Where the plan has the set's drill: with its very side, else with both of which it is one."""
    side = event.side if event.side in EVENT_SIDES else "both"
    same = [place for place, item in enumerate(plan.drills) if item.drill.id == event.drill]
    exact = [place for place in same if plan.drills[place].side == side]
    return exact or [place for place in same if plan.drills[place].side == "both"]


class Replayed:
    """Turns the recording's events into commands as the sample clock passes them.

    command: gives them, if not to the session itself.
    """

    def __init__(self, session: LiveSession, command: Callable[..., str | None] | None = None) -> None:
        self._session = session
        self._command = command or session.command
        self._sets = 0
        self._goes_on = self._begun = False
        self._before: float | None = None
        self._told: Event | None = None

    def begun(self, event: Event) -> None:
        """Before the samples from its onset on are pushed."""
        if event.trial_type == "set":
            self._sets += 1
            if event.drill is not None:
                self._set(event)
            return
        self._before = self._before if event.pain is None else event.pain
        if event.trial_type != "neutral_pose" or self._session.stream.pose is None:
            self._session.announce(event)
            self._command(COMMANDS[event.trial_type])

    def _set(self, event: Event) -> None:
        self.passed(at_once=True)
        if not self._begun and self._session.asks_pain:
            self._answer_pain(self._before)
        # A set that was refused has no end and no rating: both would go to the set before it.
        if not self._find_drill(event):
            return
        self._session.announce(event, self._sets)
        if self._command("start_set") is None:
            self._begun, self._goes_on, self._told = True, True, event

    def passed(self, *, at_once: bool = False) -> None:
        """Stop a set that has come to its end; at_once: wherever it is."""
        if self._goes_on and (at_once or self._session.set_is_over):
            assert self._told is not None
            self._command("stop_set")
            for count in self._told.counts:
                for _ in range(abs(count.corrected)):
                    self._command("count", side=count.side, by=1 if count.corrected > 0 else -1)
            self._answer_pain(self._told.pain)
            if self._told.effort is None:
                self._command("effort_not_rated")
            else:
                self._command("effort", value=self._told.effort)
            self._goes_on = False

    def _answer_pain(self, pain: float | None) -> None:
        if pain is None:
            self._command("not_rated")
        else:
            self._command("pain", value=pain)

    def _find_drill(self, event: Event) -> bool:
        """Go to the set's drill in the plan, from here on or else from the start; False where that cannot be."""
        places, here = _places(self._session.plan, event), self._session.place
        if not places:
            return False
        place = min((p for p in places if p >= here), default=places[0])
        steps = ["next_drill" if place > here else "previous_drill"] * abs(place - here)
        return all(self._command(step) is None for step in steps)


def play(
    source: RecordingSource,
    session: LiveSession,
    replayed: Replayed,
    speed: float = float("inf"),
    each: Callable[[LiveSession], None] = lambda session: None,
) -> None:
    """Push the source's chunks, `speed` times as fast as they were recorded. each: called after every chunk."""
    began = time.monotonic()
    for number, chunk in enumerate(source.chunks(), start=1):
        due_s = number * source.chunk_s / speed - (time.monotonic() - began)
        if due_s > 0:
            time.sleep(due_s)
        for event in chunk.events:
            replayed.begun(event)
        session.push(chunk.streams)
        replayed.passed()
        each(session)


def run(
    source: RecordingSource,
    session: LiveSession,
    speed: float = float("inf"),
    each: Callable[[LiveSession], None] = lambda session: None,
) -> None:
    """Play a whole recording as `play` does, and finish the session."""
    play(source, session, Replayed(session), speed, each)
    session.command("finish")
