"""Live over the air: unmodified bleak, simulated nodes in another process, the command and what it leaves."""

from __future__ import annotations

import pytest
from fake_bluez.bus import fake_bluez, needs_dbus
from fake_bluez.session import finish, nodes, start
from live_client import Page
from test_live_cli import free_port
from waiting import GUARD_S

from imu_shoulder.sources.folder import read_recording

pytestmark = [needs_dbus, pytest.mark.xdist_group("bluetooth")]


def as_worn(frame: dict) -> bool:
    """Everything that is known of both nodes is shown."""
    sensors = frame["sensors"]
    return (
        set(sensors) == {"right_wrist", "right_upper_arm"}
        and all(sensor["seen_s_ago"] is not None for sensor in sensors.values())
        and all(sensor["rate_hz"] == pytest.approx(100, abs=5) for sensor in sensors.values())
        and all(sensor["seen_s_ago"] < 1 and sensor["battery_pct"] == 90 for sensor in sensors.values())
    )


def test_nodes_are_shown_and_recorded(tmp_path):
    out, port = tmp_path / "session", free_port()
    with fake_bluez(nodes(2), tmp_path) as bluez:
        process = start(bluez, "live", "--ble", "--athlete", "M.K.", "--out", out, "--port", port)
        line = process.stdout.readline()
        while "Open http" not in line:
            assert line, process.wait(GUARD_S)
            line = process.stdout.readline()
        try:
            with Page(port) as page:
                begin_s = page.until(as_worn)["t"]
                page.until(lambda frame: frame["t"] > begin_s + 8.5 and as_worn(frame))
        finally:
            said = finish(process)
    recording = read_recording(out)
    assert recording.athlete == "M.K."
    assert len(recording.streams["right_wrist"].time_s) > 800
    assert (out / "link.json").exists()
    assert "Recording: " in said
