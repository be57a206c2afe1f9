"""What is shown of a node while recording: rate, loss, how well its clock is known."""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass, field

import numpy as np

from imu_shoulder.ble.clock import BootTimes, ClockFit, fit_clock
from imu_shoulder.ble.kinds import NodeKind
from imu_shoulder.ble.lives import Arrival, Lives, Ping, Placed
from imu_shoulder.ble.packet import PacketError
from imu_shoulder.ble.streams import ping_times

RATE_WINDOW_S = 5.0
CLOCK_WINDOW_S = 600.0


@dataclass(slots=True)
class LiveMeter:
    """Fed by callbacks through `fresh` with packets (arrival in ns, bytes) and pings, worked off by digest() outside
    them.

    It watches and never stands between a packet and the log: the recording is made from the log alone, by the same
    account. packets: good ones. damaged: refused ones.
    """

    kind: NodeKind
    fresh: deque[tuple[int, bytes] | Ping] = field(default_factory=deque)
    packets: int = 0
    damaged: int = 0
    _newest: Ping | None = None
    _life: int = -1
    _anchors: list[tuple[float, float]] = field(default_factory=list)
    _recent: deque[tuple[float, int]] = field(default_factory=deque)
    _lives: Lives = field(init=False)

    def __post_init__(self) -> None:
        self._lives = Lives(self.kind)

    @property
    def lost(self) -> int:
        """Packets missing from the sequence."""
        return self._lives.lost

    def digest(self, now_s: float) -> None:
        """Work off what has come since the last call."""
        while self.fresh:
            came = self.fresh.popleft()
            placed = self._ping(came) if isinstance(came, Ping) else self._packet(came[0] / 1e9, came[1])
            if self._lives.number != self._life:
                self._life = self._lives.number
                self._anchors.clear()
            for one in placed:
                self._take(one)
        while self._recent and self._recent[0][0] < now_s - RATE_WINDOW_S:
            self._recent.popleft()

    def _ping(self, ping: Ping) -> list[Placed]:
        self._newest = ping
        self._anchors = [a for a in self._anchors if a[1] >= ping.after_s - CLOCK_WINDOW_S]
        return self._lives.ping(ping)

    def _packet(self, arrival_s: float, payload: bytes) -> list[Placed]:
        try:
            packet = self.kind.decode_packet(payload)
        except PacketError:
            self.damaged += 1
            return []
        if self._newest is None:
            return []
        return self._lives.take(Arrival(arrival_s, payload, self._newest), packet)

    def _node_s(self, one: Placed) -> float:
        """A packet's last sample on the node's clock."""
        return one.ticks / self.kind.ticks_per_s + (one.packet.count - 1) / one.arrival.ping.state.rate_hz

    def _take(self, one: Placed) -> None:
        self.packets += 1
        arrival_s, node_s = one.arrival.arrival_s, self._node_s(one)
        self._recent.append((arrival_s, one.packet.count))
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

    def clock(self) -> ClockFit | None:
        """The fit of the clock of the life that the node is in, or None while nothing is known of it."""
        if not self._anchors:
            return None
        node_s, arrival_s = np.array(self._anchors).T
        oldest_s = float(arrival_s[-1]) - CLOCK_WINDOW_S
        pings = [ping for ping in self._lives.lives[self._life].pings if ping.after_s >= oldest_s]
        return fit_clock({self._life: BootTimes(node_s, arrival_s, *ping_times(self.kind, pings))})

    def clock_error_s(self) -> float | None:
        """How wrong the node's times can be, or None while unknown."""
        fit = self.clock()
        return None if fit is None else fit.error_s
