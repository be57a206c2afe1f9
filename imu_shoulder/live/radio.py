"""Nodes over Bluetooth Low Energy as the feed of a live session. The log gets their bytes, as in `record`."""

from __future__ import annotations

import asyncio
from collections.abc import AsyncGenerator, Callable, Mapping

import numpy as np

from imu_shoulder.ble.clock import BootTimes, ClockFit, fit_clock
from imu_shoulder.ble.discover import FoundNode, assign_placements, find_nodes
from imu_shoulder.ble.kinds import NodeKind
from imu_shoulder.ble.link import NodeLink, Wish
from imu_shoulder.ble.meter import LiveMeter
from imu_shoulder.ble.packet import PacketError
from imu_shoulder.ble.recorder import STOP_TIMEOUT_S
from imu_shoulder.ble.streams import Ping, ping_times
from imu_shoulder.live.paced_replay import TICK_S
from imu_shoulder.log.entries import NodeEntry, pack
from imu_shoulder.log.host_clock import host_now_ns
from imu_shoulder.log.records import NODE
from imu_shoulder.log.unfinished import Unfinished
from imu_shoulder.log.writer import LogThread
from imu_shoulder.model import FloatArray, SensorStream
from imu_shoulder.sources import Chunk
from imu_shoulder.units import GYR_UNIT_RAD_S, STANDARD_GRAVITY_M_S2

REFIT_S = 2.0


class TapMeter(LiveMeter):
    """A meter that also gives the samples, on the host's clock as far as it is known by then."""

    def __init__(self, kind: NodeKind) -> None:
        super().__init__(kind)
        self._taken: list[tuple[FloatArray, FloatArray, FloatArray]] = []
        self._fit: ClockFit | None = None
        self._fitted_s = -np.inf

    def ping(self, ping: Ping) -> None:
        if self._pings and self._pings[-1].state.boot != ping.state.boot:
            self._fit = None
            self._fitted_s = -np.inf
        super().ping(ping)

    def _take(self, arrival_s: float, payload: bytes) -> None:
        before = self._last
        super()._take(arrival_s, payload)
        if self._last is before or self._last is None:
            return
        try:
            packet = self.kind.decode_packet(payload)
        except PacketError:  # counted by the meter
            return
        state = self._pings[-1].state
        node_s = self._last[1] + np.arange(1 - packet.count, 1) / state.rate_hz
        acc = np.asarray(packet.acc * state.acc_m_s2_per_count, dtype=np.float64)
        gyr = np.asarray(packet.gyr * state.gyr_rad_s_per_count, dtype=np.float64)
        self._taken.append((node_s, acc, gyr))

    def stream(self, placement: str, now_s: float, zero_s: float) -> SensorStream | None:
        """The samples that have come since the last call, in seconds since zero_s; None for none."""
        if self._anchors and now_s - self._fitted_s >= REFIT_S:
            node_s, arrival_s = np.array(self._anchors).T
            self._fit = fit_clock({0: BootTimes(node_s, arrival_s, *ping_times(self.kind, self._pings))})
            self._fitted_s = now_s
        if not self._taken or self._fit is None:
            return None
        times, acc, gyr = (np.concatenate(column) for column in zip(*self._taken, strict=True))
        self._taken.clear()
        state = self._pings[-1].state
        return SensorStream(
            placement,
            self._fit.host_s(0, times) - zero_s,
            acc,
            gyr,
            float(state.rate_hz),
            None,
            state.acc_range_g * STANDARD_GRAVITY_M_S2,
            state.gyr_range_deg_s * GYR_UNIT_RAD_S["deg/s"],
        )


async def find(placements: Mapping[str, str], scan_s: float, earlier: Unfinished | None) -> dict[str, FoundNode]:
    """The nodes in reach by where they are worn. placements: by address, for nodes that do not know theirs.

    earlier: the run of this session that was killed and may have left nodes connected.
    """
    return assign_placements(await find_nodes(scan_s, () if earlier is None else earlier.addresses), placements)


async def radio(
    placed: Mapping[str, FoundNode],
    entries: Mapping[str, NodeEntry],
    wish: Wish,
    log: LogThread,
    zero_ns: int,
    tell_battery: Callable[[str, float | None], None],
) -> AsyncGenerator[Chunk, None]:
    """Connect to the nodes and give what comes, a step at a time, until closed.

    entries: how the log knows the nodes, by placement. zero_ns: host time of second 0.
    """
    stop, adapter = asyncio.Event(), asyncio.Lock()
    links: dict[str, tuple[NodeLink, TapMeter]] = {}
    for placement, node in placed.items():
        entry = entries[placement]
        for _ in range(2):  # one damaged record must not take it away
            log.put(NODE, pack(entry))
        link, meter = NodeLink(node.device, entry, node.kind, wish, log, adapter), TapMeter(node.kind)
        link.meter = meter
        links[placement] = link, meter
    tasks = [asyncio.create_task(link.run(stop)) for link, _ in links.values()]
    try:
        while True:
            await asyncio.sleep(TICK_S)
            now_s = host_now_ns() / 1e9
            streams = {}
            for placement, (link, meter) in links.items():
                meter.digest(now_s)
                tell_battery(placement, link.battery_percent)
                stream = meter.stream(placement, now_s, zero_ns / 1e9)
                if stream is not None:
                    streams[placement] = stream
            for task in tasks:
                if task.done():
                    task.result()
            if streams:
                yield Chunk(streams)
    finally:
        stop.set()
        _, late = await asyncio.wait(tasks, timeout=STOP_TIMEOUT_S)
        for task in late:
            task.cancel()
        await asyncio.gather(*tasks, return_exceptions=True)
