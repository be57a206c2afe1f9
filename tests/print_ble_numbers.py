"""Measure the numbers docs/validation.md states about recording: python tests/print_ble_numbers.py [PART ...]

Parts: fuzz, log, damage, kill, recorder-kill, throughput, alignment, sleep, rough, analysis. All: a quarter of an hour.
"""

from __future__ import annotations

import os
import random
import statistics
import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parent))

from fake_bluez.bus import fake_bluez
from fake_bluez.node import NodeScript
from fake_bluez.session import FIVE, account, finish, nodes, start_recording
from test_ble_analysis import compare
from test_ble_assemble import alignment_ms, rough_scripts
from test_ble_packet import fuzz
from test_ble_sleep import sleep_error_s
from test_log import flip_outcome, kill_outcome, truncation_outcome
from test_log_damage import damage_outcome

from imu_shoulder.log.entries import unpack_data
from imu_shoulder.log.host_clock import host_now_ns
from imu_shoulder.log.records import DATA, read_log

Row = tuple[str, str, str]


def cpu_s(pid: int) -> float:
    """Processor seconds a running process has used (Linux, proc(5), fields 14 and 15 of stat)."""
    fields = Path(f"/proc/{pid}/stat").read_text().rsplit(")", 1)[1].split()
    return (int(fields[11]) + int(fields[12])) / os.sysconf("SC_CLK_TCK")


def measure_fuzz(_: Path) -> Iterator[Row]:
    outcome = fuzz(1_000_000, seed=77)
    yield "packet parser, 10^6 random and mutated payloads", "only its own error", f"{outcome}, no other error"


def measure_log(_: Path) -> Iterator[Row]:
    yield "100 truncations of a log", "all before the cut is read", str(truncation_outcome(100, seed=78))
    outcomes = [flip_outcome(100, seed=seed) for seed in range(79, 84)]
    lost, false = max(o["most_lost"] for o in outcomes), sum(o["false_records"] for o in outcomes)
    yield "5 x 100 single bit flips", "none accepted, at most 1 lost each", f"{false} accepted, at most {lost} lost"


def measure_damage(_: Path) -> Iterator[Row]:
    found = damage_outcome(60, 5, seed=700)
    text = (
        f"{found['moved']}; {found['samples']} samples recovered, largest {found['worst_us'] / 1e3:.2f} ms; "
        f"{found['untimed']} left out for their time, {found['refused']} refused"
    )
    yield f"{found['logs']} logs damaged at random: with a sample over 3 ms off its true time", "0", text


def measure_kill(folder: Path) -> Iterator[Row]:
    rng = random.Random(80)
    outcomes = [kill_outcome(folder / f"{turn}.log", rng.randint(50, 500)) for turn in range(50)]
    short = sum(max(0, o["acknowledged"] - o["read"]) for o in outcomes)
    missing = [o["missing_s"] for o in outcomes]
    yield "kill -9 of the log writer, 50 times, 1000 records/s: acknowledged but unreadable", "0", f"{short}"
    yield (
        "same: newest data missing",
        "at most 0.2 s",
        f"median {statistics.median(missing):.3f}, worst {max(missing):.3f} s",
    )


def measure_recorder_kill(folder: Path) -> Iterator[Row]:
    rng = random.Random(81)
    missing, out = [], folder / "killed"
    with fake_bluez(nodes(2, payload_bytes=20), folder) as bluez:
        for _ in range(50):
            process = start_recording(bluez, out)
            time.sleep(rng.uniform(0.2, 1.5))
            killed_ns = host_now_ns()
            process.kill()
            process.communicate()
            data = [unpack_data(r.payload) for r in read_log(folder / "killed.log").records if r.kind == DATA]
            newest = [max(arrival_ns for node, arrival_ns, _ in data if node == n) for n in (0, 1)]
            missing.append((killed_ns - min(newest)) / 1e9)
        finish(start_recording(bluez, out))
        truth = bluez.truth()
    account_lost = sum(n["counts"].get("lost", 0) for n in truth["nodes"])
    worst = f"median {statistics.median(missing):.3f}, worst {max(missing):.3f} s; {account_lost} lost by the script"
    yield "kill -9 of the recorder, 50 times in one log, 2 nodes: newest data missing", "at most 0.2 s", worst


