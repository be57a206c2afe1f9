"""Prints what is asked of persons outside the tuned range: python tests/print_strata.py [--first 0] [--sessions 400]
[--only STRATUM] [--csv FILE]

Sessions of both simulators in turn, in which all is drawn as wide as any person of ours is; each stratum narrows one
thing to one end of it. Three or four sets of drawn drills, some reps done wrongly. Clean reps break no limit by the
true angles; a fault counts for the recall where it was put in and its limit is truly missed by PLAIN_DEG or
PLAIN_SHARE. Tuning used sessions from 9000 on.
"""

from __future__ import annotations

import argparse
from collections.abc import Iterator, Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, field

import numpy as np
import pandas as pd
from print_coverage import ANGLES
from strata_sessions import PASSED_OVER, RUNS, STRATA, USUAL_STROKE_S, Run, TrueRep
from true_limits import Span

from imu_shoulder.analysis import Analysis, Params
from imu_shoulder.assess.exclusions import EXCLUSIONS
from imu_shoulder.assess.judge import JudgedRep
from imu_shoulder.errors import ShoulderError
from imu_shoulder.model import FloatArray, Side
from imu_shoulder.pipeline import analyse

LEAST_KNOWN = 0.1
WRONG_DEG = 15.0
# Where a plane and a forearm's direction mean something.
PLANE_FROM_DEG, PLANE_TO_DEG, BENT_DEG = 45.0, 135.0, 45.0
# The causal form takes its time: of every so many rounds of all strata and simulators, one.
CAUSAL_EVERY = 20
# What is as right an answer: at a station that was not reached, or hardly stayed at, its posture was not held.
ANSWERS = dict.fromkeys(PASSED_OVER, PASSED_OVER) | {
    "hold_short": ("hold_short", "station_off"),
    "short_arc": ("short_arc", "station_off", "rotation_off"),
}
WORN = {"breastbone sensor": True, "no breastbone sensor": False}


@dataclass(slots=True)
class SetSeen:
    """One set of one arm. errors_deg, sds_deg: root mean squares by angle, inside: share within 1.96 sd. wrong: whether
    a rotation or plane that counts is over WRONG_DEG wrong. holds: of each rep what is too long, s, and its sd. told,
    asked: plain faults. untrue: faults told of reps that are not clean and whose limit was kept. same: reps of which
    the causal form says the same."""

    stratum: str
    session: int
    simulator: str
    sternum: bool
    drill: str
    side: str
    tempo_s: float
    reps: int
    refused: str = ""
    counted: int = 0
    judged: bool = False
    why: str = ""
    wrong: bool = False
    errors_deg: dict[str, float] = field(default_factory=dict)
    sds_deg: dict[str, float] = field(default_factory=dict)
    inside: dict[str, float] = field(default_factory=dict)
    clean: int = 0
    blamed: list[str] = field(default_factory=list)
    asked: list[str] = field(default_factory=list)
    missed: list[str] = field(default_factory=list)
    untrue: list[str] = field(default_factory=list)
    holds: list[tuple[float, float]] = field(default_factory=list)
    causal: int = 0
    same: int = 0
    differs: list[str] = field(default_factory=list)


