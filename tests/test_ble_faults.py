"""What a gym does to a recording: nodes out of reach, restarted or silent, a killed recorder, a full disk."""

from __future__ import annotations

import json
import signal
from dataclasses import replace

import numpy as np
import pytest
from fake_bluez.bus import fake_bluez, needs_dbus
from fake_bluez.session import FIVE, account, arrivals, finish, nodes, start_recording, until_recorded
from waiting import GUARD_S

from imu_shoulder.ble.recover import recover
from imu_shoulder.log.host_clock import host_now_ns
from imu_shoulder.sources.folder import read_recording

pytestmark = [needs_dbus, pytest.mark.xdist_group("bluetooth faults")]


def test_outage_restart_and_silence(tmp_path):
    scripts = nodes(3, from_first_start=True)
    scripts[0] = replace(scripts[0], outages=((2.0, 4.5),))
    scripts[1] = replace(scripts[1], reboots=(3.0,))
    scripts[2] = replace(scripts[2], silences=((2.0, 5.0),))
    out = tmp_path / "session"
    with fake_bluez(scripts, tmp_path) as bluez:
        process = start_recording(bluez, out)
        until_recorded(out, 3, 9.0)
        said = finish(process, signal.SIGTERM)
        truth = bluez.truth()
    assert process.returncode == 0, said
    assert "connects_at_once" not in truth["counts"]
    reports = account(out, truth)
    assert reports["right_wrist"]["outages"][0][1] - reports["right_wrist"]["outages"][0][0] > 2.0
    assert reports["right_upper_arm"]["boots"] == 2
    assert len(reports["left_wrist"]["outages"]) == 1  # the watchdog ended the silent connection and made a new one
    for placement in FIVE[:3]:
        assert np.abs(reports[placement]["errors_s"]).max() < 0.02
        assert read_recording(out).streams[placement].time_s[-1] > 7


def test_kill_recover_and_continue(tmp_path):
    """kill -9, and the same command goes on in the same log; recover reads it at any time."""
    out = tmp_path / "session"
    log = tmp_path / "session.log"
    with fake_bluez(nodes(2), tmp_path) as bluez:
        process = start_recording(bluez, out)
        until_recorded(out, 2, 1.5)
        in_log = arrivals(out)
        process.kill()
        process.communicate()
        found = recover(log, tmp_path / "first", keep_log=True)
        started_ns = host_now_ns()
        again = start_recording(bluez, out)
        until_recorded(out, 2, 1.5, since_ns=started_ns)
        said = finish(again)
    # How much may wait in memory is held in test_log: here, that all that was in the log comes out of it.
    assert sum(report.packets for report in found.nodes) >= sum(len(times) for times in in_log.values())
    assert all(report.packets >= 10 for report in found.nodes)
    assert "the recording was not stopped in order" in found.remarks
    assert again.returncode == 0, said
    whole = json.loads((out / "link.json").read_text())["nodes"]
    assert all(node["packets"] > next(r.packets for r in found.nodes if r.address == node["address"]) for node in whole)
    assert all(node["boots"] == 1 and len(node["outages"]) == 1 for node in whole)


def test_a_full_disk_ends_the_recording_in_order(tmp_path):
    resource = pytest.importorskip("resource", reason="this system sets no limits on a process")
    out = tmp_path / "session"
    with fake_bluez(nodes(2), tmp_path) as bluez:
        process = start_recording(
            bluez, out, preexec_fn=lambda: resource.setrlimit(resource.RLIMIT_FSIZE, (12_000, 12_000))
        )
        said, _ = process.communicate(timeout=GUARD_S)
    assert process.returncode == 2
    assert "Traceback" not in said
    assert "free some space and run: imu-shoulder recover" in said
    found = recover(tmp_path / "session.log", out, keep_log=True)
    assert {node.placement for node in found.nodes} == set(FIVE[:2])


def test_a_folder_that_was_taken_meanwhile_leaves_the_log_and_says_so_once(tmp_path):
    out = tmp_path / "session"
    with fake_bluez(nodes(1), tmp_path) as bluez:
        process = start_recording(bluez, out)
        out.mkdir()
        (out / "taken").write_text("by somebody else")
        said = finish(process)
    assert process.returncode == 2, said
    assert said.count("all is kept in the log") == said.count(f"run: imu-shoulder recover {out}.log") == 1
    assert recover(tmp_path / "session.log", tmp_path / "kept", keep_log=True).nodes[0].packets > 0
