"""Times the whole way from CSV to reps.csv and summary.json against reading the same CSV plus a bare VQF.

    python tests/benchmark_flow.py [--minutes 20] [--repeats 5]

The recording: 20 minutes, four sensors, 100 Hz, made by repeating a simulated session of three sets, each round with
noise of its own: rows that were written twice are not used. Timed are whole
stages in one process, not the start of a process; imports are done before. Medians over the repeats. Goal: at most 3.
"""

from __future__ import annotations

import argparse
import json
import os
import statistics
import tempfile
import time
from collections.abc import Callable, Sequence
from dataclasses import replace
from itertools import pairwise
from pathlib import Path

import numpy as np
import vqf

from imu_shoulder.model import FloatArray, Recording
from imu_shoulder.pipeline import analyse
from imu_shoulder.report.summary import summarise
from imu_shoulder.report.tables import angles_table, reps_table
from imu_shoulder.simulate import Athlete, Pause, Scenario, SetScript, simulate
from imu_shoulder.simulate.scenarios import ARMS, CALIBRATION
from imu_shoulder.sources.folder import read_recording, write_recording

GOAL = 3.0
# Less than the sensors' own.
ACC_NOISE_M_S2, GYR_NOISE_RAD_S = 0.005, 0.0005
PARQUET = "angles.parquet, not counted"


def session(minutes: float, placements: Sequence[str] = ARMS) -> Recording:
    """A simulated session repeated until it lasts so long; only the first round has calibration movements."""
    rng = np.random.default_rng(1)
    scenario = Scenario(
        athlete=Athlete(),
        blocks=(
            *CALIBRATION,
            SetScript("full_can", "right"),
            Pause(20, "walk"),
            SetScript("band_external_rotation", "right"),
            Pause(20, "fidget"),
            SetScript("band_loop_raise", "both"),
            Pause(20, "walk"),
        ),
        placements=tuple(placements),
    )
    once = simulate(scenario, seed=1).recording
    length_s = min(float(stream.time_s[-1]) for stream in once.streams.values())
    rounds = int(np.ceil(minutes * 60 / length_s))
    streams = {}
    for placement, stream in once.streams.items():
        rows = stream.time_s < length_s
        time_s = np.concatenate([stream.time_s[rows] + k * length_s for k in range(rounds)])
        kept = time_s < minutes * 60
        streams[placement] = replace(
            stream,
            time_s=time_s[kept],
            acc_m_s2=_repeated(stream.acc_m_s2[rows], rounds, ACC_NOISE_M_S2, rng)[kept],
            gyr_rad_s=_repeated(stream.gyr_rad_s[rows], rounds, GYR_NOISE_RAD_S, rng)[kept],
        )
    events = [
        replace(event, onset_s=event.onset_s + k * length_s)
        for k in range(rounds)
        for event in once.events
        if (k == 0 or event.trial_type == "set") and event.end_s + k * length_s < minutes * 60 - 1
    ]
    return replace(once, streams=streams, events=tuple(events))


def _repeated(values: FloatArray, rounds: int, noise: float, rng: np.random.Generator) -> FloatArray:
    found = np.tile(values, (rounds, 1))
    found[len(values) :] += rng.normal(0.0, noise, (len(found) - len(values), 3))
    return found


def seconds(work: Callable[[], object]) -> tuple[float, object]:
    begin = time.perf_counter()
    found = work()
    return time.perf_counter() - begin, found


def bare_batch(recording: Recording) -> None:
    """What a script of ten lines would do: the filter as it comes, forwards only."""
    for stream in recording.streams.values():
        vqf.VQF(1 / stream.declared_rate_hz).updateBatch(stream.gyr_rad_s, stream.acc_m_s2)


def bare_offline(recording: Recording) -> None:
    """The same with the filter's own two-sided form."""
    for stream in recording.streams.values():
        vqf.offlineVQF(stream.gyr_rad_s, stream.acc_m_s2, None, 1 / stream.declared_rate_hz)


def whole_way(folder: Path, out: Path) -> dict[str, float]:
    """Seconds per stage from the folder of CSV to the written files, in order."""
    marks: list[tuple[str, float]] = [("read", time.perf_counter())]
    recording = read_recording(folder)
    analysis = analyse(recording, progress=lambda stage: marks.append((stage, time.perf_counter())))
    marks.append(("reps.csv", time.perf_counter()))
    out.mkdir(exist_ok=True)
    reps_table(analysis).to_csv(out / "reps.csv", index=False)
    marks.append(("summary.json", time.perf_counter()))
    (out / "summary.json").write_text(json.dumps(summarise(analysis)), encoding="utf-8")
    marks.append((PARQUET, time.perf_counter()))
    angles_table(analysis).to_parquet(out / "angles.parquet", index=False)
    marks.append(("", time.perf_counter()))
    return {name: end - begin for (name, begin), (_, end) in pairwise(marks)}


def counted_s(stages: dict[str, float]) -> float:
    """Everything up to reps.csv and summary.json."""
    return sum(took_s for name, took_s in stages.items() if name != PARQUET)


def medians(rows: list[dict[str, float]]) -> dict[str, float]:
    return {name: statistics.median(row[name] for row in rows) for name in rows[0]}


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--minutes", type=float, default=20.0)
    parser.add_argument("--repeats", type=int, default=5)
    options = parser.parse_args()
    with tempfile.TemporaryDirectory() as scratch:
        folder, out = Path(scratch) / "recording", Path(scratch) / "out"
        recording = session(options.minutes)
        write_recording(recording, folder)
        samples = sum(len(stream.time_s) for stream in recording.streams.values())
        sets = sum(event.trial_type == "set" for event in recording.events)
        print(f"{options.minutes:g} min, {len(recording.streams)} sensors, {samples} samples, {sets} sets")
        print(f"load before: {os.getloadavg()[0]:.1f} on {os.cpu_count()} cores\n")
        whole_way(folder, out)  # everything imported and in the disk's cache
        bare, stages = [], []
        # In turns, so that whatever else the machine does hits both alike.
        for _ in range(options.repeats):
            read_s, read = seconds(lambda: read_recording(folder))
            batch_s, _ = seconds(lambda read=read: bare_batch(read))
            offline_s, _ = seconds(lambda read=read: bare_offline(read))
            bare.append({"read": read_s, "VQF.updateBatch": batch_s, "offlineVQF": offline_s})
            stages.append(whole_way(folder, out))
        ratios = {
            name: [counted_s(whole) / (one["read"] + one[name]) for one, whole in zip(bare, stages, strict=True)]
            for name in ("VQF.updateBatch", "offlineVQF")
        }
        per_stage, alone = medians(stages), medians(bare)
        total_s = statistics.median(counted_s(whole) for whole in stages)
        print("| stage | s | share |\n|---|---|---|")
        for name, took_s in per_stage.items():
            print(f"| {name} | {took_s:.2f} | {100 * took_s / total_s:.0f} % |")
        print(f"| whole | {total_s:.2f} | |\n\n| beside it | s |\n|---|---|")
        for name, took_s in alone.items():
            print(f"| {name} | {took_s:.2f} |")
        print(f"\n| whole over read + bare filter | median | lowest | highest | goal {GOAL:g} |\n|---|---|---|---|---|")
        for name, found in ratios.items():
            middle = statistics.median(found)
            verdict = "reached" if middle <= GOAL else "missed"
            print(f"| {name} | {middle:.2f} | {min(found):.2f} | {max(found):.2f} | {verdict} |")


if __name__ == "__main__":
    main()
