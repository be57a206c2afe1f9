"""Prints counts, holds and arcs at any tempo: python tests/print_tempo.py [--persons 12] [--first 0] [--simulator one]
[--only tempo|marks]

Every person does one clean set of each of the eight drills with strokes of a drawn tempo, 0.8 to 8 s, and holds of 2
to 20 s, uneven up and down; where the drill asks for no hold, half of them turn round instead. `one` is our own
simulator with the persons of print_coverage.py, `two` the second simulator with the persons of its table. The truth of
a hold is that of docs/measures.md, from the true angles. Tuning used persons from 9000 on.
"""

from __future__ import annotations

import argparse
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import pandas as pd
from print_coverage import any_person
from second_simulator import SetPlan, calmed, perform, person, session

from imu_shoulder.analysis import Params
from imu_shoulder.drills import load_shipped, shipped_ids
from imu_shoulder.errors import CalibrationError
from imu_shoulder.model import Recording
from imu_shoulder.pipeline import analyse
from imu_shoulder.simulate import ForwardRaises, Pause, Pose, Scenario, SetScript, simulate
from imu_shoulder.simulate.scenarios import ARMS

STROKES_S = (0.0, 1.5, 4.0, 10.0)
# A set of slow reps is long.
REPS, SLOW_REPS, SLOW_S = 4, 3, 4.0
BOTH_ARMS = ("band_loop_raise",)


@dataclass(frozen=True, slots=True)
class Run:
    """One person's recording. reps: the true ones. angles: true ones by side. tempo_s: of a stroke."""

    recording: Recording
    reps: Sequence[Any]
    time_s: np.ndarray
    angles: Mapping[str, Mapping[str, np.ndarray]]
    tempo_s: float


def tempo_of(number: int) -> tuple[float, float, np.random.Generator]:
    """Seconds of a stroke and of a hold, and what else is drawn of this person."""
    rng = np.random.default_rng([number, 77])
    tempo_s, hold_s = (float(np.exp(rng.uniform(*np.log(span)))) for span in ((0.8, 8.0), (2.0, 20.0)))
    return tempo_s, hold_s, rng


def side_of(drill: str, rng: np.random.Generator) -> str:
    return "both" if drill in BOTH_ARMS else str(rng.choice(["right", "left"]))


def run_one(number: int) -> Run:
    """Our own simulator."""
    tempo_s, hold_s, rng = tempo_of(number)
    athlete, bends = any_person(number)
    blocks: list[Any] = [Pose(), bends, ForwardRaises()]
    for drill in shipped_ids():
        turns_round = load_shipped(drill).top.hold_s == 0 and rng.random() < 0.5
        lift_s, lower_s = tempo_s * rng.uniform(0.8, 1.25, 2)
        script = SetScript(
            drill,
            side_of(drill, rng),
            reps=SLOW_REPS if tempo_s > SLOW_S else REPS,
            hold_s=None if turns_round else hold_s,
            lift_s=float(np.clip(lift_s, 0.8, 8.0)),
            lower_s=float(np.clip(lower_s, 0.8, 8.0)),
            rest_s=float(rng.uniform(0.3, 3.0)),
        )
        blocks += [Pause(4, "stand"), script]
    run = simulate(Scenario(athlete, tuple(blocks), placements=(*ARMS, "sternum")), number)
    true = [rep for rep in run.truth.reps if rep.counts]
    return Run(run.recording, true, run.truth.time_s, run.truth.angles, tempo_s)


def run_two(number: int, *, calm: bool = False) -> Run:
    """The second simulator. calm: the same bodies without restlessness, at a usual tempo."""
    who = person(number, "table")
    who = calmed(who) if calm else who
    rng = who.random(5)
    plans = []
    for drill in shipped_ids():
        turns_round = load_shipped(drill).top.hold_s == 0 and rng.random() < 0.5
        mark_s = (float(rng.uniform(0.4, 2.5)), float(rng.uniform(0.4, 2.5)))
        hold_s = None if turns_round or len(load_shipped(drill).stations) > 1 else who.hold_s
        reps = SLOW_REPS if who.tempo_s > SLOW_S else REPS
        plans.append(SetPlan(drill, side_of(drill, rng), reps, hold_s=hold_s, mark_s=mark_s))
    recording, truth = perform(session(who, plans, sternum=True, between=()))
    return Run(recording, truth.reps, truth.time_s, truth.angles, who.tempo_s)


def marked_within(number: int) -> Iterator[dict[str, Any]]:
    """The second simulator, every set marked while the first lift or the last lowering is under way: what its cut rep
    became, in the file and in its causal form."""
    who = person(number, "table")
    rng = who.random(6)
    plans = []
    for drill in shipped_ids():
        within = -float(rng.uniform(0.15, 0.85)) * who.tempo_s
        mark_s = (1.2, within) if rng.random() < 0.5 else (within, 1.2)
        plans.append(SetPlan(drill, side_of(drill, rng), SLOW_REPS, mark_s=mark_s, start_inside=False))
    recording, truth = perform(session(who, plans, sternum=True, between=()))
    marks = [event for event in recording.events if event.trial_type == "set"]
    for form, afterwards in (("file", True), ("causal", False)):
        for own in analyse(recording, replace(Params(), afterwards=afterwards)).sets:
            mark = marks[own.arm_set.number - 1]
            place = (own.arm_set.number, own.arm_set.side, "lift")
            true = [rep for rep in truth.reps if (rep.set, rep.side, rep.role) == place]
            if not true:
                continue
            # Without its cut rep a set has one rep less.
            of_cut = own.judged[0 if true[0].set_out_s < mark.onset_s else -1 :][:1] if len(own.judged) == 3 else ()
            became = [rep.excluded or ",".join(rep.faults) or "scored" for rep in of_cut]
            yield {"form": form, "the cut rep is": became[0] if became else "left out"}


