"""Prints how drills done wrongly are judged: python tests/print_wrong_ways.py [--persons 8] [--first 0] [--ways WAY]

Every way of `wrong_ways` is done by persons of both simulators, drawn as wide as any of ours, quiet, with their sets
marked: a set near the limit but right, then a set in which every rep is wrong. Each recording is judged with the sensor
on the breastbone and without it.
"""

from __future__ import annotations

import argparse
from collections import Counter
from collections.abc import Iterable, Iterator, Mapping
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, replace
from itertools import pairwise, product

import numpy as np
import pandas as pd
from print_coverage import any_person
from second_simulator import Interlude, calmed, perform, person, session
from true_limits import Span, TrueArm, margins_deg, true_arm
from wrong_ways import BY_NAME, RIGHT, WAYS, Way

from imu_shoulder.assess.judge import JudgedRep
from imu_shoulder.drills import load_shipped
from imu_shoulder.model import SIDES, Recording, Side
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
    span_s: Span
    stays_s: Mapping[str, Span]


@dataclass(frozen=True, slots=True)
class Done:
    """One person's recording and its truth, of either simulator. shares: of the two sets."""

    recording: Recording
    shares: tuple[float, float]
    reps: tuple[Rep, ...]
    arms: Mapping[Side, TrueArm]


@dataclass(frozen=True, slots=True)
class Seen:
    """One true rep and what was said of it.

    share: of the allowed deviation. wrong: whether it is the way itself. margins: of `true_limits`.
    """

    way: str
    simulator: str
    person: int
    worn: str
    share: float
    wrong: bool
    margins: Mapping[str, float]
    found: bool
    excluded: str
    faults: tuple[str, ...]
    close: tuple[str, ...]

    @property
    def answered(self) -> bool:
        """Whether one of the right answers was given."""
        return bool({*self.faults, self.excluded} & {*BY_NAME[self.way].answers})

    @property
    def control(self) -> bool:
        """Whether it was done well: by its set, and by every true angle."""
        return not self.wrong and all(margin >= 0 for margin in self.margins.values())

    @property
    def blamed(self) -> bool:
        return bool(self.faults) and not self.excluded


def done(way: Way, simulator: str, number: int) -> Done:
    """What one person does in this way."""
    rng = np.random.default_rng([number, 23])
    shares = float(rng.uniform(*RIGHT)), way.sizes[number % len(way.sizes)]
    side = "left" if number % 2 else "right"
    # A way without a size has no near miss.
    put_in = (0.0 if way.fault else shares[0], shares[1])
    if simulator == "one":
        athlete, bends = any_person(number)
        right, wrong = (way.script(share, side, REPS) for share in put_in)
        still, end = Pause(8, "stand"), Pause(3, "stand")
        blocks = (Pose(), bends, ForwardRaises(), Pause(3, "stand"), right, still, wrong, end)
        run = simulate(Scenario(athlete, blocks, (*ARMS, "sternum")), number)
        reps = [
            Rep(r.set, r.side, r.role, (r.start_s, r.end_s), {name: (a, b) for name, a, b in r.stations})
            for r in run.truth.reps
        ]
        truth = run.truth
        return Done(run.recording, shares, tuple(reps), {s: true_arm(truth, s, truth.angles[s]) for s in SIDES})
    plans = [way.plan(share, side, REPS) for share in put_in]
    between = (Interlude("stand", 10.0, 0.0),)
    recording, truth = perform(
        session(calmed(person(number, "table")), plans, sternum=True, between=between, grade="good")
    )
    reps = [
        Rep(r.set, r.side, r.role, (r.set_out_s, r.arrived_s), {s.name: (s.start_s, s.end_s) for s in r.stays})
        for r in truth.reps
    ]
    arms = {s: true_arm(truth, s, {**truth.angles[s], **truth.trunk}) for s in SIDES}
    return Done(recording, shares, tuple(reps), arms)


