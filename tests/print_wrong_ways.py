"""Prints how drills done wrongly are judged: python tests/print_wrong_ways.py [--persons 8] [--first 0] [--ways WAY]

Every way of `wrong_ways` is done by persons of both simulators, drawn as wide as any of ours, quiet, with their sets
marked: a set near the limit but right, then a set in which every rep is wrong. Each recording is judged with the sensor
on the breastbone and without it.
"""

from __future__ import annotations

import argparse
from collections import Counter
from collections.abc import Iterator
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, replace
from itertools import product

import numpy as np
import pandas as pd
from print_coverage import any_person
from second_simulator import Interlude, calmed, perform, person, session
from wrong_ways import BY_NAME, RIGHT, WAYS, Way

from imu_shoulder.assess.judge import JudgedRep
from imu_shoulder.model import Recording
from imu_shoulder.pipeline import analyse
from imu_shoulder.simulate import ForwardRaises, Pause, Pose, Scenario, simulate
from imu_shoulder.simulate.scenarios import ARMS

# Persons of this script are numbered from here on, apart from every other figure's seeds.
FIRST_SEED = 160_000
SIMULATORS = ("one", "two")
WORN = ("sternum", "no sternum")
REPS = 4


@dataclass(frozen=True, slots=True)
class Rep:
    """One true rep: its set (1 right, 2 wrong), its arm and role, and when it was done."""

    set: int
    side: str
    role: str
    start_s: float
    end_s: float


@dataclass(frozen=True, slots=True)
class Seen:
    """One true rep and what was said of it. share: of the allowed deviation; wrong: whether it is the way itself."""

    way: str
    simulator: str
    person: int
    worn: str
    share: float
    wrong: bool
    found: bool
    excluded: str
    faults: tuple[str, ...]

    @property
    def answered(self) -> bool:
        """Whether one of the right answers was given."""
        return bool({*self.faults, self.excluded} & {*BY_NAME[self.way].answers})

    @property
    def blamed(self) -> bool:
        return bool(self.faults) and not self.excluded


def done(way: Way, simulator: str, number: int) -> tuple[Recording, list[Rep], tuple[float, float]]:
    """The recording of one person who does two sets, its true reps, and the shares of the two sets."""
    rng = np.random.default_rng([number, 23])
    shares = float(rng.uniform(*RIGHT)), way.sizes[number % len(way.sizes)]
    side = "left" if number % 2 else "right"
    if simulator == "one":
        athlete, bends = any_person(number)
        sets = [way.script(0.0 if way.fault and k == 0 else shares[k], side, REPS) for k in range(2)]
        still = Pause(8, "stand")
        blocks = (Pose(), bends, ForwardRaises(), Pause(3, "stand"), sets[0], still, sets[1], Pause(3, "stand"))
        run = simulate(Scenario(athlete, blocks, (*ARMS, "sternum")), number)
        reps = [Rep(r.set, r.side, r.role, r.start_s, r.end_s) for r in run.truth.reps]
        return run.recording, reps, shares
    plans = [way.plan(0.0 if way.fault and k == 0 else shares[k], side, REPS) for k in range(2)]
    who = calmed(person(number, "table"))
    recording, truth = perform(
        session(who, plans, sternum=True, between=(Interlude("stand", 10.0, 0.0),), grade="good", number=number)
    )
    return recording, [Rep(r.set, r.side, r.role, r.set_out_s, r.arrived_s) for r in truth.reps], shares


def seen_of(job: tuple[str, str, int]) -> list[Seen]:
    """Every rep of one person's recording, by what is worn."""
    name, simulator, number = job
    way = BY_NAME[name]
    recording, reps, shares = done(way, simulator, number)
    out = []
    for worn in WORN:
        kept = {p: s for p, s in recording.streams.items() if worn == "sternum" or p != "sternum"}
        analysis = analyse(replace(recording, streams=kept))
        judged = [(of_set.arm_set.side, j) for of_set in analysis.sets for j in of_set.judged]
        for rep in reps:
            own = [j for side, j in judged if side == rep.side and _same(j, rep)]
            best = max(own, key=lambda j: j.rep.end_s - j.rep.start_s, default=None)
            wrong = rep.set == 2 and rep.role == way.role
            what = (bool(own), "" if best is None else best.excluded, () if best is None else best.faults)
            out.append(Seen(name, simulator, number, worn, shares[rep.set - 1], wrong, *what))
    return out


def _same(judged: JudgedRep, rep: Rep) -> bool:
    return rep.start_s < (judged.rep.start_s + judged.rep.end_s) / 2 < rep.end_s


def row(way: Way, seen: list[Seen]) -> dict[str, object]:
    wrong, controls = [one for one in seen if one.wrong], [one for one in seen if not one.wrong]
    told = Counter(fault for one in wrong for fault in one.faults if fault not in way.answers)
    out: dict[str, object] = {"way": way.name, "wrong reps": len(wrong)}
    for simulator, worn in product(SIMULATORS, WORN):
        own = [one.answered for one in wrong if (one.simulator, one.worn) == (simulator, worn)]
        out[f"recall {simulator}, {worn}"] = np.mean(own) if own else np.nan
    answered, blamed = sum(one.answered for one in wrong), sum(one.blamed for one in controls)
    out["controls"], out["blamed"] = len(controls), blamed
    out["precision"] = answered / (answered + blamed) if answered + blamed else np.nan
    out["not found, not scored"] = sum(not one.answered and (not one.found or bool(one.excluded)) for one in wrong)
    out["other faults told"] = ", ".join(f"{name} {count}" for name, count in told.most_common()) or "-"
    return out


def blamed_for(seen: list[Seen]) -> str:
    told = Counter(fault for one in seen if not one.wrong and one.blamed for fault in one.faults)
    return ", ".join(f"{name} {count}" for name, count in told.most_common()) or "-"


def all_seen(names: list[str], persons: int, first: int) -> Iterator[list[Seen]]:
    numbers = range(FIRST_SEED + first, FIRST_SEED + first + persons)
    with ProcessPoolExecutor(1) as pool:
        yield from pool.map(seen_of, list(product(names, SIMULATORS, numbers)))


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--persons", type=int, default=8, help="of each way and simulator")
    parser.add_argument("--first", type=int, default=0, help="number of the first person")
    parser.add_argument("--ways", choices=list(BY_NAME), nargs="+", default=[way.name for way in WAYS], metavar="WAY")
    options = parser.parse_args()
    seen = [one for of_job in all_seen(options.ways, options.persons, options.first) for one in of_job]
    by_way = {name: [one for one in seen if one.way == name] for name in options.ways}
    rows = [{**row(BY_NAME[name], own), "controls blamed for": blamed_for(own)} for name, own in by_way.items()]
    print(pd.DataFrame(rows).to_markdown(index=False, floatfmt=".2f"))


if __name__ == "__main__":
    main()
