"""A stand-in for the live engine with its interface and no signal processing: what a page shows is then known exactly.

Its reps follow the sample clock: lift, hold, lower and rest take the times below.
"""

from __future__ import annotations

import asyncio
from dataclasses import asdict, dataclass, field

import numpy as np

from imu_shoulder.drills import load_shipped
from imu_shoulder.drills.judged import JUDGED
from imu_shoulder.live.course import Course
from imu_shoulder.live.pain import PainWatch
from imu_shoulder.live.tally import SetTally, Tally
from imu_shoulder.model import Event, SensorStream
from imu_shoulder.plan import Plan, PlannedDrill
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

    asked: reps of each arm where they are not the same. drills, rounds: of the plan, and sets of each. sinks: the left
    arm holds and sinks; holder: an arm that holds while the other one lifts. Pain, the way through the plan and what is
    kept of each set are the real ones.
    """

    sides: tuple[str, ...] = ("right",)
    title: str = "Full can raise"
    next_title: str | None = "Band loop raise"
    reps: int = 10
    asked: dict | None = None
    drills: int = 3
    rounds: int = 2
    holder: str | None = None
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
    started_s: float | None = None
    set_s: float | None = None
    step: int = 0
    alone: str | None = None
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
    texts: dict[str, str] = field(
        default_factory=lambda: {
            "pose": "Stand still, arms hanging, thumbs forward.",
            "bends": "Bend both elbows three times, upper arms still.",
            "raises": "Raise both straight arms forward twice.",
        }
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
        self.tally = Tally()
        lifting = [side for side in self.sides if side != self.holder]
        reps = self.asked or dict.fromkeys(lifting, self.reps)
        side = "both" if len(lifting) == 2 else lifting[0]
        item = PlannedDrill(load_shipped("full_can"), side, self.rounds, reps)
        self.course = Course(Plan("fake.toml", "M.K.", (item,) * self.drills))
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
                    self.resume()
        if self.stage == "set":
            for side in self.tally.sets[-1].asked:
                self.tally.sets[-1].counted[side] = self.arm(side)["counted"]

    @property
    def drill_number(self):
        return self.course.place + 1

    def resume(self):
        self.alone = None
        if self.pain.stopped:
            self.stage = "stop"
        elif self.pain.open:
            self.stage = "pain"
        elif self.tally.asks_effort:
            self.stage = "effort"
        else:
            self.course.advance()
            self.stage = "over" if self.course.over else "ready"

    def command(self, name, **args):
        if name.startswith("calibrate_"):
            if self.stage == "set":
                return "Stop the set first."
            self.step, self.stage, self.alone = (
                STEPS.index(name.removeprefix("calibrate_")),
                "calibrate",
                args.get("side"),
            )
            self.started_s, self.verdict = self.t, None
        elif name == "skip":
            if self.stage != "calibrate" or self.step == 0:
                return "Standing still cannot be left out."
            self.step += 1
            if self.step == len(STEPS):
                self.resume()
        elif name == "start_set":
            if self.pain.refusal is not None:
                return self.pain.refusal
            if self.stage != "ready":
                return "Stand still for calibration first."
            item = self.course.item
            self.tally.begin(SetTally(self.title, item.side, self.course.round, item.sets, item.reps))
            self.course.set_begins()
            self.stage, self.set_s, self.summary = "set", self.t, None
        elif name == "stop_set":
            if self.stage != "set":
                return "No set is running."
            done = self.arm(next(iter(self.course.item.reps)))["counted"]
            self.set_events.append(Event(self.set_s, self.t - self.set_s, "set", "full_can", "right"))
            self.summary = {
                "headline": f"{done} of {self.reps} reps clean.",
                "change": "Hold longer.",
                "pain_needed": True,
            }
            self.tally.end({side: {"reps": n, "clean": n} for side, n in self.tally.sets[-1].counted.items()})
            self.course.set_done(self.t)
            self.stage, self.set_s = "pain", None
            self.pain.ask(len(self.set_events))
        elif name in ("pain", "not_rated", "correct_pain", "pain_meant"):
            return self.answered(name, **args)
        elif name in ("effort", "effort_not_rated"):
            refused = self.tally.rate(args["value"]) if name == "effort" else self.tally.decline()
            if refused is None:
                self.resume()
            return refused
        elif name == "count":
            return self.tally.correct(args["by"], args["side"])
        elif name in ("next_drill", "previous_drill"):
            if self.stage == "set":
                return "End the set first."
            refused = self.course.go(1 if name == "next_drill" else -1)
            if refused is None:
                self.resume()
            return refused
        elif name == "note":
            self.notes.append(args["text"])
        elif name == "finish":
            self.stage = "done"
        return None

    def answered(self, name, value=None):
        pain = self.pain
        if name in ("pain", "correct_pain"):
            refused = (pain.rate if name == "pain" else pain.correct)(value, self.t)
        else:
            refused = pain.decline() if name == "not_rated" else pain.confirm()
        if refused is None:
            self.resume()
        return refused

    def calibrated_by(self):
        return ()

    def recording(self):
        sets = [own.written(event) for own, event in zip(self.tally.sets, self.set_events, strict=False)]
        return tuple(self.pain.written([Event(0.5, 5.0, "neutral_pose")], sets))

    def arm(self, side):
        band = list(self.band_deg)
        arm = {
            "role": self.role, "angle_name": self.angle_name, "angle_deg": 4.0, "band_deg": band,
            "range_deg": list(self.range_deg), "dial": asdict(JUDGED[self.angle_name].dial),
            "peak_deg": 0.0, "of": self.course.item.reps.get(side), "phase": "rest",
            "hold_s": None, "held_s": None, "hold_target_s": self.hold_s, "hold_done": False, "sinks": False,
            "station": None, "next_station": None, "steadiness_deg": None, "steady": None,
            "last_holds_s": [], "missed": [], "unseen": [],
            "count": 0, "counted": 0, "by_hand": None, "extra": 0, "done": False,
        }  # fmt: skip
        if side == self.holder:
            arm |= {"role": "hold", "hold_target_s": None}
            if self.set_s is not None:
                arm |= {"phase": "hold", "angle_deg": ANGLE_TOP_DEG, "hold_s": self.t - self.set_s}
            return arm
        if self.set_s is None:
            return arm
        lift, hold, lower, rest = self.phases_s
        since, into = divmod(self.t - self.set_s, lift + hold + lower + rest)
        rep = int(since) + 1
        arm |= {"counted": rep - 1, "last_holds_s": [hold] * (rep - 1), "peak_deg": ANGLE_TOP_DEG}
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
        arms = {side: self.arm(side) for side in self.sides} if self.stage in ("ready", "set") else {}
        done = self.tally.frames(self.pain.latest)[: len(self.set_events)]
        ended = self.stage in ("over", "done")
        set_done = False
        if self.stage == "set":
            latest = self.tally.sets[-1]
            arms |= {side: arms[side] | latest.arm_frame(side) for side in latest.asked}
            set_done = bool(latest.counted) and all(latest.arm_frame(side)["done"] for side in latest.asked)
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
                "side": self.course.item.side,
                "direction": None,
                "directions": {},
                "facts": self.facts,
                "asked": {"reps": dict(self.course.item.reps), "hold_s": self.hold_s},
                "number": self.drill_number,
                "of": self.drills,
                "set": self.course.round,
                "sets": self.rounds,
                "reads": self.reads,
                "not_seen": list(self.not_seen),
            },
            "next": self.next_title,
            "arms": arms,
            "set_done": set_done,
            "cue": self.cue if self.stage == "set" else None,
            "calibration": {
                "step": step,
                "side": self.alone,
                "text": self.texts.get(step, "Calibration is complete."),
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
            "rest": self.course.rest(self.t),
            "sets": done if ended else done[-1:],
            "left_out": self.course.left_out if ended else [],
            "warnings": [f"The {p.replace('_', ' ')} has not been heard for 7 s." for p in sorted(self.lost)],
            "seq": self.seq,
        }  # fmt: skip
