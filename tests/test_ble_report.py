"""From node to report: simulated arms wear simulated nodes, bleak records them, the analysis counts the reps."""

from __future__ import annotations

import csv
import signal
import subprocess
import sys

import numpy as np
import pytest
from fake_bluez.bus import fake_bluez, needs_dbus
from fake_bluez.node import NodeScript
from fake_bluez.session import COMMANDS, finish, start_recording, until_recorded
from waiting import GUARD_S, until

from imu_shoulder.log.host_clock import host_now_ns
from imu_shoulder.simulate import IDEAL_ATHLETE, Pause, Pose, Scenario, SetScript, simulate

pytestmark = [needs_dbus, pytest.mark.xdist_group("bluetooth report")]

PLACEMENTS = ("right_wrist", "right_upper_arm")
REPS = 2


def test_from_node_to_report(tmp_path):
    blocks = (
        Pause(9, "stand"),
        Pose(6),
        SetScript("overhead_short_arc", "right", reps=REPS, lift_s=1.2, lower_s=1.2, rest_s=0.6),
        Pause(2, "stand"),
    )
    simulated = simulate(Scenario(IDEAL_ATHLETE, blocks, PLACEMENTS, rate_hz=200.0), seed=2)
    streams = simulated.recording.streams
    for placement in PLACEMENTS:
        np.savez(tmp_path / f"{placement}.npz", acc=streams[placement].acc_m_s2, gyr=streams[placement].gyr_rad_s)
    scripts = [
        NodeScript(f"C0:00:00:00:00:{i:02X}", p, drift_ppm=30.0 - 60 * i, loss=0.005, data=str(tmp_path / f"{p}.npz"))
        for i, p in enumerate(PLACEMENTS)
    ]
    pose, working = (next(e for e in simulated.recording.events if e.trial_type == t) for t in ("neutral_pose", "set"))
    typed = [(pose.onset_s, "pose"), (working.onset_s, "set overhead right"), (working.end_s, "stop")]
    out = tmp_path / "session"
    with fake_bluez(scripts, tmp_path) as bluez:
        process = start_recording(bluez, out)
        # The nodes move by the host's clock, again and again: a recorder that starts late is there for the next round.
        round_s = len(streams[PLACEMENTS[0]].time_s) / 200.0
        zero_ns = bluez.zero_ns
        while host_now_ns() > zero_ns + pose.onset_s * 1e9:
            zero_ns += round(round_s * 1e9)
        for at_s, line in typed:
            at_ns = zero_ns + round(at_s * 1e9)
            until(lambda at_ns=at_ns: host_now_ns() >= at_ns, "the nodes move so far")
            process.stdin.write(line + "\n")
            process.stdin.flush()
        until_recorded(out, 2, 0.5, since_ns=host_now_ns(), typed=len(typed))
        said = finish(process, signal.SIGINT)
    assert process.returncode == 0, said
    report = tmp_path / "report"
    done = subprocess.run(
        [sys.executable, *COMMANDS, "analyse", out, "--out", report], capture_output=True, text=True, timeout=GUARD_S
    )
    assert done.returncode == 0, done.stdout + done.stderr
    with (report / "reps.csv").open() as file:
        rows = list(csv.DictReader(file))
    assert [row["drill"] for row in rows] == ["overhead_short_arc"] * REPS
    zero_s = pose.onset_s - float((out / "events.tsv").read_text().splitlines()[1].split("\t")[0])
    for row, true in zip(rows, simulated.truth.reps, strict=True):
        assert float(row["start_s"]) + zero_s == pytest.approx(true.start_s, abs=0.35)
        assert float(row["arc_deg"]) == pytest.approx(true.arc_deg, abs=6)
    assert (report / "report.html").exists()
