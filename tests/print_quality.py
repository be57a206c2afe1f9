"""Prints how well faults, steadiness, fading and side differences are told on our own simulation.

python tests/print_quality.py [--seeds 8] [--only faults|holds|fade|sides]. Every figure is held against the simulator's
truth: each drill is simulated with every fault it can show, one rep each, among clean reps.
"""

from __future__ import annotations

import argparse
import inspect
from collections import Counter
from collections.abc import Iterator

import numpy as np
import pandas as pd
from scipy import signal, stats

from imu_shoulder.analysis import AnalysedSet, Analysis
from imu_shoulder.assess.across import fatigue
from imu_shoulder.assess.judge import JudgedRep
from imu_shoulder.assess.sides import compare_sides
from imu_shoulder.drills import load_shipped, shipped_ids
from imu_shoulder.measure.hold import SETTLE_S, slope
from imu_shoulder.pipeline import analyse
from imu_shoulder.segment.model import Rep
from imu_shoulder.simulate import Scenario, Simulated, TrueRep, simulate
from imu_shoulder.simulate.scenarios import drill_scenario
from imu_shoulder.simulate.script import other_side, possible_faults

CLEAN_REPS = 4
# The shrug needs another sensor and has its own table.
NOT_HERE = {"partial", "false_start", "shrug"}


def faulty(drill_id: str, seed: int) -> Scenario:
    """A set with every fault of the drill at a rep of its own, the places drawn, and some clean reps."""
    rng = np.random.default_rng(1000 + seed)
    drill, side = load_shipped(drill_id), ("right", "left")[seed % 2]
    faults = sorted(possible_faults(drill) - NOT_HERE)
    reps = len(faults) + CLEAN_REPS
    places = rng.permutation(reps) + 1
    by_rep = {int(place): (fault,) for place, fault in zip(places, faults, strict=False)}
    knobs = {}
    if drill.arms == "hold_and_lift" and seed % 4 < 2:
        knobs["faults_by_side"] = {other_side(side): {int(places[-1]): ("hold_broken",)}}
    return drill_scenario(drill_id, side, reps=reps, faults=by_rep, **knobs)


def matched(found: AnalysedSet, true: list[TrueRep]) -> Iterator[tuple[TrueRep, JudgedRep | None]]:
    """Each true rep with the one found that overlaps it most, None where there is none that was scored."""
    for rep in true:
        overlaps = [(min(j.rep.end_s, rep.end_s) - max(j.rep.start_s, rep.start_s), j) for j in found.judged]
        best = max(overlaps, key=lambda pair: pair[0], default=(0.0, None))
        yield rep, best[1] if best[0] > 0 and best[1] is not None and not best[1].excluded else None


def faults_table(seeds: int) -> pd.DataFrame:
    """Recall and precision per fault, over all drills that can show it."""
    hit, missed, false = Counter(), Counter(), Counter()
    for drill_id in shipped_ids():
        for seed in range(seeds):
            run = simulate(faulty(drill_id, seed), seed)
            for found in analyse(run.recording).sets:
                arm_set = found.arm_set
                true = [r for r in run.truth.reps if (r.side, r.role) == (arm_set.side, arm_set.role) and r.counts]
                for rep, judged in matched(found, true):
                    wanted = set(rep.faults)
                    if rep.role == "hold" and any("trunk_moved" in r.faults for r in run.truth.reps):
                        wanted.add("trunk_moved")  # both arms share one trunk
                    got = set() if judged is None else set(judged.faults)
                    hit.update(wanted & got)
                    missed.update(wanted - got)
                    false.update(got - wanted)
                # A rep too many blames someone who did nothing.
                false["an extra rep"] += max(sum(not j.excluded for j in found.judged) - len(true), 0)
                missed["a rep lost"] += max(len(true) - sum(not j.excluded for j in found.judged), 0)
    names = sorted({*hit, *missed, *false})
    return pd.DataFrame(
        {
            "fault": name,
            "injected": hit[name] + missed[name],
            "found": hit[name],
            "falsely": false[name],
            "recall": hit[name] / max(hit[name] + missed[name], 1),
            "precision": hit[name] / max(hit[name] + false[name], 1),
        }
        for name in names
    )


