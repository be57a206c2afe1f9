"""What people do between sets and in a day: walk, sit, lie, scratch, adjust a band, type, drink, eat, dress, put things
into shelves."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Literal

import numpy as np

from imu_shoulder.model import SIDES, Side
from second_simulator.actor import BANDS, Actor, Span
from second_simulator.housework import ROUNDS, act_round
from second_simulator.people import Posture
from second_simulator.quat import Array
from second_simulator.strokes import eased
from second_simulator.timeline import RATE_HZ

KINDS = ("stand", "walk", "sit", "lie", "scratch", "adjust", "type", "drink", "eat", "dress", "reach", *ROUNDS)


@dataclass(frozen=True, slots=True)
class Interlude:
    """Something done between sets. duration_s: about how long. turn_deg: of a walk, how the body faces afterwards
    against before; None: as the person turns by habit.
    """

    kind: str
    duration_s: float = 12.0
    turn_deg: float | None = None

    def __post_init__(self) -> None:
        if self.kind not in KINDS:
            raise ValueError(f"expected one of {', '.join(KINDS)}, came {self.kind!r}")


def act_interlude(actor: Actor, what: Interlude) -> None:
    begin_s = actor.time.now_s
    acts = {
        "stand": _stand,
        "walk": _walk,
        "sit": _sit,
        "lie": _lie,
        "scratch": _scratch,
        "adjust": _adjust,
        "type": _type,
        "drink": _drink,
        "eat": _eat,
        "dress": _dress,
        "reach": _reach,
    }
    if what.kind in ROUNDS:
        act_round(actor, what.kind, what.duration_s)
    else:
        acts[what.kind](actor, what)
    actor.note(what.kind, begin_s)


def _stand(actor: Actor, what: Interlude) -> None:
    actor.become("stand")
    end_s = actor.time.now_s + what.duration_s
    while actor.time.now_s < end_s:
        _shift_weight(actor)
        if actor.rng.random() < 0.4:
            actor.let_hang()
        actor.time.wait(actor.rng.uniform(1.0, 4.0))


def _shift_weight(actor: Actor) -> None:
    took_s = actor.rng.uniform(0.8, 2.0)
    actor.trunk(took_s, roll=actor.rng.normal(0, 1.5), pitch=actor.rng.normal(0, 1.2), twist=actor.rng.normal(0, 2.0))


def _walk(actor: Actor, what: Interlude) -> None:
    """Off, some turns on the way, and a stop that may face elsewhere."""
    actor.become("stand")
    rng, who = actor.rng, actor.who
    first_deg = actor.time.target["heading"]
    turn_deg = rng.normal(0, who.turns_deg) if what.turn_deg is None else what.turn_deg
    for side in SIDES:
        actor.arm(side, actor.hanging(side, asked=False), 1.2)
    actor.trunk(1.2, roll=0.0, pitch=-rng.uniform(0, 4), twist=0.0, gait=1.0, speed=who.walk_m_s)
    turns = max(2, round(what.duration_s / 4))
    for k in range(turns):
        took_s = rng.uniform(1.0, 2.4)
        to_deg = actor.time.target["heading"] + rng.choice([-1, 1]) * rng.uniform(30, 130)
        if k == turns - 1:
            # The shorter way round to where the person comes to face.
            to_deg -= (
                (to_deg - first_deg - turn_deg + 180) // 360 * 360 + (to_deg - first_deg - turn_deg + 180) % 360 - 180
            )
        actor.trunk(took_s, heading=to_deg)
        actor.time.wait(max(took_s, what.duration_s / turns))
    stop_s = rng.uniform(0.8, 1.4)
    actor.trunk(stop_s, gait=0.0, speed=0.0, pitch=0.0)
    actor.time.wait(stop_s)
    _shuffle(actor)


def _shuffle(actor: Actor) -> None:
    """Small steps on the spot at the end of a walk."""
    if actor.rng.random() < 0.5:
        actor.trunk(1.0, heading=actor.time.target["heading"] + actor.rng.normal(0, 6))
        actor.time.wait(1.0)


def _sit(actor: Actor, what: Interlude) -> None:
    actor.become("sit")
    end_s = actor.time.now_s + what.duration_s
    while actor.time.now_s < end_s:
        if actor.rng.random() < 0.3:
            side: Side = SIDES[actor.rng.integers(2)]
            actor.arm(side, actor.vary(Posture(28.0, 72.0, -8.0, 62.0, 55.0), 8.0), 1.5)
        _shift_weight(actor)
        actor.time.wait(actor.rng.uniform(2.0, 5.0))


def _lie(actor: Actor, what: Interlude) -> None:
    lying_on: tuple[Side | Literal["back"], ...] = ("left", "right", "back")
    actor.become("lie", lying_on[actor.rng.integers(3)])
    actor.time.wait(what.duration_s)


def _shaken(actor: Actor, size: float, duration_s: float, rate_hz: float) -> Array:
    """Back and forth about 0, swelling and dying away."""
    at_s = np.arange(round(duration_s * RATE_HZ)) / RATE_HZ
    shape = eased(at_s / 0.4) * eased((duration_s - at_s) / 0.4)
    wave = size * shape * np.sin(2 * np.pi * rate_hz * at_s + 0.6 * np.sin(2 * np.pi * 0.7 * at_s))
    wave[-1] = 0.0
    return np.asarray(wave)


def _reach_over(actor: Actor, side: Side) -> None:
    """The other arm comes forward, this hand goes to it."""
    give: Side = "left" if side == "right" else "right"
    actor.arm(give, actor.vary(Posture(22.0, 60.0, -15.0, 70.0, 30.0), 5.0), 1.2)
    actor.arm(side, actor.vary(Posture(38.0, 95.0, -42.0, 100.0, 45.0), 5.0), 1.2)
    actor.time.wait(1.3)


def _scratch(actor: Actor, what: Interlude) -> None:
    """One hand scratches the other arm or the head."""
    rng = actor.rng
    side: Side = SIDES[rng.integers(2)]
    scratch_s = float(np.clip(what.duration_s - 3.0, 1.5, 4.0))
    if rng.random() < 0.5:
        _reach_over(actor, side)
    else:
        actor.arm(side, actor.vary(Posture(75.0, 80.0, 35.0, 135.0, 20.0), 5.0), 1.2)
        actor.time.wait(1.3)
    rate_hz = rng.uniform(2.8, 4.5)
    actor.time.add(f"{side}.elbow", _shaken(actor, rng.uniform(3, 8), scratch_s, rate_hz))
    actor.time.add(f"{side}.forearm", _shaken(actor, rng.uniform(2, 8), scratch_s, rate_hz))
    actor.time.add(f"{side}.rotation", _shaken(actor, rng.uniform(1, 4), scratch_s, rate_hz))
    actor.time.wait(scratch_s)
    _back(actor)


def _adjust(actor: Actor, what: Interlude) -> None:
    """One hand turns a band of the other arm to and fro; it ends a little otherwise than before."""
    rng = actor.rng
    band = BANDS[rng.integers(len(BANDS))]
    side: Side = "left" if band.startswith("right") else "right"
    _reach_over(actor, side)
    begin_s = actor.time.now_s
    took_s = float(np.clip(what.duration_s - 3.0, 1.5, 4.0))
    net_deg = rng.normal(0, 1.0 if actor.who.population == "tuning" else 2.0)
    actor.time.add(f"{band}.turn", _shaken(actor, rng.uniform(4, 12), took_s, rng.uniform(1.2, 2.2)))
    actor.time.add(f"{band}.tilt", _shaken(actor, rng.uniform(1, 3), took_s, rng.uniform(1.2, 2.2)))
    actor.trunk(took_s, **{f"{band}.turn": actor.time.target[f"{band}.turn"] + net_deg})
    actor.trunk(took_s, **{f"{band}.tilt": actor.time.target[f"{band}.tilt"] + 0.25 * rng.normal(0, abs(net_deg))})
    actor.time.wait(took_s)
    actor.spans.append(Span(f"band_{band}", begin_s, actor.time.now_s, net_deg))
    _back(actor)


def _back(actor: Actor) -> None:
    if actor.stance == "stand":
        actor.let_hang()
    else:
        actor.arms(1.3, {s: actor.vary(Posture(28.0, 72.0, -8.0, 62.0, 55.0), 5.0) for s in SIDES})


def _type(actor: Actor, what: Interlude) -> None:
    actor.become("sit")
    rng = actor.rng
    keys = Posture(24.0, 70.0, -12.0, 88.0, 68.0)
    actor.arms(1.4, {s: actor.vary(keys, 4.0) for s in SIDES})
    end_s = actor.time.now_s + what.duration_s
    while actor.time.now_s < end_s:
        took_s = rng.uniform(0.25, 0.7)
        for s in SIDES:
            here = actor.vary(keys, 2.0)
            actor.arm(s, replace(here, forearm=keys.forearm + rng.normal(0, 4)), took_s)
        actor.time.wait(took_s + rng.choice([0.0, rng.uniform(0, 2)]))


def _drink(actor: Actor, what: Interlude) -> None:
    rng = actor.rng
    side: Side = SIDES[rng.integers(2)]
    rest = "stand" if actor.stance == "lie" else actor.stance
    actor.become(rest)
    end_s = actor.time.now_s + what.duration_s
    while True:
        actor.time.wait(
            max(0.0, actor.arm(side, actor.vary(Posture(45.0, 78.0, -5.0, 45.0, 20.0), 5.0), 1.2) - actor.time.now_s)
        )
        actor.time.wait(rng.uniform(0.2, 0.6))
        actor.arm(side, actor.vary(Posture(48.0, 75.0, -10.0, 128.0, 5.0), 4.0), 1.4)
        actor.time.wait(1.4)
        for _ in range(int(rng.integers(1, 4))):
            actor.time.bump(f"{side}.u", rng.uniform(6, 18), 1.2)
            actor.time.bump(f"{side}.forearm", rng.uniform(10, 30), 1.2)
            actor.time.wait(rng.uniform(1.3, 2.0))
        if actor.time.now_s >= end_s:
            break
    _back(actor)


def _dress(actor: Actor, what: Interlude) -> None:
    """A pullover: arms in, overhead, down; then tucked in behind."""
    actor.become("stand")
    rng = actor.rng
    end_s = actor.time.now_s + what.duration_s
    steps = (
        Posture(50.0, 85.0, 0.0, 60.0, 20.0),
        Posture(115.0, 75.0, 25.0, 85.0, 40.0),
        Posture(150.0, 60.0, 40.0, 50.0, 30.0),
        Posture(60.0, 70.0, -20.0, 110.0, 60.0),
        Posture(35.0, -55.0, -45.0, 60.0, 60.0),
    )
    while True:
        for posture in steps:
            actor.arms(rng.uniform(0.7, 1.5), {s: actor.vary(posture, 8.0) for s in SIDES})
            actor.time.wait(rng.uniform(0.0, 0.8))
        if actor.time.now_s >= end_s:
            break
    actor.let_hang()


def _eat(actor: Actor, what: Interlude) -> None:
    """With a spoon: from the plate to the mouth and back, again and again, at the pace of chewing."""
    actor.become("sit")
    rng = actor.rng
    side: Side = SIDES[rng.integers(2)]
    plate, mouth = Posture(34.0, 66.0, -18.0, 78.0, 50.0), Posture(56.0, 62.0, -4.0, 120.0, 22.0)
    end_s = actor.time.now_s + what.duration_s
    while actor.time.now_s < end_s:
        for _ in range(int(rng.integers(1, 4))):
            took_s = rng.uniform(0.4, 1.2)
            actor.arm(side, actor.vary(plate, 5.0), took_s)
            actor.time.wait(took_s)
        for posture, stays_s in ((mouth, rng.uniform(0.2, 0.8)), (plate, rng.uniform(1.0, 12.0))):
            took_s = rng.uniform(0.8, 1.6)
            actor.arm(side, actor.vary(posture, 4.0), took_s)
            actor.time.wait(took_s + stays_s)
    _back(actor)


def _reach(actor: Actor, what: Interlude) -> None:
    """Things from a low place into shelves of any height, by either hand, the body turning between the two."""
    actor.become("stand")
    rng = actor.rng
    low = Posture(32.0, 80.0, -10.0, 50.0, 35.0)
    end_s = actor.time.now_s + what.duration_s
    while actor.time.now_s < end_s:
        side: Side = SIDES[rng.integers(2)]
        high = Posture(rng.uniform(65, 150), rng.uniform(55, 90), rng.uniform(0, 35), rng.uniform(8, 45), 15.0)
        for posture in (low, high) if rng.random() < 0.7 else (high, low):
            took_s = rng.uniform(0.8, 1.7)
            actor.arm(side, actor.vary(posture, 6.0), took_s)
            actor.trunk(took_s, heading=actor.time.target["heading"] + rng.normal(0, 40), pitch=rng.normal(-4, 5))
            actor.time.wait(took_s + rng.uniform(0.1, 2.0))
        if rng.random() < 0.6:
            actor.let_hang(sides=(side,))
        actor.time.wait(rng.uniform(0.2, 5.0))
    actor.trunk(1.0, pitch=0.0)
    actor.let_hang()


def random_interlude(rng: np.random.Generator, wide: bool) -> Interlude:
    """What comes between two sets."""
    kinds = ("stand", "walk", "sit", "lie", "scratch", "adjust") if wide else ("stand", "walk", "sit")
    shares = np.array((0.14, 0.34, 0.2, 0.14, 0.1, 0.08) if wide else (0.4, 0.35, 0.25))
    kind = str(rng.choice(kinds, p=shares))
    return Interlude(kind, float(rng.uniform(8, 30) if kind in ("walk", "sit", "lie", "stand") else rng.uniform(4, 8)))
