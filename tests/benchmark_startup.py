"""Prints how long `imu-shoulder --help` takes against the bare import of click, as medians of alternating runs."""

from __future__ import annotations

import statistics
import subprocess
import sys
import time
from pathlib import Path

RUNS = 30
COMMANDS = {
    "python -c 'import click'": [sys.executable, "-c", "import click"],
    "imu-shoulder --help": [str(Path(sys.executable).with_name("imu-shoulder")), "--help"],
}


def seconds(command: list[str]) -> float:
    start = time.perf_counter()
    subprocess.run(command, check=True, stdout=subprocess.DEVNULL)
    return time.perf_counter() - start


def main() -> None:
    taken: dict[str, list[float]] = {name: [] for name in COMMANDS}
    for _ in range(RUNS):
        for name, command in COMMANDS.items():
            taken[name].append(seconds(command))
    medians = {name: statistics.median(times) for name, times in taken.items()}
    for name, median in medians.items():
        print(f"{name:26} {1000 * median:6.1f} ms (median of {RUNS})")
    bare, full = medians.values()
    print(f"{'ratio':26} {full / bare:6.2f}")


if __name__ == "__main__":
    main()
