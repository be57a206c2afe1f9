"""Running the real commands against simulated nodes, and holding what they recorded against what the nodes did."""

from __future__ import annotations

import fcntl
import json
import os
import pty
import select
import signal
import subprocess
import sys
import termios
import time
from collections.abc import Callable, Sequence

import numpy as np
from waiting import GUARD_S, until

from fake_bluez.bus import TESTS
from fake_bluez.node import NodeScript
from imu_shoulder.log.entries import Session, unpack, unpack_data
from imu_shoulder.log.records import DATA, EVENT, SESSION, Record, read_log
from imu_shoulder.sources.folder import read_recording

FIVE = ("right_wrist", "right_upper_arm", "left_wrist", "left_upper_arm", "sternum")
COMMANDS = ("-m", "imu_shoulder")
DECOY = {"address": "C0:00:00:00:00:FF", "placement": "sternum", "uuid": "f3a1c0de-0000-4000-8000-000000000001"}


def nodes(count: int, **fields) -> list[NodeScript]:
    return [NodeScript(f"C0:00:00:00:00:{i:02X}", FIVE[i], seed=i, **fields) for i in range(count)]


# A recorder under test ends by itself at last, so that a wait for what it never shows or writes ends as well.
AT_LAST = ("--seconds", "240")


def start(bluez, *arguments, **options) -> subprocess.Popen:
    return subprocess.Popen(
        [sys.executable, *COMMANDS, *map(str, arguments)],
        env=bluez.environment(),
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        stderr=subprocess.STDOUT,
        text=True,
        **options,
    )


def start_recording(bluez, out, *more, **options) -> subprocess.Popen:
    """A recorder whose log has begun to grow."""
    process = start(bluez, "record", "--out", out, "--athlete", "M.K.", "--scan-seconds", 0.7, *more, **options)
    log = out.with_name(out.name + ".log")
    size = log.stat().st_size if log.exists() else 0

    def grown() -> bool:
        assert process.poll() is None, process.communicate()[0]
        return log.exists() and log.stat().st_size >= size + 2000

    until(grown, "the recorder's log grows")
    return process


class Terminal:
    """A recorder on a terminal of its own. said: all that it has painted."""

    def __init__(self, bluez, out, run: Sequence[str] = COMMANDS) -> None:
        self.ours, self.theirs = pty.openpty()
        termios.tcsetwinsize(self.theirs, (24, 80))
        self.before = termios.tcgetattr(self.theirs)
        self.said = bytearray()
        command = ("record", "--out", out, "--athlete", "M.K.", "--scan-seconds", "0.7", *AT_LAST)
        self.process = subprocess.Popen(
            [sys.executable, *run, *command],
            cwd=TESTS,
            env=bluez.environment(),
            stdin=self.theirs,
            stdout=self.theirs,
            stderr=self.theirs,
            start_new_session=True,
            preexec_fn=lambda: fcntl.ioctl(0, termios.TIOCSCTTY, 0),
        )

    def _drain(self) -> None:
        """Take what has been painted: a terminal that is full would stop the recorder."""
        while select.select([self.ours], [], [], 0.0)[0]:
            self.said.extend(os.read(self.ours, 4096))

    def written(self, log, enough: Callable[[Sequence[Record]], bool]) -> None:
        """Wait until the recorder has written enough into its log."""
        while not enough(read_log(log).records):
            self._drain()
            assert self.process.poll() is None, self.said.decode()
            time.sleep(0.05)

    def painted(self) -> bytes:
        """What the recorder paints from now on: one whole paint at least."""
        self._drain()
        start = len(self.said)
        return bytes(self.said[start : self.until(b"records kept", self.until(b"records kept", start))])

    def until(self, text: bytes, start: int = 0) -> int:
        """Read what the recorder paints until the text has come; where it ended."""
        while (found := self.said.find(text, start)) < 0:
            shown = select.select([self.ours], [], [], 0.5)[0]
            assert shown or self.process.poll() is None, self.said.decode()
            self.said.extend(os.read(self.ours, 4096) if shown else b"")
        return found + len(text)

    def type(self, text: bytes) -> None:
        os.write(self.ours, text)

    def close(self) -> None:
        os.close(self.ours)
        os.close(self.theirs)


def finish(process: subprocess.Popen, by: int = signal.SIGINT) -> str:
    process.send_signal(by)
    said, _ = process.communicate(timeout=GUARD_S)
    return said


def arrivals(out, since_ns: int = 0) -> dict[int, list[int]]:
    """Node -> host times in ns of the packets in the log of a running recorder, from since_ns on."""
    found: dict[int, list[int]] = {}
    for record in read_log(out.with_name(out.name + ".log")).records:
        if record.kind == DATA:
            node, arrival_ns, _ = unpack_data(record.payload)
            if arrival_ns >= since_ns:
                found.setdefault(node, []).append(arrival_ns)
    return found


def until_recorded(out, count: int, seconds: float, since_ns: int = 0, typed: int = 0) -> None:
    """Wait until a running recorder's log holds so many seconds of so many nodes, and so many typed lines."""

    def there() -> bool:
        found = arrivals(out, since_ns)
        records = read_log(out.with_name(out.name + ".log")).records
        heard = len(found) == count and all(times[-1] - times[0] >= seconds * 1e9 for times in found.values())
        return heard and sum(record.kind == EVENT for record in records) >= typed

    until(there, f"{seconds:g} s of {count} nodes and {typed} typed lines are in the log")


def account(out, truth) -> dict[str, dict]:
    """Hold the recording against what the nodes really did.

    Returns the link reports by placement, each with errors_s: recorded minus true time of every sample.
    """
    link = json.loads((out / "link.json").read_text())
    reports = {node["placement"]: node for node in link["nodes"]}
    recording = read_recording(out)
    log = read_log(out / "recording.log").records
    session = unpack(Session, next(r.payload for r in log if r.kind == SESSION))
    zero_s = (session.host_ns - truth["zero_ns"]) / 1e9
    for node in truth["nodes"]:
        if node["address"] == DECOY["address"]:
            assert node["packets"] == []
            continue
        report = reports[node["placement"]]
        heard = [p for p in node["packets"] if p[4] == "sent"]
        assert report["packets"] == len(heard)
        assert report["samples"] == sum(p[3] for p in heard)
        lost = 0
        for life in {p[0] for p in heard}:
            last = max(p[1] for p in heard if p[0] == life)
            lost += sum(p[0] == life and p[1] < last and p[4] != "sent" for p in node["packets"])
        assert report["lost"] == lost
        rate_hz = recording.streams[node["placement"]].declared_rate_hz
        true_s = np.concatenate([p[2] + np.arange(p[3]) / rate_hz for p in heard])
        report["errors_s"] = recording.streams[node["placement"]].time_s + zero_s - true_s
    return reports
