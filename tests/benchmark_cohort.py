"""Measures a cohort: two workers over one, CPU over a plain loop, and a worker's peak memory.

    python tests/benchmark_cohort.py [--recordings 200]

Recordings of real size: copies of the shipped ones, 4 to 5 minutes of five or six sensors. The plain loop reads,
analyses and keeps the same recordings in one process. CPU is that of the worker processes, without their start, after
one recording each that is not counted. Asked: two workers at least 1.8 times one, at most 1.2 times the CPU of the
loop, and a peak of at most 400 MB.
"""

from __future__ import annotations

import argparse
import os
import resource
import shutil
import subprocess
import sys
import tempfile
import time
from pathlib import Path

from imu_shoulder.analysis import Params
from imu_shoulder.cohort.run import client_of, plan_run, run
from imu_shoulder.cohort.work import Job, do

ROOT = Path(__file__).parents[1]
SHIPPED = ("clean_warm_up", "faulty_warm_up", "damaged_warm_up", "planned_warm_up", "range_tests")


def used() -> tuple[int, float, float]:
    """This process: its id, CPU seconds so far, and the most memory it ever had, in MB."""
    own = resource.getrusage(resource.RUSAGE_SELF)
    return os.getpid(), own.ru_utime + own.ru_stime, own.ru_maxrss / 1024


def jobs_of(season: Path, out: Path) -> list[Job]:
    return list(plan_run(str(season), str(out), Params(), {}).jobs)


def loop(season: Path, out: Path) -> None:
    """The plain loop, in a process of its own: prints CPU seconds a recording, and its peak."""
    first, *rest = jobs_of(season, out)
    do(first)
    before = used()[1]
    for job in rest:
        do(job)
    _, after, peak = used()
    print((after - before) / len(rest), peak)


def cohort(season: Path, out: Path, workers: int) -> tuple[float, float, float]:
    """Seconds and CPU seconds a recording, and the largest peak of a worker in MB."""
    planned = plan_run(str(season), str(out), Params(), {})
    with client_of(None, workers, "auto") as client:
        addresses = list(client.scheduler_info()["workers"])
        client.gather([client.submit(do, planned.jobs[0], workers=[one], pure=False) for one in addresses])
        before = client.run(used)
        begin = time.perf_counter()
        failures = run(client, planned)
        took = time.perf_counter() - begin
        after = client.run(used)
    assert not failures
    assert before.keys() == after.keys()
    count = len(planned.jobs)
    cpu = sum(after[one][1] - before[one][1] for one in after)
    return took / count, cpu / count, max(peak for _, _, peak in after.values())


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--recordings", type=int, default=200)
    parser.add_argument("--loop", nargs=2, type=Path, help=argparse.SUPPRESS)
    options = parser.parse_args()
    if options.loop:
        loop(*options.loop)
        return
    with tempfile.TemporaryDirectory() as scratch:
        season = Path(scratch) / "season"
        for k in range(options.recordings):
            shutil.copytree(ROOT / "recordings" / SHIPPED[k % len(SHIPPED)], season / f"{k:04d}")
        print(f"{options.recordings} recordings; load before: {os.getloadavg()[0]:.1f} on {os.cpu_count()} cores\n")
        command = [sys.executable, __file__, "--loop", str(season), f"{scratch}/loop"]
        said = subprocess.run(command, check=True, capture_output=True, text=True).stdout.split()
        loop_cpu, loop_peak = map(float, said)
        one, two = (cohort(season, Path(scratch) / f"{count}", count) for count in (1, 2))
    print("| | s a recording | CPU s a recording | peak of a process, MB |\n|---|---|---|---|")
    print(f"| plain loop | | {loop_cpu:.3f} | {loop_peak:.0f} |")
    for name, (wall, cpu, peak) in (("1 worker", one), ("2 workers", two)):
        print(f"| {name} | {wall:.3f} | {cpu:.3f} | {peak:.0f} |")
    print("\n| | measured | asked |\n|---|---|---|")
    print(f"| 2 workers over 1 | {one[0] / two[0]:.2f} | at least 1.8 |")
    print(f"| CPU of 2 workers over the plain loop | {two[1] / loop_cpu:.2f} | at most 1.2 |")
    print(f"| peak of a worker, MB | {max(one[2], two[2]):.0f} | at most 400 |")


if __name__ == "__main__":
    main()
