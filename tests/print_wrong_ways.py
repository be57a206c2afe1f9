"""Prints how drills done wrongly are judged: python tests/print_wrong_ways.py [--persons 8] [--first 0] [--ways WAY]

Every way of `wrong_ways` is done by persons of both simulators, drawn as wide as any of ours, quiet, with their sets
marked: a set near the limit but right, then a set in which every rep is wrong. Each recording is judged with the sensor
on the breastbone and without it.
"""

from __future__ import annotations

import argparse
from collections import Counter
from collections.abc import Iterator, Mapping
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, replace
from itertools import product

import numpy as np
import pandas as pd
from print_coverage import any_person
from second_simulator import Interlude, calmed, perform, person, session
from wrong_ways import BY_NAME, RIGHT, WAYS, Way

from imu_shoulder.assess.judge import JudgedRep
from imu_shoulder.frames import Z_AXIS, rotation_from_quat
from imu_shoulder.model import SIDES, FloatArray, Recording, Side
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
    """One true rep: its set (1 right, 2 wrong), its arm and role, when it was done, and what was held when, by name."""

    set: int
    side: Side
    role: str
    start_s: float
    end_s: float
    stays: Mapping[str, tuple[float, float]]


@dataclass(frozen=True, slots=True)
class Done:
    """One person's recording and its truth, of either simulator.

    shares: of the two sets. angles_deg: by side and column (N,) on time_s. trunk_up: where the vertical points in the
    trunk (N, 3).
    """

    recording: Recording
    shares: tuple[float, float]
    reps: tuple[Rep, ...]
    time_s: FloatArray
    angles_deg: Mapping[Side, Mapping[str, FloatArray]]
    trunk_up: FloatArray


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


def done(way: Way, simulator: str, number: int, reps: int = REPS, sensors: bool = True) -> Done:
    """What one person does in this way."""
    rng = np.random.default_rng([number, 23])
    shares = float(rng.uniform(*RIGHT)), way.sizes[number % len(way.sizes)]
    side = "left" if number % 2 else "right"
    # A way without a size has no near miss.
    put_in = (0.0 if way.fault else shares[0], shares[1])
    if simulator == "one":
        athlete, bends = any_person(number)
        right, wrong = (way.script(share, side, reps) for share in put_in)
        still, end = Pause(8, "stand"), Pause(3, "stand")
        blocks = (Pose(), bends, ForwardRaises(), Pause(3, "stand"), right, still, wrong, end)
        run = simulate(Scenario(athlete, blocks, (*ARMS, "sternum") if sensors else ()), number)
        recording, truth = run.recording, run.truth
        found = [
            Rep(r.set, r.side, r.role, r.start_s, r.end_s, {name: (a, b) for name, a, b in r.stations})
            for r in truth.reps
        ]
    else:
        plans = [way.plan(share, side, reps) for share in put_in]
        between, arms = (Interlude("stand", 10.0, 0.0),), SIDES if sensors else ()
        what = session(
            calmed(person(number, "table")), plans, sternum=sensors, arms=arms, between=between, grade="good"
        )
        recording, truth = perform(what)
        found = [
            Rep(r.set, r.side, r.role, r.set_out_s, r.arrived_s, {s.name: (s.start_s, s.end_s) for s in r.stays})
            for r in truth.reps
        ]
    trunk_up = rotation_from_quat(truth.quats["thorax"]).inv().apply(Z_AXIS)
    return Done(recording, shares, tuple(found), truth.time_s, truth.angles, trunk_up)


def seen_of(job: tuple[str, str, int]) -> list[Seen]:
    """Every rep of one person's recording, by what is worn."""
    name, simulator, number = job
    way = BY_NAME[name]
    person_done = done(way, simulator, number)
    out = []
    for worn in WORN:
        streams = person_done.recording.streams
        kept = {place: stream for place, stream in streams.items() if worn == "sternum" or place != "sternum"}
        analysis = analyse(replace(person_done.recording, streams=kept))
        judged = [(of_set.arm_set.side, j) for of_set in analysis.sets for j in of_set.judged]
        for rep in person_done.reps:
            own = [j for side, j in judged if side == rep.side and _same(j, rep)]
            best = max(own, key=lambda j: j.rep.end_s - j.rep.start_s, default=None)
            wrong = rep.set == 2 and rep.role == way.role
            what = (bool(own), "" if best is None else best.excluded, () if best is None else best.faults)
            out.append(Seen(name, simulator, number, worn, person_done.shares[rep.set - 1], wrong, *what))
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
