"""Prints what becomes of sessions in which one sensor lies: python tests/print_sensor_faults.py --seeds 3

Every kind of fault of `sensor_faults` is put into one sensor of a session of each simulator, and of the open sessions
of two persons where they are there. `blamed`: recordings in which an athlete is blamed for what neither the sound
recording nor the one without that sensor shows. `lost`: those that miss reps, and nothing says that they were not seen.
`--sound`: of as many sessions of sound sensors, each of another kind of person, drill and sensor, nothing may be told.
"""

from __future__ import annotations

import argparse
import sys
from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pandas as pd
from second_simulator import SetPlan, calmed, perform, person, session
from sensor_faults import BY_SIZE, SENSOR_FAULTS, SensorFault, same_arm
from sensor_harms import starts_late
from sound_sessions import sound_sessions

from imu_shoulder.align import align_recording
from imu_shoulder.analysis import Analysis
from imu_shoulder.drills import shipped_ids
from imu_shoulder.errors import ShoulderError
from imu_shoulder.findings import KINDS
from imu_shoulder.model import Event, Finding, Recording, SensorStream
from imu_shoulder.pipeline import analyse
from imu_shoulder.simulate import simulate
from imu_shoulder.simulate.scenarios import drill_scenario

OPEN_SESSIONS = Path(__file__).parents[1].parent / "shared" / "data" / "physical_therapy"
LIMBS = ("right_wrist", "right_upper_arm", "left_wrist", "left_upper_arm")
TALLIED = ("tried", "found", "refused", "accused", "blamed", "lost")
# What says of a sensor that something is wrong with it, or with how it sits.
ACCUSES = {
    *("zero_rows", "repeated_rows", "accelerometer_off", "gyroscope_scale", "axes_wrong", "clocks_apart"),
    *("clock_unknown", "starts_late", "ends_early", "constant_channel", "stuck_channel", "gravity_off"),
    *("axes_disagree", "sensor_slip", "swapped_segments", "swapped_sides", "not_on_limb", "implausible_angle"),
    *("accelerometer_upside_down", "clipping", "mirrored_arm", "range_wrapped"),
    *("axes_changed", "instruments_disagree", "noisy", "coarse", "filled_rows", "same_data"),
} & set(KINDS)
# What is no word against the sensor, and is looked for in its words.
OF_THE_DATA = {"gap", "gaps", "bridged", "jitter", "duplicates", "reordered", "clock_set_back"}
# What is told of sound sensors too, in its unit: by so much more it has to be.
TOLD_OF_SOUND = {"accelerometer_zero": 0.1, "spikes": 5.0, "gyr_offset": 1.0}


def of_one(seed: int) -> Recording:
    drill = shipped_ids()[seed % len(shipped_ids())]
    side = ("right", "left")[seed % 2]
    return simulate(drill_scenario(drill, side, placements=(*LIMBS, "sternum"), reps=5), seed).recording


def of_two(seed: int) -> Recording:
    drill = shipped_ids()[seed % len(shipped_ids())]
    plan = SetPlan(drill, "both" if seed % 2 else "right", 5)
    return perform(session(calmed(person(seed, "table")), [plan], sternum=True, grade="usual"))[0]


def open_sessions(folder: Path) -> Iterator[tuple[str, Recording]]:
    """Without a pose: the marked stillness stands for it. The sensor on top of the shoulder is left aside."""
    for path in sorted(folder.glob("*.npz")):
        own = np.load(path)
        streams = {}
        for placement in ("right_wrist", "right_upper_arm", "sternum"):
            values = own[placement].astype(float)
            time_s = np.arange(len(values)) / 25.0
            streams[placement] = SensorStream(placement, time_s, values[:, :3], values[:, 3:6], 25.0)
        pose = Event(float(own["still_s"][0]), float(np.ptp(own["still_s"])), "neutral_pose")
        sets = [Event(float(a), float(b - a), "set", None, "right") for a, b in own["set_s"]]
        events = tuple(sorted([pose, *sets], key=lambda event: event.onset_s))
        yield path.stem, Recording(path.stem, "open", "2014-01-01", streams, events)


