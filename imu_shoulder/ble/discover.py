"""Finding nodes: by the service they advertise, never by name."""

from __future__ import annotations

import contextlib
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass

from bleak import BleakAdapter, BleakClient, BleakScanner
from bleak.backends.device import BLEDevice
from bleak.backends.scanner import AdvertisementData
from bleak.exc import BleakError

from imu_shoulder.ble import gatt
from imu_shoulder.ble.kinds import NodeKind, node_kinds
from imu_shoulder.ble.packet import Advert, PacketError, decode_advert
from imu_shoulder.errors import ParameterError, ShoulderError
from imu_shoulder.log.entries import NodeEntry
from imu_shoulder.log.unfinished import Unfinished
from imu_shoulder.model import PLACEMENTS


class BluetoothError(ShoulderError):
    """The machine's Bluetooth cannot be used, or the nodes cannot be found."""


@dataclass(frozen=True, slots=True)
class FoundNode:
    """A node in reach. advert: what its scan response says, None if it says nothing readable.

    busy: this computer is connected to it already, so it does not advertise: another recording has it, or one that was
    killed left it connected.
    """

    device: BLEDevice
    kind: NodeKind
    rssi_dbm: int
    advert: Advert | None
    busy: bool = False


async def find_nodes(seconds: float, free: Collection[str] = ()) -> tuple[FoundNode, ...]:
    """Scan and return the nodes that were heard, strongest first, then busy ones.

    free: addresses whose connections are ended first, because the process that had them is known to be gone.
    Raises BluetoothError.
    """
    kinds = {kind.service_uuid: kind for kind in node_kinds().values()}
    try:
        adapter = await BleakAdapter.get()
        for device in await adapter.get_connected_devices(list(kinds)):
            if device.address in free:
                with contextlib.suppress(BleakError, TimeoutError):
                    async with BleakClient(device):
                        pass
        heard = await BleakScanner.discover(seconds, service_uuids=list(kinds), return_adv=True)
        busy = {
            device.address: FoundNode(device, kind, 0, None, busy=True)
            for uuid, kind in kinds.items()
            for device in await adapter.get_connected_devices([uuid])
        }
    except (BleakError, OSError) as error:
        raise BluetoothError(
            "a Bluetooth adapter that is switched on", f"scanning failed ({error})", "switch Bluetooth on and try again"
        ) from error
    found = [_found(device, data, kinds) for device, data in heard.values() if device.address not in busy]
    return (*sorted(found, key=lambda node: (-node.rssi_dbm, node.device.address)), *busy.values())


def _found(device: BLEDevice, data: AdvertisementData, kinds: Mapping[str, NodeKind]) -> FoundNode:
    kind = next(kinds[uuid] for uuid in data.service_uuids if uuid in kinds)
    try:
        advert = decode_advert(data.service_data[gatt.SERVICE_UUID])
    except (KeyError, PacketError):
        advert = None
    return FoundNode(device, kind, data.rssi, advert)


def assign_placements(found: Sequence[FoundNode], wished: Mapping[str, str]) -> dict[str, FoundNode]:
    """Which node is worn where. wished: placement by address; without it the nodes' own placements count.

    Raises ParameterError or BluetoothError where that does not give every node one place of its own.
    """
    for placement in wished.values():
        if placement not in PLACEMENTS:
            raise ParameterError(
                f"a placement out of {', '.join(PLACEMENTS)}", f"it was {placement!r}", "use one of these"
            )
    ready = [node for node in found if not node.busy]
    by_address = {node.device.address.upper(): node for node in ready}
    missing = [address for address in wished if address.upper() not in by_address]
    busy = ", ".join(node.device.address for node in found if node.busy)
    if busy and (missing or not ready):
        raise BluetoothError(
            "nodes that nobody is connected to",
            f"this computer is connected to {busy} already",
            "stop the other recording, or switch the node off and on if that was killed",
        )
    if missing:
        raise BluetoothError(
            f"{', '.join(missing)} in reach",
            f"{', '.join(by_address) or 'no node'} answered",
            "wake it and come closer",
        )
    if wished:
        pairs = [(placement, by_address[address.upper()]) for address, placement in wished.items()]
    else:
        pairs = [(node.advert.placement, node) for node in ready if node.advert and node.advert.placement]
        unplaced = [node.device.address for node in ready if not (node.advert and node.advert.placement)]
        if unplaced:
            raise BluetoothError(
                "every node to know where it is worn",
                f"{', '.join(unplaced)} does not",
                f"give it once, as --node {unplaced[0]}=right_wrist",
            )
    if not pairs:
        raise BluetoothError(
            "a node in reach", "none answered", "wake the nodes and come closer, or see docs/recording.md"
        )
    placed = dict(pairs)
    if len(placed) < len(pairs):
        names = [placement for placement, _ in pairs]
        twice = next(name for name in names if names.count(name) > 1)
        both = ", ".join(node.device.address for placement, node in pairs if placement == twice)
        raise BluetoothError(
            "one node at each place", f"{twice} is claimed by {both}", "give every node its place with --node"
        )
    return placed


def node_entries(placed: Mapping[str, FoundNode], earlier: Unfinished | None) -> dict[str, NodeEntry]:
    """The nodes by placement as a log introduces them: each keeps the number it had in the log before."""
    known = () if earlier is None else earlier.nodes
    numbers = {(entry.address, entry.placement): entry.node for entry in known}
    return {
        placement: NodeEntry(
            numbers.setdefault((node.device.address, placement), 1 + max(numbers.values(), default=-1)),
            node.device.address,
            placement,
            node.kind.name,
        )
        for placement, node in placed.items()
    }
