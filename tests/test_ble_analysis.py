"""The analysis of a rough recording agrees with that of the clean one, away from what was lost."""

from __future__ import annotations

import numpy as np
from fake_bluez.node import NodeScript
from fake_bluez.offline import ZERO_NS, write_log

from imu_shoulder.ble.assemble import assemble
from imu_shoulder.log.entries import EventEntry
from imu_shoulder.log.records import read_log
from imu_shoulder.pipeline import analyse
from imu_shoulder.simulate import simulate
from imu_shoulder.simulate.scenarios import drill_scenario

PLACEMENTS = ("right_wrist", "right_upper_arm")
DRIFT_PPM = {"right_wrist": 40.0, "right_upper_arm": -40.0}


def entries(event):
    """What would have been typed for an event."""
    at_ns = ZERO_NS + round(event.onset_s * 1e9)
    yield EventEntry(at_ns, "start", event.trial_type, event.drill, event.side)
    yield EventEntry(at_ns + round(event.duration_s * 1e9), "stop")


def rough_copy(folder, clean, outage, reboot_s, bursts, seed):
    """The clean recording, as it comes out of the log of nodes that had a bad time."""
    scripts = []
    for number, placement in enumerate(PLACEMENTS):
        stream = clean.streams[placement]
        np.savez(folder / f"{placement}.npz", acc=stream.acc_m_s2, gyr=stream.gyr_rad_s)
        scripts.append(
            NodeScript(
                f"C0:00:00:00:00:{number:02X}",
                placement,
                rate_hz=round(stream.declared_rate_hz),
                drift_ppm=DRIFT_PPM[placement],
                loss=0.01,
                bursts=bursts,
                outages=(outage,) if placement == "right_upper_arm" else (),
                reboots=(reboot_s,) if placement == "right_wrist" else (),
                data=str(folder / f"{placement}.npz"),
                seed=seed,
            )
        )
    seconds = float(min(stream.time_s[-1] for stream in clean.streams.values()))
    typed = [entry for event in clean.events for entry in entries(event)]
    write_log(folder / "rough.log", scripts, seconds, typed)
    return assemble(read_log(folder / "rough.log"), "rough")


def compare(folder, seed: int) -> dict[str, float]:
    """Rep counts of both analyses, and by how much holds differ outside outage and restart."""
    scenario = drill_scenario("full_can", placements=PLACEMENTS, rate_hz=200.0, reps=6, hold_s=5.4)
    simulated = simulate(scenario, seed=seed)
    true = simulated.truth.reps
    # The outage takes most of the third rep, the restart falls into the fifth.
    outage = (true[2].start_s + 1.0, true[2].start_s + 6.0)
    reboot_s = true[4].top_start_s + 1.0
    bursts = ((true[0].start_s, true[1].end_s), (true[5].start_s, true[5].end_s))
    rough = rough_copy(folder, simulated.recording, outage, reboot_s, bursts, seed)
    clean_reps, rough_reps = (
        [own for s in analyse(recording).sets for own in s.judged if own.rep.kind == "rep"]
        for recording in (simulated.recording, rough.recording)
    )

    def undisturbed(reps):
        hurt = (outage, (reboot_s, reboot_s + 1.0))
        return [
            own
            for own in reps
            if all(own.rep.end_s < start - 0.5 or own.rep.start_s > end + 0.5 for start, end in hurt)
        ]

    pairs = list(zip(undisturbed(clean_reps), undisturbed(rough_reps), strict=False))
    holds_s = [abs(r.values["hold_s"] - c.values["hold_s"]) for c, r in pairs]
    return {
        "clean_reps": len(clean_reps),
        "rough_reps": len(rough_reps),
        "clean_undisturbed": len(undisturbed(clean_reps)),
        "rough_undisturbed": len(undisturbed(rough_reps)),
        "hold_s": max(holds_s),
        "start_s": max(abs(r.rep.start_s - c.rep.start_s) for c, r in pairs),
        "arc_deg": max(abs(r.rep.arc_deg - c.rep.arc_deg) for c, r in pairs),
    }


def test_a_rough_recording_is_analysed_like_the_clean_one(tmp_path):
    found = compare(tmp_path, seed=5)
    assert found["clean_reps"] == 6
    assert found["rough_undisturbed"] == found["clean_undisturbed"] == 4
    assert found["hold_s"] <= 0.1
    assert found["start_s"] <= 0.1
    assert found["arc_deg"] <= 2.0