@dataclass(frozen=True, slots=True)
class Answer:
    """analysis: None where the recording was refused, with what was said, or was not analysed, with what was told."""

    analysis: Analysis | None
    said: str = ""
    told: tuple[Finding, ...] = ()

    @property
    def findings(self) -> list[Finding]:
        if self.analysis is None:
            return list(self.told)
        return [*self.analysis.aligned.findings, *self.analysis.findings]

    def accusing(self) -> set[tuple[str, str]]:
        return {(f.placement, f.code) for f in self.findings if f.code in ACCUSES}

    def telling(self, sound: Answer) -> set[tuple[str, str]]:
        """What is told and was not told of the sound recording. Some of it is told of sound sensors too, if less."""
        before = {(f.placement, f.code): f.value or 0.0 for f in sound.findings if f.code in TOLD_OF_SOUND}
        told = {
            (f.placement, f.code)
            for f in self.findings
            if f.code in TOLD_OF_SOUND
            and (f.value or 0.0) - before.get((f.placement, f.code), 0.0) > TOLD_OF_SOUND[f.code]
        }
        return told | (self.accusing() - sound.accusing())

    def noting(self, sound: Answer) -> set[tuple[str, str]]:
        """What is told of the data itself, such as missing rows, in other words than of the sound recording."""
        before = {(f.placement, f.text) for f in sound.findings}
        return {(f.placement, f.code) for f in self.findings if (f.placement, f.text) not in before} - self.accusing()


def answer(recording: Recording) -> Answer:
    try:
        return Answer(analyse(recording))
    except ShoulderError as error:
        return Answer(None, str(error))


def aligned(recording: Recording) -> Answer:
    """What is told before anything is worked out."""
    try:
        return Answer(None, told=align_recording(recording).findings)
    except ShoulderError as error:
        return Answer(None, str(error))


def blamed(own: Analysis, sound: list[Analysis]) -> int:
    """Sets of an arm with a fault that none of the sound ones has in an overlapping rep."""
    count = 0
    for found in own.sets:
        key = (found.arm_set.number, found.arm_set.side)
        others = [j for a in sound for s in a.sets if (s.arm_set.number, s.arm_set.side) == key for j in s.judged]
        count += any(
            set(j.faults)
            - {f for o in others if o.rep.end_s > j.rep.start_s and o.rep.start_s < j.rep.end_s for f in o.faults}
            for j in found.judged
            if not j.excluded
        )
    return count


def lost(own: Analysis, sound: Analysis) -> int:
    """Sets of an arm with fewer reps, done or not scored, than the sound one has, and nothing unseen in it."""
    count = 0
    for found in sound.sets:
        key = (found.arm_set.number, found.arm_set.side)
        mine = next((s for s in own.sets if (s.arm_set.number, s.arm_set.side) == key), None)
        if mine is None or mine.arm_set.unseen:
            continue
        count += _reps(mine) < _reps(found)
    return count


def _reps(found: object) -> int:
    return sum(j.rep.kind == "rep" for j in found.judged)  # type: ignore[attr-defined]


def try_out(fault: SensorFault, recording: Recording, placement: str, sound: Answer) -> Counter[str]:
    assert sound.analysis is not None
    got = answer(fault(recording, placement))
    tally: Counter[str] = Counter(tried=1)
    words = placement.replace("_", " ")
    if got.analysis is None:
        told = "refused" in fault.outcomes or ("clipping" in fault.codes and "end of its range" in got.said)
        tally["found"] = told and (placement in got.said or words in got.said)
        tally["refused"] = 1
        return tally
    new = got.accusing() - sound.accusing()
    theirs = same_arm(placement) if fault.of_both else (placement,)
    told = got.telling(sound) | {found for found in got.noting(sound) if found[1] in OF_THE_DATA}
    tally["found"] = any(p in theirs and code in fault.codes for p, code in told)
    tally["accused"] = any(p not in theirs for p, code in new)
    bare = {p: s for p, s in recording.streams.items() if p not in fault.who(placement)}
    without = answer(Recording(recording.name, "", "", bare, recording.events))
    baselines = [a.analysis for a in (sound, without) if a.analysis is not None]
    tally["blamed"] = blamed(got.analysis, baselines) > 0
    tally["lost"] = lost(got.analysis, min(baselines, key=lambda a: sum(map(_reps, a.sets)))) > 0
    return tally


