"""The live session: chunks and commands go in, a frame to draw comes out. Time is that of the samples, nothing else."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import replace
from typing import Any

import numpy as np

from imu_shoulder.assess.sets import assess_set
from imu_shoulder.assess.words import HOLDER_SINKS
from imu_shoulder.drills import Drill
from imu_shoulder.live.calibrating import Calibrating
from imu_shoulder.live.flow import LiveFlow
from imu_shoulder.live.pain import PainWatch
from imu_shoulder.live.params import LiveParams
from imu_shoulder.live.sensors import SensorState
from imu_shoulder.live.sets import LiveSet
from imu_shoulder.live.view import arm_frame, drill_frame, resting_frame, sinks
from imu_shoulder.live.words import LOWER_BOTH, cue, limb
from imu_shoulder.model import Event, SensorStream, Side
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
        self._flow = LiveFlow(rates_hz, self._params)
        self._sensors = {placement: SensorState(rate) for placement, rate in rates_hz.items()}
        self._calibrating = Calibrating(self._flow, self._params)
        self.stage = "calibrate"
        self.events: list[dict[str, Any]] = []
        self._sets: list[Event] = []
        self._set: LiveSet | None = None
        self._angles: dict[Side, float | None] = {}
        self._item, self._round = 0, 1
        # A set was done and the plan has not gone on from it yet.
        self._due = False
        self._summary: dict[str, Any] | None = None
        self._pain = PainWatch(plan.pain_ceiling)
        self._cue: tuple[float, dict[str, str]] | None = None
        self._judged = 0
        self._before = 0
        self._warnings: list[str] = []
        self._panel: dict[str, Any] = {}
        self._paneled_s = -np.inf
        self._shown_s = -np.inf
        self._seq = 0

    @property
    def now_s(self) -> float:
        """The sample clock: time of the newest sample; 0 before the first."""
        return self._flow.newest_s or 0.0

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
        block = 1000 + len(self._sets) if self._set is not None else self._calibrating.block
        new = self._flow.push(known, block, self._watched())
        if not len(new.time_s):
            return
        self._calibrating.update(self.now_s)
        if self.stage == "calibrate" and self._calibrating.step == "ready":
            self._calibrated()
        leading = self.item.drill.leading_angle
        for side, arm in new.arms.items():
            values = arm.angles.get(f"{leading}_deg", arm.angles.get("forearm_elevation_deg"))
            last = float("nan") if values is None else float(values[-1])
            self._angles[side] = last if np.isfinite(last) else None
        if self._set is not None:
            anew = self._flow.since(self._set.event.onset_s, self._watched()) if self._flow.faced_anew else None
            if anew is not None and self._set.restart():
                new = anew
            self._set.push(new.time_s, new.arms, new.seen, new.clipped)
            self._set.cut(float(new.time_s[-1]))
            self._tell_events()

    def tell_battery(self, placement: str, battery_pct: float | None) -> None:
        if placement in self._sensors:
            self._sensors[placement].battery_pct = battery_pct

    def command(self, name: str, **args: Any) -> str | None:
        """Do what the athlete or coach asks. Returns a plain sentence where it cannot be done."""
        commands: dict[str, Callable[..., str | None]] = {
            "calibrate_pose": lambda: self._calibrate("pose"),
            "calibrate_bends": lambda: self._calibrate("bends"),
            "calibrate_raises": lambda: self._calibrate("raises"),
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
        if name in ("pain", "not_rated") and (self._flow.pose is None or self._set is not None):
            return f"Pain is asked after the {'pose' if self._set is None else 'set'}; that comes first."
        try:
            return commands[name](**args)
        except TypeError:
            return f"The command {name} came with the wrong details."

    def recording(self) -> tuple[Event, ...]:
        """The events so far, as a recording folder holds them; a set that still goes on until now."""
        going = [] if self._set is None else [replace(self._set.event, duration_s=self._elapsed_s())]
        events = self._pain.written(self._calibrating.events, [*self._sets, *going])
        return tuple(sorted(events, key=lambda event: event.onset_s))

    def frame(self) -> dict[str, Any]:
        """What there is to draw: JSON types only."""
        self._seq += 1
        now_s, drills = self.now_s, self.plan.drills
        if not self._panel or not 0 <= now_s - self._paneled_s < PANEL_S:
            self._paneled_s = now_s
            self._panel, self._warnings = self._sensor_frames(now_s), self._silent(now_s)
        after = self._item + 1
        return {
            "t": round(now_s, 3),
            "stage": self.stage,
            "drill": None if self.stage == "done" else drill_frame(self.plan, self._item, self._round),
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
        if self._set is not None:
            return "Stop the set first."
        if self._pain.stopped:
            return self._pain.refusal
        refused = self._calibrating.start(step, self.now_s)
        if refused is None:
            self.stage = "calibrate"
        return refused

    def _skip(self) -> str | None:
        if self.stage != "calibrate":
            return "There is nothing to skip."
        refused = self._calibrating.skip(self.now_s)
        if refused is None and self._calibrating.step == "ready":
            self._calibrated()
        return refused

    def _calibrated(self) -> None:
        self.stage = "pain" if self._pain.open else "ready"

    def _start_set(self) -> str | None:
        if self._set is not None:
            return "The set is already running."
        if self._flow.pose is None:
            return "First stand still for the pose: without it no angle is known."
        if self._pain.refusal is not None:
            return self._pain.refusal
        self._calibrating.close(self.now_s)
        self._flow.calibrate(self.recording())
        item = self.item
        number = len(self._sets) + 1
        event = Event(self.now_s, 0.0, "set", item.drill.id, item.side, load_kg=item.load_kg)
        asked = {side: item.asked_of(side, f"the plan {self.plan.name}") for side in item.sides}
        self._set = LiveSet(number, event, item.drill, asked, self._flow.rate_hz, self._params)
        self._before = len(self.events)
        self._summary, self._cue, self._judged = None, None, 0
        self.stage = "set"
        return None

    def _stop_set(self) -> str | None:
        if self._set is None:
            return "No set is running."
        analysed = self._set.close(self.now_s)
        self._tell_events()
        self._sets.append(self._set.event)
        parts = []
        for found in analysed:
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
        self._set, self._cue = None, None
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
        elif self.stage in ("pain", "stop"):
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
        if self._set is not None:
            self._set.event = replace(self._set.event, note=clean)
        elif self._sets:
            self._sets[-1] = replace(self._sets[-1], note=clean)
        else:
            return "A note belongs to a set: start one first."
        return None

    def _go(self, step: int) -> str | None:
        if self._set is not None:
            return "Stop the set first."
        if not 0 <= self._item + step < len(self.plan.drills):
            return "This is the last drill." if step > 0 else "This is the first drill."
        if self._pain.refusal is not None:
            return self._pain.refusal
        self._item, self._round = self._item + step, 1
        return None

    def _finish(self) -> str | None:
        if self._set is not None:
            self._stop_set()
        self._calibrating.close(self.now_s)
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

    def _watched(self) -> tuple[Side, ...]:
        """The arms whose angles are wanted now: all the time in a set, a few times a second outside."""
        if self._set is None:
            if self.now_s - self._shown_s < self._params.idle_s:
                return ()
            self._shown_s = self.now_s
        return self._asked_sides()

    def _elapsed_s(self) -> float:
        assert self._set is not None
        return self.now_s - self._set.event.onset_s

    def _tell_events(self) -> None:
        """Mirror the set's events: final ones are never touched again."""
        assert self._set is not None
        self.events = [*self.events[: self._before], *self._set.events.values()]
        reps = [final for finals in self._set.final.values() for final in finals]
        if len(reps) > self._judged:
            self._judged = len(reps)
            latest = max(reps, key=lambda final: final.known_s)
            said = cue(latest.judged.faults, self._set.drill)
            self._cue = None if said is None else (latest.known_s, said)

    def _cue_now(self, now_s: float) -> dict[str, str] | None:
        """A holding arm that sinks, before all. Else what the last rep lacked, for a while; not how high it should have
        been where the arm is in the band now."""
        if self._set is not None and any(map(sinks, self._set.watches.values())):
            return dict(LOWER_BOTH)
        if self._cue is None or now_s - self._cue[0] > self._params.cue_s:
            return None
        holds = self._set is not None and any(watch.phase == "hold" for watch in self._set.watches.values())
        return None if holds and self._cue[1]["code"] == "short_arc" else self._cue[1]

    def _arm_frames(self) -> dict[str, Any]:
        watches = {} if self._set is None else self._set.watches
        out: dict[str, Any] = {}
        for side in self._asked_sides():
            if self._set is not None and side in watches:
                out[side] = arm_frame(self._set, side, self._flow.grid_s or 0.0)
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
                out.append(f"The {limb(placement)} sensor was not heard yet.")
            elif now_s - sensor.newest_s > SILENT_S:
                out.append(f"The {limb(placement)} sensor is not heard for {now_s - sensor.newest_s:.0f} s.")
        return out
