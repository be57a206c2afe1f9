"""What an athlete is led through live, and what is said; the engine sees and judges. Time is that of the samples."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import replace
from functools import partial
from typing import Any

import numpy as np

from imu_shoulder.assess.faults import FAULTS
from imu_shoulder.assess.sets import assess_set
from imu_shoulder.assess.words import HOLDER_SINKS
from imu_shoulder.calibrate.model import ArmCalibration
from imu_shoulder.drills import Drill
from imu_shoulder.engine.running import RunningSet
from imu_shoulder.engine.stream import Stream
from imu_shoulder.live.calibrating import Calibrating
from imu_shoulder.live.pain import PainWatch
from imu_shoulder.live.params import LiveParams
from imu_shoulder.live.sensors import SensorState
from imu_shoulder.live.steps import EVENT_TYPES
from imu_shoulder.live.view import arm_frame, drill_frame, rep_events, resting_frame, sinks, told_frame
from imu_shoulder.live.words import LOWER_BOTH, cue
from imu_shoulder.model import Event, SensorStream, Side, limb_words
from imu_shoulder.plan import Plan, PlannedDrill

# A sensor that was not heard for so long is warned of.
SILENT_S = 1.0
# The sensors' rates and losses are worked out this often.
PANEL_S = 0.2


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
        self.stream = Stream(rates_hz, self._params.flow)
        self._sensors = {placement: SensorState(rate) for placement, rate in rates_hz.items()}
        self._calibrating = Calibrating(self.stream, self._params)
        self.stage = "calibrate"
        self.events: list[dict[str, Any]] = []
        self._sets: list[Event] = []
        # The set that goes on, or the last one.
        self._set: RunningSet | None = None
        self._announced: tuple[Event, int | None] | None = None
        self._angles: dict[Side, float | None] = {}
        self._item, self._round = 0, 1
        # A set was done and the plan has not gone on from it yet.
        self._due = False
        self._summary: dict[str, Any] | None = None
        self._pain = PainWatch(plan.pain_ceiling)
        self._cue: tuple[float, dict[str, str]] | None = None
        self._judged = 0
        # How many events, and how many arms' sets, there were before the set.
        self._before = self._closed = 0
        self._warnings: list[str] = []
        self._panel: dict[str, Any] = {}
        self._told: dict[str, Any] = {}
        self._paneled_s = -np.inf
        self._shown_s = -np.inf
        self._seq = 0

    @property
    def now_s(self) -> float:
        """The sample clock: time of the newest sample; 0 before the first."""
        return self.stream.newest_s or 0.0

    @property
    def place(self) -> int:
        """Of the drill that is due, in the plan."""
        return self._item

    @property
    def item(self) -> PlannedDrill:
        return self.plan.drills[self._item]

    @property
    def asks_pain(self) -> bool:
        """Whether a question about pain is open: before the first set, and after each."""
        return self._pain.open

    @property
    def final_reps(self) -> list[dict[str, Any]]:
        return [event for event in self.events if event["final"]]

    def push(self, streams: Mapping[str, SensorStream]) -> None:
        """Take in what arrived, device times on one clock. Raises RecordingError for wrong units."""
        known = {placement: stream for placement, stream in streams.items() if placement in self._sensors}
        for placement, stream in known.items():
            self._sensors[placement].push(stream)
        self.stream.wanted = self._watched()
        rows = self.stream.grid_s
        self.stream.push(known)
        if self.stream.grid_s == rows:
            return
        self._calibrating.update(self.now_s)
        if self.stage == "calibrate" and self._calibrating.step == "ready":
            self._calibrated()
        leading = self.item.drill.leading_angle
        for side, arm in self.stream.newest.items():
            values = arm.angles.get(f"{leading}_deg", arm.angles.get("forearm_elevation_deg"))
            last = float("nan") if values is None else float(values[-1])
            self._angles[side] = last if np.isfinite(last) else None
        if self.stage == "set":
            self._tell_events()

    def announce(self, event: Event, number: int | None = None) -> None:
        """The next command to calibrate or to start a set is for this event of a recording, begun and over as it says.

        number: of a set among the recording's.
        """
        self._announced = event, number

    def tell_battery(self, placement: str, battery_pct: float | None) -> None:
        if placement in self._sensors:
            self._sensors[placement].battery_pct = battery_pct

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
        events = self._pain.written(self._calibrating.events, [*self._sets, *going])
        return tuple(sorted(events, key=lambda event: event.onset_s))

    def calibrated_by(self) -> tuple[Event, ...]:
        """From when to when the calibration steps went."""
        return tuple(self._calibrating.events)

    def frame(self) -> dict[str, Any]:
        """What there is to draw: JSON types only."""
        self._seq += 1
        now_s, drills = self.now_s, self.plan.drills
        if not self._panel or not 0 <= now_s - self._paneled_s < PANEL_S:
            self._paneled_s = now_s
            self._panel, self._warnings = self._sensor_frames(now_s), self._silent(now_s)
            self._told = told_frame(self.item.drill, self._known_arms())
        after = self._item + 1
        return {
            "t": round(now_s, 3),
            "stage": self.stage,
            "drill": None if self.stage == "done" else drill_frame(self.plan, self._item, self._round) | self._told,
            "next": drills[after].drill.title if after < len(drills) else None,
            "arms": self._arm_frames(),
            "cue": self._cue_now(now_s),
            "calibration": self._calibrating.frame(),
            "sensors": self._panel,
            "set_summary": self._summary,
            "pain": self._pain.frame(now_s),
            "warnings": list(self._warnings),
            "seq": self._seq,
        }

    def _calibrate(self, step: str) -> str | None:
        event, _ = self._take_announced()
        if self.stage == "set":
            return "Stop the set first."
        if self._pain.stopped:
            return self._pain.refusal
        refused = self._calibrating.start(step, event)
        if refused is None:
            self.stage = "calibrate"
        return refused

    def _skip(self) -> str | None:
        if self.stage != "calibrate":
            return "There is nothing to skip."
        refused = self._calibrating.skip()
        if refused is None and self._calibrating.step == "ready":
            self._calibrated()
        return refused

    def _calibrated(self) -> None:
        self.stage = "pain" if self._pain.open else "ready"

    def _start_set(self) -> str | None:
        announced, number = self._take_announced()
        if self.stage == "set":
            return "The set is already running."
        if self.stream.pose is None:
            return "First stand still for the pose: without it no angle is known."
        if self._pain.refusal is not None:
            return self._pain.refusal
        self._calibrating.close()
        item = self.item
        onset_s = self.stream.mark_s if announced is None else announced.onset_s
        event = Event(onset_s, 0.0, "set", item.drill.id, item.side, load_kg=item.load_kg)
        asked = {side: item.asked_of(side, f"the plan {self.plan.name}") for side in item.sides}
        self._set, self._before, self._closed = None, len(self.events), len(self.stream.sets)
        self.stream.begin(event, item.drill, asked, number)
        if announced is not None:
            self.stream.end(announced.end_s)
        self._summary, self._cue, self._judged = None, None, 0
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
            self.stage = "ready"
            return None
        self._sets.append(self._set.event)
        parts = []
        for found in self.stream.sets[self._closed :]:
            entry = assess_set(found.arm_set, found.judged)
            parts.append((found.arm_set.side, entry["headline"], entry["change"]))
        several = len(parts) > 1
        # What keeps the athlete from harm comes before what makes the drill better.
        changes = sorted(parts, key=lambda part: not part[2].startswith(HOLDER_SINKS))
        self._summary = {
            "headline": " ".join(f"{side.capitalize()}: {text}" if several else text for side, text, _ in parts)
            or "The sensors worn do not show this drill.",
            "change": " ".join(
                f"{side.capitalize()}: {text}" if several else text for side, _, text in changes if text
            ),
            "pain_needed": True,
        }
        self._cue = None
        self._pain.ask(len(self._sets))
        self.stage, self._due = "pain", True
        return None

    def _answered(self, refused: str | None) -> str | None:
        """The stage that follows an answer about pain, unless it was refused."""
        if refused is not None:
            return refused
        if self._summary is not None:
            self._summary = {**self._summary, "pain_needed": False}
        if self._pain.stopped:
            self.stage = "stop"
            return None
        if self.stage in ("pain", "stop"):
            self.stage = "ready"
        if self._due:
            self._due = False
            self._advance()
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

    def _go(self, step: int) -> str | None:
        if self.stage == "set":
            return "Stop the set first."
        if not 0 <= self._item + step < len(self.plan.drills):
            return "This is the last drill." if step > 0 else "This is the first drill."
        if self._pain.refusal is not None:
            return self._pain.refusal
        self._item, self._round = self._item + step, 1
        return None

    def _finish(self) -> str | None:
        # A step that goes on is over first, so that it does not count if it showed nothing.
        self._calibrating.close()
        self.stream.finish()
        if self.stage == "set":
            self._stop_set()
        self.stage = "done"
        return None

    def _advance(self) -> None:
        """On to the next set of the drill, or to the next drill."""
        if self._round < self.item.sets:
            self._round += 1
        elif self._item + 1 < len(self.plan.drills):
            self._item, self._round = self._item + 1, 1

    def _asked_sides(self) -> tuple[Side, ...]:
        item = self.item
        return ("right", "left") if item.drill.arms == "hold_and_lift" else item.sides

    def _known_arms(self) -> list[ArmCalibration]:
        arms = {} if self.stream.calibration is None else self.stream.calibration.arms
        return [arms[side] for side in self._asked_sides() if side in arms]

    def _watched(self) -> tuple[Side, ...]:
        """The arms whose angles are wanted now: all the time in a set, a few times a second outside."""
        if self.stage != "set":
            if self.now_s - self._shown_s < self._params.idle_s:
                return ()
            self._shown_s = self.now_s
        return self._asked_sides()

    def _tell_events(self) -> None:
        """Mirror the set's events; and what the newest of the final reps lacked, which is said for a while."""
        self._set = self.stream.running or self._set
        if self._set is None:
            return
        self.events = [*self.events[: self._before], *rep_events(self._set)]
        reps = [final for finals in self._set.final.values() for final in finals]
        if len(reps) > self._judged:
            self._judged = len(reps)
            latest = max(reps, key=lambda final: final.known_s)
            said = cue(latest.judged.faults, self.item.drill)
            self._cue = None if said is None else (latest.known_s, said)

    def _cue_now(self, now_s: float) -> dict[str, str] | None:
        """A holding arm that sinks, before all. Else what the last rep lacked, for a while; not how high it should have
        been where the arm is in the band now."""
        running = self.stream.running
        watches = [] if running is None else list(running.watches.values())
        if any(map(sinks, watches)):
            return dict(LOWER_BOTH)
        if self._cue is None or now_s - self._cue[0] > self._params.cue_s:
            return None
        holds = any(watch.phase == "hold" for watch in watches)
        return None if holds and FAULTS[self._cue[1]["code"]].quiet_in_hold else self._cue[1]

    def _arm_frames(self) -> dict[str, Any]:
        running = self.stream.running
        out: dict[str, Any] = {}
        for side in self._asked_sides():
            if running is not None and side in running.watches:
                out[side] = arm_frame(running, side, self.stream.grid_s or 0.0)
            elif side in self._angles:
                out[side] = resting_frame(self.item, side, self._angles[side])
        return out

    def _sensor_frames(self, now_s: float) -> dict[str, Any]:
        out = {}
        for placement, sensor in self._sensors.items():
            sensor.on_limb = self._calibrating.on_limb.get(placement)
            out[placement] = sensor.frame(now_s)
        return out

    def _silent(self, now_s: float) -> list[str]:
        out = []
        for placement, sensor in self._sensors.items():
            if sensor.newest_s is None:
                out.append(f"The {limb_words(placement)} sensor was not heard yet.")
            elif now_s - sensor.newest_s > SILENT_S:
                out.append(f"The {limb_words(placement)} sensor is not heard for {now_s - sensor.newest_s:.0f} s.")
        return out + [finding.text for finding in self.stream.findings]
