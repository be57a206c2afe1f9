"""Prints how true the reps, holds, arcs and angles are on our own simulation: python tests/print_numbers.py [--seeds 8]

Every figure is measured against the simulator's truth. docs/validation.md holds the printed tables.
"""

from __future__ import annotations

import argparse
from collections.abc import Iterator
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from imu_shoulder.analysis import Analysis, Params
from imu_shoulder.drills import shipped_ids
from imu_shoulder.model import Recording
from imu_shoulder.orient.moments import HeadingParams
from imu_shoulder.pipeline import analyse
from imu_shoulder.simulate import Athlete, ElbowBends, Simulated, simulate
from imu_shoulder.simulate.scenarios import drill_scenario

# A pose nearer to neutral than the simulator's default person, for the figures that include the pose error.
COACHED = Athlete(pose_elevation_deg=2.0, pose_rotation_deg=2.0, pose_elbow_deg=3.0, pose_forearm_deg=2.0)


@dataclass(frozen=True, slots=True)
class Error:
    """One angle of one arm over its set: wrapped differences (n,) in degrees, at time_s (n,)."""

    time_s: np.ndarray
    deg: np.ndarray

    @property
    def rmse(self) -> float:
        return float(np.sqrt(np.mean(self.deg**2)))

    @property
    def shape(self) -> float:
        return float(np.std(self.deg))

    @property
    def drift_deg_min(self) -> float:
        return float(np.polyfit(self.time_s, self.deg, 1)[0] * 60)


def error(run: Simulated, analysis: Analysis, side: str, column: str, truth: str | None = None) -> Error:
    """The error of one angle over the set's rows in which it is known."""
    arm_set = next(s.arm_set for s in analysis.sets if s.arm_set.side == side)
    rows = slice(*arm_set.rows)
    time_s = analysis.aligned.time_s[rows]
    true = np.interp(time_s, run.truth.time_s, run.truth.angles[side][truth or column])
    wrapped = (analysis.arms[side].angles[column][rows] - true + 180) % 360 - 180
    known = np.isfinite(wrapped)
    if column == "plane_deg":
        elevation = np.interp(time_s, run.truth.time_s, run.truth.angles[side]["elevation_deg"])
        known &= (elevation > 30) & (elevation < 150)
    return Error(time_s[known], wrapped[known])


def reps_table(seeds: int) -> pd.DataFrame:
    """Reps, holds and arcs of clean sets, per drill."""
    rows = []
    for drill in shipped_ids():
        exact, holds, arcs, shapes = 0, [], [], []
        for seed in range(seeds):
            run = simulate(drill_scenario(drill), seed)
            analysis = analyse(run.recording)
            found = next(s for s in analysis.sets if s.arm_set.side == "right")
            scored = [j for j in found.judged if not j.excluded]
            true = [r for r in run.truth.reps if r.side == "right" and r.counts]
            exact += len(scored) == len(true)
            if len(scored) == len(true):
                holds += [j.values["hold_s"] - r.hold_s for j, r in zip(scored, true, strict=True)]
                arcs += [j.rep.arc_deg - r.arc_deg for j, r in zip(scored, true, strict=True)]
            shapes.append(error(run, analysis, "right", "elevation_deg", "elevation_gravity_deg").shape)
        rows.append(
            {
                "drill": drill,
                "reps exact": f"{exact}/{seeds}",
                "hold median s": np.median(np.abs(holds)),
                "hold max s": np.max(np.abs(holds)),
                "arc median deg": np.median(np.abs(arcs)),
                "elevation shape deg": np.median(shapes),
                "elevation shape max deg": np.max(shapes),
            }
        )
    return pd.DataFrame(rows)


def plain_params() -> Params:
    """The plain way: VQF as it is, no heading kept."""
    params = Params()
    # Nobody is as still as this for as long as this.
    never = replace(params.orient.stillness, window_s=25.0, piece_s=80.0, max_spread_rad_s=0.002, restless_rad_s=0.005)
    quiet = HeadingParams(quiet_rad_s=0.004, min_quiet_s=11.0, longest_s=80.0)
    return replace(params, orient=replace(params.orient, stillness=never), heading=quiet)


def with_pose_alone(recording: Recording) -> Recording:
    """The recording without its calibration movements."""
    movements = ("elbow_bends", "forward_raises")
    return replace(recording, events=tuple(e for e in recording.events if e.trial_type not in movements))


def rotation_runs(seeds: int) -> Iterator[tuple[str, Simulated]]:
    for drill in ("band_external_rotation", "sidelying_external_rotation"):
        for seed in range(seeds):
            yield drill, simulate(drill_scenario(drill, athlete=COACHED, reps=15), seed)


def rotation_table(seeds: int) -> pd.DataFrame:
    """Rotation with the elbow at 90 deg, beside the plain way: calibrated by the pose alone, and by all movements."""
    rows = []
    for drill, run in rotation_runs(seeds):
        ways = {
            "ours": (run.recording, Params()),
            "plain": (with_pose_alone(run.recording), plain_params()),
            "plain, all movements": (run.recording, plain_params()),
        }
        for way, (recording, params) in ways.items():
            analysis = analyse(recording, params)
            e = error(run, analysis, "right", "rotation_deg")
            found = next(s for s in analysis.sets if s.arm_set.side == "right")
            scored = [j for j in found.judged if not j.excluded]
            true = [r for r in run.truth.reps if r.side == "right" and r.counts]
            arcs = [abs(j.rep.arc_deg - r.arc_deg) for j, r in zip(scored, true, strict=False)]
            rows.append(
                {
                    "drill": drill,
                    "way": way,
                    "shape": e.shape,
                    "drift": abs(e.drift_deg_min),
                    "arc": np.median(arcs) if arcs else np.nan,
                }
            )
    table = pd.DataFrame(rows).groupby(["drill", "way"])[["shape", "drift", "arc"]].agg(["median", "max"])
    table.columns = [f"{name} {kind}" for name, kind in table.columns]
    return table.reset_index()