RUNS = {"one": run_one, "two": run_two, "two, calm": lambda number: run_two(number, calm=True)}


def compared(simulator: str, number: int) -> Iterator[dict[str, Any]]:
    """A row for every set of one lifting arm: what was counted, and every rep's errors where the count is exact. None
    of a person who sways too much in the pose, which is refused."""
    run = RUNS[simulator](number)
    try:
        analysis = analyse(run.recording)
    except CalibrationError:
        print(f"Person {number} of {simulator}: the pose is refused.\n")
        return
    yield from rows_of(simulator, number, run, [(own.arm_set, own.judged) for own in analysis.sets])


def rows_of(simulator: str, number: int, run: Run, sets: Sequence[Any]) -> Iterator[dict[str, Any]]:
    """sets: of each arm, its set and its judged reps."""
    keys = dict.fromkeys((rep.set, rep.side, rep.drill) for rep in run.reps if rep.role == "lift")
    for place, side, drill in keys:
        true = [rep for rep in run.reps if (rep.set, rep.side, rep.role) == (place, side, "lift")]
        found = [j for s, judged in sets if (s.number, s.side, s.role) == (place, side, "lift") for j in judged]
        counted = [j for j in found if j.rep.kind == "rep"]
        row = {"simulator": simulator, "person": number, "drill": drill, "tempo_s": run.tempo_s, "reps": len(true)}
        row |= {"counted": len(counted), "kinds": ",".join(j.rep.kind for j in found), "hold_true_s": true[0].hold_s}
        row["exact"] = len(counted) == len(true)
        pairs = list(zip(counted, true, strict=True)) if row["exact"] else []
        row["hold_off_s"] = [j.values["hold_s"] - rep.hold_s for j, rep in pairs]
        row["hold_sd_s"] = [j.values.get("hold_sd_s", np.nan) for j, _ in pairs]
        row["arc_off_deg"] = [j.rep.arc_deg - rep.arc_deg for j, rep in pairs]
        yield row


def summary(rows: pd.DataFrame, by: list[str]) -> pd.DataFrame:
    """Per group: sets with the exact count, and what its reps' holds and arcs are off by."""
    out = []
    for key, group in rows.groupby(by, sort=False, observed=True):
        holds, sds, arcs = (
            np.concatenate([np.asarray(own, dtype=float) for own in group[name]])
            for name in ("hold_off_s", "hold_sd_s", "arc_off_deg")
        )
        off = np.abs(holds[np.isfinite(holds)])
        told = np.isfinite(holds) & np.isfinite(sds)
        out.append(
            {
                **dict(zip(by, key, strict=True)),
                "sets": len(group),
                "counts exact %": 100 * group["exact"].mean(),
                "holds": len(off),
                "hold median s": np.median(off) if len(off) else np.nan,
                "hold 98 % s": np.quantile(off, 0.98) if len(off) else np.nan,
                "within 0.4 s %": 100 * np.mean(off <= 0.4) if len(off) else np.nan,
                "within 1.96 sd %": 100 * np.mean(np.abs(holds[told]) <= 1.96 * sds[told]) if told.any() else np.nan,
                "arc median deg": np.median(np.abs(arcs)) if len(arcs) else np.nan,
            }
        )
    return pd.DataFrame(out)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--persons", type=int, default=12)
    parser.add_argument("--first", type=int, default=0, help="number of the first person")
    parser.add_argument("--simulator", choices=sorted(RUNS), help="default: all")
    parser.add_argument("--csv")
    parser.add_argument("--only", choices=["tempo", "marks"])
    options = parser.parse_args()
    numbers = range(options.first, options.first + options.persons)
    if options.only != "tempo":
        # The causal form takes its time: every fourth person where all is printed.
        some = numbers if options.only else numbers[::4]
        marked = pd.DataFrame([row for number in some for row in marked_within(number)])
        print(pd.crosstab(marked["the cut rep is"], marked["form"]).reset_index().to_markdown(index=False), end="\n\n")
    if options.only == "marks":
        return
    simulators = [options.simulator] if options.simulator else list(RUNS)
    rows = pd.DataFrame([row for name in simulators for number in numbers for row in compared(name, number)])
    if options.csv:
        rows.to_csv(options.csv)
    rows["stroke s"] = pd.cut(rows["tempo_s"], STROKES_S).map(lambda span: f"{span.left:g} to {span.right:g}")
    rows["hold"] = np.where(rows["hold_true_s"] < 2.0, "turn round", "held")
    for by in (["simulator", "stroke s"], ["simulator", "stroke s", "hold"], ["simulator", "drill"]):
        print(
            summary(rows.sort_values(["simulator", *by[1:]]), by).to_markdown(index=False, floatfmt=".2f"), end="\n\n"
        )


if __name__ == "__main__":
    main()
