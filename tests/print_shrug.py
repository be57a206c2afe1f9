"""Prints how well shrugs are found in simulation: python tests/print_shrug.py [--seeds 8]

Per drill and per what the trunk is seen by: recall and precision over single reps, the error of upward rotation against
the truth with the standard deviation that was stated, and the blade's share of the lift; of the package's simulator,
then of the second one, five persons for each seed. Then, without sensors, what is found of a shrug in an athlete whose
clean reps differ more than the simulator's do.
"""

from __future__ import annotations

import argparse
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import chain

import numpy as np
import pandas as pd
from print_coverage import any_blade
from second_simulator import Fault, SetPlan, perform, person, session

from imu_shoulder.analysis import Analysis
from imu_shoulder.assess.fault import JudgeParams
from imu_shoulder.assess.judge import JudgedRep
from imu_shoulder.measure.scapula import fit_relation
from imu_shoulder.pipeline import analyse
from imu_shoulder.simulate import Athlete, Simulated, simulate
from imu_shoulder.simulate.kinematics import scapular_rotation_deg
from imu_shoulder.simulate.scenarios import ARMS, drill_scenario
from imu_shoulder.simulate.sets import SHRUG_DEG

DRILLS = ("full_can", "band_loop_raise", "overhead_short_arc")
# Shrugs, and the fault that looks most like one: a lean away from the arm.
FAULTS = {2: ("shrug",), 5: ("shrug",), 7: ("trunk_moved",), 8: ("shrug",)}
WORN = {"sternum": ("right_acromion", "left_acromion", "sternum"), "no sternum": ("right_acromion", "left_acromion")}
SIDES = {"full_can": "right", "band_loop_raise": "both", "overhead_short_arc": "left"}

# The second simulator's: shrugs, and leans beyond the drill's limit, are of any size within these, in degrees.
SECOND_DRILLS = ("full_can", "overhead_short_arc")
SHRUGS_DEG, LEANS_DEG = (10.0, 16.0), (4.0, 14.0)
PERSONS_PER_SEED = 5
SAME_TOP_S = 3.0

LIMITS = JudgeParams()
TILT_SD_DEG = 1.0  # of the sensors, acromion and sternum together


@dataclass(frozen=True, slots=True)
class ShownRep:
    """One rep of one run: what was injected and what was found."""

    drill: str
    worn: str
    seed: int
    injected: bool
    leaned: bool
    judged: bool
    found: bool
    shrug_deg: float
    shrug_sd_deg: float
    share_pct: float
    up_error_deg: float
    up_sd_deg: float


def up_from_pose_deg(run: Simulated, side: str) -> np.ndarray:
    """The blade's true upward rotation (N,), counted from the neutral pose as `scapula_up_deg` is."""
    up_deg = run.truth.angles[side]["scapula_deg"]
    pose = next(event for event in run.recording.events if event.trial_type == "neutral_pose")
    return up_deg - np.median(up_deg[(run.truth.time_s >= pose.onset_s) & (run.truth.time_s <= pose.end_s)])


def shown_reps(drill: str, worn: str, seeds: Sequence[int]) -> Iterator[ShownRep]:
    for seed in seeds:
        athlete = Athlete(**any_blade(np.random.default_rng(seed)))  # every seed is another person
        scenario = drill_scenario(drill, SIDES[drill], athlete=athlete, placements=(*ARMS, *WORN[worn]), faults=FAULTS)
        run = simulate(scenario, seed)
        analysis = analyse(run.recording)
        for found in analysis.sets:
            side = found.arm_set.side
            true = [rep for rep in run.truth.reps if rep.side == side and rep.counts]
            reps = [j for j in found.judged if not j.excluded]
            true_up = run.truth.time_s, up_from_pose_deg(run, side)
            assert len(true) == len(reps), f"{drill}, seed {seed}: {len(reps)} reps for {len(true)}"
            for rep, j in zip(true, reps, strict=True):
                yield ShownRep(drill, worn, seed, *_shown(analysis, side, j, rep.faults, true_up))


def shown_by_the_second(drill: str, worn: str, seeds: Sequence[int]) -> Iterator[ShownRep]:
    """The same of the second simulator; reps that it did and nobody scored are left out."""
    side = SIDES[drill]
    for seed in seeds:
        rng = np.random.default_rng(seed)
        faults = {rep: (Fault("shrug", float(rng.uniform(*SHRUGS_DEG))),) for rep in (2, 5, 8)}
        faults[7] = (Fault("trunk_moved", float(rng.uniform(*LEANS_DEG))),)
        plan = SetPlan(drill, side, 10, faults=faults)
        run, truth = perform(
            session(person(seed, "table"), [plan], arms=(side,), sternum="sternum" in WORN[worn], acromion=True)
        )
        analysis = analyse(run)
        true_up = truth.time_s, truth.angles[side]["scapula_up_deg"]
        middles_s = np.array([(rep.top_start_s + rep.top_end_s) / 2 for rep in truth.reps])
        for j in (j for found in analysis.sets for j in found.judged if not j.excluded):
            off_s = np.abs(middles_s - (j.rep.top_start_s + j.rep.top_end_s) / 2)
            if off_s.min() < SAME_TOP_S:
                yield ShownRep(
                    drill, worn, seed, *_shown(analysis, side, j, truth.reps[int(off_s.argmin())].faults, true_up)
                )


