"""Measures what each stage takes and writes docs/performance.md.

    python tests/make_performance.py [--quick] [--no-cohort]

Sessions of 1, 10 and 100 minutes with 2, 4 and 7 sensors (one on every place there is), each in a process of its own;
CPU seconds, so that other programs disturb little, medians over as many repeats of each, as ratios to the bare filter
(VQF.updateBatch) over the same samples in the same process. An exponent is the slope of log CPU on log size.
"""

from __future__ import annotations

import argparse
import contextlib
import datetime
import json
import math
import os
import platform
import resource
import statistics
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Iterator, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

import imu_shoulder.cli  # noqa: F401  as a command has it: one thread of linear algebra

ROOT = Path(__file__).parents[1]
PAGE = ROOT / "docs" / "performance.md"
PLACES = {
    2: ("right_wrist", "right_upper_arm"),
    4: ("right_wrist", "right_upper_arm", "left_wrist", "left_upper_arm"),
}
PLACES[5] = (*PLACES[4], "sternum")
PLACES[7] = (*PLACES[4], "sternum", "right_acromion", "left_acromion")
STAGES = ("read", "align", "orient", "headings", "calibrate", "angles", "segment", "judge", "files")
STAGE_OF = {
    "orient": "orient",
    **dict.fromkeys(("find_pose", "find_quiet_moments", "find_slips", "keep_headings"), "headings"),
    **dict.fromkeys(("calibrate", "check_mounting"), "calibrate"),
    "work_out_angles": "angles",
    "_find_sets": "segment",
    "cut_and_judge_sets": "judge",
}
FILTER = "VQF.updateBatch"
TWO_SIDED = "offlineVQF"
# Of 39 sets in 100 minutes the share that makes ten times the sets and reps that 10 minutes have.
TENFOLD = 10 / 13
# minutes, sensors, share of the sets that are marked
CASES = (
    *((1, 4, 1.0), (10, 4, 1.0), (20, 4, 1.0), (100, 4, 1.0), (100, 4, TENFOLD)),
    *((10, 2, 1.0), (10, 7, 1.0), (20, 4, 0.25)),
)
SESSION_S, MACHINE_WORKERS, LIVE_MINUTES = 300, 8, 3
# Minutes, sensors and share of the sets of the recording whose memory is asked for; 100 sets are the most there may be.
LONGEST = (480, 5, 0.5)


Cases = dict[tuple[float, int, float], dict[str, Any]]


class Clock:
    """CPU seconds by name; what is timed inside something else is not that one's."""

    def __init__(self) -> None:
        self.took: dict[str, float] = {}
        self._open: list[float] = []

    @contextlib.contextmanager
    def of(self, name: str) -> Iterator[None]:
        begin = time.process_time()
        self._open.append(0.0)
        yield
        whole = time.process_time() - begin
        self.took[name] = self.took.get(name, 0.0) + whole - self._open.pop()
        if self._open:
            self._open[-1] += whole


def timed(kind: type[Any], clock: Clock) -> type[Any]:
    """The stages with a clock around each."""

    def around(method: Callable[..., Any], stage: str) -> Callable[..., Any]:
        def run(*arguments: Any) -> Any:
            with clock.of(stage):
                return method(*arguments)

        return run

    return type("Timed", (kind,), {name: around(getattr(kind, name), stage) for name, stage in STAGE_OF.items()})


def peak_mb() -> float:
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024


def make(minutes: float, sensors: int, share: float, folder: Path) -> None:
    """Write a session of which a share of the sets is marked."""
    from benchmark_flow import session

    from imu_shoulder.sources.folder import write_recording

    made = session(minutes, PLACES[sensors])
    sets = [event for event in made.events if event.trial_type == "set"]
    kept = sets[: max(1, round(share * len(sets)))]
    events = tuple(event for event in made.events if event.trial_type != "set" or event in kept)
    write_recording(replace(made, events=events), folder)