def tables(recordings: list[tuple[str, Recording]], only: str | None = None) -> tuple[pd.DataFrame, list[str]]:
    rows, alarms = [], []
    sounds = [(name, recording, answer(recording)) for name, recording in recordings]
    for name, _, sound in sounds:
        if sound.analysis is None:
            alarms.append(f"{name}: {sound.said}")
        alarms += [f"{name}: {placement} {code}" for placement, code in sorted(sound.accusing())]
    for fault in SENSOR_FAULTS.values():
        if only is not None and only not in fault.name:
            continue
        tally: Counter[str] = Counter()
        for k, (name, recording, sound) in enumerate(sounds):
            # What has its pose behind the sets misses nothing in front of them.
            if sound.analysis is None or (fault.harm is starts_late and recording.events[0].trial_type == "set"):
                continue
            limbs = [p for p in recording.streams if p in LIMBS]
            # Every kind in every place: another one first each time.
            placement = limbs[(k + len(rows)) % len(limbs)]
            if not fault.changes(recording, placement):
                continue
            own = try_out(fault, recording, placement, sound)
            tally.update(own)
            if only is not None:
                print(name, placement, dict(own), file=sys.stderr)
        rows.append({"fault": fault.name, **{key: tally[key] for key in TALLIED}})
    total = {key: sum(row[key] for row in rows) for key in TALLIED}
    rows.append({"fault": "all", **total})
    for row in rows:
        row["found %"] = round(100.0 * row["found"] / max(1, row["tried"]), 1)
    return pd.DataFrame(rows), alarms


def curve(recordings: list[tuple[str, Recording]]) -> pd.DataFrame:
    """How often a fault of each size is told of the sensor that has it, in a limb sensor of each recording."""
    rows = []
    sounds = [aligned(recording) for _, recording in recordings]
    for name, unit, harm, sizes, codes in BY_SIZE:
        for size in sizes:
            fault = SensorFault(name, harm(size), frozenset(codes.split()), frozenset(), of_both="clock" in codes)
            tried = found = 0
            for k, (_, recording) in enumerate(recordings):
                limbs = [p for p in recording.streams if p in LIMBS]
                placement = limbs[k % len(limbs)]
                theirs = same_arm(placement) if fault.of_both else (placement,)
                told = aligned(fault(recording, placement)).telling(sounds[k])
                tried += 1
                found += any(p in theirs and code in fault.codes for p, code in told)
            rows.append(
                {"fault": name, "size": f"{size:g} {unit}", "tried": tried, "found %": round(100.0 * found / tried)}
            )
    return pd.DataFrame(rows)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seeds", type=int, default=4)
    parser.add_argument("--first", type=int, default=0)
    parser.add_argument("--sound", type=int, default=0, help="so many sessions of sound_sessions.py")
    parser.add_argument("--only")
    parser.add_argument("--open-sessions", type=Path, default=OPEN_SESSIONS)
    options = parser.parse_args()
    seeds = range(options.first, options.first + options.seeds)
    recordings = [(f"one {seed}", of_one(seed)) for seed in seeds] + [(f"two {seed}", of_two(seed)) for seed in seeds]
    recordings += list(open_sessions(options.open_sessions))
    table, alarms = tables(recordings, options.only)
    sound = len(recordings)
    if options.sound:
        for name, recording in sound_sessions(seeds.stop, options.sound):
            told = aligned(recording)
            alarms += [f"{name}: {placement} {code}" for placement, code in sorted(told.accusing())]
            alarms += [f"{name}: {told.said}"] if told.said else []
            sound += 1
    print(table.to_markdown(index=False))
    print()
    if options.only is None:
        print(curve(recordings).to_markdown(index=False))
        print()
    print(pd.DataFrame([{"sound recordings": sound, "alarms": len(alarms)}]).to_markdown(index=False))
    for line in alarms:
        print(f"    {line}")


if __name__ == "__main__":
    main()
