"""Measures the live page: from a sample to the drawn pixel in Chromium, frames lost, the server's share of a core.

    python tests/benchmark_live.py [--seconds 60]

The server is a process of its own with the real engine, fed with four simulated sensors at 100 Hz in steps of 33 ms,
each of which makes a frame. A frame carries the wall time at which its newest samples came; the page says when it has
drawn the frame's values (in the animation frame) and when the browser had finished (a message posted in it is handled
after painting). Both clocks are the machine's own, so they can be compared. median_ms, p99_ms, worst_ms are of every
single sample, from when it was due by its own clock: the wait for its step is in them. What the common grid
waits for (seven samples more, of 100 Hz on 50) and what a display adds is not. not_drawn counts frames whose values
never came onto the page. CPU is that of the server's process alone, from the operating system, with one page open;
playing the recording and writing the log are in it.
"""

from __future__ import annotations

import argparse
import json
import os
import shutil
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import numpy as np

PORT = 8239
RATE_HZ = 100.0
TARGETS = {"median_ms": 25.0, "p99_ms": 60.0, "cpu_pct": 10.0}
TAP = """
window.drawn = [];
const channel = new MessageChannel();
const open = [];
channel.port1.onmessage = () => {
  const painted = performance.timeOrigin + performance.now();
  while (open.length) window.drawn.push([...open.shift(), painted]);
};
document.addEventListener("drawn", ({ detail }) => {
  open.push([detail.number, detail.sent_ms, detail.t, performance.timeOrigin + performance.now()]);
  channel.port2.postMessage(0);
});
"""


def serve(folder: Path) -> None:
    """The command itself, on a warm-up with four sensors at 100 Hz."""
    from dataclasses import replace

    from imu_shoulder.cli.live import _analyse
    from imu_shoulder.live.run import Settings, start
    from imu_shoulder.simulate import simulate
    from imu_shoulder.simulate.scenarios import ARMS, find

    scenario = replace(find("clean_warm_up"), placements=ARMS, rate_hz=RATE_HZ)
    settings = Settings(_analyse, print, {}, None, "full_can", folder, PORT, None)
    start(settings, simulate(scenario, seed=7).recording, "demo")


def cpu_s(pid: int) -> float:
    """User and system time of a process so far. Source: proc(5), fields 14 and 15 of /proc/PID/stat."""
    fields = Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()
    return (int(fields[11]) + int(fields[12])) / os.sysconf("SC_CLK_TCK")


def measure(seconds: float, skip_s: float) -> dict[str, float]:
    from playwright.sync_api import sync_playwright

    folder = Path(tempfile.mkdtemp()) / "session"
    server = subprocess.Popen([sys.executable, __file__, "--serve", str(folder)], stdout=subprocess.PIPE, text=True)
    try:
        while "Open http" not in (server.stdout.readline() if server.stdout else ""):
            pass
        with sync_playwright() as playwright:
            options = ["--no-sandbox", "--disable-gpu"]
            browser = playwright.chromium.launch(executable_path=shutil.which("chromium"), args=options)
            page = browser.new_page(viewport={"width": 1180, "height": 820})
            page.add_init_script(TAP)
            page.goto(f"http://127.0.0.1:{PORT}/")
            page.wait_for_selector("body:not([data-stage=wait])")
            time.sleep(skip_s)
            page.evaluate("window.drawn.length = 0")
            stage, before, began = page.evaluate("document.body.dataset.stage"), cpu_s(server.pid), time.monotonic()
            time.sleep(seconds)
            after, took = cpu_s(server.pid), time.monotonic() - began
            drawn = np.array(page.evaluate("window.drawn"))
            stage += f" to {page.evaluate('document.body.dataset.stage')}"
            browser.close()
    finally:
        server.terminate()
        server.wait(60)
    handed_ms, sample_ms = drawn[:, 4] - drawn[:, 1], _of_samples(drawn)
    numbers = drawn[:, 0]
    return {
        "stage": stage,
        "frames": len(drawn),
        "sent": int(numbers[-1] - numbers[0]) + 1,
        "not_drawn": int(numbers[-1] - numbers[0]) + 1 - len(drawn),
        "frames_per_s": round(len(drawn) / took, 1),
        "frame_median_ms": round(float(np.median(handed_ms)), 1),
        "median_ms": round(float(np.median(sample_ms)), 1),
        "p99_ms": round(float(np.quantile(sample_ms, 0.99)), 1),
        "worst_ms": round(float(sample_ms.max()), 1),
        "cpu_pct": round(100 * (after - before) / took, 1),
        "load_1_min": round(os.getloadavg()[0], 1),
    }


def _of_samples(drawn: np.ndarray) -> np.ndarray:
    """From when each sample was due to when it was painted, ms. drawn: of frames, as the page tells them.

    A step comes at the earliest when its newest sample is due: the earliest of all ties the samples' clock to the wall.
    """
    start_ms = float((drawn[:, 1] - 1e3 * drawn[:, 2]).min())
    ages = []
    for (_, _, t_s, _, painted_ms), before_s in zip(drawn[1:], drawn[:-1, 2], strict=True):
        earlier_s = np.arange(round((t_s - before_s) * RATE_HZ)) / RATE_HZ
        ages.append(painted_ms - start_ms - 1e3 * (t_s - earlier_s))
    return np.concatenate(ages)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--seconds", type=float, default=60.0)
    parser.add_argument("--skip", type=float, default=50.0, help="Seconds before measuring: calibration.")
    parser.add_argument("--serve", type=Path, help=argparse.SUPPRESS)
    options = parser.parse_args()
    if options.serve is not None:
        serve(options.serve)
        return
    found = measure(options.seconds, options.skip)
    for name, value in found.items():
        target = f"   at most {TARGETS[name]:g}" if name in TARGETS else ""
        print(f"{name:16} {value}{target}")
    print(json.dumps(found))


if __name__ == "__main__":
    main()
