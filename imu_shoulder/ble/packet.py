"""The bytes a node sends and takes: data packets, the state it is read as, the commands it is written.

Little endian throughout. firmware_notes/README.md is the contract in words, firmware_notes/node_packet.c the
reference in C; tests hold all three to the same bytes.
"""

from __future__ import annotations

import struct
from binascii import crc_hqx
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from imu_shoulder.errors import ShoulderError
from imu_shoulder.model import PLACEMENTS
from imu_shoulder.units import GYR_UNIT_RAD_S, STANDARD_GRAVITY_M_S2

VERSION = 1
TICKS_PER_S = 32768
TICKS_MODULUS = 1 << 24
SEQUENCE_MODULUS = 1 << 16

FLAG_MAG = 1
FLAG_FIRST = 2
FLAG_OVERRUN = 4
_KNOWN_FLAGS = FLAG_MAG | FLAG_FIRST | FLAG_OVERRUN

_HEADER = struct.Struct("<BHHB")
_CRC = struct.Struct("<H")
_OVERHEAD = _HEADER.size + _CRC.size
MAX_PAYLOAD = 244
MAG_UNIT_UT = 0.1

ACC_RANGES_G = (2, 4, 8, 16)
GYR_RANGES_DEG_S = (250, 500, 1000, 2000)
RATES_HZ = (50, 100, 200, 400, 500)
NO_PLACEMENT = 255


class PacketError(ShoulderError):
    """Bytes from a node that do not follow the contract."""


def _refuse(expected: str, came: str) -> PacketError:
    return PacketError(expected, came, "check the node's firmware against firmware_notes")


def crc16(data: bytes) -> int:
    """CRC-16 with polynomial 0x1021, start 0xFFFF, no reflection (check value of "123456789": 0x29B1)."""
    return crc_hqx(data, 0xFFFF)


@dataclass(frozen=True, slots=True, eq=False)
class Packet:
    """One notification of the data characteristic.

    sequence: counts packets, modulo 65536. ticks: node clock at the first sample, modulo 2**24, 32768 per second.
    acc, gyr: (N, 3) int16 counts of the ranges in the node's state. mag: (N, 3) counts of 0.1 microtesla, or None.
    first: no packet came before it since the node booted or stopped. overrun: the node lost samples before it.
    """

    sequence: int
    ticks: int
    acc: NDArray[np.int16]
    gyr: NDArray[np.int16]
    mag: NDArray[np.int16] | None = None
    first: bool = False
    overrun: bool = False

    @property
    def count(self) -> int:
        return len(self.acc)


