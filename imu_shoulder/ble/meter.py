"""What is shown of a node while recording: rate, loss, how well its clock is known."""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass, field

import numpy as np

from imu_shoulder.ble.clock import BootTimes, fit_clock
from imu_shoulder.ble.kinds import NodeKind
from imu_shoulder.ble.packet import PacketError
from imu_shoulder.ble.streams import Ping, ping_times, unwrap_ticks

RATE_WINDOW_S = 5.0
CLOCK_WINDOW_S = 600.0


@dataclass(slots=True)
class LiveMeter:
    """Fed by callbacks through `fresh`, worked off by digest() outside them.

    It watches and never stands between a packet and the log: the recording is made from the log alone.
    """

    kind: NodeKind
    fresh: deque[tuple[int, bytes]] = field(default_factory=lambda: deque(maxlen=5000))
    packets: int = 0
    lost: int = 0
    damaged: int = 0
    _pings: list[Ping] = field(default_factory=list)
    _anchors: list[tuple[float, float]] = field(default_factory=list)
    _recent: deque[tuple[float, int]] = field(default_factory=deque)
    _last: tuple[int, float] | None = None
    _start: tuple[int, float] | None = None

    def ping(self, ping: Ping) -> None:
        if self._pings and self._pings[-1].state.boot != ping.state.boot:
            self._anchors.clear()
            self._pings.clear()
            self._last = self._start = None
        self._pings.append(ping)
        oldest_s = ping.after_s - CLOCK_WINDOW_S
        self._pings = [p for p in self._pings if p.after_s >= oldest_s]
        self._anchors = [a for a in self._anchors if a[1] >= oldest_s]

    def digest(self, now_s: float) -> None:
        """Work off what has come since the last call."""
        while self.fresh:
            arrival_ns, payload = self.fresh.popleft()
            self._take(arrival_ns / 1e9, payload)
        while self._recent and self._recent[0][0] < now_s - RATE_WINDOW_S:
            self._recent.popleft()

    def _take(self, arrival_s: float, payload: bytes) -> None:
        try:
            packet = self.kind.decode_packet(payload)
        except PacketError:
            self.damaged += 1
            return
        self.packets += 1
        self._recent.append((arrival_s, packet.count))
        if not self._pings:
            return
        if self._start is None:
            ping = self._pings[-1]
            ticks = ping.state.ping_ticks
            self._start = (packet.ticks, arrival_s) if ticks is None else (ticks, ping.after_s)
        since_s = np.array([arrival_s - self._start[1]])
        ticks = int(unwrap_ticks(self.kind, np.array([float(packet.ticks)]), since_s, self._start[0])[0])
        node_s = ticks / self.kind.ticks_per_s + (packet.count - 1) / self._pings[-1].state.rate_hz
        if self._last is not None and not packet.first:
            step = (packet.sequence - self._last[0]) % self.kind.sequence_modulus
            if 0 < step < self.kind.sequence_modulus // 2:
                self.lost += step - 1
        self._last = packet.sequence, node_s
        # One anchor a second, the least delayed, is what the fit will look at.
        if not self._anchors or node_s - self._anchors[-1][0] > 1.0:
            self._anchors.append((node_s, arrival_s))
        elif arrival_s - node_s < self._anchors[-1][1] - self._anchors[-1][0]:
            self._anchors[-1] = node_s, arrival_s

    def rate_hz(self, now_s: float) -> float:
        """Samples per second over the last few seconds."""
        if not self._recent:
            return 0.0
        return sum(count for _, count in self._recent) / min(RATE_WINDOW_S, max(1.0, now_s - self._recent[0][0]))

    def clock_error_s(self) -> float | None:
        """How wrong the node's times can be, or None while unknown."""
        if not self._anchors or not self._pings:
            return None
        node_s, arrival_s = np.array(self._anchors).T
        times = BootTimes(node_s, arrival_s, *ping_times(self.kind, self._pings))
        return fit_clock({0: times}).error_s