def seen_in(job: tuple[str, int]) -> list[SetSeen]:
    """Every set of every lifting arm of one session."""
    name, number = job
    simulator = list(RUNS)[number // len(STRATA) % len(RUNS)]
    run = RUNS[simulator](STRATA[name], number)
    sternum = "sternum" in run.recording.streams
    places = dict.fromkeys((rep.set, rep.side, rep.drill) for rep in run.reps)
    sets = {place: [rep for rep in run.reps if (rep.set, rep.side, rep.drill) == place] for place in places}
    out = {
        place: SetSeen(name, number, simulator, sternum, place[2], place[1], run.tempo_s, len(reps))
        for place, reps in sets.items()
    }
    try:
        analysis = analyse(run.recording)
        causal = None
        if number // (len(STRATA) * len(RUNS)) % CAUSAL_EVERY == 0:
            causal = analyse(run.recording, Params(afterwards=False))
    except ShoulderError as error:
        for one in out.values():
            one.refused = str(error)
        return list(out.values())
    for place, reps in sets.items():
        judged = _judged(analysis, *place[:2])
        _verdicts(out[place], reps, judged, None if causal is None else _judged(causal, *place[:2]))
        if out[place].judged:
            _angles(out[place], analysis, run, place[1], (reps[0].span_s[0], reps[-1].span_s[1]), judged)
    return list(out.values())


def _judged(analysis: Analysis, number: int, side: Side) -> list[JudgedRep]:
    """The reps that were counted in one set of one arm."""
    own = [s for s in analysis.sets if (s.arm_set.number, s.arm_set.side, s.arm_set.role) == (number, side, "lift")]
    return [j for s in own for j in s.judged if not (j.excluded and EXCLUSIONS[j.excluded].given_up)]


def _found(judged: Sequence[JudgedRep], rep: TrueRep) -> JudgedRep | None:
    return next((j for j in judged if rep.span_s[0] < (j.rep.start_s + j.rep.end_s) / 2 < rep.span_s[1]), None)


def _verdicts(
    out: SetSeen, reps: Sequence[TrueRep], judged: Sequence[JudgedRep], causal: Sequence[JudgedRep] | None
) -> None:
    scored = [j for j in judged if not j.excluded]
    out.counted, out.judged = len(judged), 2 * len(scored) >= len(reps)
    out.why = ",".join(sorted({j.excluded for j in judged if j.excluded}))
    for rep in reps:
        own = _found(judged, rep)
        if causal is not None and own is not None:
            other = _found(causal, rep)
            said = [None if j is None else j.excluded or ",".join(j.faults) for j in (own, other)]
            out.causal, out.same = out.causal + 1, out.same + (said[0] == said[1])
            out.differs += [] if said[0] == said[1] else [f"{said[0]!r} {said[1]!r}"]
        if own is None or own.excluded:
            out.clean += rep.clean
            continue
        out.clean += rep.clean
        if rep.clean and own.faults:
            out.blamed.append(",".join(own.faults))
        kept = [f for f in own.faults if f not in rep.put_in and rep.margins.get(f, -1.0) >= 0]
        out.untrue += [] if rep.clean else kept
        for fault in rep.plain:
            if fault != "trunk_moved" or out.sternum:
                out.asked.append(fault)
                out.missed += [] if {*own.faults} & {*ANSWERS.get(fault, (fault,))} else [fault]
        if out.counted == out.reps:
            out.holds.append((own.values["hold_s"] - rep.hold_s, own.values["hold_sd_s"]))


def _angles(out: SetSeen, analysis: Analysis, run: Run, side: Side, span_s: Span, judged: Sequence[JudgedRep]) -> None:
    arm, time_s = analysis.arms[side], analysis.aligned.time_s
    rows = slice(*np.searchsorted(time_s, span_s))

    def true(column: str) -> FloatArray:
        nearest = np.clip(np.searchsorted(run.time_s, time_s[rows]), 0, len(run.time_s) - 1)
        return np.asarray(run.angles[side][column][nearest])

    elevation_deg = true("elevation_deg")
    means = {"plane_deg": (elevation_deg > PLANE_FROM_DEG) & (elevation_deg < PLANE_TO_DEG)}
    means["rotation_deg"] = (true("elbow_deg") > BENT_DEG) & (elevation_deg < PLANE_TO_DEG)
    heading_sd_deg = np.median([j.values["heading_sd_deg"] for j in judged if not j.excluded])
    for angle in (angle for angle in ANGLES if angle in arm.angles):
        off = (arm.angles[angle][rows] - true(angle) + 180) % 360 - 180
        known = np.isfinite(off)
        if known.mean() < LEAST_KNOWN:
            continue
        error, sd = off[known], arm.sd[angle][rows][known]
        out.errors_deg[angle], out.sds_deg[angle] = (float(np.sqrt(np.mean(v**2))) for v in (error, sd))
        out.inside[angle] = float(np.mean(np.abs(error) < 1.96 * sd))
        counts = known & means.get(angle, np.zeros_like(known))
        if counts.mean() > LEAST_KNOWN and heading_sd_deg <= Params().judge.heading_sd_deg:
            out.wrong |= bool(np.sqrt(np.mean(off[counts] ** 2)) > WRONG_DEG)


def coverage(name: str, seen: Sequence[SetSeen]) -> Iterator[dict[str, object]]:
    for angle in ANGLES:
        own = [one for one in seen if angle in one.errors_deg]
        if not own:
            continue
        rmse = float(np.sqrt(np.mean([one.errors_deg[angle] ** 2 for one in own])))
        sd = float(np.median([one.sds_deg[angle] for one in own]))
        inside = float(np.mean([one.inside[angle] for one in own]))
        yield {
            "persons": name,
            "angle": angle,
            "sets": len(own),
            "coverage": inside,
            "error deg": rmse,
            "stated sd deg": sd,
            "sd over error": sd / rmse,
        }


def verdicts(name: str, seen: Sequence[SetSeen]) -> dict[str, object]:
    judged = [one for one in seen if one.judged]
    holds = np.array([[*hold, one.tempo_s] for one in judged for hold in one.holds]).reshape(-1, 3)
    holds = holds[np.isfinite(holds[:, 0])]
    usual = np.abs(holds[holds[:, 2] <= USUAL_STROKE_S, 0])
    long = holds[holds[:, 2] > USUAL_STROKE_S]
    asked, missed = sum(len(one.asked) for one in judged), sum(len(one.missed) for one in judged)
    return {
        "persons": name,
        "sets": len(seen),
        "judged": len(judged),
        "counted exactly": sum(one.counted == one.reps for one in seen),
        "judged, over 15 deg wrong": sum(one.wrong for one in judged),
        "clean reps": sum(one.clean for one in seen),
        "blamed": sum(len(one.blamed) for one in seen),
        "faults": asked,
        "recall": 1 - missed / asked if asked else np.nan,
        "holds": len(usual),
        "hold median s": np.median(usual) if len(usual) else np.nan,
        "within 0.4 s": np.mean(usual <= 0.4) if len(usual) else np.nan,
        "slow holds": len(long),
        "within 1.96 sd": np.mean(np.abs(long[:, 0]) <= 1.96 * long[:, 1]) if len(long) else np.nan,
        "causal reps": sum(one.causal for one in seen),
        "the same": sum(one.same for one in seen),
    }


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--sessions", type=int, default=400)
    parser.add_argument("--first", type=int, default=0, help="number of the first session")
    parser.add_argument("--only", choices=list(STRATA), action="append")
    parser.add_argument("--workers", type=int, default=2, help="processes")
    parser.add_argument("--csv", help="a row for every set of an arm")
    options = parser.parse_args()
    names = list(STRATA)
    jobs = [(names[k % len(names)], k) for k in range(options.first, options.first + options.sessions)]
    jobs = [job for job in jobs if not options.only or job[0] in options.only]
    with ProcessPoolExecutor(options.workers) as pool:
        seen = [one for of_session in pool.map(seen_in, jobs) for one in of_session]
    if options.csv:
        pd.DataFrame(seen).to_csv(options.csv)
    groups: dict[str, list[SetSeen]] = {name: [one for one in seen if one.stratum == name] for name in names}
    groups |= {f"all, {words}": [one for one in seen if one.sternum is worn] for words, worn in WORN.items()}
    groups |= {"all": seen}
    groups = {name: own for name, own in groups.items() if own}
    print(
        pd.DataFrame([verdicts(*group) for group in groups.items()]).to_markdown(index=False, floatfmt=".2f"),
        end="\n\n",
    )
    rows = [line for group in groups.items() for line in coverage(*group)]
    print(pd.DataFrame(rows).to_markdown(index=False, floatfmt=".2f"))


if __name__ == "__main__":
    main()
