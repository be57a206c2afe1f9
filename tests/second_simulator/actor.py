"""A person on a timeline: stands, sits or lies, moves arms from posture to posture, and notes what was done."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from typing import Literal

import numpy as np

from imu_shoulder.model import SIDES, Event, Side
from second_simulator.body import ARM_CHANNELS, arm_channels
from second_simulator.people import Person, Posture
from second_simulator.quat import Array
from second_simulator.strokes import Habit
from second_simulator.timeline import Timeline

Stance = Literal["stand", "sit", "lie"]

# lean_roll, lean_twist, lean_pitch: away from however the trunk is, about its own axes.
TRUNK_CHANNELS = ("heading", "roll", "twist", "pitch", "lean_roll", "lean_twist", "lean_pitch", "x", "y", "z")
# speed: of walking, m/s. gait: how much of a step is made. restless, sway: factors on wander and sway. tired: 0 to 1.
STATE_CHANNELS = ("speed", "gait", "restless", "sway", "tired")
# What hands and straps do to a sensor: turn about the limb, tilt.
BAND_CHANNELS = ("turn", "tilt")
BANDS = tuple(f"{side}_{segment}" for side in SIDES for segment in ("wrist", "upper_arm"))

ON_THE_THIGHS = Posture(28.0, 72.0, -8.0, 62.0, 55.0)
UNDER_THE_HEAD = Posture(95.0, 60.0, 20.0, 100.0, 10.0)


@dataclass(frozen=True, slots=True)
class Stay:
    """A posture that was held: the planned times, which the true angles refine."""

    name: str
    start_s: float
    end_s: float


@dataclass(frozen=True, slots=True)
class PlannedRep:
    """One rep as it was acted: from set_out_s to arrived_s, the stays between, and each stroke: its way, and from when
    to when its parts were, two where it paused."""

    set: int
    drill: str
    side: Side
    rep: int
    role: Literal["lift", "hold"]
    set_out_s: float
    stays: tuple[Stay, ...]
    arrived_s: float
    faults: tuple[str, ...] = ()
    strokes: tuple[tuple[str, tuple[tuple[float, float], ...]], ...] = ()


@dataclass(frozen=True, slots=True)
class Span:
    """Something that went on for a while: an activity by its name, or a band that was turned, with its net turn."""

    name: str
    start_s: float
    end_s: float
    turn_deg: float = 0.0


@dataclass(slots=True)
class Actor:
    """Moves the channels of one person. What was done is kept in events, reps and spans."""

    who: Person
    rng: np.random.Generator
    time: Timeline = field(init=False)
    stance: Stance = "stand"
    lying_on: Side | Literal["back"] = "left"
    events: list[Event] = field(default_factory=list)
    reps: list[PlannedRep] = field(default_factory=list)
    spans: list[Span] = field(default_factory=list)
    sets_done: int = 0

    def __post_init__(self) -> None:
        first = dict.fromkeys((*TRUNK_CHANNELS, *STATE_CHANNELS), 0.0)
        first |= {"heading": self.rng.uniform(-180, 180), "restless": 1.0, "sway": 1.0}
        for side in SIDES:
            first |= {f"{side}.{c}": 0.0 for c in ARM_CHANNELS}
            first |= {f"{side}.{c}": value for c, value in arm_channels(self.hanging(side, asked=True)).items()}
        first |= {f"{band}.{c}": 0.0 for band in BANDS for c in BAND_CHANNELS}
        self.time = Timeline(first, self.rng)

    # Postures.

    def hanging(self, side: Side, asked: bool) -> Posture:
        """How the arm comes to hang this time. asked: as in the neutral pose; otherwise as it falls."""
        arm, spread = self.who.arms[side], self.who.return_deg
        base = arm.pose if asked else arm.relaxed
        out, forward = arm_channels(base)["u"], arm_channels(base)["v"]
        out, forward = out + self.rng.normal(0, 0.3 * spread), forward + self.rng.normal(0, 0.3 * spread)
        return Posture(
            elevation=float(np.hypot(out, forward)),
            plane=float(np.degrees(np.arctan2(forward, out))),
            rotation=base.rotation + self.rng.normal(0, spread),
            elbow=max(self.who.arms[side].stop_deg, base.elbow + self.rng.normal(0, 0.5 * spread)),
            forearm=base.forearm + self.rng.normal(0, spread),
        )

    def arm(
        self,
        side: Side,
        to: Posture,
        duration_s: float,
        at_s: float | None = None,
        lead: tuple[tuple[str, ...], Array] | None = None,
    ) -> float:
        """Move one arm to a posture, each joint in its own time. lead: channels of a given stroke. Returns the end."""
        begin_s = self.time.now_s if at_s is None else at_s
        together = self.time.stroke(duration_s, self.habit)
        before = {c: self.time.target[f"{side}.{c}"] for c in ("u", "v")}
        for channel, value in arm_channels(to).items():
            if lead is not None and channel in lead[0]:
                steps, late_s = lead[1], 0.0
            elif channel in ("u", "v"):
                steps, late_s = together, 0.0
            else:
                shorter_s, late = duration_s * self.rng.uniform(0.75, 1.0), self.rng.uniform()
                steps, late_s = self.time.stroke(shorter_s, self.habit), late * (duration_s - shorter_s)
            self.time.move(f"{side}.{channel}", value, steps, begin_s + late_s)
        du, dv = (self.time.target[f"{side}.{c}"] - before[c] for c in ("u", "v"))
        bent = self.rng.normal(0, self.habit.bow)
        self.time.bump(f"{side}.u", -bent * dv, duration_s, begin_s)
        self.time.bump(f"{side}.v", bent * du, duration_s, begin_s)
        return begin_s + duration_s

    @property
    def habit(self) -> Habit:
        return self.who.habit

    def let_hang(self, asked: bool = False, duration_s: float | None = None, sides: tuple[Side, ...] = SIDES) -> None:
        """Let the arms come to hang, and wait for it."""
        took_s = duration_s or self.rng.uniform(1.0, 2.2)
        for side in sides:
            self.arm(side, self.hanging(side, asked), took_s * self.rng.uniform(0.85, 1.0))
        self.time.wait(took_s)

    def arms(self, duration_s: float, to: Mapping[Side, Posture]) -> None:
        """Move both arms and wait for them."""
        for side, posture in to.items():
            self.arm(side, posture, duration_s * self.rng.uniform(0.85, 1.0))
        self.time.wait(duration_s)

    def trunk(self, duration_s: float, at_s: float | None = None, **to: float) -> None:
        """Move trunk channels, without waiting."""
        for channel, value in to.items():
            self.time.move(channel, value, self.time.stroke(duration_s, self.habit), at_s)

    def vary(self, posture: Posture, spread_deg: float) -> Posture:
        """The posture as it comes out this time."""
        return replace(
            posture,
            elevation=max(0.5, posture.elevation + self.rng.normal(0, spread_deg)),
            plane=posture.plane + self.rng.normal(0, spread_deg),
            rotation=posture.rotation + self.rng.normal(0, spread_deg),
            elbow=max(0.0, posture.elbow + self.rng.normal(0, spread_deg)),
            forearm=posture.forearm + self.rng.normal(0, spread_deg),
        )

    # Notes.

    def mark(self, trial_type: str, start_s: float, end_s: float, side: str | None, drill: str | None = None) -> None:
        self.events.append(Event(round(start_s, 3), round(end_s - start_s, 3), trial_type, drill, side))

    def note(self, name: str, start_s: float, turn_deg: float = 0.0) -> None:
        self.spans.append(Span(name, start_s, self.time.now_s, turn_deg))

    # Stances.

    def become(self, stance: Stance, lying_on: Side | Literal["back"] = "left") -> None:
        """Stand, sit or lie; what lies between is passed through."""
        if stance == self.stance and (stance != "lie" or lying_on == self.lying_on):
            return
        begin_s = self.time.now_s
        if stance == self.stance == "lie":
            self.become("sit")
        if "sit" not in (stance, self.stance):
            self.become("sit")
        if stance == "stand":
            self._stand_up()
        elif stance == "sit":
            self._to_sitting()
        else:
            self._lie_down(lying_on)
            self.lying_on = lying_on
        self.stance = stance
        self.note(f"to_{stance}", begin_s)

    def _to_sitting(self) -> None:
        took_s = self.rng.uniform(1.6, 2.8)
        rising = self.stance == "lie"
        if rising:
            took_s *= 1.5
            self._shift(took_s, 0.0, self.rng.uniform(-0.1, 0.1))
        else:
            # The trunk leans forward to sit down and comes back.
            self.time.bump("pitch", -self.rng.uniform(22, 38), took_s * 1.1)
            self._shift(took_s, -0.25, 0.0)
        self.trunk(took_s, roll=self.rng.normal(0, 1.5), twist=self.rng.normal(0, 2), pitch=self.rng.normal(-3, 5))
        self.trunk(took_s, z=-0.27 * self.who.height_m, sway=0.4)
        self.time.wait(0.3 * took_s)
        self.arms(took_s, {side: self.vary(ON_THE_THIGHS, 5.0) for side in SIDES})

    def _stand_up(self) -> None:
        took_s = self.rng.uniform(1.4, 2.4)
        self.time.bump("pitch", -self.rng.uniform(25, 40), took_s)
        self._shift(took_s, 0.25, 0.0)
        self.trunk(took_s, z=0.0, sway=1.0, roll=0.0, twist=0.0, pitch=0.0)
        self.time.wait(0.4 * took_s)
        self.let_hang(duration_s=took_s)

    def _lie_down(self, lying_on: Side | Literal["back"]) -> None:
        took_s = self.rng.uniform(2.5, 4.5)
        # Rolling by -90 about the forward axis turns the right side up; leaning back is a positive pitch.
        over = {"left": -90.0, "right": 90.0, "back": 0.0}[lying_on]
        back = 80.0 if lying_on == "back" else 0.0
        self.trunk(took_s, roll=over + self.rng.normal(0, 6), pitch=back + self.rng.normal(0, 5))
        self.trunk(took_s, sway=0.08, z=-0.3 * self.who.height_m, twist=self.rng.normal(0, 4))
        self._shift(took_s, 0.0, self.rng.uniform(-0.2, 0.2))
        self.time.wait(0.2 * took_s)
        at_ease = Posture(14.0, 60.0, -30.0, 60.0, 30.0)
        to = {side: UNDER_THE_HEAD if side == lying_on else at_ease for side in SIDES}
        self.arms(took_s, {side: self.vary(posture, 4.0) for side, posture in to.items()})

    def _shift(self, duration_s: float, forward_m: float, left_m: float) -> None:
        heading = np.radians(self.time.target["heading"])
        x_m = forward_m * np.cos(heading) - left_m * np.sin(heading)
        y_m = forward_m * np.sin(heading) + left_m * np.cos(heading)
        self.trunk(duration_s, x=self.time.target["x"] + x_m, y=self.time.target["y"] + y_m)