def true_hold(run: Simulated, analysis: Analysis, side: str, rep: Rep, without_s: float = SETTLE_S) -> np.ndarray:
    """The true leading angle over a hold without so much of its ends, on the recording's grid."""
    leading = load_shipped(run.truth.reps[0].drill).leading_angle
    by_gravity = leading == "elevation" and analysis.arms[side].elevation_reference == "gravity"
    column = "elevation_gravity_deg" if by_gravity else f"{leading}_deg"
    time_s = analysis.aligned.time_s
    rows = (time_s >= rep.top_start_s + without_s) & (time_s <= rep.top_end_s - without_s)
    return np.interp(time_s[rows], run.truth.time_s, run.truth.angles[side][column])


def tremor_power(true: np.ndarray, rate_hz: float) -> float:
    """Mean square of all that is faster than 5 Hz: in the simulation's truth that is the tremor and nothing else."""
    high_pass = signal.butter(4, 5.0, "highpass", fs=rate_hz, output="sos")
    margin = round(SETTLE_S * rate_hz)
    return float(np.mean(signal.sosfiltfilt(high_pass, true)[margin:-margin] ** 2))


def hold_runs(seeds: int) -> Iterator[tuple[str, float, dict[str, float]]]:
    for drill in ("full_can", "band_external_rotation"):
        for seed in range(seeds):
            for size in (0.2, 0.5, 1.0, 2.0, 3.0):
                yield "wander SD", size, {"drill": drill, "seed": seed, "hold_wander_deg": size}
            for size in (-0.8, -0.3, 0.3):
                yield "drift", size, {"drill": drill, "seed": seed, "hold_drift_deg_s": size}
            for size in (0.1, 0.3, 0.6):
                yield "tremor", size, {"drill": drill, "seed": seed, "tremor_deg": size}


def holds_table(seeds: int) -> pd.DataFrame:
    """Steadiness of 5 s holds against the true angle in the same moments, 3 reps a set. Tremor: share off its power."""
    rows = []
    for kind, size, knobs in hold_runs(seeds):
        drill, seed = knobs.pop("drill"), knobs.pop("seed")
        run = simulate(drill_scenario(drill, reps=3, **knobs), seed)
        analysis = analyse(run.recording)
        rate_hz = analysis.aligned.rate_hz
        for j in next(s for s in analysis.sets if s.arm_set.side == "right").judged:
            true = true_hold(run, analysis, "right", j.rep)
            if kind == "wander SD":
                want, got = float(np.std(signal.detrend(true), ddof=2)), j.values["hold_sd_deg"]
                off, goal = abs(got - want), max(0.1 * want, 0.05)
            elif kind == "drift":
                want, got = slope(true) * rate_hz, j.values["hold_drift_deg_s"]
                off, goal = abs(got - want), 0.05
            else:
                whole = true_hold(run, analysis, "right", j.rep, without_s=0.0)
                want, got = tremor_power(whole, rate_hz), j.values["hold_tremor_power_deg2"]
                off, goal = abs(got / want - 1), 0.15
            rows.append(
                {"drill": drill, "injected": f"{kind} {size:g}", "off": off, "within": off <= goal, "true": want}
            )
    table = pd.DataFrame(rows).groupby(["drill", "injected"], sort=False)
    return table.agg(
        holds=("off", "size"),
        true_median=("true", "median"),
        off_median=("off", "median"),
        off_max=("off", "max"),
        within_goal=("within", "mean"),
    ).reset_index()


