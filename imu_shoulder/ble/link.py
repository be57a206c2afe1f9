"""The connection to one node: kept up, watched, taken up again, and everything it brings logged."""

from __future__ import annotations

import asyncio
import contextlib
import random
from collections.abc import Coroutine
from dataclasses import dataclass
from enum import Enum

from bleak import BleakClient, BleakScanner
from bleak.backends.characteristic import BleakGATTCharacteristic
from bleak.backends.device import BLEDevice
from bleak.exc import BleakError

from imu_shoulder.ble import gatt
from imu_shoulder.ble.kinds import NodeKind
from imu_shoulder.ble.lives import Ping
from imu_shoulder.ble.meter import LiveMeter
from imu_shoulder.ble.packet import PacketError
from imu_shoulder.log.entries import LinkEntry, NodeEntry, pack, pack_data, pack_state
from imu_shoulder.log.host_clock import host_now_ns
from imu_shoulder.log.records import DATA, LINK, STATE
from imu_shoulder.log.writer import LogThread

PING_S = 2.0
FIRST_PINGS = 20
FIRST_PING_S = 0.4
SILENCE_S = 2.0
LOOK_S = 0.25
# What takes longer than it can by this was not slow: the computer slept, or the process was stopped.
ASLEEP_S = 1.0
BATTERY_S = 60.0
CONNECT_TIMEOUT_S = 10.0
CALL_TIMEOUT_S = 4.0
FIND_S = 3.0
BACKOFF_FIRST_S = 0.5
BACKOFF_MOST_S = 8.0
SETTLED_S = 10.0

# What a lost or refusing node can raise out of bleak and the operating system below it.
LINK_ERRORS = (BleakError, PacketError, TimeoutError, OSError, EOFError)


def ping_wait_s(pings: int, share: float) -> float:
    """How long to wait for the next ping of a connection: short at first, so that the offset is known soon.

    share: random, 0 to 1. Pings must not be in step with the radio's connection events, or every ping would wait for
    one as long as the last did.
    """
    return (FIRST_PING_S if pings < FIRST_PINGS else PING_S) * (0.7 + 0.6 * share)


class LinkState(Enum):
    """What the status line says of a node."""

    CONNECTING = "connecting"
    STREAMING = "streaming"
    LOST = "lost"
    STOPPED = "stopped"


@dataclass(frozen=True, slots=True)
class Wish:
    """What the recorder asks of every node on connecting. rate_hz: None leaves the node as it is."""

    rate_hz: int | None
    set_placement: bool


