"""org.bluez for tests: object manager, one adapter, devices with GATT services, notifications by signal or by socket.

Run as a process of its own, so that its load is not the recorder's:
    python -m fake_bluez.server BUS_ADDRESS SCRIPT.json TRUTH.json
It says "ready" with the host time of the script's zero, and writes the truth when it is told to stop (SIGTERM).
"""

from __future__ import annotations

import asyncio
import json
import os
import signal
import socket
import sys
from collections import Counter
from collections.abc import Coroutine
from pathlib import Path
from typing import Any

from dbus_fast import Message, MessageFlag, MessageType, Variant
from dbus_fast.aio import MessageBus

from fake_bluez.node import CONNECTION_INTERVAL_S, KEEP_COUNTING_S, Made, SimulatedNode, script_from
from imu_shoulder.ble import gatt, packet
from imu_shoulder.log.host_clock import host_now_ns

ADAPTER = "/org/bluez/hci0"
CONNECT_S = 0.05
FORGET_S = 3.0
LUMP = 20
FAILED = "org.bluez.Error.Failed"


class Device:
    """One simulated device as BlueZ would show it."""

    def __init__(self, server: Server, node: SimulatedNode, service_uuid: str, name: str) -> None:
        self._server = server
        self.node = node
        self.service_uuid = service_uuid
        self.name = name
        self.path = f"{ADAPTER}/dev_{node.script.address.replace(':', '_')}"
        self.known = self.connected = False
        self.heard_s = 0.0
        self.told_percent = node.script.battery_percent
        self.notifying: set[str] = set()
        self.sockets: dict[str, socket.socket] = {}
        self.packets: list[Made] = []
        self.counts: Counter[str] = Counter()
        self.uuid_of = {
            path: str(found["org.bluez.GattCharacteristic1"]["UUID"].value)
            for path, found in self.gatt_objects().items()
            if "org.bluez.GattCharacteristic1" in found
        }

    @property
    def battery_percent(self) -> int:
        script = self.node.script
        return script.battery_percent - int(self._server.now_s() / script.battery_s_per_percent)

    def properties(self) -> dict[str, Variant]:
        advert = packet.Advert(self.node.state.placement, self.battery_percent, self.node.state.boot)
        data = {self.service_uuid: Variant("ay", packet.encode_advert(advert))}
        return {
            "Address": Variant("s", self.node.script.address),
            "AddressType": Variant("s", "random"),
            "Name": Variant("s", self.name),
            "Alias": Variant("s", self.name),
            "Adapter": Variant("o", ADAPTER),
            "Paired": Variant("b", False),
            "Connected": Variant("b", self.connected),
            "ServicesResolved": Variant("b", self.connected),
            "RSSI": Variant("n", -60),
            "UUIDs": Variant("as", [self.service_uuid]),
            "ServiceData": Variant("a{sv}", data),
        }

    def gatt_objects(self) -> dict[str, dict[str, dict[str, Variant]]]:
        """Services and characteristics; the last four digits of a path are the attribute handle, as in BlueZ."""
        mtu = self.node.script.payload_bytes + 3
        layout = [
            (0x10, self.service_uuid, [(gatt.DATA_UUID, ["notify"]), (gatt.CONTROL_UUID, ["read", "write"])]),
            (0x20, gatt.BATTERY_SERVICE_UUID, [(gatt.BATTERY_LEVEL_UUID, ["read", "notify"])]),
            (
                0x30,
                gatt.DEVICE_INFORMATION_SERVICE_UUID,
                [(gatt.MODEL_NUMBER_UUID, ["read"]), (gatt.FIRMWARE_REVISION_UUID, ["read"])],
            ),
        ]
        objects: dict[str, dict[str, dict[str, Variant]]] = {}
        for handle, uuid, characteristics in layout:
            service = f"{self.path}/service{handle:04x}"
            objects[service] = {
                "org.bluez.GattService1": {
                    "UUID": Variant("s", uuid),
                    "Device": Variant("o", self.path),
                    "Primary": Variant("b", True),
                }
            }
            for place, (char_uuid, flags) in enumerate(characteristics):
                properties = {
                    "UUID": Variant("s", char_uuid),
                    "Service": Variant("o", service),
                    "Flags": Variant("as", flags),
                    "MTU": Variant("q", mtu),
                }
                if "notify" in flags:
                    properties["NotifyAcquired"] = Variant("b", False)
                objects[f"{service}/char{handle + 2 + 3 * place:04x}"] = {"org.bluez.GattCharacteristic1": properties}
        return objects

    def notify(self, uuid: str, value: bytes) -> bool:
        """Hand one value to whoever asked for it. False if nobody did, or its socket is full."""
        path = next(p for p, found in self.uuid_of.items() if found == uuid)
        if path in self.sockets:
            try:
                self.sockets[path].send(value)
            except OSError:
                self.counts["socket_refused"] += 1
                return False
            return True
        if path not in self.notifying:
            return False
        self._server.changed(path, "org.bluez.GattCharacteristic1", {"Value": Variant("ay", value)})
        return True

    def drop_link(self, now_s: float) -> None:
        if not self.connected:
            return
        self.connected = False
        self.node.unheard_since_s = now_s
        self.notifying.clear()
        for end in self.sockets.values():
            end.close()
        self.sockets.clear()
        self._server.changed(
            self.path, "org.bluez.Device1", {"ServicesResolved": Variant("b", False), "Connected": Variant("b", False)}
        )
        for path, interfaces in reversed(self.gatt_objects().items()):
            self._server.removed(path, list(interfaces))

    async def run(self) -> None:
        """The node's own life: make packets, hand them over at connection events, follow the script."""
        node = self.node
        while True:
            now_s = self._server.now_s()
            await asyncio.sleep(max(0.0, node.next_event_s(now_s) - now_s))
            now_s = self._server.now_s()
            for place, made in enumerate(node.make(now_s)):
                if place > LUMP:
                    await asyncio.sleep(0.001)  # as fast as a radio could, and no faster than the bus takes it
                fate = made.fate
                if fate == "sent" and node.silent(now_s):
                    fate = "lost"
                if fate == "sent" and not (self.connected and self.notify(gatt.DATA_UUID, made.payload)):
                    fate = "unheard"
                self.counts[fate] += 1
                self.packets.append(Made(made.life, made.sequence, made.first_s, made.count, b"", fate))
            if self.connected and self.battery_percent != self.told_percent:
                self.told_percent = self.battery_percent
                self.notify(gatt.BATTERY_LEVEL_UUID, bytes([self.told_percent]))
            if node.reboot_due(now_s) or not node.in_range(now_s):
                self.drop_link(now_s)
            if node.unheard_since_s is not None and now_s - node.unheard_since_s > KEEP_COUNTING_S:
                node.command(packet.STOP, now_s)

    def truth(self) -> dict[str, Any]:
        packets = [[m.life, m.sequence, m.first_s, m.count, m.fate] for m in self.packets]
        return self.node.truth() | {"packets": packets, "counts": dict(self.counts)}


