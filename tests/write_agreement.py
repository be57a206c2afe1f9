"""Writes docs/agreement.md from runs: python tests/write_agreement.py [--quick]

Published examples, a simulated study of agreement, sensors of known noise, the lag of a reference, every shipped drill
against the simulator's truth, and how small a change is seen. --quick takes fewer repeats, to try it out.
"""

from __future__ import annotations

import argparse
from collections.abc import Iterable, Sequence
from pathlib import Path

import numpy as np
import pandas as pd
from scipy.spatial.transform import Rotation
from test_bench import NO_CLOCK, sensed, thousand_points
from test_validate_statistics import (
    BIAS,
    JUDGES,
    LARGE,
    POSITIONS,
    SD_ANGLE,
    SD_PERSON,
    SD_POSITION,
    SD_RATER,
    SMALL,
    _study,
)

from imu_shoulder import __version__
from imu_shoulder.bench.allan import allan_curve
from imu_shoulder.bench.still import check_still
from imu_shoulder.drills import shipped_ids
from imu_shoulder.pipeline import analyse
from imu_shoulder.simulate import Athlete, SensorModel, simulate
from imu_shoulder.simulate.scenarios import drill_scenario
from imu_shoulder.validate.agreement import NORMAL_95, limits_of_agreement
from imu_shoulder.validate.pairing import PairParams, our_series, pair_series
from imu_shoulder.validate.power import power_by_simulation
from imu_shoulder.validate.reliability import icc_agreement_repeated, icc_forms
from imu_shoulder.validate.series import Series, find_lag
from imu_shoulder.validate.study import agreement_by_angle

PAGE = Path(__file__).parents[1] / "docs" / "agreement.md"
NAMES = ("M.K.", "T.S.", "A.B.", "J.R.", "L.O.", "D.W.", "E.N.", "K.P.")


def table(head: Sequence[str], rows: Iterable[Sequence[object]]) -> str:
    lines = [head, ["---"] * len(head), *rows]
    return "\n".join("| " + " | ".join(str(cell) for cell in line) + " |" for line in lines)


def published() -> str:
    limits = limits_of_agreement(LARGE - SMALL, range(17), multiplier=1.96)
    rows = [
        ("Bland and Altman 1986, bias", "-2.11764706", f"{limits.bias.value:.8f}"),
        ("SD of the differences", "38.76512987", f"{limits.sd:.8f}"),
        ("lower limit, 1.96 SD", "-78.0973", f"{limits.lower.value:.4f}"),
        ("upper limit, 1.96 SD", "73.8620", f"{limits.upper.value:.4f}"),
    ]
    known = {"1,1": 0.16574, "2,1": 0.28976, "3,1": 0.71484, "1,k": 0.44280, "2,k": 0.62005, "3,k": 0.90932}
    forms = icc_forms(JUDGES)
    rows += [
        (f"Shrout and Fleiss 1979, ICC({form})", value, f"{forms[form].value:.5f}") for form, value in known.items()
    ]
    curve = allan_curve(thousand_points(), 1.0)
    for tau, value in ((1, 0.2922319), (10, 0.09159953)):
        found = curve.deviation[np.flatnonzero(np.isclose(curve.tau_s, tau))[0]]
        rows.append((f"NIST SP 1065, overlapping deviation of 1000 points, m = {tau}", value, f"{found:.8f}"))
    return table(("what", "expected", "computed"), rows)


def coverage(repeats: int) -> str:
    sd = np.sqrt(SD_PERSON**2 + SD_POSITION**2 + SD_RATER**2)
    targets = POSITIONS.var() + SD_ANGLE**2
    truths = {
        "bias": BIAS,
        "lower limit": BIAS - NORMAL_95 * sd,
        "upper limit": BIAS + NORMAL_95 * sd,
        "ICC(2,1)": targets / (targets + sd**2 / 2 + BIAS**2 / 2),
    }
    hits = dict.fromkeys(truths, 0)
    person = np.repeat(np.arange(30), 6)
    for seed in range(repeats):
        ours, read = _study(seed)
        pairs = np.stack([np.repeat(ours.ravel(), 2), read.ravel()], axis=1)
        limits = limits_of_agreement(pairs[:, 0] - pairs[:, 1], person)
        found = (limits.bias, limits.lower, limits.upper, icc_agreement_repeated(pairs, person))
        for (name, truth), interval in zip(truths.items(), found, strict=True):
            hits[name] += interval.low <= truth <= interval.high
    return table(
        ("95 % interval of", "covers the truth in"), [(n, f"{100 * h / repeats:.1f} %") for n, h in hits.items()]
    )


def sensors(seconds: float) -> str:
    model = SensorModel(gyr_noise_deg_s_rt_hz=0.008, gyr_walk_deg_s_rt_s=0.002, acc_noise_ug_rt_hz=110.0, **NO_CLOCK)
    time_s = np.arange(0, seconds, 0.02)
    found = check_still(sensed(model, time_s, Rotation.identity(len(time_s)))[0], 50.0)
    rows = []
    for axis in "xyz":
        gyr, acc = found.gyr[axis].figures, found.acc[axis].figures
        walk = "not seen" if gyr.rate_walk_u_rt_s is None else f"{gyr.rate_walk_u_rt_s:.5f}"
        rows.append((axis, f"{gyr.density_u_rt_hz:.5f}", walk, f"{acc.density_u_rt_hz:.1f}"))
    rows.insert(0, ("true", "0.008", "0.002", "110"))
    return table(("axis", "gyroscope deg/s/sqrt(Hz)", "rate walk deg/s/sqrt(s)", "accelerometer ug/sqrt(Hz)"), rows)