class NodeLink:
    """Keeps one node streaming into the log until it is told to stop.

    adapter: held while connecting or searching, since an adapter can do that for one node at a time only.
    """

    def __init__(
        self, device: BLEDevice, entry: NodeEntry, kind: NodeKind, wish: Wish, log: LogThread, adapter: asyncio.Lock
    ) -> None:
        self.entry = entry
        self.state = LinkState.CONNECTING
        self.battery_percent: int | None = None
        self.trouble = ""
        self.meter = LiveMeter(kind)
        self._device = device
        self._kind = kind
        self._wish = wish
        self._log = log
        self._adapter = adapter
        self._token = 0
        self._heard_ns = 0

    def _on_data(self, _: BleakGATTCharacteristic, payload: bytearray) -> None:
        # Runs for every notification: stamp, enqueue, nothing else. An async callback would let packets overtake.
        now_ns = host_now_ns()
        self._heard_ns = now_ns
        data = bytes(payload)
        self._log.put(DATA, pack_data(self.entry.node, now_ns, data))
        self.meter.fresh.append((now_ns, data))

    def _on_battery(self, _: BleakGATTCharacteristic, value: bytearray) -> None:
        if value:
            self.battery_percent = value[0]

    async def run(self, stop: asyncio.Event) -> None:
        """Connect, stream and reconnect until stop is set, then leave the node stopped."""
        wait_s = BACKOFF_FIRST_S
        while not stop.is_set():
            began_ns = host_now_ns()
            try:
                if self.state is LinkState.LOST:
                    await self._find()
                await self._connection(stop)
                return
            except LINK_ERRORS as error:
                self.trouble = str(error) or type(error).__name__
            self.state = LinkState.LOST
            if host_now_ns() - began_ns > SETTLED_S * 1e9:
                wait_s = BACKOFF_FIRST_S
            # Nodes lost together (the athlete left the room) must not all come back at the same moment.
            with contextlib.suppress(TimeoutError):
                await asyncio.wait_for(stop.wait(), wait_s * random.uniform(0.8, 1.2))
            wait_s = min(2 * wait_s, BACKOFF_MOST_S)
        self.state = LinkState.STOPPED

    async def _find(self) -> None:
        """Wait until a lost node is heard. Connecting to one out of reach would hold the adapter much longer, and the
        operating system may have forgotten it meanwhile."""
        async with self._adapter:
            found = await BleakScanner.find_device_by_address(
                self.entry.address, timeout=FIND_S, service_uuids=[self._kind.service_uuid]
            )
        if found is None:
            raise BleakError("out of reach")
        self._device = found

    async def _connection(self, stop: asyncio.Event) -> None:
        """One connection, from its beginning to its end. Returns when stopped, raises one of LINK_ERRORS when lost."""
        gone = asyncio.Event()
        client = BleakClient(self._device, lambda _: gone.set(), timeout=CONNECT_TIMEOUT_S)
        connected = False
        try:
            async with self._adapter:
                await client.connect()
            connected = True
            self._log.put(LINK, pack(LinkEntry(self.entry.node, host_now_ns(), True)))
            async with asyncio.timeout(CALL_TIMEOUT_S):
                placement = self.entry.placement if self._wish.set_placement else None
                await self._kind.set_up(client, self._wish.rate_hz, placement)
            await self._ping(client)
            async with asyncio.timeout(CALL_TIMEOUT_S):
                await client.start_notify(self._kind.data_uuid, self._on_data)
                await self._kind.start(client)
            await self._start_battery(client)
            self._heard_ns = host_now_ns()
            self.state = LinkState.STREAMING
            await self._watch(client, gone, stop)
        except LINK_ERRORS as error:
            if connected:
                reason = str(error) or type(error).__name__
                self._log.put(LINK, pack(LinkEntry(self.entry.node, host_now_ns(), False, reason[:200])))
            raise
        finally:
            with contextlib.suppress(*LINK_ERRORS):
                async with asyncio.timeout(CALL_TIMEOUT_S):
                    await client.disconnect()

    async def _watch(self, client: BleakClient, gone: asyncio.Event, stop: asyncio.Event) -> None:
        """Ping, look at the battery, and notice when the node falls silent."""
        read_ns = ping_ns = host_now_ns()
        pings = 0
        while not stop.is_set():
            looked_ns = host_now_ns()
            waiting = [asyncio.ensure_future(gone.wait()), asyncio.ensure_future(stop.wait())]
            await asyncio.wait(waiting, timeout=LOOK_S, return_when=asyncio.FIRST_COMPLETED)
            for task in waiting:
                task.cancel()
            self._slept(looked_ns, LOOK_S)
            now_ns = host_now_ns()
            if gone.is_set():
                raise BleakError("the connection was lost")
            if now_ns - self._heard_ns > SILENCE_S * 1e9:
                raise BleakError(f"the node was connected but silent for {SILENCE_S:g} s")
            if now_ns >= ping_ns:
                await self._unless_asleep(self._ping(client))
                pings += 1
                ping_ns = host_now_ns() + round(1e9 * ping_wait_s(pings, random.random()))
            if now_ns - read_ns >= BATTERY_S * 1e9:
                read_ns = now_ns
                await self._unless_asleep(self._read_battery(client))
        async with asyncio.timeout(CALL_TIMEOUT_S):
            await self._kind.stop(client)
        self.state = LinkState.STOPPED
        with contextlib.suppress(*LINK_ERRORS):
            await self._ping(client)  # places what came after a restart that no ping has seen yet

    async def _unless_asleep(self, call: Coroutine[None, None, None]) -> None:
        """Await a call to the node. One that the computer slept through says nothing of the link if it fails."""
        begun_ns = host_now_ns()
        try:
            await call
        except TimeoutError:
            if host_now_ns() - begun_ns <= (CALL_TIMEOUT_S + ASLEEP_S) * 1e9:
                raise
        self._slept(begun_ns, 0.0)

    def _slept(self, begun_ns: int, should_take_s: float) -> None:
        """Nothing is heard in sleep: if there was one since begun_ns, silence begins now."""
        now_ns = host_now_ns()
        if now_ns - begun_ns > (should_take_s + ASLEEP_S) * 1e9:
            self._heard_ns = now_ns

    async def _ping(self, client: BleakClient) -> None:
        """Log a clock ping with the node's state."""
        self._token = self._token % 0xFFFF + 1
        async with asyncio.timeout(CALL_TIMEOUT_S):
            before_ns = host_now_ns()
            await self._kind.ping(client, self._token)
            after_ns = host_now_ns()
            value = await self._kind.read_state(client)
        state = self._kind.decode_state(value)
        if state.ping_ticks is not None and state.token != self._token:
            raise PacketError(f"the answer to ping {self._token}", f"that to {state.token} came", "check the firmware")
        self._log.put(STATE, pack_state(self.entry.node, before_ns, after_ns, value))
        self.meter.fresh.append(Ping(before_ns / 1e9, after_ns / 1e9, state))

    async def _start_battery(self, client: BleakClient) -> None:
        await self._read_battery(client)
        if self.battery_percent is not None:
            async with asyncio.timeout(CALL_TIMEOUT_S):
                await client.start_notify(gatt.BATTERY_LEVEL_UUID, self._on_battery)

    async def _read_battery(self, client: BleakClient) -> None:
        level = client.services.get_characteristic(gatt.BATTERY_LEVEL_UUID)
        if level is not None:  # the one thing here a node may lack
            async with asyncio.timeout(CALL_TIMEOUT_S):
                self._on_battery(level, await client.read_gatt_char(level))