class Server:
    """The bus name org.bluez and its objects."""

    def __init__(self, script: dict[str, Any]) -> None:
        self._zero_ns = host_now_ns()
        self.devices = {
            d.path: d for d in (self._device(table, gatt.SERVICE_UUID, "node") for table in script["nodes"])
        } | {d.path: d for d in (self._device(table, table.pop("uuid"), "node") for table in script.get("decoys", []))}
        self._discovering = False
        self._wanted: list[str] = []
        self._connecting: Device | None = None
        self.counts: Counter[str] = Counter()
        self._tasks: set[asyncio.Task[None]] = set()

    def _device(self, table: dict[str, Any], uuid: str, name: str) -> Device:
        return Device(self, SimulatedNode(script_from(table)), uuid, name)

    def now_s(self) -> float:
        return (host_now_ns() - self._zero_ns) / 1e9

    def changed(self, path: str, interface: str, properties: dict[str, Variant]) -> None:
        self._bus.send(
            Message.new_signal(
                path,
                "org.freedesktop.DBus.Properties",
                "PropertiesChanged",
                "sa{sv}as",
                [interface, properties, []],
            )
        )

    def added(self, path: str, interfaces: dict[str, dict[str, Variant]]) -> None:
        self._bus.send(
            Message.new_signal(
                "/", "org.freedesktop.DBus.ObjectManager", "InterfacesAdded", "oa{sa{sv}}", [path, interfaces]
            )
        )

    def removed(self, path: str, interfaces: list[str]) -> None:
        self._bus.send(
            Message.new_signal(
                "/", "org.freedesktop.DBus.ObjectManager", "InterfacesRemoved", "oas", [path, interfaces]
            )
        )

    def _objects(self) -> dict[str, dict[str, dict[str, Variant]]]:
        objects = {
            ADAPTER: {
                "org.bluez.Adapter1": {
                    "Address": Variant("s", "02:00:00:00:00:01"),
                    "Powered": Variant("b", True),
                    "Roles": Variant("as", ["central"]),
                }
            }
        }
        for device in self.devices.values():
            if device.known:
                objects[device.path] = {"org.bluez.Device1": device.properties()}
                if device.connected:
                    objects |= device.gatt_objects()
        return objects

    def handle(self, message: Message) -> Message | bool | None:
        if message.message_type is not MessageType.METHOD_CALL:
            return None
        if MessageFlag.NO_REPLY_EXPECTED in message.flags and message.member != "Disconnect":
            return None
        if message.member == "GetManagedObjects":
            return Message.new_method_return(message, "a{oa{sa{sv}}}", [self._objects()])
        if message.path == ADAPTER:
            return self._adapter(message)
        device = next((d for p, d in self.devices.items() if message.path and message.path.startswith(p)), None)
        if device is None or not device.known:
            return Message.new_error(message, "org.freedesktop.DBus.Error.UnknownObject", "no such object")
        if message.interface == "org.bluez.Device1":
            self._spawn(self._device_call(device, message))
            return True
        if message.interface == "org.bluez.GattCharacteristic1":
            return self._characteristic(device, message)
        return None

    def _adapter(self, message: Message) -> Message:
        if message.member == "SetDiscoveryFilter":
            filters = message.body[0]
            self._wanted = [uuid.lower() for uuid in filters["UUIDs"].value] if "UUIDs" in filters else []
        elif message.member == "StartDiscovery":
            self._discovering = True
            self.counts["scans"] += 1
        elif message.member == "StopDiscovery":
            self._discovering = False
        return Message.new_method_return(message)

    async def _device_call(self, device: Device, message: Message) -> None:
        if message.member == "Connect":
            if self._connecting is not None:
                self.counts["connects_at_once"] += 1
                reply = Message.new_error(message, "org.bluez.Error.InProgress", "Operation already in progress")
            else:
                self._connecting = device
                await asyncio.sleep(CONNECT_S)
                self._connecting = None
                reply = self._connect(device, message)
        else:
            device.drop_link(self.now_s())
            reply = Message.new_method_return(message)
        await self._bus.send(reply)

    def _connect(self, device: Device, message: Message) -> Message:
        self.counts["connects"] += 1
        if not device.node.in_range(self.now_s()):
            return Message.new_error(message, FAILED, "le-connection-abort-by-peer")
        device.connected = True
        device.node.unheard_since_s = None
        self.changed(device.path, "org.bluez.Device1", {"Connected": Variant("b", True)})
        for path, interfaces in device.gatt_objects().items():
            self.added(path, interfaces)
        self.changed(device.path, "org.bluez.Device1", {"ServicesResolved": Variant("b", True)})
        return Message.new_method_return(message)

    async def _write(self, device: Device, message: Message) -> None:
        """A write travels at the next connection event and is acknowledged at the one after it."""
        node = device.node
        await asyncio.sleep(max(0.0, node.next_event_s(self.now_s()) - self.now_s()))
        node.command(bytes(message.body[0]), self.now_s())
        await asyncio.sleep(CONNECTION_INTERVAL_S)
        await self._bus.send(Message.new_method_return(message))

    def _spawn(self, work: Coroutine[Any, Any, None]) -> None:
        task = asyncio.get_running_loop().create_task(work)
        self._tasks.add(task)
        task.add_done_callback(self._tasks.discard)

    def _characteristic(self, device: Device, message: Message) -> Message | bool:
        if not device.connected:
            return Message.new_error(message, FAILED, "Not connected")
        path = message.path or ""
        uuid = device.uuid_of[path]
        if message.member == "ReadValue":
            values = {
                gatt.CONTROL_UUID: device.node.read(),
                gatt.BATTERY_LEVEL_UUID: bytes([device.battery_percent]),
                gatt.MODEL_NUMBER_UUID: b"simulated",
                gatt.FIRMWARE_REVISION_UUID: b"1",
            }
            return Message.new_method_return(message, "ay", [values[uuid]])
        if message.member == "WriteValue":
            self._spawn(self._write(device, message))
            return True
        if message.member == "StartNotify":
            device.notifying.add(path)
            return Message.new_method_return(message)
        if message.member == "StopNotify":
            device.notifying.discard(path)
            return Message.new_method_return(message)
        if message.member == "AcquireNotify":
            ours, theirs = socket.socketpair(socket.AF_UNIX, socket.SOCK_SEQPACKET)
            ours.setblocking(False)
            device.sockets[path] = ours
            return Message.new_method_return(
                message, "hq", [0, device.node.script.payload_bytes + 3], unix_fds=[theirs.detach()]
            )
        return Message.new_error(message, "org.freedesktop.DBus.Error.UnknownMethod", message.member or "")

    async def _advertise(self) -> None:
        """Show devices that advertise while somebody scans; forget those unheard for a while."""
        while True:
            await asyncio.sleep(0.1)
            now_s = self.now_s()
            for device in self.devices.values():
                if device.connected:
                    device.heard_s = now_s
                elif device.node.in_range(now_s) and self._discovering:
                    device.heard_s = now_s
                    if device.known:
                        self.changed(device.path, "org.bluez.Device1", {"RSSI": Variant("n", -60)})
                    elif not self._wanted or device.service_uuid in self._wanted:
                        device.known = True
                        self.added(device.path, {"org.bluez.Device1": device.properties()})
                elif device.known and now_s - device.heard_s > FORGET_S and self._connecting is not device:
                    device.known = False
                    self.removed(device.path, ["org.bluez.Device1"])

    def _wander(self) -> None:
        for device in self.devices.values():
            device.node.away = device.node.script.wanders and not device.node.away

    async def run(self, address: str, truth: Path) -> None:
        self._bus = MessageBus(bus_address=address, negotiate_unix_fd=True)
        await self._bus.connect()
        self._bus.add_message_handler(self.handle)
        await self._bus.request_name("org.bluez")
        stop = asyncio.Event()
        asyncio.get_running_loop().add_signal_handler(signal.SIGTERM, stop.set)
        asyncio.get_running_loop().add_signal_handler(signal.SIGUSR2, self._wander)
        tasks = [asyncio.create_task(device.run()) for device in self.devices.values()]
        tasks.append(asyncio.create_task(self._advertise()))
        print("ready", self._zero_ns, flush=True)
        await asyncio.wait([asyncio.create_task(stop.wait()), *tasks], return_when=asyncio.FIRST_COMPLETED)
        for task in tasks:
            if task.done():
                task.result()  # a broken simulation must not look like a quiet one
            task.cancel()
        found = {"zero_ns": self._zero_ns, "counts": dict(self.counts)}
        found["nodes"] = [device.truth() for device in self.devices.values()]
        truth.write_text(json.dumps(found))
        self._bus.disconnect()


if __name__ == "__main__":
    os.environ.pop("DBUS_SYSTEM_BUS_ADDRESS", None)
    asyncio.run(Server(json.loads(Path(sys.argv[2]).read_text())).run(sys.argv[1], Path(sys.argv[3])))
