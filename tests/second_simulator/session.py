"""A session: which movements, sets and interludes a person does, with which sensors; drawn, or as it is asked for."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np

from imu_shoulder.drills import load_shipped, shipped_ids
from imu_shoulder.model import SIDES, Side
from second_simulator.between import Interlude, random_interlude
from second_simulator.people import Person
from second_simulator.sensors import GRADES
from second_simulator.shapes import Fault, SetPlan, possible_faults

MOVEMENTS = ("neutral_pose", "elbow_bends", "forward_raises", "bends_at_shoulder_height")
# What every daily scenario has.
DAILY = ("walk", "sit", "type", "drink", "dress")
# Of a longer one, what each part lasts, from and to, in s.
DAY_S = {
    "walk": (10.0, 90.0),
    "sit": (20.0, 150.0),
    "type": (30.0, 240.0),
    "drink": (8.0, 60.0),
    "eat": (30.0, 180.0),
    "dress": (8.0, 60.0),
    "reach": (15.0, 120.0),
    "stand": (5.0, 40.0),
    "scratch": (4.0, 10.0),
    "lie": (20.0, 120.0),
}
# A drawn set is not longer than this.
SET_S = 150.0


@dataclass(frozen=True, slots=True)
class Movement:
    """A calibration movement. amount: seconds of a pose, else how often."""

    kind: str
    amount: float

    def __post_init__(self) -> None:
        if self.kind not in MOVEMENTS:
            raise ValueError(f"expected one of {', '.join(MOVEMENTS)}, came {self.kind!r}")


Block = Movement | SetPlan | Interlude


@dataclass(frozen=True, slots=True)
class StrapSlip:
    """A band that gives way. way: turn about the limb, or tilt. at_share: of the time from the first set to the end."""

    band: str
    angle_deg: float
    at_share: float
    way: Literal["turn", "tilt"] = "turn"
    lasts_s: float = 0.3


@dataclass(frozen=True, slots=True)
class Session:
    """What a person does in order, what is worn, how good the sensors are, and the number that chance comes from."""

    person: Person
    blocks: tuple[Block, ...]
    placements: tuple[str, ...]
    grade: str
    number: int = 0
    slips: tuple[StrapSlip, ...] = ()

    def __post_init__(self) -> None:
        if self.grade not in GRADES:
            raise ValueError(f"expected one of {', '.join(GRADES)}, came {self.grade!r}")


def session(
    who: Person,
    sets: Sequence[SetPlan] | None = None,
    *,
    number: int = 0,
    scenario: str = "sets",
    arms: Sequence[Side] = SIDES,
    sternum: bool | None = None,
    acromion: bool = False,
    grade: str | None = None,
    high_bends: bool = False,
    between: Sequence[Interlude] | None = None,
    faults: float = 0.0,
    minutes: float | None = None,
) -> Session:
    """A session of this person; what is None is drawn from the person's population, anew for each number.

    scenario: `sets`, or `daily`, which has a pose and no set. arms: which wear sensors on wrist and upper arm.
    acromion: whether they wear one on the shoulder blade. high_bends: whether bends_at_shoulder_height is done.
    between: interludes between the sets, in turn; () for none. faults: share of the reps of drawn sets that are done
    wrong in one way. minutes: how long a daily one lasts, with all that is in a day; None: a few minutes.
    """
    rng = who.random(7, number)
    wide = who.population == "table"
    worn = [f"{side}_{segment}" for side in arms for segment in ("wrist", "upper_arm")]
    if sternum if sternum is not None else rng.random() < 0.5:
        worn.append("sternum")
    worn += [f"{side}_acromion" for side in arms if acromion]
    grades = ("calibrated", "good", "usual", "cheap") if wide else ("good", "usual")
    drawn_grade = str(rng.choice(grades))
    blocks: list[Block] = [Movement("neutral_pose", rng.uniform(4, 8))]
    if scenario == "daily" and minutes is not None:
        return Session(who, (blocks[0], *day(rng, minutes)), tuple(worn), grade or drawn_grade, number)
    if scenario == "daily":
        kinds = [*DAILY, *rng.choice((*DAILY, "stand", "scratch"), int(rng.integers(3, 9)))]
        blocks += [Interlude(str(kind), rng.uniform(8, 30)) for kind in rng.permutation(kinds)]
        return Session(who, tuple(blocks), tuple(worn), grade or drawn_grade, number)
    if scenario != "sets":
        raise ValueError(f"expected sets or daily, came {scenario!r}")
    blocks += [Movement("elbow_bends", int(rng.integers(3, 6))), Movement("forward_raises", int(rng.integers(2, 5)))]
    if high_bends:
        blocks.append(Movement("bends_at_shoulder_height", 2))
    chosen = list(sets) if sets is not None else drawn_sets(who, rng, arms, faults, int(rng.integers(3, 7)))
    for k, plan in enumerate(chosen):
        if k and between is None:
            blocks += [random_interlude(rng, wide) for _ in range(int(rng.integers(1, 3 if wide else 2)))]
        elif k and between:
            blocks.append(between[(k - 1) % len(between)])
        blocks.append(plan)
    return Session(who, tuple(blocks), tuple(worn), grade or drawn_grade, number)


def day(rng: np.random.Generator, minutes: float) -> list[Interlude]:
    """All that is in a day, in any order, until the time is over."""
    out: list[Interlude] = []
    while sum(part.duration_s for part in out) < 60 * minutes:
        out += [Interlude(str(kind), float(rng.uniform(*DAY_S[str(kind)]))) for kind in rng.permutation(list(DAY_S))]
    until = next(k for k in range(len(out) + 1) if sum(part.duration_s for part in out[:k]) >= 60 * minutes)
    return out[:until]


def drawn_sets(who: Person, rng: np.random.Generator, arms: Sequence[Side], faults: float, count: int) -> list[SetPlan]:
    """Sets of any drills, either arm or both, as many reps as fit the time."""
    out = []
    for _ in range(count):
        drill = load_shipped(str(rng.choice(shipped_ids())))
        rep_s = 2 * who.tempo_s * len(drill.stations) + who.pause_s + (who.hold_s if drill.top.hold_s else 0.5)
        reps = int(np.clip(SET_S / rep_s, 3, min(drill.dose.reps, 10)))
        sides = [*arms, "both"] if len(arms) == 2 else list(arms)
        if drill.id == "band_loop_raise":
            side = sides[-1]
        elif drill.arms == "hold_and_lift" or drill.id.startswith("sidelying"):
            side = str(rng.choice(arms))
        else:
            side = str(rng.choice(sides))
        wrong = {rep: (random_fault(drill.id, rng),) for rep in range(1, reps + 1) if rng.random() < faults}
        mark_s = (float(rng.uniform(0.4, 2.5)), float(rng.uniform(0.4, 2.5)))
        out.append(SetPlan(drill.id, side, reps, faults=wrong, mark_s=mark_s))
    return out


# Sizes of drawn wrong movements: degrees or seconds beyond the limit; of a short hold, shares of what is asked.
SIZE_DEG = (6.0, 20.0)
SHORTER = (0.3, 0.6)
SIZES = {
    "too_fast": (0.25, 0.45),
    "shrug": (10.0, 16.0),
    "trunk_moved": (4.0, 14.0),
    "start_missed": (10.0, 25.0),
}


def random_fault(drill_id: str, rng: np.random.Generator) -> Fault:
    """One wrong movement that this drill can be done with, of a size that shows."""
    drill = load_shipped(drill_id)
    kind = str(rng.choice(possible_faults(drill)))
    if kind == "hold_short":
        return Fault(kind, float(rng.uniform(*SHORTER)) * drill.top.hold_s)
    return Fault(kind, float(rng.uniform(*SIZES.get(kind, SIZE_DEG))))
