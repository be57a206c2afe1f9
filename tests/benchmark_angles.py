"""What keeping the headings and working out the angles cost, against a bare VQF over the same samples.

    python tests/benchmark_angles.py [--minutes 20] [--repeats 5]

The recording of benchmark_flow.py: four sensors at 100 Hz. CPU seconds in one process, medians over the repeats.
Asked: the headings and the angles together add at most 1.5 times what the bare filter takes.
"""

from __future__ import annotations

import argparse
import os
import statistics
import time
from collections.abc import Callable, Mapping
from typing import Any

from benchmark_flow import bare_batch, bare_offline, medians, session

from imu_shoulder.align import align_recording
from imu_shoulder.analysis import Params
from imu_shoulder.angles.joint import AngleParams, ArmAngles, arm_angles, skin_of
from imu_shoulder.angles.lean import asked_stance
from imu_shoulder.angles.uncertainty import angle_sd
from imu_shoulder.calibrate.calibration import calibrate
from imu_shoulder.calibrate.model import ArmCalibration
from imu_shoulder.calibrate.pose import find_pose
from imu_shoulder.engine.asked import asked_in
from imu_shoulder.engine.whole import arm_moments, keep_heading
from imu_shoulder.model import SIDES
from imu_shoulder.orient.attitude import Attitude, orient_afterwards

GOAL = 1.5


def work_out(arm: ArmCalibration, kept: Mapping[str, Attitude], rate_hz: float, params: AngleParams) -> ArmAngles:
    return arm_angles(arm, kept, skin_of(arm, kept, rate_hz, params), params)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--minutes", type=float, default=20.0)
    parser.add_argument("--repeats", type=int, default=5)
    options = parser.parse_args()
    recording, params = session(options.minutes), Params()
    aligned = align_recording(recording, params.align)
    rate_hz, events = aligned.rate_hz, recording.events
    drills = asked_in(events, None, None, ()).drills
    samples = sum(len(stream.time_s) for stream in recording.streams.values())
    print(f"{options.minutes:g} min, {len(recording.streams)} sensors, {samples} samples")
    print(f"load before: {os.getloadavg()[0]:.1f} on {os.cpu_count()} cores\n")

    def once() -> dict[str, float]:
        took: dict[str, float] = {}

        def timed(name: str, work: Callable[[], Any]) -> Any:
            begin = time.process_time()
            found = work()
            took[name] = took.get(name, 0.0) + time.process_time() - begin
            return found

        timed("bare VQF.updateBatch", lambda: bare_batch(recording))
        timed("bare offlineVQF", lambda: bare_offline(recording))
        attitudes = timed(
            "attitudes, with bias and offset",
            lambda: {p: orient_afterwards(track, rate_hz, params.orient) for p, track in aligned.tracks.items()},
        )
        pose = find_pose(aligned.time_s, attitudes, events, None, params.calibrate)
        kept = {
            side: timed(
                "headings", lambda s=side, own=own: keep_heading(aligned, attitudes, s, own, events, pose, params)
            )
            for side, own in timed("headings", lambda: arm_moments(aligned, attitudes, events, params)).items()
        }
        arms = timed(
            "calibration", lambda: calibrate(aligned.time_s, rate_hz, kept, events, pose, params.heading.shared)
        ).arms
        for side in SIDES:
            own = arms[side], kept[side], rate_hz
            found = timed("angles", lambda own=own: work_out(*own, params.angles))
            timed(
                "their standard deviations",
                lambda own=own, found=found: angle_sd(
                    found, *own, asked_stance(aligned.time_s, events, drills), params.angles, params.uncertainty
                ),
            )
        return took

    once()  # everything imported
    runs = [once() for _ in range(options.repeats)]
    per_step = medians(runs)
    print("| step | CPU s | ns per sample | over bare VQF.updateBatch |\n|---|---|---|---|")
    for name, took_s in per_step.items():
        ratio = took_s / per_step["bare VQF.updateBatch"]
        print(f"| {name} | {took_s:.3f} | {1e9 * took_s / samples:.0f} | {ratio:.2f} |")
    added = ("headings", "angles", "their standard deviations")
    print(f"\n| headings, angles and their deviations over | median | lowest | highest | goal {GOAL:g} |")
    print("|---|---|---|---|---|")
    for bare in ("bare VQF.updateBatch", "bare offlineVQF"):
        ratios = [sum(run[name] for name in added) / run[bare] for run in runs]
        middle = statistics.median(ratios)
        verdict = "reached" if middle <= GOAL else "missed"
        print(f"| {bare} | {middle:.2f} | {min(ratios):.2f} | {max(ratios):.2f} | {verdict} |")


if __name__ == "__main__":
    main()
