"""A stand-in for the live engine with its interface and no signal processing: what a page shows is then known exactly.

Its reps follow the sample clock: lift, hold, lower and rest take the times below.
"""

from __future__ import annotations

import asyncio
from dataclasses import asdict, dataclass, field

import numpy as np

from imu_shoulder.drills.judged import JUDGED
from imu_shoulder.live.pain import PainWatch
from imu_shoulder.model import Event, SensorStream
from imu_shoulder.sources import Chunk

ANGLE_TOP_DEG = 92.0
STEPS = ("pose", "bends", "raises")
PLACEMENTS = ("right_wrist", "right_upper_arm", "left_wrist", "left_upper_arm")


def chunk(t_s: float, rate_hz: float = 100.0, span_s: float = 0.02, placements=PLACEMENTS) -> Chunk:
    """Samples of a still sensor that end at t_s."""
    count = max(1, round(span_s * rate_hz))
    times = t_s - span_s + np.arange(1, count + 1) / rate_hz
    acc, gyr = np.tile([0.0, 9.80665, 0.0], (count, 1)), np.zeros((count, 3))
    return Chunk({p: SensorStream(p, times, acc, gyr, rate_hz) for p in placements})


async def steady(rate_hz: float = 50.0, pace: float = 1.0):
    """A feed of one chunk each 1/rate_hz seconds, pace times as fast as the clock in its samples would have it."""
    due_s = asyncio.get_running_loop().time()
    number = 0
    while True:
        due_s += 1 / rate_hz
        await asyncio.sleep(max(0.0, due_s - asyncio.get_running_loop().time()))
        number += 1
        yield chunk(number * pace / rate_hz, span_s=pace / rate_hz)


