"""A computer that slept: no sample is shifted, no healthy link is dropped, whatever its clock did meanwhile."""

from __future__ import annotations

import asyncio
import os
import signal

import numpy as np
import pytest
from bleak.exc import BleakError
from fake_bluez.bus import fake_bluez, needs_dbus
from fake_bluez.node import NodeScript
from fake_bluez.offline import ZERO_NS, Sleep, clock_errors_s, write_log
from fake_bluez.session import Terminal, account, nodes

from imu_shoulder.ble import link
from imu_shoulder.ble.assemble import assemble
from imu_shoulder.ble.kinds import ContractNode
from imu_shoulder.ble.link import NodeLink, Wish
from imu_shoulder.log.entries import EventEntry, NodeEntry
from imu_shoulder.log.records import read_log

SLEPT_S = 20.0


def pair(**fields) -> list[NodeScript]:
    return [NodeScript(**{**node.__dict__, **fields, "drift_ppm": 30.0 - 60 * i}) for i, node in enumerate(nodes(2))]


def sleep_error_s(folder, at_s: float, seconds: float, clock_stands: bool, heard: bool) -> float:
    """The largest error of any sample's time in a recording whose computer slept; nothing else may be wrong with it.

    heard: the nodes' packets wait for the waking; otherwise the nodes are out of reach.
    """
    away = () if heard else ((at_s, at_s + SLEPT_S + 1.0),)
    typed = [EventEntry(ZERO_NS + round((at_s + SLEPT_S + 0.5) * 1e9), "start", "neutral_pose", duration_s=1.0)]
    slept = Sleep(at_s, at_s + SLEPT_S, clock_stands)
    log = folder / f"{at_s} {seconds} {clock_stands} {heard}.log"
    truth = write_log(log, pair(outages=away), seconds, typed, [slept])
    found = assemble(read_log(log), "a")
    errors_s = []
    for report, true in zip(found.nodes, truth, strict=True):
        errors_s.append(clock_errors_s(true, found.recording.streams[report.placement].time_s))
        assert (report.packets, report.lost, report.unplaced) == (true.sent, true.lost, 0)
        assert (report.boots, report.refused_drift_ppm) == (1, None)
    assert found.recording.events[0].onset_s == pytest.approx(at_s + SLEPT_S + 0.5, abs=0.005)
    said = [f"this computer's clock stood still for 20.0 s at {at_s:.1f} s; put right"]
    assert list(found.remarks) == (said if clock_stands else [])
    return float(np.abs(np.concatenate(errors_s)).max())


@pytest.mark.parametrize("clock_stands", [False, True], ids=["clock runs on", "clock stands still"])
@pytest.mark.parametrize(("at_s", "seconds"), [(12.0, 40.0), (18.0, 40.0), (38.0, 60.0), (98.0, 120.0)])
@pytest.mark.parametrize("heard", [True, False], ids=["packets wait", "out of reach"])
def test_a_sleep_shifts_no_sample(tmp_path, clock_stands, at_s, seconds, heard):
    """Times are those of a clock that ran on, also of what was typed after it."""
    assert sleep_error_s(tmp_path, at_s, seconds, clock_stands, heard) < 0.005


def test_two_sleeps_with_a_node_that_restarts_between(tmp_path):
    """One node shows both; the other, which started anew meanwhile, must follow it."""
    sleeps = (Sleep(15.0, 25.0, True), Sleep(45.0, 65.0, True))
    scripts = pair()
    scripts[1] = NodeScript(**{**scripts[1].__dict__, "reboots": (35.0,), "keeps_boot": True})
    truth = write_log(tmp_path / "a.log", scripts, 100.0, sleeps=sleeps)
    found = assemble(read_log(tmp_path / "a.log"), "a")
    for i, report in enumerate(found.nodes):
        errors_s = clock_errors_s(truth[i], found.recording.streams[report.placement].time_s)
        assert np.abs(errors_s).max() < 0.005
    assert [report.boots for report in found.nodes] == [1, 2]
    assert len(found.remarks) == 2


def test_a_clock_that_jumps_by_itself_is_the_nodes_own(tmp_path):
    """One node is ahead of the host while the other shows nothing: that was no sleep, and nobody else is moved."""
    scripts = pair()
    scripts[1] = NodeScript(**{**scripts[1].__dict__, "jumps": ((30.0, 3.0),)})
    truth = write_log(tmp_path / "a.log", scripts, 60.0)
    found = assemble(read_log(tmp_path / "a.log"), "a")
    for i, report in enumerate(found.nodes):
        errors_s = clock_errors_s(truth[i], found.recording.streams[report.placement].time_s)
        assert np.abs(errors_s).max() < 0.005
        assert report.clock_jumps == i
    assert "its clock jumped ahead 1 times" in found.nodes[1].line
    assert found.remarks == ()


