"""How fluid the marking page is on a long recording: what the server takes, and how long each frame of the page waits.

A warm-up repeated to so many hours, five sensors at 100 Hz: python tests/benchmark_mark.py [hours]
"""

from __future__ import annotations

import resource
import shutil
import sys
import time
from dataclasses import replace
from pathlib import Path

import numpy as np
from mark_server import Marking
from playwright.sync_api import sync_playwright

from imu_shoulder.model import Recording, SensorStream
from imu_shoulder.simulate import simulate
from imu_shoulder.simulate.scenarios import find

# Times between painted frames while the view is panned and zoomed; its median and its worst 2 % are printed.
FRAMES = """async (wanted) => {
  const box = document.getElementById('lanes'), r = box.getBoundingClientRect(), times = [];
  let last = performance.now();
  for (let k = 0; k < wanted; k += 1) {
    const deltaX = k % 60 < 30 ? 40 : 0, deltaY = deltaX ? 0 : (k % 120 < 60 ? -60 : 60);
    const at = { clientX: r.left + r.width / 3, clientY: r.top + 50, cancelable: true };
    box.dispatchEvent(new WheelEvent('wheel', { deltaX, deltaY, ...at }));
    await new Promise((done) => requestAnimationFrame(done));
    times.push(performance.now() - last);
    last = performance.now();
  }
  times.sort((a, b) => a - b);
  const [middle, most] = [0.5, 0.98].map((share) => times[Math.floor(times.length * share)].toFixed(0));
  return `median ${middle} ms, 98 % under ${most} ms`;
}"""


def repeated(recording: Recording, hours: float) -> Recording:
    """The recording one after the other until it is so long; its marks too."""
    first = next(iter(recording.streams.values()))
    length_s = float(np.ptp(first.time_s)) + 1.0 / first.declared_rate_hz
    times = int(hours * 3600 / length_s)

    def long(stream: SensorStream) -> SensorStream:
        shift_s = np.repeat(np.arange(times) * length_s, len(stream.time_s))
        rows = {name: np.tile(getattr(stream, name), (times, 1)) for name in ("acc_m_s2", "gyr_rad_s")}
        return replace(stream, time_s=np.tile(stream.time_s, times) + shift_s, **rows)

    streams = {name: long(stream) for name, stream in recording.streams.items()}
    sets = [event for event in recording.events if event.trial_type == "set"]
    events = [replace(event, onset_s=event.onset_s + k * length_s) for k in range(min(times, 20)) for event in sets]
    calibration = [event for event in recording.events if event.trial_type != "set"]
    return replace(recording, streams=streams, events=(*calibration, *events))


def main(hours: float, folder: Path) -> None:
    scenario = find("clean_warm_up")
    placements = ("right_wrist", "right_upper_arm", "left_wrist", "left_upper_arm", "sternum")
    recording = repeated(simulate(replace(scenario, placements=placements), seed=7).recording, hours)
    rows = {name: len(stream.time_s) for name, stream in recording.streams.items()}
    print(f"{hours:g} h, {len(rows)} sensors, {max(rows.values())} rows each, {len(recording.events)} marks")
    shutil.rmtree(folder, ignore_errors=True)
    folder.mkdir(parents=True)
    from imu_shoulder.sources.events import events_tsv

    (folder / "events.tsv").write_text(events_tsv(recording.events))
    with Marking(folder, recording=recording) as running, sync_playwright() as playwright:
        began = time.perf_counter()
        browser = playwright.chromium.launch(
            executable_path=shutil.which("chromium"), args=["--no-sandbox", "--disable-gpu"]
        )
        page = browser.new_page(viewport={"width": 1440, "height": 900})
        sizes: list[int] = []
        page.on(
            "response",
            lambda answer: (
                sizes.append(int(answer.headers.get("content-length", 0))) if "/curves/" in answer.url else None
            ),
        )
        page.goto(running.url)
        page.wait_for_selector("body[data-stage=marks]", timeout=3_600_000)
        print(f"marks can be dragged after {time.perf_counter() - began:.1f} s")
        print(f"frames while angles are worked out: {page.evaluate(FRAMES, 240)}")
        while running.work.state()["stage"]:
            page.wait_for_timeout(200)
        print(f"angles are there after {time.perf_counter() - began:.1f} s")
        page.wait_for_timeout(2000)
        for what in ("first", "again"):
            print(f"frames while panned and zoomed, {what}: {page.evaluate(FRAMES, 600)}")
        print(f"{len(sizes)} parts of curves, {sum(sizes) / 1e6:.2f} MB in all, the largest {max(sizes) / 1e3:.0f} kB")
        begun = time.perf_counter()
        for number in range(200):
            running.work.tile("elevation_deg", 0, number)
        print(f"a part of a curve is made in {1000 * (time.perf_counter() - begun) / 200:.2f} ms")
        browser.close()
    print(f"most memory of the server: {resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1e6:.2f} GB")


if __name__ == "__main__":
    main(
        float(sys.argv[1]) if len(sys.argv) > 1 else 2.0, Path(sys.argv[2] if len(sys.argv) > 2 else "../long/marking")
    )