@dataclass
class FakeSession:
    """sides, title, set_up, cautions, ceiling: of what is shown. phases_s: length of lift, hold, lower, rest.

    sinks: the left arm holds and sinks. Pain is watched by the real watch.
    """

    sides: tuple[str, ...] = ("right",)
    title: str = "Full can raise"
    next_title: str | None = "Band loop raise"
    reps: int = 10
    hold_s: float = 5.0
    ceiling: float = 2.0
    phases_s: tuple[float, float, float, float] = (1.5, 5.4, 1.8, 1.0)
    step_s: float = 1.0
    fail_first_pose: bool = False
    lost: set[str] = field(default_factory=set)
    cue: dict | None = None
    role: str = "lift"
    angle_name: str = "elevation"
    band_deg: tuple[float | None, float | None] = (75.0, 105.0)
    range_deg: tuple[float, float] = (0.0, 180.0)
    steady: str = "quiet"
    t: float = 0.0
    stage: str = "calibrate"
    drill_number: int = 1
    started_s: float | None = None
    set_s: float | None = None
    step: int = 0
    verdict: tuple[str, str] | None = None
    reads: str = ""
    not_seen: tuple[str, ...] = ()
    summary: dict | None = None
    events: list[dict] = field(default_factory=list)
    notes: list[str] = field(default_factory=list)
    cautions: tuple[str, ...] = ("Stop the set when the shoulder hitches up to get the arm there.",)
    set_up: tuple[str, ...] = (
        "Stand tall, arms hanging, thumbs pointing forward.",
        "Raise the straight arm a little in front of the side, thumb to the ceiling, to shoulder height.",
        "Hold still, then lower as slowly as you lifted.",
    )
    facts: list[list[str]] = field(
        default_factory=lambda: [
            ["Lifts", "right arm, 10 reps"],
            ["Hold", "5 s"],
            ["Tempo", "lift 1 s, lower 1 s or slower"],
        ]
    )
    sinks: bool = False
    set_events: list[Event] = field(default_factory=list)
    seq: int = 0

    def __post_init__(self):
        """The real watch over pain; a session that is past calibration has its first question behind it."""
        self.pain = PainWatch(self.ceiling)
        if self.stage == "ready":
            self.pain.decline()

    def push(self, streams):
        self.seq += 1
        if streams:
            self.t = max(float(stream.time_s[-1]) for stream in streams.values())
        if self.started_s is not None and self.t - self.started_s >= self.step_s:
            self.started_s = None
            if self.fail_first_pose:
                self.fail_first_pose = False
                self.verdict = ("again", "the right wrist moved; stand still for five seconds")
            else:
                self.step += 1
                self.verdict = ("good", "")
                if self.step == len(STEPS):
                    self.stage = self.after_calibration

    def command(self, name, **args):
        if name.startswith("calibrate_"):
            if self.stage != "calibrate" or name != f"calibrate_{STEPS[self.step]}":
                return "That step is not due."
            self.started_s, self.verdict = self.t, None
        elif name == "skip":
            if self.stage != "calibrate" or self.step == 0:
                return "Standing still cannot be left out."
            self.step += 1
            self.stage = self.after_calibration if self.step == len(STEPS) else self.stage
        elif name == "start_set":
            if self.pain.refusal is not None:
                return self.pain.refusal
            if self.stage != "ready":
                return "Stand still for calibration first."
            self.stage, self.set_s, self.summary = "set", self.t, None
        elif name == "stop_set":
            if self.stage != "set":
                return "No set is running."
            done = self.arm("right")["counted"]
            self.set_events.append(Event(self.set_s, self.t - self.set_s, "set", "full_can", "right"))
            self.summary = {
                "headline": f"{done} of {self.reps} reps clean.",
                "change": "Hold longer.",
                "pain_needed": True,
            }
            self.stage, self.set_s = "pain", None
            self.pain.ask(len(self.set_events))
        elif name in ("pain", "not_rated", "correct_pain", "pain_meant"):
            return self.answered(name, **args)
        elif name in ("next_drill", "previous_drill"):
            if self.stage == "set":
                return "End the set first."
            self.drill_number = max(1, min(3, self.drill_number + (1 if name == "next_drill" else -1)))
        elif name == "note":
            self.notes.append(args["text"])
        elif name == "finish":
            self.stage = "done"
        return None

    @property
    def after_calibration(self):
        return "pain" if self.pain.open else "ready"

    def answered(self, name, value=None):
        pain = self.pain
        if name in ("pain", "correct_pain"):
            refused = (pain.rate if name == "pain" else pain.correct)(value, self.t)
        else:
            refused = pain.decline() if name == "not_rated" else pain.confirm()
        if refused is None:
            self.stage = "stop" if pain.stopped else "ready"
        return refused

    def calibrated_by(self):
        return ()

    def recording(self):
        return tuple(self.pain.written([Event(0.5, 5.0, "neutral_pose")], self.set_events))

    def arm(self, side):
        band = list(self.band_deg)
        arm = {
            "role": self.role, "angle_name": self.angle_name, "angle_deg": 4.0, "band_deg": band,
            "range_deg": list(self.range_deg), "dial": asdict(JUDGED[self.angle_name].dial),
            "peak_deg": 0.0, "rep": 0, "of": self.reps, "phase": "rest",
            "hold_s": None, "held_s": None, "hold_target_s": self.hold_s, "hold_done": False, "sinks": False,
            "station": None, "next_station": None, "steadiness_deg": None, "steady": None,
            "last_holds_s": [], "counted": 0, "missed": [], "unseen": [],
        }  # fmt: skip
        if self.set_s is None:
            return arm
        lift, hold, lower, rest = self.phases_s
        since, into = divmod(self.t - self.set_s, lift + hold + lower + rest)
        rep = int(since) + 1
        arm |= {"rep": rep, "counted": rep - 1, "last_holds_s": [hold] * (rep - 1), "peak_deg": ANGLE_TOP_DEG}
        if into < lift:
            share = into / lift
            arm |= {"phase": "lift", "angle_deg": 4 + share * (ANGLE_TOP_DEG - 4), "peak_deg": ANGLE_TOP_DEG * share}
        elif into < lift + hold:
            held = into - lift
            arm |= {"phase": "hold", "angle_deg": ANGLE_TOP_DEG + 1.2 * np.sin(7 * held), "hold_s": held}
            arm |= {"steadiness_deg": 0.5 + 0.3 * abs(np.sin(3 * held)), "steady": self.steady}
            arm["hold_done"] = held >= self.hold_s
        elif into < lift + hold + lower:
            arm |= {"phase": "lower", "angle_deg": ANGLE_TOP_DEG * (1 - (into - lift - hold) / lower), "held_s": hold}
        else:
            arm |= {"counted": rep, "held_s": hold}
        if self.sinks and side == "left":
            arm |= {"phase": "lower", "role": "hold", "angle_deg": 66.0, "sinks": True, "hold_done": False}
        if f"{side}_wrist" in self.lost:
            arm |= {"phase": "unseen", "angle_deg": None, "steady": None, "steadiness_deg": None, "unseen": [rep]}
        return {
            k: float(v) if isinstance(v, np.floating) else bool(v) if isinstance(v, np.bool_) else v
            for k, v in arm.items()
        }

    def frame(self):
        step = STEPS[self.step] if self.step < len(STEPS) else "ready"
        still = 0.0 if self.started_s is None else min(1.0, (self.t - self.started_s) / self.step_s)
        verdict, because = self.verdict or (None, "")
        return {
            "t": self.t,
            "stage": self.stage,
            "drill": {
                "id": "full_can",
                "title": self.title,
                "set_up": list(self.set_up),
                "cautions": list(self.cautions),
                "side": "both" if len(self.sides) == 2 else self.sides[0],
                "facts": self.facts,
                "asked": {"reps": self.reps, "hold_s": self.hold_s},
                "number": self.drill_number,
                "of": 3,
                "set": 1,
                "sets": 2,
                "reads": self.reads,
                "not_seen": list(self.not_seen),
            },
            "next": self.next_title,
            "arms": {side: self.arm(side) for side in self.sides} if self.stage in ("ready", "set") else {},
            "cue": self.cue if self.stage == "set" else None,
            "calibration": {
                "step": step,
                "text": {
                    "pose": "Stand still, arms hanging, thumbs forward.",
                    "bends": "Bend both elbows three times, upper arms still.",
                    "raises": "Raise both straight arms forward twice.",
                }.get(step, "Calibration is complete."),
                "still": still,
                "count": None if step == "pose" else round(3 * still),
                "asked": {"pose": None, "bends": 3, "raises": 2}.get(step),
                "verdict": verdict,
                "because": because,
                "running": self.started_s is not None,
            },
            "sensors": {
                p: {
                    "rate_hz": 0.0 if p in self.lost else 100.0,
                    "loss_pct": 100.0 if p in self.lost else 0.2,
                    "battery_pct": 81 if "left" in p else None,
                    "seen_s_ago": 7.0 if p in self.lost else 0.01,
                    "on_limb": None if self.step == 0 else True,
                }
                for p in PLACEMENTS
            },
            "set_summary": self.summary,
            "pain": self.pain.frame(self.t),
            "warnings": [f"The {p.replace('_', ' ')} has not been heard for 7 s." for p in sorted(self.lost)],
            "seq": self.seq,
        }  # fmt: skip
