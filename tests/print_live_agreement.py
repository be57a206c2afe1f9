"""Prints whether the page says of every rep what the causal file says: python tests/print_live_agreement.py

Simulated sessions of two sets each, all drills, standing, walking or restless, with an arm that settles in the pose,
with two sensors on one arm, two on both, and one more on the breastbone, with and without faults; and every recording
of drills in recordings/. Beside it how often the causal file and the two-sided one say the same.
"""

from __future__ import annotations

import argparse
import random
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, replace
from pathlib import Path

import pandas as pd

from imu_shoulder.analysis import Params
from imu_shoulder.drills import load_shipped, shipped_ids
from imu_shoulder.live.paced_replay import TICK_S
from imu_shoulder.live.replay import plan_for_recording, run, without_range_tests
from imu_shoulder.live.said import Said
from imu_shoulder.live.session import LiveSession
from imu_shoulder.model import SIDES, Recording, limbs_of
from imu_shoulder.pipeline import analyse
from imu_shoulder.report.tables import reps_table
from imu_shoulder.simulate import Athlete, Pause, Scenario, SetScript, simulate
from imu_shoulder.simulate.scenarios import ARMS, CALIBRATION
from imu_shoulder.simulate.script import possible_faults
from imu_shoulder.sources import RecordingSource
from imu_shoulder.sources.folder import read_recording

KINDS = ("standing", "walking", "restless", "settling in the pose")
WORN = (5, 4, 2)
RECORDINGS = Path(__file__).parents[1] / "recordings"
BOTH = ("band_loop_raise", "overhead_short_arc", "full_can")
KEY = ["set", "side", "rep", "false_start"]
CAUSAL = replace(Params(), afterwards=False)


@dataclass(frozen=True)
class Drawn:
    kind: str
    sensors: int
    scenario: Scenario


def draw(seed: int) -> Drawn:
    """Two sets of four reps, each drill as often as any other over eight seeds."""
    rng = random.Random(seed)
    ids = sorted(shipped_ids())
    kind, worn = KINDS[seed % len(KINDS)], WORN[seed // len(KINDS) % len(WORN)]
    placements = {5: (*ARMS, "sternum"), 4: ARMS, 2: limbs_of(SIDES[seed % 2])}[worn]
    blocks = []
    for drill in (ids[seed % 8], ids[(seed // 8 + seed + 3) % 8]):
        side = "both" if drill in BOTH and rng.random() < 0.4 else rng.choice(("right", "left"))
        if worn == 2:
            side = SIDES[seed % 2]
        faults = {2: (rng.choice(sorted(possible_faults(load_shipped(drill)))),)} if rng.random() < 0.5 else {}
        tempo = {"lift_s": rng.uniform(1.4, 2.6), "lower_s": rng.uniform(1.5, 2.8)}
        script = SetScript(drill, side, reps=4, faults=faults, **tempo)
        blocks += [script, Pause(8, "walk" if kind == "walking" else "stand")]
    sway_deg = rng.uniform(0.7, 1.0) if kind == "restless" else rng.uniform(0.2, 0.5)
    return Drawn(
        kind,
        worn,
        Scenario(
            athlete=Athlete(sway_deg=sway_deg),
            blocks=(*CALIBRATION, *blocks),
            placements=placements,
            rate_hz=(50.0, 100.0)[seed % 3 == 0],
        ),
    )


def settled(recording: Recording) -> Recording:
    """The pose marked from 1 s earlier on, while the arms still come to rest."""
    events = tuple(
        replace(event, onset_s=event.onset_s - 1.0, duration_s=event.duration_s + 1.0)
        if event.trial_type == "neutral_pose"
        else event
        for event in recording.events
    )
    return replace(recording, events=events)


def verdicts(table: pd.DataFrame) -> dict[tuple, tuple]:
    table = table.assign(false_start=table["excluded"] == "false_start")
    return {
        tuple(row[KEY]): (row["faults"], row["excluded"], row["drill"], row.get("revised", ""))
        for _, row in table.iterrows()
    }


def compared(seed: int) -> dict[str, object]:
    drawn = draw(seed)
    recording = simulate(drawn.scenario, seed=seed).recording
    if drawn.kind.startswith("settling"):
        recording = settled(recording)
    return {"sessions": drawn.kind, "sensors": drawn.sensors, **differences(recording)}


def recorded(folder: Path) -> dict[str, object]:
    recording, _ = without_range_tests(read_recording(folder))
    return {"sessions": folder.name, "sensors": len(recording.streams), **differences(recording)}


def differences(recording: Recording) -> dict[str, object]:
    source, said = RecordingSource(recording, TICK_S), Said()
    session = LiveSession(plan_for_recording(recording, {}), {}, source.rates_hz)
    run(source, session, each=said.look)
    page = verdicts(said.finish(session))
    file, whole = (verdicts(reps_table(analyse(recording, params))) for params in (CAUSAL, Params()))
    revised = sum(bool(own[3]) for own in page.values())
    stands = {key: own[:3] for key, own in page.items() if not own[3]}
    file_stands = {key: own[:3] for key, own in file.items() if not page.get(key, ("",) * 4)[3]}
    apart = sum(stands.get(key) != file_stands.get(key) for key in {*stands, *file_stands})
    differs = sum(whole.get(key, ())[:3] != file.get(key, ())[:3] for key in {*whole, *file})
    return {
        "sets": sum(event.trial_type == "set" for event in recording.events),
        "reps": len(file),
        "page differs from causal file": apart,
        "revised": revised,
        "causal differs from two-sided": differs,
    }


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--seeds", type=int, default=100, help="sessions of two sets each")
    parser.add_argument("--first", type=int, default=1000)
    options = parser.parse_args()
    folders = sorted({path.parent for path in RECORDINGS.glob("*/events.tsv")} - {RECORDINGS / "range_tests"})
    with ProcessPoolExecutor(2) as pool:
        simulated = pool.map(compared, range(options.first, options.first + options.seeds))
        tables = [pd.DataFrame(rows) for rows in (simulated, pool.map(recorded, folders))]
    print("Reps with another number, verdict, fault or drill, and reps revised later: simulated, then in recordings/.")
    for table in tables:
        sums = table.groupby(["sessions", "sensors"], as_index=False).sum()
        total = {"sessions": "all", "sensors": "", **table.drop(columns=["sessions", "sensors"]).sum()}
        sums = pd.concat([sums, pd.DataFrame([total])], ignore_index=True)
        sums["revised %"] = 100 * sums["revised"] / sums["reps"]
        print(f"\n{sums.to_markdown(index=False, floatfmt='.2f')}", flush=True)


if __name__ == "__main__":
    main()