class Quiet(ContractNode):
    """A node that takes every command."""

    async def stop(self, client):
        return


class Client:
    """A connection to a node without a battery."""

    class services:  # noqa: N801
        @staticmethod
        def get_characteristic(_):
            return None


def silent_link(monkeypatch, clock: list[float], pings: list) -> NodeLink:
    """A link to a silent node. clock: the host's, in seconds, as it stands. pings: coroutine functions, one a ping."""
    node = NodeLink(None, NodeEntry(0, "A", "sternum", "contract-1"), Quiet(), Wish(None, False), None, None)
    monkeypatch.setattr(link, "host_now_ns", lambda: round(clock[0] * 1e9))
    monkeypatch.setattr(node, "_ping", lambda _: pings.pop(0)() if pings else instant())
    return node


async def instant() -> None:
    return


def watch(monkeypatch, node: NodeLink, clock: list[float], looks_s: list[float]) -> None:
    """Let a link watch its node, whose looks end when the clock stands at the given times; then stop it."""
    stop = asyncio.Event()

    async def look(tasks, **_):
        await asyncio.sleep(0)
        if looks_s:
            clock[0] = looks_s.pop(0)
        else:
            stop.set()

    monkeypatch.setattr(link.asyncio, "wait", look)
    asyncio.run(node._watch(Client(), asyncio.Event(), stop))


def test_silence_counts_only_while_the_computer_is_awake(monkeypatch):
    clock = [0.0]
    watch(monkeypatch, silent_link(monkeypatch, clock, []), clock, [0.25, 0.5, 20.75, 21.0, 22.5])
    clock = [0.0]
    with pytest.raises(BleakError, match="silent for 2 s"):
        watch(monkeypatch, silent_link(monkeypatch, clock, []), clock, [0.25, 20.5, 21.5, 22.4, 22.6])


@pytest.mark.parametrize("fails", [True, False])
def test_a_ping_slept_through_says_nothing_of_the_link(monkeypatch, fails):
    clock = [0.0]

    async def slept():
        clock[0] += SLEPT_S
        if fails:
            raise TimeoutError

    watch(monkeypatch, silent_link(monkeypatch, clock, [slept]), clock, [0.25, 20.5, 20.75])


def test_a_ping_that_fails_while_awake_ends_the_connection(monkeypatch):
    clock = [0.0]

    async def slow():
        clock[0] += link.CALL_TIMEOUT_S
        raise TimeoutError

    with pytest.raises(TimeoutError):
        watch(monkeypatch, silent_link(monkeypatch, clock, [slow]), clock, [0.25])


SLEEPER = ("-m", "fake_bluez.sleeper", str(SLEPT_S))


@needs_dbus
@pytest.mark.xdist_group("bluetooth")
def test_the_recorder_goes_on_after_a_sleep(tmp_path):
    """Recorder and nodes are stopped, their clocks are set 20 s on, and they go on: what the nodes measured in the
    sleep comes all at once when the recorder wakes."""
    out = tmp_path / "session"
    with fake_bluez(nodes(2, rate_hz=100), tmp_path, run=SLEEPER) as bluez:
        terminal = Terminal(bluez, out, (*SLEEPER, "imu_shoulder"))
        at = terminal.until(b"00:06", terminal.until(b"streaming"))
        sleepers = [bluez.process.pid, terminal.process.pid]
        for sleeper in sleepers:
            os.kill(sleeper, signal.SIGSTOP)
            os.waitpid(sleeper, os.WUNTRACED)
        for sleeper in sleepers:
            os.kill(sleeper, signal.SIGUSR1)
        for sleeper in sleepers:
            os.kill(sleeper, signal.SIGCONT)
        at = terminal.until(b"00:30", at)
        terminal.type(b"q\r")
        terminal.until(b"recording written to", at)
        assert terminal.process.wait() == 0
        terminal.close()
        truth = bluez.truth()
    reports = account(out, truth)
    assert truth["counts"]["connects"] == 2
    assert b"lost (the" not in terminal.said
    for report in reports.values():
        assert report["outages"] == []
        assert report["samples"] > 2400
        # A busy machine runs its processes late by itself; 5 ms are tested without it, above.
        assert np.abs(report["errors_s"]).max() < 0.02
