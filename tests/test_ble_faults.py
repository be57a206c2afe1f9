"""What a gym does to a recording: nodes out of reach, restarted or silent, a killed recorder, a full disk."""

from __future__ import annotations

import json
import random
import signal
import time
from dataclasses import replace

import numpy as np
import pytest
from fake_bluez.bus import fake_bluez, needs_dbus
from fake_bluez.session import FIVE, account, finish, nodes, start_recording

from imu_shoulder.ble.recover import recover
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
        time.sleep(10)
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
        time.sleep(1.5 + random.random())
        killed_ns = time.clock_gettime_ns(time.CLOCK_BOOTTIME)
        process.kill()
        process.communicate()
        found = recover(log, tmp_path / "first", keep_log=True)
        again = start_recording(bluez, out)
        time.sleep(1.5)
        said = finish(again)
        truth = bluez.truth()
    killed_s = (killed_ns - bluez.zero_ns) / 1e9
    for node in truth["nodes"]:
        heard = [p for p in node["packets"] if p[4] == "sent" and p[2] + 0.095 < killed_s - 0.2]
        report = next(r for r in found.nodes if r.placement == node["placement"])
        assert report.packets >= len(heard)
    assert "the recording was not stopped in order" in found.remarks
    assert again.returncode == 0, said
    whole = json.loads((out / "link.json").read_text())["nodes"]
    assert all(node["packets"] > next(r.packets for r in found.nodes if r.address == node["address"]) for node in whole)
    assert all(node["boots"] == 1 and len(node["outages"]) == 1 for node in whole)


def test_a_full_disk_ends_the_recording_in_order(tmp_path):
    resource = pytest.importorskip("resource")
    out = tmp_path / "session"
    with fake_bluez(nodes(2), tmp_path) as bluez:
        process = start_recording(
            bluez, out, preexec_fn=lambda: resource.setrlimit(resource.RLIMIT_FSIZE, (12_000, 12_000))
        )
        said, _ = process.communicate(timeout=20)
    assert process.returncode == 2
    assert "Traceback" not in said
    assert "free some space and run: imu-shoulder recover" in said
    found = recover(tmp_path / "session.log", out, keep_log=True)
    assert {node.placement for node in found.nodes} == set(FIVE[:2])
