"""Live over the air: unmodified bleak, simulated nodes in another process, the command and what it leaves."""

from __future__ import annotations

import json
import time

import pytest
from fake_bluez.bus import fake_bluez, needs_dbus
from fake_bluez.session import finish, nodes, start
from test_live_cli import free_port

from imu_shoulder.sources.folder import read_recording

pytestmark = [needs_dbus, pytest.mark.xdist_group("bluetooth")]


def watched(client, port: int, seconds: float = 12) -> dict:
    """Be a page for some seconds; what it was told of the sensors last."""
    deadline = time.monotonic() + 20
    while True:
        try:
            ws = client.connect(f"ws://127.0.0.1:{port}/live", origin=f"http://127.0.0.1:{port}", compression=None)
            break
        except OSError:
            assert time.monotonic() < deadline
            time.sleep(0.1)
    sensors = {}
    with ws:
        deadline = time.monotonic() + seconds
        while time.monotonic() < deadline:
            message = json.loads(ws.recv(timeout=10))
            if message["type"] == "frame":
                ws.send(json.dumps({"seen": message["number"]}))
                sensors = message["frame"]["sensors"]
    return sensors


def test_nodes_are_shown_and_recorded(tmp_path):
    client = pytest.importorskip("websockets.sync.client", reason="the live part is not installed")
    out, port = tmp_path / "session", free_port()
    with fake_bluez(nodes(2), tmp_path) as bluez:
        process = start(bluez, "live", "--ble", "--athlete", "M.K.", "--out", out, "--port", port)
        line = process.stdout.readline()
        while "Open http" not in line:
            assert line, process.wait(10)
            line = process.stdout.readline()
        try:
            sensors = watched(client, port)
        finally:
            said = finish(process)
    assert set(sensors) == {"right_wrist", "right_upper_arm"}
    for sensor in sensors.values():
        assert sensor["rate_hz"] == pytest.approx(100, abs=5)
        assert sensor["seen_s_ago"] < 1
        assert sensor["battery_pct"] == 90
    recording = read_recording(out)
    assert recording.athlete == "M.K."
    assert len(recording.streams["right_wrist"].time_s) > 800
    assert (out / "link.json").exists()
    assert "Recording: " in said