def causal_table(seeds: int) -> pd.DataFrame:
    """What the causal form (live) loses against the two-sided one: median RMSE about the constant, and of the whole."""
    rows = []
    for drill in ("band_external_rotation", "sidelying_external_rotation", "full_can"):
        columns = ["elevation_deg", "rotation_deg", "elbow_deg", "thumb_up_deg"]
        columns += ["plane_deg"] if drill == "full_can" else []
        found: dict[tuple[str, bool], list[tuple[float, float]]] = {}
        for seed in range(seeds):
            run = simulate(drill_scenario(drill, athlete=COACHED), seed)
            for afterwards in (True, False):
                analysis = analyse(run.recording, replace(Params(), afterwards=afterwards))
                about_trunk = analysis.arms["right"].elevation_reference == "trunk"
                for column in columns:
                    truth = "elevation_gravity_deg" if column == "elevation_deg" and not about_trunk else column
                    e = error(run, analysis, "right", column, truth)
                    found.setdefault((column, afterwards), []).append((e.shape, e.rmse))
        for column in columns:
            two, causal = (np.median(found[column, afterwards], axis=0) for afterwards in (True, False))
            rows.append(
                {
                    "drill": drill,
                    "angle": column,
                    "shape two-sided": two[0],
                    "shape causal": causal[0],
                    "RMSE two-sided": two[1],
                    "RMSE causal": causal[1],
                }
            )
    return pd.DataFrame(rows)


def long_hold_table(seeds: int) -> pd.DataFrame:
    """Drift of rotation over one hold of 5 minutes, elbow at 90 deg, standing and lying."""
    rows = []
    for drill in ("band_external_rotation", "sidelying_external_rotation"):
        drifts = []
        for seed in range(seeds):
            run = simulate(drill_scenario(drill, athlete=COACHED, reps=1, hold_s=300.0), seed)
            analysis = analyse(run.recording)
            true = next(r for r in run.truth.reps if r.side == "right")
            e = error(run, analysis, "right", "rotation_deg")
            held = (e.time_s > true.top_start_s + 1) & (e.time_s < true.top_end_s - 1)
            slope = np.polyfit(e.time_s[held], e.deg[held], 1)[0]
            drifts.append(abs(slope) * float(np.ptp(e.time_s[held])))
        rows.append({"drill": drill, "drift in 5 min, median": np.median(drifts), "max": np.max(drifts)})
    return pd.DataFrame(rows)


def pose_only_table(seeds: int) -> pd.DataFrame:
    """RMSE of the elbow with the neutral pose alone, and with all calibration movements."""
    rows = []
    for drill in ("full_can", "sidelying_external_rotation"):
        for name in ("pose only", "all movements"):
            found = []
            for seed in range(seeds):
                run = simulate(drill_scenario(drill, athlete=COACHED), seed)
                analysis = analyse(with_pose_alone(run.recording) if name == "pose only" else run.recording)
                if "elbow_deg" in analysis.arms["right"].angles:
                    found.append(error(run, analysis, "right", "elbow_deg").rmse)
            median = np.median(found) if found else np.nan
            rows.append({"drill": drill, "calibration": name, "recordings": len(found), "elbow RMSE median": median})
    return pd.DataFrame(rows)


def angles_table(seeds: int) -> pd.DataFrame:
    """RMSE of every angle in a full can set, for a coached pose and for the default person, who in the last rows
    straightens the elbows fully between the elbow bends, to 1 deg."""
    rows = []
    for name, athlete, stop_deg in (
        ("coached pose", COACHED, None),
        ("relaxed pose", Athlete(), None),
        ("relaxed pose, elbows straightened", Athlete(), 1.0),
    ):
        found: dict[str, list[float]] = {}
        for seed in range(seeds):
            scenario = drill_scenario("full_can", athlete=athlete)
            blocks = (ElbowBends(stop_deg=stop_deg) if isinstance(b, ElbowBends) else b for b in scenario.blocks)
            run = simulate(replace(scenario, blocks=tuple(blocks)), seed)
            analysis = analyse(run.recording)
            for column, truth in (
                ("elevation_deg", "elevation_gravity_deg"),
                ("plane_deg", None),
                ("elbow_deg", None),
                ("forearm_deg", None),
                ("thumb_up_deg", None),
                ("rotation_deg", None),
            ):
                found.setdefault(column, []).append(error(run, analysis, "right", column, truth).rmse)
        rows += [
            {"person": name, "angle": column, "RMSE median deg": np.median(v), "RMSE max deg": np.max(v)}
            for column, v in found.items()
        ]
    return pd.DataFrame(rows)


TABLES = {
    "reps": reps_table,
    "rotation": rotation_table,
    "angles": angles_table,
    "causal": causal_table,
    "hold": long_hold_table,
    "pose": pose_only_table,
}


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seeds", type=int, default=8)
    parser.add_argument("--only", choices=list(TABLES))
    options = parser.parse_args()
    for name, table in TABLES.items():
        if options.only in (None, name):
            print(f"\n{table.__doc__}\n")
            print(table(options.seeds).to_markdown(index=False, floatfmt=".2f"))


if __name__ == "__main__":
    main()