def one_case(folder: Path, repeats: int) -> dict[str, Any]:
    """Figures of one session, in this process."""
    import vqf

    from imu_shoulder import pipeline
    from imu_shoulder.advise.session import session_summary
    from imu_shoulder.engine.whole import Whole
    from imu_shoulder.report.folder import write_outputs
    from imu_shoulder.sources.folder import read_recording

    with tempfile.TemporaryDirectory() as scratch:
        out = Path(scratch) / "out"
        runs = []
        for _ in range(repeats + 1):
            clock = Clock()
            with clock.of("read"):
                recording = read_recording(folder)
            with clock.of(FILTER):
                for stream in recording.streams.values():
                    vqf.VQF(1 / stream.declared_rate_hz).updateBatch(stream.gyr_rad_s, stream.acc_m_s2)
            with clock.of(TWO_SIDED):
                for stream in recording.streams.values():
                    vqf.offlineVQF(stream.gyr_rad_s, stream.acc_m_s2, None, 1 / stream.declared_rate_hz)
            pipeline.Whole = timed(Whole, clock)  # type: ignore[misc]
            with clock.of("align"):  # the stages inside it are their own
                analysis = pipeline.analyse(recording)
            with clock.of("files"):
                write_outputs(analysis, out, summary=session_summary(analysis))
            runs.append(clock.took)
            reps = sum(len(found.judged) for found in analysis.sets)
            sets = sum(event.trial_type == "set" for event in recording.events)
            samples = sum(len(stream.time_s) for stream in recording.streams.values())
            del recording, analysis
        runs = runs[1:]  # imports, and files in the disk's cache
    return {
        "samples": samples,
        "sets": sets,
        "reps": reps,
        "peak_mb": peak_mb(),
        **{name: statistics.median(run[name] for run in runs) for name in (*STAGES, FILTER, TWO_SIDED)},
        "without_files": statistics.median(_over(run, STAGES[:-1]) for run in runs),
        "whole": statistics.median(_over(run, STAGES) for run in runs),
    }


def _over(run: dict[str, float], stages: Sequence[str]) -> float:
    return sum(run[name] for name in stages) / (run["read"] + run[FILTER])


def live_push() -> dict[str, float]:
    """CPU of the live engine for each second of four sensors at 100 Hz, pushed 30 times a second."""
    from benchmark_flow import session

    from imu_shoulder.analysis import Params
    from imu_shoulder.engine.asked import asked_in
    from imu_shoulder.engine.stream import Stream
    from imu_shoulder.sources import RecordingSource

    recording = session(LIVE_MINUTES)
    source = RecordingSource(recording, 1 / 30)
    stream = Stream(source.rates_hz, Params(), asked_in(recording.events, None, None, ()), None)
    for event in sorted(recording.events, key=lambda event: event.onset_s):
        stream.begin(event)
        stream.end(event.end_s)
    chunks = list(source.chunks())
    begin = time.process_time()
    for chunk in chunks:
        stream.push(chunk.streams)
    took = time.process_time() - begin
    return {"push_ms": 1000 * took / len(chunks), "core_pct": 100 * took / (60 * LIVE_MINUTES)}


def startup(repeats: int) -> float:
    """CPU of `analyse` of five minutes over that of importing numpy, scipy and pandas, each a process of its own."""
    from benchmark_flow import session

    from imu_shoulder.sources.folder import write_recording

    with tempfile.TemporaryDirectory() as scratch:
        folder = Path(scratch) / "recording"
        write_recording(session(5), folder)
        bare = [sys.executable, "-c", "import numpy, scipy, pandas"]
        analyse = [sys.executable, "-m", "imu_shoulder", "analyse", str(folder), "--out", f"{scratch}/out"]
        # Both find their modules compiled, as an installed program does, whatever is usual here.
        compiled = {name: text for name, text in os.environ.items() if name != "PYTHONDONTWRITEBYTECODE"}
        compiled["PYTHONPYCACHEPREFIX"] = f"{scratch}/compiled"
        for command in (bare, analyse):
            process_cpu(command, compiled)
        return statistics.median(process_cpu(analyse, compiled) / process_cpu(bare, compiled) for _ in range(repeats))


def longest() -> dict[str, float]:
    """Peak memory and CPU of `analyse` of the longest recording, a process of its own."""
    with tempfile.TemporaryDirectory(dir="/var/tmp") as scratch:
        folder = f"{scratch}/recording"
        subprocess.run([sys.executable, __file__, "--make", *map(str, LONGEST), folder], check=True)
        command = [sys.executable, "-m", "imu_shoulder", "analyse", folder, "--out", f"{scratch}/out"]
        used = process_usage(command, dict(os.environ))
        return {"peak_gb": used.ru_maxrss * 1024 / 1e9, "cpu_s": used.ru_utime + used.ru_stime}


def process_cpu(command: list[str], environment: dict[str, str]) -> float:
    used = process_usage(command, environment)
    return used.ru_utime + used.ru_stime


