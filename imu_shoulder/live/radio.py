"""Nodes over Bluetooth Low Energy as the feed of a live session. The log gets their bytes, as in `record`."""

from __future__ import annotations

import asyncio
from collections.abc import AsyncGenerator, Callable, Mapping

import numpy as np

from imu_shoulder.ble.clock import ClockFit
from imu_shoulder.ble.discover import FoundNode, assign_placements, find_nodes
from imu_shoulder.ble.kinds import NodeKind
from imu_shoulder.ble.link import NodeLink, Wish
from imu_shoulder.ble.lives import Placed
from imu_shoulder.ble.meter import LiveMeter
from imu_shoulder.ble.recorder import STOP_TIMEOUT_S
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
        self._taken: list[tuple[int, FloatArray, FloatArray, FloatArray]] = []
        self._fits: dict[int, ClockFit] = {}
        self._fitted_s = -np.inf

    def _take(self, one: Placed) -> None:
        super()._take(one)
        state, packet = one.arrival.ping.state, one.packet
        node_s = self._node_s(one) + np.arange(1 - packet.count, 1) / state.rate_hz
        acc = np.asarray(packet.acc * state.acc_m_s2_per_count, dtype=np.float64)
        gyr = np.asarray(packet.gyr * state.gyr_rad_s_per_count, dtype=np.float64)
        self._taken.append((one.life, node_s, acc, gyr))

    def stream(self, placement: str, now_s: float, zero_s: float) -> SensorStream | None:
        """The samples that have come since the last call, in seconds since zero_s; None for none."""
        if self._anchors and (self._life not in self._fits or now_s - self._fitted_s >= REFIT_S):
            fit = self.clock()
            assert fit is not None
            self._fits[self._life], self._fitted_s = fit, now_s
        ready = [taken for taken in self._taken if taken[0] in self._fits]
        # A life that is over without its clock having become known will give nothing any more.
        self._taken = [taken for taken in self._taken if taken[0] not in self._fits and taken[0] == self._life]
        if not ready or self._newest is None:
            return None
        state = self._newest.state
        times = [self._fits[life].host_s(life, node_s) - zero_s for life, node_s, _, _ in ready]
        return SensorStream(
            placement,
            np.concatenate(times),
            np.concatenate([acc for _, _, acc, _ in ready]),
            np.concatenate([gyr for _, _, _, gyr in ready]),
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