def lags(persons: int) -> str:
    rows = []
    for seed, name in enumerate(NAMES[:persons], start=1):
        found = simulate(drill_scenario("full_can", athlete=Athlete(name), reps=4), seed)
        ours = our_series(analyse(found.recording))
        wanted = "right_elevation_deg"
        late = Series(
            ours.time_s + 0.137,
            {wanted: ours.values[wanted] + np.random.default_rng(seed).normal(0, 0.5, len(ours.time_s))},
        )
        true = Series(found.truth.time_s + 0.137, {wanted: found.truth.angles["right"]["elevation_deg"]})
        rows.append(
            (
                name,
                *(
                    f"{1000 * find_lag(Series(ours.time_s, {wanted: ours.values[wanted]}), s).lag_s:.1f}"
                    for s in (late, true)
                ),
            )
        )
    return table(("athlete", "our own curve, late and noisy [ms]", "the simulator's truth, late [ms]"), rows)


def drills(persons: int) -> str:
    rows = []
    for drill in shipped_ids():
        pairs = []
        for seed, name in enumerate(NAMES[:persons], start=1):
            rng = np.random.default_rng(seed)
            athlete = Athlete(
                name,
                pose_elevation_deg=rng.normal(4, 1.5),
                pose_elbow_deg=rng.normal(7, 2),
                pose_rotation_deg=rng.normal(3, 2),
                soft_tissue_share=rng.uniform(0.2, 0.4),
                bulge_deg=rng.uniform(0, 2),
            )
            found = simulate(drill_scenario(drill, athlete=athlete, reps=4), seed)
            analysis = analyse(found.recording)
            start, end = next((e.onset_s, e.end_s) for e in found.recording.events if e.trial_type == "set")
            seen = (found.truth.time_s >= start) & (found.truth.time_s <= end)
            wanted = {
                f"right_{a}_deg": found.truth.angles["right"][f"{a}_deg"][seen]
                for a in ("elevation", "rotation", "elbow")
            }
            pairs.append(pair_series(analysis, Series(found.truth.time_s[seen], wanted), PairParams(), lag_s=0.0)[0])
        for result in agreement_by_angle(pd.concat(pairs, ignore_index=True), 5.0):
            numbers = {s.name: s.value for s in result.statistics}
            limits = result.limits
            assert limits is not None
            rows.append(
                (
                    drill,
                    result.angle,
                    f"{numbers['rmse']:.1f}",
                    f"{limits.bias.value:+.1f} ({limits.bias.low:+.1f} to {limits.bias.high:+.1f})",
                    f"{limits.lower.value:+.1f} to {limits.upper.value:+.1f}",
                )
            )
    return table(("drill", "angle", "RMSE", "bias (95 % CI)", "limits of agreement"), rows)


def power(sessions: int) -> str:
    rows = []
    for measure in ("arc_deg", "hold_sd_deg"):
        found = power_by_simulation(measure, sessions=sessions)
        best = found.smallest
        steps = ", ".join(f"{s.changed_by:+g}: {100 * s.power:.0f} %" for s in found.steps)
        rows.append(
            (
                measure,
                f"{found.session_sd:.2f}",
                f"{found.mdc95:.2f}",
                steps,
                "none" if best is None else f"{best.changed_by:g}",
            )
        )
    return table(("measure", "SD between sessions", "MDC95", "change: seen in", "smallest change seen in 80 %"), rows)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--quick", action="store_true")
    quick = parser.parse_args().quick
    repeats, persons, sessions = (20, 3, 4) if quick else (500, 8, 8)
    text = f"""# Agreement, in simulation

Written by `python tests/write_agreement.py` with version {__version__}; do not edit. Everything
below is computed, none of it is measured on people: a simulated athlete sways, trembles, hangs imperfectly and wears
sensors on skin that moves, but is no sample of people. How to compare with a goniometer: [protocol.md](protocol.md).

## Published values

{published()}

## Intervals in a simulated study

30 persons x 3 positions x 2 raters, known bias and SDs, {repeats} repeats.

{coverage(repeats)}

## Sensors of known noise, read back

{sensors(1200 if quick else 7200)}

## A reference that is 137 ms late

The second column holds what our angles are early by, about half a sample, besides.

{lags(min(persons, 4))}

## Every drill against the simulator's truth

{persons} simulated athletes, samples of the set one second apart, degrees; limits in the repeated-measures form.
The truth is counted from the ISB's zero, ours from the athlete's own pose, so each bias holds the error of the pose.

{drills(persons)}

## How small a change is seen

full_can, 6 reps, {sessions} sessions per step, degrees; arc: the top of the reps is changed; hold: a slow wander of
this RMS is added to each hold.

{power(sessions)}
"""
    PAGE.write_text(text, encoding="utf-8")


if __name__ == "__main__":
    main()