def process_usage(command: list[str], environment: dict[str, str]) -> resource.struct_rusage:
    process = subprocess.Popen(command, stdout=subprocess.DEVNULL, env=environment)
    _, status, used = os.wait4(process.pid, 0)
    process.returncode = os.waitstatus_to_exitcode(status)
    assert process.returncode == 0, command
    return used


def exponent(found: Sequence[dict[str, Any]], sizes: Sequence[float], name: str) -> str:
    """Slope of log CPU on log size, over the two largest."""
    one, two = found[-2:]
    if min(one[name], two[name]) < 0.002:
        return ""
    return f"{math.log(two[name] / one[name]) / math.log(sizes[-1] / sizes[-2]):.2f}"


def growth(title: str, sizes: Sequence[float], found: Sequence[dict[str, Any]]) -> list[str]:
    rows = [f"| {title} | {' | '.join(f'{size:g}' for size in sizes)} | exponent |", "|---" * (len(sizes) + 2) + "|"]
    for name in (*STAGES, "all"):
        cells = (f"{own[name] / own[FILTER]:.2f}" for own in found)
        rows.append(f"| {name} | {' | '.join(cells)} | {exponent(found, sizes, name)} |")
    peaks = (f"{own['peak_mb']:.0f}" for own in found)
    counts = map(_counts, found)
    return [*rows, f"| peak memory, MB | {' | '.join(peaks)} | |", f"| sets / reps | {' | '.join(counts)} | |", ""]


def _counts(found: dict[str, Any]) -> str:
    return f"{found['sets']} / {found['reps']}"


def verdict(name: str, value: float, goal: float, text: str, *, least: bool = False) -> str:
    reached = value >= goal if least else value <= goal
    return f"| {name} | {text} | {'at least' if least else 'at most'} {goal:g} | {'reached' if reached else 'missed'} |"


def page(cases: Cases, live: dict[str, float], start: float, hours: dict[str, float], cohort: str) -> str:
    lengths = [cases[(m, 4, 1.0)] for m in (1, 10, 100)]
    worn = [count for minutes, count, share in sorted(cases) if (minutes, share) == (10, 1.0)]
    sensors = [cases[(10, count, 1.0)] for count in worn]
    marked = [cases[(20, 4, share)] for share in (0.25, 1.0)]
    usual = cases[(20, 4, 1.0)]
    even = [lengths[1], cases[(100, 4, TENFOLD)]]
    slope, even_slope = (float(exponent(found, (10, 100), "all")) for found in (lengths, even))
    commit = subprocess.run(["git", "rev-parse", "--short", "HEAD"], cwd=ROOT, capture_output=True, text=True).stdout
    floor = (usual["read"] + usual[TWO_SIDED]) / (usual["read"] + usual[FILTER])
    cpu_s = usual["whole"] * (usual["read"] + usual[FILTER]) * SESSION_S / 1200
    return "\n".join(
        [
            "# Performance",
            "",
            f"`python tests/make_performance.py`, {datetime.date.today()}, at {commit.strip()}, {platform.system()} "
            f"{platform.machine()}, {os.cpu_count()} cores, Python {platform.python_version()}, load "
            f"{os.getloadavg()[0]:.1f}. CPU seconds, each over those of the bare filter (`{FILTER}`, forwards only) on "
            "the same samples in the same process, so that machines can be compared: here the filter takes "
            f"{1e9 * usual[FILTER] / usual['samples']:.0f} ns a sample. Sessions are simulated, at 100 Hz.",
            "",
            "## Against what was asked",
            "",
            "| | measured | asked | |",
            "|---|---|---|---|",
            verdict("20 minutes x 4, over read + filter", usual["without_files"], 2.6, f"{usual['without_files']:.2f}"),
            verdict("the same with all files", usual["whole"], 3.5, f"{usual['whole']:.2f}"),
            verdict(
                "growth exponent in length, 10 to 100 minutes",
                slope,
                1.05,
                f"{slope:.2f} ({_counts(lengths[1])} sets / reps to {_counts(lengths[2])})",
            ),
            verdict(
                "the same with ten times the sets in ten times the length",
                even_slope,
                1.05,
                f"{even_slope:.2f} ({_counts(even[0])} to {_counts(even[1])})",
            ),
            verdict("`analyse` of 5 minutes over `import numpy, scipy, pandas`", start, 2.5, f"{start:.2f}"),
            verdict(
                "peak of `analyse` of 8 hours x 5 sensors, GB",
                hours["peak_gb"],
                1.0,
                f"{hours['peak_gb']:.2f} (one run, {hours['cpu_s']:.0f} s of CPU)",
            ),
            "",
            f"Reading and the two-sided filter (`{TWO_SIDED}`) alone take {floor:.2f} times read + filter: the "
            "floor of whatever looks at past and future.",
            "",
            "## Each stage, by length",
            "",
            "Four sensors. Times the bare filter; the exponent is from 10 to 100 minutes, with 13 times the sets: "
            "10 minutes end before the first set of the second round.",
            "",
            *growth("minutes", (1, 10, 100), lengths),
            "With ten times the sets in ten times the length: of the 100 minutes the rest is not marked.",
            "",
            *growth("minutes", (10, 100), even),
            "## By sensors",
            "",
            "Ten minutes; one sensor on every place there is makes seven.",
            "",
            *growth("sensors", worn, sensors),
            "## By sets",
            "",
            "Twenty minutes of four sensors, with a quarter of the sets marked and with all.",
            "",
            *growth("sets", [own["sets"] for own in marked], marked),
            "## Live",
            "",
            f"A push of four sensors at 100 Hz, 30 times a second, takes {live['push_ms']:.2f} ms of CPU: "
            f"{live['core_pct']:.1f} % of a core.",
            "",
            "## Many recordings",
            "",
            cohort,
            "",
            "## What many recordings need",
            "",
            "Extrapolated, not measured: a recording of five minutes and four sensors takes "
            f"{cpu_s:.2f} s of CPU here with every file, and a cohort writes less. On machines of {MACHINE_WORKERS} "
            "cores, one worker each, with storage that keeps up (8 MB a recording as CSV):",
            "",
            "| recordings | 1 machine | 10 machines | 100 machines |",
            "|---|---|---|---|",
            *(
                f"| {count:,} | " + " | ".join(_span(count * cpu_s / MACHINE_WORKERS / n) for n in (1, 10, 100)) + " |"
                for count in (10**5, 10**7)
            ),
            "",
            "One folder is listed before the work begins; of ten million recordings, run `cohort` on one folder of "
            "them after the other.",
            "",
        ]
    )


