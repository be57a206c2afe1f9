"""The same nodes without a bus: what a recorder would have logged, in no time at all."""

from __future__ import annotations

import random
from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from fake_bluez.node import CONNECTION_INTERVAL_S, NodeScript, SimulatedNode
from imu_shoulder.ble import packet
from imu_shoulder.ble.link import ping_wait_s
from imu_shoulder.log.entries import (
    End,
    EventEntry,
    LinkEntry,
    NodeEntry,
    Session,
    pack,
    pack_data,
    pack_state,
)
from imu_shoulder.log.records import DATA, END, EVENT, LINK, NODE, SESSION, STATE
from imu_shoulder.log.writer import LogWriter

ZERO_NS = 5_000_000_000_000
RECONNECT_S = 0.6


@dataclass(frozen=True)
class Sleep:
    """The computer sleeps from start_s to end_s of script time. What nodes send meanwhile comes when it wakes.

    clock_stands: its clock stands still in sleep; otherwise it runs on.
    """

    start_s: float
    end_s: float
    clock_stands: bool


def host_ns(at_s: float, sleeps: Sequence[Sleep]) -> int:
    """What the computer's clock reads at script time at_s."""
    stood_s = sum(min(max(at_s - s.start_s, 0.0), s.end_s - s.start_s) for s in sleeps if s.clock_stands)
    return ZERO_NS + round((at_s - stood_s) * 1e9)


class Recorded:
    """One node's records, each with the script time of its writing, and the truth about them.

    true_s: script time of every sample heard, in the order it came. sent: packets heard. lost: packets not heard, of
    those before the last one heard in each of the node's lives (the rest leaves no trace).
    """

    def __init__(self, number: int, script: NodeScript, seconds: float, sleeps: Sequence[Sleep] = ()) -> None:
        self.records: list[tuple[float, int, bytes]] = []
        self.true_s: list[float] = []
        self.lost = self.sent = 0
        self._unheard = self._life = 0
        self._sleeps = sleeps
        self._number = number
        self._node = SimulatedNode(script)
        self._rng = random.Random(f"host {number} {script.seed}")
        self._run(seconds)

    def _put(self, at_s: float, kind: int, payload: bytes) -> None:
        self.records.append((at_s, kind, payload))

    def _put_link(self, at_s: float, connected: bool, reason: str = "") -> None:
        self._put(at_s, LINK, pack(LinkEntry(self._number, host_ns(at_s, self._sleeps), connected, reason)))

    def _latency_s(self) -> float:
        return 0.0008 + self._rng.expovariate(1 / 0.0005)

    def _connect(self, now_s: float) -> None:
        self._put_link(now_s, True)
        self._ping(now_s, 1)
        self._node.command(packet.START, now_s + 0.002)

    def _ping(self, event_s: float, token: int) -> None:
        # Sent at any moment before the event that the node's loop stands at: the host knows nothing of events.
        now_s = event_s + self._rng.uniform(0, CONNECTION_INTERVAL_S)
        stamped_s = self._node.next_event_s(now_s + self._latency_s())
        self._node.command(packet.command_ping(token), stamped_s)
        after_s = stamped_s + CONNECTION_INTERVAL_S + self._latency_s()
        times_ns = [host_ns(at_s, self._sleeps) for at_s in (now_s, after_s)]
        self._put(now_s, STATE, pack_state(self._number, *times_ns, self._node.read()))

    def _run(self, seconds: float) -> None:
        node = self._node
        now_s, connected, back_s, ping_s, pings = 0.05 * self._number, False, 0.0, 0.0, 0
        heard_s = 0.0
        while now_s < seconds:
            reachable = node.in_range(now_s)
            if node.reboot_due(now_s) or (connected and not reachable):
                self._put_link(now_s, False, "lost")
                connected, back_s = False, now_s + RECONNECT_S
                if reachable:  # a restart: what was made since the last packet heard leaves no trace
                    self._unheard = 0
            if not connected and reachable and now_s >= back_s:
                self._connect(now_s)
                connected, ping_s, pings = True, now_s + ping_wait_s(0, self._rng.random()), 1
            woken_s = next((sleep.end_s for sleep in self._sleeps if sleep.start_s <= now_s < sleep.end_s), 0.0)
            if connected and now_s > ping_s and not woken_s:
                self._ping(now_s, round(now_s))
                ping_s, pings = now_s + ping_wait_s(pings, self._rng.random()), pings + 1
            arrival_s = max(now_s + self._latency_s(), woken_s, heard_s)
            for made in node.make(now_s):
                if made.life > self._life:
                    self._life, self._unheard = made.life, 0
                arrival_s += 0.00002
                if made.fate == "sent" and connected:
                    data = pack_data(self._number, host_ns(arrival_s, self._sleeps), made.payload)
                    self._put(arrival_s, DATA, data)
                    self.true_s += [made.first_s + i / node.state.rate_hz for i in range(made.count)]
                    self.sent += 1
                    self.lost += self._unheard
                    self._unheard = 0
                else:
                    self._unheard += 1
                heard_s = arrival_s if woken_s else 0.0
            now_s = node.next_event_s(now_s)


def write_log(
    path: Path,
    scripts: Sequence[NodeScript],
    seconds: float,
    events: Sequence[EventEntry] = (),
    sleeps: Sequence[Sleep] = (),
) -> list[Recorded]:
    """Write the log of a recording of these nodes; returns the truth of each. events: by a clock that runs on."""
    recorded = [Recorded(number, script, seconds, sleeps) for number, script in enumerate(scripts)]
    session = pack(Session("M.K.", "2026-05-04T09:30:00+02:00", ZERO_NS, 1e9))
    records = [(-2.0, SESSION, session)] * 2
    for number, script in enumerate(scripts):
        entry = NodeEntry(number, script.address, script.placement or "sternum", "contract-1")
        records.append((-1.0, NODE, pack(entry)))
    for node in recorded:
        records += node.records
    for event in events:
        at_s = (event.host_ns - ZERO_NS) / 1e9
        records.append((at_s, EVENT, pack(replace(event, host_ns=host_ns(at_s, sleeps)))))
    records.sort(key=lambda record: record[0])
    log = LogWriter(path)
    log.append([(kind, payload) for _, kind, payload in records] + [(END, pack(End(host_ns(seconds, sleeps))))])
    log.close()
    return recorded


def clock_errors_s(recorded: Recorded, time_s: np.ndarray) -> np.ndarray:
    """Recorded minus true time of every sample."""
    assert len(time_s) == len(recorded.true_s)
    return time_s - np.array(recorded.true_s)