def samples_per_packet(payload_bytes: int, with_mag: bool = False) -> int:
    """How many samples fit in one notification (0 if none does)."""
    return max(0, (payload_bytes - _OVERHEAD) // (18 if with_mag else 12))


def encode_packet(packet: Packet) -> bytes:
    """The notification's bytes. Raises PacketError if the packet cannot be sent."""
    blocks = [packet.acc, packet.gyr] + ([] if packet.mag is None else [packet.mag])
    if packet.count == 0 or any(block.shape != (packet.count, 3) for block in blocks):
        raise _refuse("sensor blocks of one shape (N, 3) with N of 1 or more", f"{[b.shape for b in blocks]} came")
    if not 0 <= packet.sequence < SEQUENCE_MODULUS or not 0 <= packet.ticks < TICKS_MODULUS:
        raise _refuse("a 16-bit sequence and 24-bit ticks", f"{packet.sequence} and {packet.ticks} came")
    flags = FLAG_MAG * (packet.mag is not None) | FLAG_FIRST * packet.first | FLAG_OVERRUN * packet.overrun
    body = _HEADER.pack(VERSION << 4 | flags, packet.sequence, packet.ticks & 0xFFFF, packet.ticks >> 16)
    body += np.hstack(blocks).astype("<i2").tobytes()
    if len(body) + _CRC.size > MAX_PAYLOAD:
        raise _refuse(f"{MAX_PAYLOAD} bytes or less", f"{packet.count} samples need {len(body) + _CRC.size}")
    return body + _CRC.pack(crc16(body))


def decode_packet(payload: bytes) -> Packet:
    """The packet in one notification. Raises PacketError for anything that is not exactly one packet."""
    if not _OVERHEAD < len(payload) <= MAX_PAYLOAD:
        raise _refuse(f"a packet of {_OVERHEAD + 12} to {MAX_PAYLOAD} bytes", f"{len(payload)} bytes came")
    body = payload[: -_CRC.size]
    if crc16(body) != int.from_bytes(payload[-_CRC.size :], "little"):
        raise _refuse("a packet whose checksum fits", "it does not fit")
    head, sequence, ticks_low, ticks_high = _HEADER.unpack_from(body)
    if head >> 4 != VERSION:
        raise _refuse(f"packet version {VERSION}", f"version {head >> 4} came")
    flags = head & 15
    if flags & ~_KNOWN_FLAGS:
        raise _refuse("only known flags", f"flags {flags:#x} came")
    columns = 9 if flags & FLAG_MAG else 6
    count, rest = divmod(len(body) - _HEADER.size, 2 * columns)
    if count == 0 or rest:
        raise _refuse(f"whole samples of {2 * columns} bytes", f"{len(body) - _HEADER.size} bytes of samples came")
    counts = np.frombuffer(body, "<i2", offset=_HEADER.size).reshape(count, columns)
    return Packet(
        sequence,
        ticks_high << 16 | ticks_low,
        counts[:, :3],
        counts[:, 3:6],
        counts[:, 6:] if flags & FLAG_MAG else None,
        first=bool(flags & FLAG_FIRST),
        overrun=bool(flags & FLAG_OVERRUN),
    )


STATUS_OK, STATUS_UNKNOWN, STATUS_BAD_VALUE, STATUS_BUSY = range(4)
_STATE = struct.Struct("<BBBBHBHHHIH")


@dataclass(frozen=True, slots=True)
class NodeState:
    """What a read of the control characteristic returns.

    status: outcome of the last command. boot: counts the node's starts, modulo 65536. token, ping_ticks: the last
    ping's token and the node clock (48 bit, 32768 per second) when it arrived; no ticks where a kind knows no ping.
    """

    status: int
    streaming: bool
    with_mag: bool
    placement: str | None
    rate_hz: int
    acc_range_g: int
    gyr_range_deg_s: int
    boot: int
    token: int
    ping_ticks: int | None

    @property
    def acc_m_s2_per_count(self) -> float:
        return self.acc_range_g * STANDARD_GRAVITY_M_S2 / 32768

    @property
    def gyr_rad_s_per_count(self) -> float:
        return self.gyr_range_deg_s * GYR_UNIT_RAD_S["deg/s"] / 32768


def placement_code(placement: str | None) -> int:
    """The byte that stands for a placement: its place in model.PLACEMENTS, 255 for none."""
    return NO_PLACEMENT if placement is None else PLACEMENTS.index(placement)


def encode_state(state: NodeState) -> bytes:
    """The 21 bytes of a state (they fit one read at the smallest ATT_MTU)."""
    ticks = state.ping_ticks or 0  # a node of the contract that was never pinged reads 0
    body = _STATE.pack(
        VERSION,
        state.status,
        state.streaming | state.with_mag << 1,
        placement_code(state.placement),
        state.rate_hz,
        state.acc_range_g,
        state.gyr_range_deg_s,
        state.boot,
        state.token,
        ticks & 0xFFFFFFFF,
        ticks >> 32,
    )
    return body + _CRC.pack(crc16(body))


def decode_state(value: bytes) -> NodeState:
    """The state in a read of the control characteristic. Raises PacketError."""
    if len(value) != _STATE.size + _CRC.size:
        raise _refuse(f"a state of {_STATE.size + _CRC.size} bytes", f"{len(value)} bytes came")
    if crc16(value[: _STATE.size]) != int.from_bytes(value[_STATE.size :], "little"):
        raise _refuse("a state whose checksum fits", "it does not fit")
    version, status, flags, placement, rate, acc, gyr, boot, token, low, high = _STATE.unpack_from(value)
    if version != VERSION:
        raise _refuse(f"state version {VERSION}", f"version {version} came")
    if flags > 3 or (placement >= len(PLACEMENTS) and placement != NO_PLACEMENT):
        raise _refuse("known flags and a known placement", f"flags {flags} and placement {placement} came")
    if rate not in RATES_HZ or acc not in ACC_RANGES_G or gyr not in GYR_RANGES_DEG_S:
        raise _refuse("a rate and ranges of the contract", f"{rate} Hz, {acc} g, {gyr} deg/s came")
    return NodeState(
        status,
        bool(flags & 1),
        bool(flags & 2),
        None if placement == NO_PLACEMENT else PLACEMENTS[placement],
        rate,
        acc,
        gyr,
        boot,
        token,
        high << 32 | low,
    )


START = b"\x01"
STOP = b"\x02"


def command_rate(rate_hz: int) -> bytes:
    """Set the sample rate (refused while streaming)."""
    return struct.pack("<BH", 3, rate_hz)


def command_range(acc_range_g: int, gyr_range_deg_s: int) -> bytes:
    """Set the ranges (refused while streaming)."""
    return struct.pack("<BBH", 4, acc_range_g, gyr_range_deg_s)


def command_placement(placement: str) -> bytes:
    """Tell the node where it is worn; it keeps this over a restart."""
    return struct.pack("<BB", 5, placement_code(placement))


def command_ping(token: int) -> bytes:
    """Ask the node to stamp this write's arrival with its clock."""
    return struct.pack("<BH", 6, token)


_ADVERT = struct.Struct("<BBBH")


@dataclass(frozen=True, slots=True)
class Advert:
    """The service data of a node's scan response."""

    placement: str | None
    battery_percent: int
    boot: int


def encode_advert(advert: Advert) -> bytes:
    """The 5 bytes after the UUID in the scan response's service data."""
    return _ADVERT.pack(VERSION, placement_code(advert.placement), advert.battery_percent, advert.boot)


def decode_advert(data: bytes) -> Advert:
    """The content of the scan response's service data. Raises PacketError."""
    if len(data) != _ADVERT.size or data[0] != VERSION:
        raise _refuse(f"service data of {_ADVERT.size} bytes, version {VERSION}", f"{data.hex()} came")
    _, placement, battery, boot = _ADVERT.unpack(data)
    if (placement >= len(PLACEMENTS) and placement != NO_PLACEMENT) or battery > 100:
        raise _refuse("a known placement and a battery of 0 to 100 %", f"{placement} and {battery} came")
    return Advert(None if placement == NO_PLACEMENT else PLACEMENTS[placement], battery, boot)
