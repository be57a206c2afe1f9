"""The recorder on a real terminal: keys are shown, lines repainted in place, the terminal is left as it was."""

from __future__ import annotations

import fcntl
import os
import pty
import subprocess
import sys
import termios
import time
from dataclasses import replace

import pytest
from fake_bluez.bus import fake_bluez, needs_dbus
from fake_bluez.session import COMMANDS, nodes

from imu_shoulder.sources.folder import read_recording

pytestmark = [needs_dbus, pytest.mark.xdist_group("bluetooth")]
ONCE_S = 20.0


def start_on_terminal(bluez, out, theirs: int) -> subprocess.Popen:
    """A recorder whose controlling terminal is the given one."""
    return subprocess.Popen(
        [sys.executable, *COMMANDS, "record", "--out", out, "--athlete", "M.K.", "--scan-seconds", "0.7"],
        env=bluez.environment(),
        stdin=theirs,
        stdout=theirs,
        stderr=theirs,
        start_new_session=True,
        preexec_fn=lambda: fcntl.ioctl(0, termios.TIOCSCTTY, 0),
    )


def test_on_a_terminal(tmp_path):
    ours, theirs = pty.openpty()
    termios.tcsetwinsize(theirs, (24, 80))
    before = termios.tcgetattr(theirs)
    out = tmp_path / "session"
    said = bytearray()

    def until(text: bytes, start: int = 0) -> int:
        """Read what the recorder paints until the text has come; where it ended."""
        deadline = time.monotonic() + ONCE_S
        while (found := said.find(text, start)) < 0:
            assert time.monotonic() < deadline, said.decode()
            said.extend(os.read(ours, 4096))
        return found + len(text)

    # A node that loses its way for a while shows what the status line says of it.
    scripts = [
        replace(node, from_first_start=True, battery_s_per_percent=4.0, outages=((7.0, 9.0),) if i else ())
        for i, node in enumerate(nodes(2))
    ]
    with fake_bluez(scripts, tmp_path) as bluez:
        process = start_on_terminal(bluez, out, theirs)
        at = until(b"battery  8", until(b"streaming"))
        os.write(ours, b"pozz\x7f\x7fse")
        at = until(b"> pose", at)
        os.write(ours, b"\r")
        at = until(b"noted: pose", at)
        at = until(b"neutral_pose for", at)
        os.write(ours, b"set full_can r\r")
        at = until(b"'set full_can r' was typed", at)
        os.write(ours, b"set full_can right\r")
        at = until(b"set full_can right for", at)
        at = until(b"lost (the", at)
        at = until(b"streaming", at)
        os.write(ours, b"\x03")  # Ctrl-C
        until(b"recording written to", at)
        process.wait(ONCE_S)
        assert b"\x1b[2F" in said or b"\x1b[3F" in said  # painted over, not scrolled
        assert termios.tcgetattr(theirs) == before
    os.close(ours)
    os.close(theirs)
    assert process.returncode == 0
    assert [event.trial_type for event in read_recording(out).events] == ["neutral_pose", "set"]


def test_a_closed_terminal_ends_the_recording_in_order(tmp_path):
    ours, theirs = pty.openpty()
    out = tmp_path / "session"
    with fake_bluez(nodes(1), tmp_path) as bluez:
        process = start_on_terminal(bluez, out, theirs)
        os.close(theirs)
        said = bytearray()
        while b"streaming" not in said:
            said.extend(os.read(ours, 4096))
        os.close(ours)
        process.wait(ONCE_S)
    assert len(read_recording(out).streams["right_wrist"].time_s) > 50