def _span(seconds: float) -> str:
    hours = seconds / 3600
    return f"{60 * hours:.0f} min" if hours < 1.5 else f"{hours:.1f} h" if hours < 48 else f"{hours / 24:.1f} days"


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--quick", action="store_true", help="One repeat of each case.")
    parser.add_argument("--recordings", type=int, default=200, help="Of the cohort that is measured.")
    parser.add_argument("--one", nargs=2, help=argparse.SUPPRESS)
    parser.add_argument("--make", nargs=4, help=argparse.SUPPRESS)
    options = parser.parse_args()
    if options.make:
        minutes, sensors, share, folder = options.make
        make(float(minutes), int(sensors), float(share), Path(folder))
        return
    if options.one:
        print(json.dumps(one_case(Path(options.one[0]), int(options.one[1]))))
        return
    repeats = 1 if options.quick else 3
    cases = {}
    for minutes, sensors, share in CASES:
        print(f"{minutes} min, {sensors} sensors, {share:g} of the sets", flush=True)
        with tempfile.TemporaryDirectory() as scratch:
            folder = f"{scratch}/session"
            # Made by another process: what it takes is no part of the peak.
            asked = [str(minutes), str(sensors), str(share), folder]
            subprocess.run([sys.executable, __file__, "--make", *asked], check=True)
            command = [sys.executable, __file__, "--one", folder, str(repeats)]
            said = subprocess.run(command, check=True, stdout=subprocess.PIPE, text=True).stdout
        found = json.loads(said.splitlines()[-1])
        cases[(minutes, sensors, share)] = {**found, "all": sum(found[name] for name in STAGES)}
    command = [sys.executable, str(ROOT / "tests" / "benchmark_cohort.py"), "--recordings", str(options.recordings)]
    cohort = subprocess.run(command, check=True, stdout=subprocess.PIPE, text=True).stdout.strip()
    hours = longest()  # first: a process inherits the peak of the one that starts it
    PAGE.write_text(page(cases, live_push(), startup(2 * repeats + 1), hours, cohort), encoding="utf-8")


if __name__ == "__main__":
    main()