def seen_of(job: tuple[str, str, int]) -> list[Seen]:
    """Every rep of one person's recording, by what is worn."""
    name, simulator, number = job
    way, drill = BY_NAME[name], load_shipped(BY_NAME[name].drill)
    by = done(way, simulator, number)
    margins = [margins_deg(drill, by.arms[r.side], r.span_s, r.stays_s, r.role == "hold") for r in by.reps]
    out = []
    for worn in WORN:
        streams = by.recording.streams
        kept = {place: stream for place, stream in streams.items() if worn == "sternum" or place != "sternum"}
        analysis = analyse(replace(by.recording, streams=kept))
        judged = [(of_set.arm_set.side, j) for of_set in analysis.sets for j in of_set.judged]
        for rep, truly in zip(by.reps, margins, strict=True):
            own = [j for side, j in judged if side == rep.side and _same(j, rep)]
            best = max(own, key=lambda j: j.rep.end_s - j.rep.start_s, default=None)
            wrong = rep.set == 2 and rep.role == way.role
            said = (False, "", (), ()) if best is None else (True, best.excluded, best.faults, best.close)
            out.append(Seen(name, simulator, number, worn, by.shares[rep.set - 1], wrong, truly, *said))
    return out


def _same(judged: JudgedRep, rep: Rep) -> bool:
    return rep.span_s[0] < (judged.rep.start_s + judged.rep.end_s) / 2 < rep.span_s[1]


def row(way: Way, seen: list[Seen]) -> dict[str, object]:
    wrong, controls = [one for one in seen if one.wrong], [one for one in seen if one.control]
    out: dict[str, object] = {"way": way.name, "wrong reps": len(wrong)}
    for simulator, worn in product(SIMULATORS, WORN):
        own = [one.answered for one in wrong if (one.simulator, one.worn) == (simulator, worn)]
        out[f"recall {simulator}, {worn}"] = np.mean(own) if own else np.nan
    answered, blamed = sum(one.answered for one in wrong), sum(one.blamed for one in controls)
    silent = [one for one in wrong if not one.answered]
    out["close only"] = sum(bool({*one.close} & {*way.answers}) for one in silent)
    out["not found or scored"] = sum(not one.found or bool(one.excluded) for one in silent)
    out["right reps"], out["blamed"] = len(controls), blamed
    out["precision"] = answered / (answered + blamed) if answered + blamed else np.nan
    others = [(fault, one) for one in wrong for fault in one.faults if fault not in way.answers]
    out["others told"] = _counted(fault for fault, _ in others)
    out["of those untrue"] = _counted(fault for fault, one in others if not one.margins.get(fault, 0.0) < 0)
    out["blamed for"] = _counted(fault for one in controls if one.blamed for fault in one.faults)
    return out


def _counted(names: Iterable[str]) -> str:
    return ", ".join(f"{name} {count}" for name, count in Counter(names).most_common()) or "-"


def by_size(seen: list[Seen]) -> Iterator[dict[str, object]]:
    """Recall by how far beyond the limit, over the ways with a size; with a sensor on the breastbone."""
    wrong = [one for one in seen if one.wrong and one.worn == WORN[0] and BY_NAME[one.way].measure]
    for low, high in pairwise((1.5, 1.75, 2.25, np.inf)):
        own = [one for one in wrong if low <= one.share < high]
        name = f"{low:g} to {high:g}" if np.isfinite(high) else f"{low:g} and more"
        told = np.mean([one.answered for one in own]) if own else np.nan
        yield {"times the allowed deviation": name, "reps": len(own), "recall": told}


def reliability(seen: list[Seen]) -> Iterator[dict[str, object]]:
    """Of what was said of a limit that is an angle: how often it was truly missed, in scored reps."""
    scored = [one for one in seen if one.found and not one.excluded]
    for name in sorted({fault for one in scored for fault in one.margins}):
        told = [one.margins[name] for one in scored if name in one.faults and name in one.margins]
        close = [one.margins[name] for one in scored if name in one.close and name in one.margins]
        silent = [one.margins[name] for one in scored if name in one.margins and name not in (*one.faults, *one.close)]
        out: dict[str, object] = {"limit": name}
        for said, margins in (("a fault", told), ("close", close), ("nothing", silent)):
            out[said] = len(margins)
            out[f"of those missed, {said}"] = np.mean(np.array(margins) < 0) if margins else np.nan
        yield out


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
    rows = [row(BY_NAME[name], own) for name, own in by_way.items()]
    for lines in (rows, list(by_size(seen)), list(reliability(seen))):
        print(pd.DataFrame(lines).to_markdown(index=False, floatfmt=".2f"), end="\n\n")


if __name__ == "__main__":
    main()
