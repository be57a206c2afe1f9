"""Starting a private dbus-daemon and the simulated org.bluez on it."""

from __future__ import annotations

import contextlib
import json
import os
import shutil
import signal
import subprocess
import sys
import tempfile
from collections.abc import Iterator, Sequence
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

import pytest

from fake_bluez.node import NodeScript

TESTS = Path(__file__).parents[1]
CONFIG = """<!DOCTYPE busconfig PUBLIC "-//freedesktop//DTD D-Bus Bus Configuration 1.0//EN"
 "http://www.freedesktop.org/standards/dbus/1.0/busconfig.dtd">
<busconfig>
  <type>session</type>
  <listen>unix:path={socket}</listen>
  <auth>EXTERNAL</auth>
  <policy context="default">
    <allow user="*"/><allow own="*"/><allow send_type="method_call"/><allow send_type="signal"/>
    <allow send_requested_reply="true"/><allow receive_type="method_call"/><allow receive_type="signal"/>
    <allow receive_type="method_return"/><allow receive_type="error"/>
  </policy>
</busconfig>
"""

needs_dbus = pytest.mark.skipif(shutil.which("dbus-daemon") is None, reason="dbus-daemon is not installed")


@dataclass
class FakeBluez:
    """A running simulation. zero_ns: host clock at the scripts' zero. truth() ends it."""

    address: str
    zero_ns: int
    process: subprocess.Popen[str]
    _truth: Path

    def truth(self) -> dict[str, Any]:
        """Stop the simulation and return what really happened."""
        if self.process.poll() is None:
            self.process.send_signal(signal.SIGTERM)
            self.process.wait(10)
        found: dict[str, Any] = json.loads(self._truth.read_text())
        return found

    def wander(self) -> None:
        """Those nodes that wander go out of range, or come back."""
        self.process.send_signal(signal.SIGUSR2)

    def environment(self) -> dict[str, str]:
        """For a process whose bleak shall meet this simulation."""
        return {**os.environ, "DBUS_SYSTEM_BUS_ADDRESS": self.address}


@contextlib.contextmanager
def private_bus() -> Iterator[str]:
    """A dbus-daemon of our own; yields its address. The socket's path must be short, so it has its own folder."""
    with tempfile.TemporaryDirectory(prefix="bus") as folder:
        socket = Path(folder) / "s"
        config = Path(folder) / "bus.conf"
        config.write_text(CONFIG.format(socket=socket))
        daemon = subprocess.Popen(
            ["dbus-daemon", f"--config-file={config}", "--nofork", "--nopidfile", "--print-address"],
            stdout=subprocess.PIPE,
            stderr=subprocess.DEVNULL,  # it grumbles about a limit it may not raise
            text=True,
        )
        assert daemon.stdout is not None
        try:
            yield daemon.stdout.readline().strip()
        finally:
            daemon.terminate()
            daemon.wait(10)
            daemon.stdout.close()


@contextlib.contextmanager
def fake_bluez(
    nodes: list[NodeScript], folder: Path, decoys: list[dict[str, Any]] | None = None, run: Sequence[str] = ("-m",)
) -> Iterator[FakeBluez]:
    """Simulated nodes on a private bus. run: how Python is to run the simulation's module."""
    script, truth = folder / "script.json", folder / "truth.json"
    script.write_text(json.dumps({"nodes": [asdict(node) for node in nodes], "decoys": decoys or []}))
    with private_bus() as address:
        process = subprocess.Popen(
            [sys.executable, *run, "fake_bluez.server", address, str(script), str(truth)],
            cwd=TESTS,
            stdout=subprocess.PIPE,
            text=True,
        )
        assert process.stdout is not None
        try:
            word, zero_ns = process.stdout.readline().split()
            assert word == "ready"
            yield FakeBluez(address, int(zero_ns), process, truth)
        finally:
            if process.poll() is None:
                process.terminate()
            process.wait(10)
            process.stdout.close()
