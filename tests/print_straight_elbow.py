"""Prints how far rotation is off with a straight elbow: python tests/print_straight_elbow.py [--persons 40] [--first 0]

Every person does full cans and band loop raises, once for each condition: after the pose, elbow bends and forward
raises alone; with a set of rotation at the side, elbow bent, before them; and with elbow bends at shoulder height.
Each simulator has its own persons, who do all three without walking about in between.
"""

from __future__ import annotations

import argparse
import sys
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
import pandas as pd
from print_coverage import any_person

from imu_shoulder.model import FloatArray, Recording
from imu_shoulder.pipeline import analyse
from imu_shoulder.simulate import BendsAtShoulderHeight, ElbowBends, Pause, SetScript, simulate
from imu_shoulder.simulate.scenarios import drill_scenario

sys.path.insert(0, str(Path(__file__).parent))

from second_simulator import SetPlan, perform, person, session

STRAIGHT = ("full_can", "band_loop_raise")
REPS = 4
# Persons of the first simulator are numbered from here on, apart from every other figure's seeds.
FIRST_SEED = 300_000


@dataclass(frozen=True, slots=True)
class Condition:
    """What is recorded beside the pose, the usual movements and the sets in question."""

    name: str
    rotates: bool = False
    bends_high: bool = False


CONDITIONS = (
    Condition("no new movement"),
    Condition("bent-elbow rotation", rotates=True),
    Condition("bends at shoulder height", bends_high=True),
)

Run = tuple[Recording, FloatArray, Mapping[str, FloatArray]]


def first_simulator(number: int, condition: Condition) -> Run:
    """The recording, true times and the right arm's true angles."""
    athlete, bends = any_person(FIRST_SEED + number)
    scenario = drill_scenario(STRAIGHT[0], athlete=athlete, reps=REPS)
    before = [bends if isinstance(block, ElbowBends) else block for block in scenario.blocks[:3]]
    before += [BendsAtShoulderHeight()] if condition.bends_high else []
    rotating = [Pause(4, "stand"), SetScript("band_external_rotation", "right", reps=REPS)]
    before += rotating if condition.rotates else []
    sets = [block for drill in STRAIGHT for block in (Pause(4, "stand"), SetScript(drill, "right", reps=REPS))]
    run = simulate(replace(scenario, blocks=(*before, *sets, Pause(2, "stand"))), FIRST_SEED + number)
    return run.recording, run.truth.time_s, run.truth.angles["right"]


def second_simulator(number: int, condition: Condition) -> Run:
    who = person(number, "table")
    drills = ("band_external_rotation", *STRAIGHT) if condition.rotates else STRAIGHT
    sets = [SetPlan(drill, "right", REPS, hold_s=5.0, tempo_s=2.0) for drill in drills]
    recording, truth = perform(session(who, sets, high_bends=condition.bends_high, between=()))
    return recording, truth.time_s, truth.angles["right"]


SIMULATORS: dict[str, Callable[[int, Condition], Run]] = {"first": first_simulator, "second": second_simulator}


@dataclass(frozen=True, slots=True)
class Seen:
    """Rotation of one person over the sets with a straight elbow, in degrees.

    constant, varying: its mean error and the standard deviation about it; inside: share within 1.96 sd; plane: the
    mean error of the plane of elevation, which is that of the heading.
    """

    simulator: str
    condition: str
    person: int
    rmse: float
    constant: float
    varying: float
    sd: float
    inside: float
    plane: float


def seen_of(name: str, number: int, condition: Condition) -> Seen:
    recording, true_s, true = SIMULATORS[name](number, condition)
    analysis = analyse(recording)
    arm = analysis.arms["right"]
    rows = np.zeros(len(analysis.aligned.time_s), dtype=bool)
    for done in analysis.sets:
        drill = done.arm_set.drill
        if done.arm_set.side == "right" and drill is not None and drill.id in STRAIGHT:
            rows[slice(*done.arm_set.rows)] = True
    nearest = np.clip(np.searchsorted(true_s, analysis.aligned.time_s[rows]), 0, len(true_s) - 1)

    def error(angle: str) -> FloatArray:
        return np.asarray((arm.angles[angle][rows] - true[angle][nearest] + 180) % 360 - 180)

    off, sd = error("rotation_deg"), arm.sd["rotation_deg"][rows]
    known = np.isfinite(off)
    off, sd = off[known], sd[known]
    rmse, stated = (float(np.sqrt(np.mean(values**2))) for values in (off, sd))
    plane = float(np.nanmean(error("plane_deg")))
    inside = float(np.mean(np.abs(off) < 1.96 * sd))
    return Seen(name, condition.name, number, rmse, float(off.mean()), float(off.std()), stated, inside, plane)


def recordings(persons: int, first: int, simulators: list[str]) -> Iterator[Seen]:
    for name in simulators:
        for condition in CONDITIONS:
            for number in range(first, first + persons):
                yield seen_of(name, number, condition)


def summary(seen: pd.DataFrame) -> pd.DataFrame:
    """Per simulator and condition; root mean squares over persons of constant, varying and plane."""
    squares = seen.assign(**{name: seen[name] ** 2 for name in ("rmse", "constant", "varying", "plane")})
    by = ["simulator", "condition"]
    grouped, squared = seen.groupby(by, sort=False), squares.groupby(by, sort=False)
    table = pd.DataFrame(
        {
            "persons": grouped.size(),
            "RMSE median": grouped["rmse"].median(),
            "RMSE 90 %": grouped["rmse"].quantile(0.9),
            "constant": np.sqrt(squared["constant"].mean()),
            "varying": np.sqrt(squared["varying"].mean()),
            "stated sd": grouped["sd"].median(),
            "sd over RMSE": grouped["sd"].median() / np.sqrt(squared["rmse"].mean()),
            "coverage": grouped["inside"].mean(),
            "plane off": np.sqrt(squared["plane"].mean()),
        }
    )
    return table.reset_index()


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--persons", type=int, default=40, help="per simulator and condition")
    parser.add_argument("--first", type=int, default=0, help="number of the first person")
    parser.add_argument("--simulator", choices=list(SIMULATORS))
    parser.add_argument("--csv")
    options = parser.parse_args()
    simulators = [options.simulator] if options.simulator else list(SIMULATORS)
    seen = pd.DataFrame(list(recordings(options.persons, options.first, simulators)))
    if options.csv:
        seen.to_csv(options.csv)
    print(summary(seen).to_markdown(index=False, floatfmt=".2f"))


if __name__ == "__main__":
    main()
