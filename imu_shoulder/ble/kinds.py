"""Kinds of node. Ours is the contract of firmware_notes; a sensor with firmware of its own adds one more.

Such a kind is one class that fulfils NodeKind, registered by its package under the entry point group
`imu_shoulder.nodes`; docs/recording.md shows one.
"""

from __future__ import annotations

from functools import cache
from importlib.metadata import entry_points
from typing import TYPE_CHECKING, Protocol

from imu_shoulder.ble import gatt, packet
from imu_shoulder.ble.packet import NodeState, Packet
from imu_shoulder.errors import ParameterError

if TYPE_CHECKING:
    from bleak import BleakClient

ENTRY_POINTS = "imu_shoulder.nodes"


class NodeKind(Protocol):
    """How to talk to one kind of node and what its bytes mean.

    name: kept in the log, so that the raw bytes can be read later. service_uuid: what is scanned for.
    data_uuid: the characteristic that notifies. sequence_modulus, ticks_modulus: where its counters wrap.
    ticks_per_s: of its clock.
    """

    name: str
    service_uuid: str
    data_uuid: str
    sequence_modulus: int
    ticks_modulus: int
    ticks_per_s: float

    async def set_up(self, client: BleakClient, rate_hz: int | None, placement: str | None) -> None:
        """Ask for a rate and a placement, where they are given and the node is not streaming."""

    async def start(self, client: BleakClient) -> None:
        """Begin streaming, or go on."""

    async def stop(self, client: BleakClient) -> None:
        """End streaming."""

    async def ping(self, client: BleakClient, token: int) -> None:
        """Make the node stamp this moment with its clock. Returns when the node acknowledged.

        A kind without such a stamp does nothing here and gives states without ping_ticks: the drift is then still
        fitted from the arrivals, but the offset has only one bound and no known error.
        """

    async def read_state(self, client: BleakClient) -> bytes:
        """The state with the stamp of the last ping, as decode_state takes it.

        Its boot must change whenever the node's clock starts anew; a kind that cannot tell counts connections. Where
        it does not, the clock shows it.
        """

    def decode_state(self, value: bytes) -> NodeState:
        """Raises PacketError."""

    def decode_packet(self, payload: bytes) -> Packet:
        """Raises PacketError."""


class ContractNode:
    """A node that keeps firmware_notes/README.md."""

    name = "contract-1"
    service_uuid = gatt.SERVICE_UUID
    data_uuid = gatt.DATA_UUID
    sequence_modulus = packet.SEQUENCE_MODULUS
    ticks_modulus = packet.TICKS_MODULUS
    ticks_per_s = float(packet.TICKS_PER_S)

    async def set_up(self, client: BleakClient, rate_hz: int | None, placement: str | None) -> None:
        if placement is not None:
            await self._command(client, packet.command_placement(placement))
        if rate_hz is not None and self.decode_state(await self.read_state(client)).rate_hz != rate_hz:
            await self._command(client, packet.STOP)
            await self._command(client, packet.command_rate(rate_hz))

    async def start(self, client: BleakClient) -> None:
        await self._command(client, packet.START)

    async def stop(self, client: BleakClient) -> None:
        await self._command(client, packet.STOP)

    async def ping(self, client: BleakClient, token: int) -> None:
        await client.write_gatt_char(gatt.CONTROL_UUID, packet.command_ping(token), response=True)

    async def read_state(self, client: BleakClient) -> bytes:
        return bytes(await client.read_gatt_char(gatt.CONTROL_UUID))

    async def _command(self, client: BleakClient, value: bytes) -> None:
        await client.write_gatt_char(gatt.CONTROL_UUID, value, response=True)
        status = self.decode_state(await self.read_state(client)).status
        if status != packet.STATUS_OK:
            raise packet.PacketError(
                "the node to take a command",
                f"it answered {value.hex()} with outcome {status}",
                "check the value against firmware_notes and the node's battery",
            )

    def decode_state(self, value: bytes) -> NodeState:
        return packet.decode_state(value)

    def decode_packet(self, payload: bytes) -> Packet:
        return packet.decode_packet(payload)


@cache
def node_kinds() -> dict[str, NodeKind]:
    """All kinds by name: ours and those that installed packages register."""
    kinds: list[NodeKind] = [ContractNode()]
    kinds += [entry.load()() for entry in entry_points(group=ENTRY_POINTS)]
    return {kind.name: kind for kind in kinds}


def node_kind(name: str) -> NodeKind:
    """The kind of a name. Raises ParameterError."""
    try:
        return node_kinds()[name]
    except KeyError:
        raise ParameterError(
            f"a kind of node out of {', '.join(node_kinds())}",
            f"the name was {name!r}",
            "install the package that registers it",
        ) from None
