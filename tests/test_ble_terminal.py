"""The recorder on a real terminal: keys are shown, lines repainted in place, the terminal is left as it was."""

from __future__ import annotations

import os
import termios
from dataclasses import replace

import pytest
from fake_bluez.bus import fake_bluez, needs_dbus
from fake_bluez.session import Terminal, nodes

from imu_shoulder.sources.folder import read_recording

pytestmark = [needs_dbus, pytest.mark.xdist_group("bluetooth")]


def test_on_a_terminal(tmp_path):
    out = tmp_path / "session"
    # A node that loses its way for a while shows what the status line says of it.
    scripts = [replace(node, battery_s_per_percent=4.0, wanders=bool(i)) for i, node in enumerate(nodes(2))]
    with fake_bluez(scripts, tmp_path) as bluez:
        terminal = Terminal(bluez, out)
        at = terminal.until(b"battery  8", terminal.until(b"streaming"))
        terminal.type(b"pozz\x7f\x7fse")
        at = terminal.until(b"> pose", at)
        terminal.type(b"\r")
        at = terminal.until(b"noted: pose", at)
        at = terminal.until(b"neutral_pose for", at)
        terminal.type(b"set full_can r\r")
        at = terminal.until(b"'set full_can r' was typed", at)
        terminal.type(b"set full_can right\r")
        at = terminal.until(b"set full_can right for", at)
        bluez.wander()
        at = terminal.until(b"lost (the", at)
        bluez.wander()
        # The lost node's line is the second: only when it streams again do both of them say so in one paint.
        while b"lost (" in terminal.said[terminal.until(b"right_wrist", at) : terminal.until(b"records kept", at)]:
            at = terminal.until(b"records kept", at)
        terminal.type(b"\x03")  # Ctrl-C
        terminal.until(b"recording written to", at)
        assert terminal.process.wait() == 0
        assert b"\x1b[2F" in terminal.said or b"\x1b[3F" in terminal.said  # painted over, not scrolled
        assert termios.tcgetattr(terminal.theirs) == terminal.before
    terminal.close()
    assert [event.trial_type for event in read_recording(out).events] == ["neutral_pose", "set"]


def test_a_closed_terminal_ends_the_recording_in_order(tmp_path):
    out = tmp_path / "session"
    with fake_bluez(nodes(1), tmp_path) as bluez:
        terminal = Terminal(bluez, out)
        os.close(terminal.theirs)
        terminal.until(b"streaming")
        os.close(terminal.ours)
        terminal.process.wait()
    assert len(read_recording(out).streams["right_wrist"].time_s) > 50