def _throughput(folder: Path, scripts: list[NodeScript], seconds: float) -> str:
    folder.mkdir()
    out = folder / "session"
    with fake_bluez(scripts, folder) as bluez:
        process = start_recording(bluez, out)
        time.sleep(2)
        begin, used = time.monotonic(), cpu_s(process.pid)
        time.sleep(seconds)
        share = (cpu_s(process.pid) - used) / (time.monotonic() - begin)
        said = finish(process)
        truth = bluez.truth()
    assert process.returncode == 0, said
    reports = account(out, truth)
    heard = sum(report["packets"] for report in reports.values())
    scripted = sum(node["counts"].get("lost", 0) for node in truth["nodes"])
    lost = sum(report["lost"] for report in reports.values())
    return f"{heard} packets, {scripted} dropped by the script, {lost} counted lost; CPU {100 * share:.1f} % of a core"


def measure_throughput(folder: Path) -> Iterator[Row]:
    goal = "nothing lost but by the script, CPU under 25 %"
    for payload in (244, 20):
        scripts = nodes(5, payload_bytes=payload, loss=0.002)
        found = _throughput(folder / str(payload), scripts, 60.0)
        yield f"5 nodes x 200 Hz for 60 s, payload {payload} bytes", goal, found
    scripts = nodes(4, payload_bytes=20, rate_hz=500, loss=0.002)
    yield "4 nodes x 500 notifications/s for 20 s", goal, _throughput(folder / "fast", scripts, 20.0)


def measure_alignment(folder: Path) -> Iterator[Row]:
    for payload in (20, 244):
        found = [alignment_ms(folder, seed, payload_bytes=payload) for seed in range(100, 110 if payload > 20 else 103)]
        p95, worst = max(f["p95"] for f in found), max(f["worst"] for f in found)
        text = f"worst of {len(found)} recordings: p95 {p95:.2f} ms, largest {worst:.2f} ms"
        yield f"alignment without a bus, payload {payload} bytes", "p95 within 3 ms", text


def measure_sleep(folder: Path) -> Iterator[Row]:
    for stands in (False, True):
        worst_ms = [
            1e3 * sleep_error_s(folder, at_s, seconds, stands, heard)
            for at_s, seconds in ((12.0, 40.0), (18.0, 40.0), (38.0, 60.0), (98.0, 120.0))
            for heard in (True, False)
        ]
        what = f"a computer that slept 20 s, its clock {'standing still' if stands else 'running on'}"
        yield what, "no sample over 5 ms off", f"largest of {len(worst_ms)} recordings {max(worst_ms):.2f} ms"


def measure_rough(folder: Path) -> Iterator[Row]:
    out = folder / "session"
    with fake_bluez(rough_scripts(seed=7, seconds=65.0), folder) as bluez:
        process = start_recording(bluez, out)
        time.sleep(max(0.0, 65.0 - (host_now_ns() - bluez.zero_ns) / 1e9))
        said = finish(process)
        truth = bluez.truth()
    assert process.returncode == 0, said
    reports = account(out, truth)
    errors = 1e3 * np.abs(np.concatenate([reports[p]["errors_s"] for p in FIVE]))
    text = f"p95 {np.quantile(errors, 0.95):.2f} ms, largest {errors.max():.2f} ms"
    yield "alignment over the bus: 1 % loss, 5 s outage, restart, +-40 ppm, 30-50 ms bursts", "p95 within 3 ms", text


def measure_analysis(folder: Path) -> Iterator[Row]:
    found = []
    for seed in range(5, 15):
        (folder / str(seed)).mkdir()
        found.append(compare(folder / str(seed), seed))
    same = sum(f["clean_undisturbed"] == f["rough_undisturbed"] for f in found)
    holds, arcs = max(f["hold_s"] for f in found), max(f["arc_deg"] for f in found)
    text = f"reps equal in {same} of {len(found)}; holds within {holds:.3f} s, arcs within {arcs:.1f} deg"
    yield (
        "analysis of 10 rough recordings against the clean ones, outside outage and restart",
        "reps equal, holds 0.1 s",
        text,
    )


PARTS: dict[str, Callable[[Path], Iterator[Row]]] = {
    "fuzz": measure_fuzz,
    "log": measure_log,
    "damage": measure_damage,
    "kill": measure_kill,
    "recorder-kill": measure_recorder_kill,
    "throughput": measure_throughput,
    "alignment": measure_alignment,
    "sleep": measure_sleep,
    "rough": measure_rough,
    "analysis": measure_analysis,
}

if __name__ == "__main__":
    print("| what | asked for | measured |\n|---|---|---|")
    for part in sys.argv[1:] or PARTS:
        with tempfile.TemporaryDirectory() as scratch:
            for row in PARTS[part](Path(scratch)):
                print("| " + " | ".join(row) + " |", flush=True)
