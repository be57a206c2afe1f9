"""Prints how soon and how truly a live session tells what a file analysis finds: python tests/print_live_numbers.py

Every recording of drills in recordings/ is replayed in chunks of 40 ms; figures are against the file analysis
of the same recording. --hours 2 replays for that long in chunks of half a second and prints the memory meanwhile.
"""

from __future__ import annotations

import argparse
import resource
import time
from collections.abc import Iterator
from dataclasses import dataclass, field, replace
from pathlib import Path

import numpy as np

from imu_shoulder.live.paced_replay import TICK_S
from imu_shoulder.live.replay import Replayed, plan_for_recording, run, without_range_tests
from imu_shoulder.live.session import LiveSession
from imu_shoulder.model import Recording, SensorStream
from imu_shoulder.pipeline import analyse
from imu_shoulder.sources import Chunk, RecordingSource
from imu_shoulder.sources.folder import read_recording

RECORDINGS = Path(__file__).parents[1] / "recordings"
CHUNK_S = 0.04
# Memory is looked at after the first of these, then every so often.
FIRST_S, EVERY_S = 300.0, 900.0


@dataclass
class Heard:
    """What the frames said: when each count and each hold began, by set and side."""

    counted_s: dict[tuple[int, str], list[float]] = field(default_factory=dict)
    held_s: dict[tuple[int, str], list[float]] = field(default_factory=dict)
    longest_s: dict[tuple[int, str], list[float]] = field(default_factory=dict)
    frozen: dict[str, str] = field(default_factory=dict)
    changed: list[str] = field(default_factory=list)
    sets: int = 0
    frames: int = 0
    _phases: dict[str, str] = field(default_factory=dict)

    def __call__(self, session: LiveSession) -> None:
        frame = session.frame()
        self.frames += 1
        for event in session.final_reps:
            if self.frozen.setdefault(event["id"], repr(event)) != repr(event):
                self.changed.append(event["id"])
        if frame["stage"] != "set":
            self._phases.clear()
            return
        number = 1 + sum(event.trial_type == "set" for event in session.recording()[:-1])
        for side, arm in frame["arms"].items():
            key = (number, side)
            counted, held, longest = (
                table.setdefault(key, []) for table in (self.counted_s, self.held_s, self.longest_s)
            )
            counted += [frame["t"]] * (arm["counted"] - len(counted))
            if arm["held_s"] is not None and longest:
                longest[-1] = arm["held_s"]
            if arm["phase"] == "hold":
                if self._phases.get(side) != "hold":
                    held.append(frame["t"])
                    longest.append(0.0)
                longest[-1] = arm["hold_s"]
            self._phases[side] = arm["phase"]


def replayed(recording: Recording, chunk_s: float = CHUNK_S) -> tuple[LiveSession, Heard, float]:
    """The session after its last chunk, what its frames said, and the processor time of a second of data, s."""
    source = RecordingSource(recording, chunk_s)
    session = LiveSession(plan_for_recording(recording, {}), {}, source.rates_hz)
    heard = Heard()
    began = time.process_time()
    run(source, session, each=heard)
    return session, heard, (time.process_time() - began) / (session.now_s or 1.0)


def compare(recording: Recording, session: LiveSession, heard: Heard) -> Iterator[dict[str, object]]:
    """Per arm's set: counts, delays from the file's own times to what the frames said, differences of holds, in s."""
    for found in analyse(recording).sets:
        arm_set = found.arm_set
        if arm_set.role == "hold" or arm_set.counted_only:
            continue
        key = (arm_set.number, arm_set.side)
        reps = [judged for judged in found.judged if judged.rep.kind == "rep"]
        live = [e for e in session.final_reps if (e["set"], e["side"]) == key and e["kind"] == "rep"]
        same = len(reps) == len(live)
        holding = arm_set.drill is not None and arm_set.drill.top.hold_s > 0 and len(arm_set.drill.stations) == 1
        begun = np.array(heard.held_s.get(key, []))
        shown = np.array(heard.longest_s.get(key, []))
        arrivals, lasted = [], []
        for judged in reps if holding else []:
            near = np.flatnonzero((begun > judged.rep.top_start_s - 1.0) & (begun < judged.rep.top_end_s))
            if len(near):
                arrivals.append(float(begun[near[0]]) - judged.rep.top_start_s)
                lasted.append(float(shown[near].max()) - judged.values["hold_s"])
        yield {
            "set": arm_set.number,
            "side": arm_set.side,
            "drill": "" if arm_set.drill is None else arm_set.drill.id,
            "file": len(reps),
            "live": len(live),
            "clean": not any(judged.faults or judged.excluded for judged in found.judged),
            "counted": [t - j.rep.end_s for t, j in zip(heard.counted_s.get(key, []), reps, strict=False)],
            "final": [e["known_s"] - j.rep.end_s for e, j in zip(live, reps, strict=True)] if same else [],
            "arrived": arrivals,
            "shown": lasted,
            "held": [e["hold_s"] - j.values["hold_s"] for e, j in zip(live, reps, strict=True)] if same else [],
        }


