"""What an athlete is led through live, and what is said; the engine sees and judges. Time is that of the samples."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import replace
from functools import partial
from typing import Any

import numpy as np

from imu_shoulder.assess.sets import assess_set
from imu_shoulder.calibrate.model import ArmCalibration
from imu_shoulder.drills import Drill
from imu_shoulder.engine.running import RunningSet
from imu_shoulder.engine.stream import Stream
from imu_shoulder.live.calibrating import Calibrating
from imu_shoulder.live.course import Course
from imu_shoulder.live.pain import PainWatch
from imu_shoulder.live.params import LiveParams
from imu_shoulder.live.sensors import SensorPanel
from imu_shoulder.live.steps import EVENT_TYPES
from imu_shoulder.live.tally import SetTally, Tally
from imu_shoulder.live.uncounted import Uncounted
from imu_shoulder.live.view import arm_frame, drill_frame, rep_events, resting_frame, told_frame
from imu_shoulder.live.words import Cues, summary
from imu_shoulder.model import Event, SensorStream, Side
from imu_shoulder.plan import Plan, PlannedDrill


class LiveSession:
    """One athlete's session by a plan. push() and command() change it, frame() only looks."""

    def __init__(
        self,
        plan: Plan,
        drills: Mapping[str, Drill],
        rates_hz: Mapping[str, float],
        params: LiveParams | None = None,
    ) -> None:
        """drills: the user's own, by id: asked for by a drill's name in events. rates_hz: of each sensor expected."""
        self.plan, self.drills = plan, drills
        self._params = params or LiveParams()
        self.stream, fit = Stream(rates_hz, self._params.flow), self._params.flow.propose.fit
        self._sensors = SensorPanel(rates_hz)
        self._calibrating = Calibrating(self.stream, self._params)
        self.stage = "calibrate"
        self.events: list[dict[str, Any]] = []
        self._sets: list[Event] = []
        # The set that goes on, or the last one.
        self._set: RunningSet | None = None
        self._announced: tuple[Event, int | None] | None = None
        self._angles: dict[Side, float | None] = {}
        self._course, self._tally = Course(plan), Tally()
        self._summary: dict[str, Any] | None = None
        self._pain = PainWatch(plan.pain_ceiling)
        self._cues = Cues(self._params.cue_s, Uncounted(self._params.uncounted_s, {**drills, **plan.by_id}, fit))
        # How many events, and how many arms' sets, there were before the set.
        self._before = self._closed = 0
        self._told: dict[str, Any] = {}
        # What is shown of the drill, and what it was made from; what the set looked like when its events were told.
        self._drill: tuple[tuple[Any, ...], dict[str, Any]] | None = None
        self._told_of: tuple[RunningSet, int] | None = None
        self._shown_s = -np.inf
        self._seq = 0

    @property
    def now_s(self) -> float:
        """The sample clock: time of the newest sample; 0 before the first."""
        return self.stream.newest_s or 0.0

    @property
    def place(self) -> int:
        """Of the drill that is due, in the plan."""
        return self._course.due_place

    @property
    def item(self) -> PlannedDrill:
        return self._course.item

    @property
    def asks_pain(self) -> bool:
        """Whether a question about pain is open: before the first set, and after each."""
        return self._pain.open

    @property
    def asks_effort(self) -> bool:
        """Whether the question is open how hard the latest set was."""
        return self._tally.asks_effort

    @property
    def final_reps(self) -> list[dict[str, Any]]:
        return [event for event in self.events if event["final"]]

    def push(self, streams: Mapping[str, SensorStream]) -> None:
        """Take in what arrived, device times on one clock. Raises RecordingError for wrong units."""
        known = self._sensors.push(streams)
        self.stream.wanted = self._watched()
        rows, newest = self.stream.grid_s, self.stream.newest
        self.stream.push(known)
        if self.stream.grid_s == rows:
            return
        self._calibrating.update(self.now_s)
        if self.stage == "calibrate" and self._calibrating.step == "ready":
            self._resume()
        if self.stream.newest is not newest:
            self._shown_s = self.now_s
            self._show_angles()
        if self.stage == "set":
            self._tell_events()

    def _show_angles(self) -> None:
        leading = self.item.drill.leading_angle
        for side, arm in self.stream.newest.items():
            values = arm.angles.get(f"{leading}_deg", arm.angles.get("forearm_elevation_deg"))
            last = float("nan") if values is None else float(values[-1])
            self._angles[side] = last if np.isfinite(last) else None

    def announce(self, event: Event, number: int | None = None) -> None:
        """The next command to calibrate or to start a set is for this event of a recording, begun and over as it says.

        number: of a set among the recording's.
        """
        self._announced = event, number

    def tell_battery(self, placement: str, battery_pct: float | None) -> None:
        self._sensors.tell_battery(placement, battery_pct)

    def command(self, name: str, **args: Any) -> str | None:
        """Do what the athlete or coach asks. Returns a plain sentence where it cannot be done."""
        commands: dict[str, Callable[..., str | None]] = {
            **{f"calibrate_{step}": partial(self._calibrate, step) for step in EVENT_TYPES},
            "skip": self._skip,
            "start_set": self._start_set,
            "stop_set": self._stop_set,
            "next_drill": lambda: self._go(1),
            "previous_drill": lambda: self._go(-1),
            "pain": lambda value: self._answered(self._pain.rate(value, self.now_s)),
            "not_rated": lambda: self._answered(self._pain.decline()),
            "correct_pain": lambda value: self._answered(self._pain.correct(value, self.now_s)),
            "pain_meant": self._pain.confirm,
            "effort": lambda value: self._answered(self._tally.rate(value)),
            "effort_not_rated": lambda: self._answered(self._tally.decline()),
            "count": lambda by, side=None: self._tally.correct(by, side),
            "direction": self._choose,
            "note": self._note,
            "finish": self._finish,
        }
        if name not in commands:
            return f"There is no command {name}."
        if self.stage == "done" and name != "note":
            return "The session is over."
        if name in ("pain", "not_rated") and (self.stream.pose is None or self.stage == "set"):
            return f"Pain is asked after the {'set' if self.stage == 'set' else 'pose'}; that comes first."
        try:
            return commands[name](**args)
        except TypeError:
            return f"The command {name} came with the wrong details."

    def recording(self) -> tuple[Event, ...]:
        """The events so far, as a recording folder holds them; a set that still goes on until now."""
        going = []
        if self.stage == "set" and self.stream.running is not None:
            event = self.stream.running.event
            going = [replace(event, duration_s=self.stream.mark_s - event.onset_s)]
        sets = [own.written(event) for own, event in zip(self._tally.sets, [*self._sets, *going], strict=False)]
        events = self._pain.written(self._calibrating.events, sets)
        return tuple(sorted(events, key=lambda event: event.onset_s))

    def calibrated_by(self) -> tuple[Event, ...]:
        """From when to when the calibration steps went."""
        return tuple(self._calibrating.events)

    def frame(self) -> dict[str, Any]:
        """What there is to draw: JSON types only."""
        self._seq += 1
        now_s, course = self.now_s, self._course
        if self._sensors.look(now_s, self._calibrating.on_limb, lambda: self.stream.findings):
            told = told_frame(self.item.drill, self._known_arms())
            self._told = self._told if told == self._told else told
        done = self._tally.frames(self._pain.latest)[: len(self._sets)]
        ended = self.stage in ("over", "done")
        after = course.place + 1
        return {
            "t": round(now_s, 3),
            "stage": self.stage,
            "drill": None if self.stage == "done" else self._drill_frame(),
            "next": self.plan.drills[after].drill.title if after < len(self.plan.drills) else None,
            "arms": self._arm_frames(),
            "set_done": self._set_done(),
            "cue": self._cues.now(now_s, self.stream.running),
            "calibration": self._calibrating.frame(),
            "sensors": self._sensors.frames,
            "set_summary": self._summary,
            "pain": self._pain.frame(now_s),
            "rest": course.rest(now_s),
            # All of them when the session is looked back on, else the latest.
            "sets": done if ended else done[-1:],
            "left_out": course.left_out if ended else [],
            "warnings": self._sensors.warnings,
            "seq": self._seq,
        }

    def _drill_frame(self) -> dict[str, Any]:
        """The same object as long as nothing changes in it."""
        course = self._course
        made_from = course.item, course.place, course.round, self._told
        if self._drill is None or any(own is not known for own, known in zip(made_from, self._drill[0], strict=True)):
            self._drill = made_from, drill_frame(course) | self._told
        return self._drill[1]

    def _calibrate(self, step: str, side: Side | None = None) -> str | None:
        event, _ = self._take_announced()
        if self.stage == "set":
            return "Stop the set first."
        if self._pain.stopped:
            return self._pain.refusal
        refused = self._calibrating.start(step, side, event)
        if refused is None:
            self.stage = "calibrate"
        return refused

    def _skip(self) -> str | None:
        if self.stage != "calibrate":
            return "There is nothing to skip."
        refused = self._calibrating.skip()
        if refused is None and self._calibrating.step == "ready":
            self._resume()
        return refused

    def _resume(self) -> None:
        """The stage outside sets and calibration: what is still asked, else what is due."""
        if self._pain.stopped:
            self.stage = "stop"
        elif self._pain.open:
            self.stage = "pain"
        elif self._tally.asks_effort:
            self.stage = "effort"
        else:
            self._course.advance()
            self.stage = "over" if self._course.over else "ready"

    def _leave_questions(self) -> None:
        """On from a set whose effort nobody rated."""
        if self._tally.asks_effort:
            self._tally.decline()
        self._course.advance()

    def _start_set(self) -> str | None:
        announced, number = self._take_announced()
        if self.stage == "set":
            return "The set is already running."
        if self.stream.pose is None:
            return "First stand still for the pose: without it no angle is known."
        if self._pain.refusal is not None:
            return self._pain.refusal
        self._leave_questions()
        if self._course.over and announced is None:
            return "All sets of the plan are done. For one more, go back to the drill before."
        self._calibrating.close()
        item = self.item if announced is None else self.item.towards(announced.direction)
        onset_s = self.stream.mark_s if announced is None else announced.onset_s
        way = item.drill.direction or None
        event = Event(onset_s, 0.0, "set", item.drill.id, item.side, load_kg=item.load_kg, direction=way)
        asked = {side: item.asked_of(side, f"the plan {self.plan.name}") for side in item.sides}
        self._set, self._before, self._closed = None, len(self.events), len(self.stream.sets)
        self.stream.begin(event, item.drill, asked, number)
        if announced is not None:
            self.stream.end(announced.end_s)
        self._tally.begin(SetTally(item.drill.title, item.side, self._course.round, item.sets, item.reps))
        self._course.set_begins()
        self._cues.begin()
        self._summary = None
        self.stage = "set"
        return None

    @property
    def latest_set(self) -> RunningSet | None:
        """The set that goes on, or the last one."""
        return self.stream.running or self._set

    def _take_announced(self) -> tuple[Event | None, int | None]:
        found, self._announced = self._announced or (None, None), None
        return found

    @property
    def set_is_over(self) -> bool:
        """Whether a set that was announced has come to its end, and waits for the command to stop."""
        return self.stage == "set" and self._set is not None and self.stream.running is None

    def _stop_set(self) -> str | None:
        if self.stage != "set":
            return "No set is running."
        if not self.set_is_over:
            self.stream.end()
        self._tell_events()
        if self._set is None:
            self._tally.drop()
            self._resume()
            return None
        self._sets.append(self._set.event)
        entries = [assess_set(found.arm_set, found.judged) for found in self.stream.sets[self._closed :]]
        self._summary = summary([(entry["side"], entry["headline"], entry["change"]) for entry in entries])
        self._tally.end({entry["side"]: entry["done"] for entry in entries})
        self._cues.end()
        self._pain.ask(len(self._sets))
        self._course.set_done(self._set.event.end_s)
        self.stage = "pain"
        return None

    def _answered(self, refused: str | None) -> str | None:
        """The stage that follows an answer about pain or effort, unless it was refused."""
        if refused is not None:
            return refused
        if self._summary is not None:
            self._summary = {**self._summary, "pain_needed": self._pain.open}
        if self.stage != "calibrate" or self._pain.stopped:
            self._resume()
        return None

    def _note(self, text: str) -> str | None:
        if not isinstance(text, str) or not text.strip():
            return "A note is a text."
        # One row of a table: no line breaks or tabs.
        clean = " ".join(text.split())[:500]
        if self.stream.running is not None:
            self.stream.running.event = replace(self.stream.running.event, note=clean)
        elif self._sets:
            self._sets[-1] = replace(self._sets[-1], note=clean)
        else:
            return "A note belongs to a set: start one first."
        return None

    def _choose(self, value: str) -> str | None:
        return "Stop the set first." if self.stage == "set" else self._course.choose(value)

    def _go(self, step: int) -> str | None:
        if self.stage == "set":
            return "Stop the set first."
        if self._pain.refusal is not None:
            return self._pain.refusal
        self._leave_questions()
        refused = self._course.go(step)
        if self.stage != "calibrate":
            self._resume()
        return refused

    def _finish(self) -> str | None:
        # A step that goes on is over first, so that it does not count if it showed nothing.
        self._calibrating.close()
        self.stream.finish()
        if self.stage == "set":
            self._stop_set()
        self.stage = "done"
        return None

    def _asked_sides(self) -> tuple[Side, ...]:
        item = self.item
        return ("right", "left") if item.drill.arms == "hold_and_lift" else item.sides

    def _known_arms(self) -> list[ArmCalibration]:
        arms = {} if self.stream.calibration is None else self.stream.calibration.arms
        return [arms[side] for side in self._asked_sides() if side in arms]

    def _watched(self) -> tuple[Side, ...]:
        """The arms whose angles are wanted now: all the time in a set, a few times a second outside."""
        idle = self.stage != "set" and self.now_s - self._shown_s < self._params.idle_s
        return () if idle else self._asked_sides()

    def _tell_events(self) -> None:
        """Mirror the set's events; and what the newest of the final reps lacked, which is said for a while."""
        self._set = self.stream.running or self._set
        if self._set is None:
            return
        if self._told_of != (self._set, self._set.changes):
            self._told_of = self._set, self._set.changes
            self.events = [*self.events[: self._before], *rep_events(self._set)]
        latest = self._tally.sets[-1]
        latest.counted.update((side, self._set.counted(side)) for side in latest.asked if side in self._set.watches)
        self._cues.look(self._set, self.item.drill, self.stream.grid_s or 0.0)

    def _set_done(self) -> bool:
        """Whether every arm that is seen has done what is asked of it in the set that goes on."""
        latest = self._tally.latest
        if self.stage != "set" or latest is None or not latest.counted:
            return False
        return all(latest.arm_frame(side)["done"] for side in latest.counted)

    def _arm_frames(self) -> dict[str, Any]:
        running, latest = self.stream.running, self._tally.latest
        out: dict[str, Any] = {}
        for side in self._asked_sides():
            if running is not None and side in running.watches:
                out[side] = arm_frame(running, side, self.stream.grid_s or 0.0, self.stream.glance)
            elif side in self._angles:
                out[side] = resting_frame(self.item, side, self._angles[side])
            if self.stage == "set" and latest is not None and side in out.keys() & latest.asked.keys():
                out[side] |= latest.arm_frame(side)
        return out