def with_values(rng: np.random.Generator, reps: int, fade: float) -> list[JudgedRep]:
    """Scored reps that scatter as the simulator's do: arc 80 +- 2.8 deg, hold 5.8 +- 0.3 s, SD 0.35 +- 0.07 deg."""
    rep = Rep(0.0, 2.0, 7.0, 9.0, 10.0, 5.0, 85.0, 5.0)
    share = 1 - fade * np.arange(reps) / (reps - 1)
    arcs, holds, sds = 80 * share + rng.normal(0, 2.8, reps), rng.normal(5.8, 0.3, reps), rng.normal(0.35, 0.07, reps)
    return [
        JudgedRep(k + 1, rep, {"arc_deg": arc, "hold_s": hold, "hold_sd_deg": sd}, (), "")
        for k, (arc, hold, sd) in enumerate(zip(arcs, holds, sds, strict=True))
    ]


def fade_table(seeds: int) -> pd.DataFrame:
    """How often a set is called faded: drawn reps and simulated sets of 12 reps.

    Faded at most: the one-sided upper 95 % limit of the share (Clopper and Pearson). At least: the lower one.
    """
    rows = []
    rng = np.random.default_rng(7)
    for reps in (5, 8, 12, 15):
        for fade, sets in ((0.0, 4000), (0.1, 1000), (0.3, 1000)):
            said = Counter(fatigue(with_values(rng, reps, fade), asked_hold=True)["says"] for _ in range(sets))
            rows.append({"sets": f"drawn, {reps} reps", "fade": fade, **_shares(said, sets)})
    for drill in ("full_can", "band_external_rotation", "sidelying_external_rotation", "overhead_short_arc"):
        for fade in (0.0, 0.3):
            said: Counter[str] = Counter()
            for seed in range(seeds):
                run = simulate(drill_scenario(drill, reps=12, fade=fade), seed)
                found = next(s for s in analyse(run.recording).sets if s.arm_set.side == "right")
                scored = [j for j in found.judged if not j.excluded]
                said[fatigue(scored, asked_hold=load_shipped(drill).top.hold_s > 0)["says"]] += 1
            rows.append({"sets": f"{drill}, 12 reps", "fade": fade, **_shares(said, seeds)})
    return pd.DataFrame(rows)


def _shares(said: Counter[str], sets: int) -> dict[str, float]:
    share = {word: said[word] / sets for word in ("faded", "held", "too few reps to say")}
    found = stats.binomtest(said["faded"], sets).proportion_ci(0.9, "exact")
    return {"of": sets, **share, "at least": found.low, "at most": found.high}


def sides_table(seeds: int) -> pd.DataFrame:
    """Band loop raises with both arms, the left topping out lower by so much: how often the arcs are said to differ."""
    rows = []
    for uneven_deg in (0.0, 10.0):
        told, off, limits = [], [], []
        for seed in range(seeds):
            run = simulate(drill_scenario("band_loop_raise", "both", reps=8, uneven_deg=uneven_deg), seed)
            by_side = {s.arm_set.side: s.judged for s in analyse(run.recording).sets}
            found = compare_sides(by_side, "elevation")
            arcs = [np.median([r.arc_deg for r in run.truth.reps if r.side == side]) for side in ("right", "left")]
            told.append("arc_deg" in found["beyond"])
            off.append(abs(found["arc_deg"] - (arcs[0] - arcs[1])))
            limits.append(found["mdc95"]["arc_deg"])
        rows.append(
            {
                "uneven deg": uneven_deg,
                "said to differ": f"{sum(told)}/{seeds}",
                "difference off by, median deg": np.median(off),
                "max deg": np.max(off),
                "MDC95 median deg": np.median(limits),
            }
        )
    return pd.DataFrame(rows)


TABLES = {"faults": faults_table, "holds": holds_table, "fade": fade_table, "sides": sides_table}


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seeds", type=int, default=8)
    parser.add_argument("--only", choices=list(TABLES))
    options = parser.parse_args()
    for name, table in TABLES.items():
        if options.only in (None, name):
            print(f"\n{inspect.getdoc(table)}\n", flush=True)
            print(table(options.seeds).to_markdown(index=False, floatfmt=".3f"), flush=True)


if __name__ == "__main__":
    main()