def _p(values: list[float], share: float) -> str:
    return f"{np.percentile(values, share):6.2f}" if values else "     -"


def print_recordings() -> None:
    for folder in sorted(path for path in RECORDINGS.iterdir() if path.is_dir()):
        recording, _ = without_range_tests(read_recording(folder))
        if not any(event.trial_type == "set" for event in recording.events):
            continue
        session, heard, cost = replayed(recording)
        print(f"{folder.name}: {100 * cost:.1f} % of a core, {len(recording.streams)} sensors at 50 Hz, 25 frames a s")
        print(f"  final events that changed: {len(heard.changed)} of {len(heard.frozen)}")
        print("  set side  drill                        file live | p95 of delays, s            | median error, s")
        print("                                                   | counted  final  hold begins | hold   hold as shown")
        for row in compare(recording, session, heard):
            delays = [_p(row[name], 95) for name in ("counted", "final", "arrived")]  # type: ignore[arg-type]
            errors = [_p(row[name], 50) for name in ("held", "shown")]  # type: ignore[arg-type]
            print(
                f"  {row['set']:3} {row['side']:5} {row['drill']:28} {row['file']:4} {row['live']:4} | "
                f"{delays[0]}  {delays[1]}  {delays[2]}      | {errors[0]}  {errors[1]}{'' if row['clean'] else '  *'}"
            )
    print("* some reps of the set carry faults or could not be scored")


def print_cost(rate_hz: float = 100.0) -> None:
    """Four sensors, push and frame {1 / TICK_S:.0f} times a second."""
    from imu_shoulder.simulate import simulate
    from imu_shoulder.simulate.scenarios import drill_scenario

    worn = ("right_wrist", "right_upper_arm", "left_wrist", "left_upper_arm")
    recording = simulate(drill_scenario("band_loop_raise", placements=worn, rate_hz=rate_hz, reps=4), seed=4).recording
    source = RecordingSource(recording, TICK_S)
    session = LiveSession(plan_for_recording(recording, {}), {}, source.rates_hz)
    told = Replayed(session)
    spent = {"calibrate": 0.0, "set": 0.0}
    lasted = dict.fromkeys(spent, 0.0)
    for chunk in source.chunks():
        began = time.process_time()
        session.push(chunk.streams)
        session.frame()
        name = "set" if session.stage == "set" else "calibrate"
        spent[name] += time.process_time() - began
        lasted[name] += TICK_S
        told.passed()
        for event in chunk.events:
            told.begun(event)
    shares = ", ".join(f"{100 * spent[name] / lasted[name]:.1f} % ({name})" for name in spent)
    print(f"4 sensors at {rate_hz:g} Hz, push and frame {1 / TICK_S:.0f} times a second: {shares} of a core")


def _later(stream: SensorStream, by_s: float) -> SensorStream:
    return replace(stream, time_s=stream.time_s + by_s)


def endless(recording: Recording, chunk_s: float, hours: float) -> Iterator[Chunk]:
    """The recording over and over, its clock running on."""
    length_s = max(float(s.time_s[-1]) for s in recording.streams.values()) + 0.02
    for turn in range(int(np.ceil(3600 * hours / length_s))):
        by_s = turn * length_s
        for chunk in RecordingSource(recording, chunk_s).chunks():
            streams = {placement: _later(stream, by_s) for placement, stream in chunk.streams.items()}
            events = chunk.events if turn == 0 else [e for e in chunk.events if e.trial_type == "set"]
            yield Chunk(streams, tuple(replace(event, onset_s=event.onset_s + by_s) for event in events))


def print_memory(hours: float) -> None:
    recording = read_recording(RECORDINGS / "clean_warm_up")
    session = LiveSession(plan_for_recording(recording, {}), {}, RecordingSource(recording).rates_hz)
    told = Replayed(session)
    due_s, first_mb, peak_mb = FIRST_S, 0.0, 0.0
    for chunk in endless(recording, 0.5, hours):
        session.push(chunk.streams)
        session.frame()
        told.passed()
        for event in chunk.events:
            told.begun(event)
        if session.now_s >= due_s:
            peak_mb = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
            first_mb = first_mb or peak_mb
            print(f"{session.now_s / 60:6.0f} min: {peak_mb:.1f} MB at most, {len(session.final_reps)} reps")
            due_s += EVERY_S
    print(f"grown since the first {FIRST_S / 60:.0f} minutes: {peak_mb - first_mb:.1f} MB")


if __name__ == "__main__":
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--hours", type=float, default=0.0, help="replay for so long and print the memory")
    parser.add_argument("--cost", action="store_true", help="print only what 4 sensors at 100 Hz cost")
    asked = parser.parse_args()
    if asked.hours:
        print_memory(asked.hours)
    elif asked.cost:
        print_cost()
    else:
        print_recordings()
        print_cost()