def _shown(
    analysis: Analysis, side: str, j: JudgedRep, faults: Sequence[str], true_up: tuple[np.ndarray, np.ndarray]
) -> tuple[bool | float, ...]:
    """From `injected` on; faults: what was truly done wrong. true_up: time (N,) and true upward rotation (N,)."""
    arm, time_s = analysis.arms[side], analysis.aligned.time_s
    rows = (time_s >= j.rep.top_start_s) & (time_s <= j.rep.top_end_s) & np.isfinite(arm.angles["scapula_up_deg"])
    off_deg = arm.angles["scapula_up_deg"][rows] - np.interp(time_s[rows], *true_up)
    return (
        "shrug" in faults,
        "trunk_moved" in faults,
        "shrug" not in j.untold,
        "shrug" in j.faults,
        j.values["shrug_deg"],
        j.values["shrug_sd_deg"],
        j.values["scapula_share_pct"],
        *(float(np.median(seen)) if rows.any() else np.nan for seen in (off_deg, arm.sd["scapula_up_deg"][rows])),
    )


def table(reps: pd.DataFrame) -> pd.DataFrame:
    out = []
    for (drill, worn), group in reps.groupby(["drill", "worn"], sort=False):
        hits = int((group.injected & group.found).sum())
        clean = group[~group.injected & ~group.leaned]
        out.append(
            {
                "drill": drill,
                "trunk": worn,
                "reps": len(group),
                "shrugs": int(group.injected.sum()),
                "leans": int(group.leaned.sum()),
                "judged": int(group.judged.sum()),
                "recall": _share(hits, int((group.injected & group.judged).sum()), "none judged"),
                "precision": _share(hits, int(group.found.sum()), "none found"),
                "least shrug": group.shrug_deg[group.injected].min(),
                "most otherwise": group.shrug_deg[~group.injected].max(),
                "stated sd": group.shrug_sd_deg.median(),
                "up error mean": group.up_error_deg.mean(),
                "up error sd": group.up_error_deg.std(),
                "up stated sd": group.up_sd_deg.median(),
                "share %": clean.share_pct.mean(),
            }
        )
    return pd.DataFrame(out)


def _share(hits: int, of: int, none: str) -> str:
    return f"{hits / of:.2f}" if of else none


def differing_reps(spread_deg: float, rng: np.random.Generator, sets: int = 200) -> dict[str, float]:
    """Sets of ten reps, three of them with a shrug of 12 deg, in an athlete whose reps differ by spread_deg (SD)."""
    found = np.zeros((sets, 10), dtype=bool)
    shrugged = np.isin(np.arange(10), (1, 4, 7))
    for row in found:
        reps = []
        for on_top_deg in np.where(shrugged, SHRUG_DEG, 0.0) + rng.normal(0, spread_deg, 10):
            elevation_deg = np.append(np.linspace(6, top_deg := rng.normal(89, 2), 150), np.full(400, top_deg))
            over_deg = on_top_deg * (elevation_deg - 6) / (top_deg - 6)
            reps.append((elevation_deg, scapular_rotation_deg(Athlete(), elevation_deg) + over_deg))
        relation = fit_relation(reps)
        limit_deg = max(LIMITS.shrug_deg, LIMITS.shrug_sds * np.hypot(TILT_SD_DEG, relation.next_sd_deg))
        row[:] = [np.median((up - relation.at(e))[-400:]) > limit_deg for e, up in reps]
    hits = found[:, shrugged].sum()
    return {"reps differ by": spread_deg, "recall": hits / (3 * sets), "precision": hits / max(found.sum(), 1)}


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seeds", type=int, default=8)
    seeds = parser.parse_args().seeds
    rng = np.random.default_rng(1)
    own = (shown_reps(drill, worn, range(seeds)) for drill in DRILLS for worn in WORN)
    persons = range(PERSONS_PER_SEED * seeds)
    second = (shown_by_the_second(drill, worn, persons) for drill in SECOND_DRILLS for worn in WORN)
    differing = pd.DataFrame(differing_reps(spread, rng) for spread in (0.5, 1.0, 1.5, 2.0, 3.0))
    tables = {
        "The package's simulator": table(pd.DataFrame(chain.from_iterable(own))),
        "The second simulator": table(pd.DataFrame(chain.from_iterable(second))),
        "Reps that differ, without sensors": differing,
    }
    for title, found in tables.items():
        print(f"{title}:\n{found.to_string(index=False, float_format=lambda v: f'{v:.2f}')}", end="\n\n")


if __name__ == "__main__":
    main()
