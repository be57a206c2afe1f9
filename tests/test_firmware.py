"""The node's contract: examples, Python code and the C reference agree byte for byte."""

from __future__ import annotations

import ctypes
import re
import shutil
import subprocess
import tomllib
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from imu_shoulder.ble import gatt, packet
from imu_shoulder.ble.packet import Advert, NodeState, Packet
from imu_shoulder.model import PLACEMENTS

NOTES = Path(__file__).parents[1] / "firmware_notes"
EXAMPLES = tomllib.loads((NOTES / "examples.toml").read_text())
README = (NOTES / "README.md").read_text()


def example_packet(table):
    def counts(key):
        return np.array(table[key], dtype=np.int16) if key in table else None

    return Packet(
        table["sequence"],
        table["ticks"],
        counts("acc"),
        counts("gyr"),
        counts("mag"),
        first=table.get("first", False),
        overrun=table.get("overrun", False),
    )


def as_values(found: Packet):
    mag = None if found.mag is None else found.mag.tolist()
    return found.sequence, found.ticks, found.acc.tolist(), found.gyr.tolist(), mag, found.first, found.overrun


@pytest.mark.parametrize("table", EXAMPLES["packet"], ids=lambda t: t["what"])
def test_packet_examples(table):
    expected = bytes.fromhex(table["bytes"])
    assert packet.encode_packet(example_packet(table)) == expected
    assert as_values(packet.decode_packet(expected)) == as_values(example_packet(table))


def example_state(table):
    fields = {key: value for key, value in table.items() if key not in ("what", "bytes")}
    return NodeState(**{"placement": None, **fields})


@pytest.mark.parametrize("table", EXAMPLES["state"], ids=lambda t: t["what"])
def test_state_examples(table):
    expected = bytes.fromhex(table["bytes"])
    assert packet.encode_state(example_state(table)) == expected
    assert packet.decode_state(expected) == example_state(table)
    assert len(expected) <= 22  # one read at ATT_MTU 23 carries ATT_MTU - 1 (Core Vol 3, Part F, 3.4.4.4, from memory)


def test_command_and_advert_examples():
    written = {
        "start": packet.START,
        "stop": packet.STOP,
        "rate_200": packet.command_rate(200),
        "range_4_1000": packet.command_range(4, 1000),
        "placement_sternum": packet.command_placement("sternum"),
        "ping_513": packet.command_ping(513),
    }
    assert {key: bytes.fromhex(value) for key, value in EXAMPLES["command"].items()} == written
    table = EXAMPLES["advert"]
    advert = Advert(table["placement"], table["battery_percent"], table["boot"])
    assert packet.encode_advert(advert) == bytes.fromhex(table["bytes"])
    assert packet.decode_advert(bytes.fromhex(table["bytes"])) == advert


def test_notes_state_what_the_code_does():
    for uuid in (gatt.SERVICE_UUID, gatt.DATA_UUID, gatt.CONTROL_UUID):
        assert uuid in README
    placements = ", ".join(f"{code} {name}" for code, name in enumerate(PLACEMENTS))
    assert f"Placements: {placements}, 255 none yet." in README
    rows = re.findall(r"^\| (\d+) \| (\d+) \| (\d+) \| (none fits|\d+) \| ([\d.]+) \|$", README, re.MULTILINE)
    assert len(rows) == 3
    for payload, mtu, samples, with_mag, per_second in rows:
        assert int(mtu) == int(payload) + 3
        assert packet.samples_per_packet(int(payload)) == int(samples)
        assert packet.samples_per_packet(int(payload), with_mag=True) == (
            0 if with_mag == "none fits" else int(with_mag)
        )
        assert float(per_second) == pytest.approx(200 / int(samples), abs=0.05)


def test_advertisement_fits_legacy_advertising():
    # 31 octets each way (Core Vol 3, Part C, section 11). An AD structure has 2 bytes of its own.
    advertisement = (2 + 1) + (2 + 16)
    scan_response = 2 + 16 + len(packet.encode_advert(Advert(None, 0, 0)))
    assert advertisement <= 31
    assert scan_response <= 31


class CSample(ctypes.Structure):
    _fields_ = (("axis", ctypes.c_int16 * 9),)


class CPacket(ctypes.Structure):
    _fields_ = (
        ("flags", ctypes.c_uint8),
        ("sequence", ctypes.c_uint16),
        ("ticks", ctypes.c_uint32),
        ("count", ctypes.c_uint8),
        ("sample", CSample * 19),
    )


class CState(ctypes.Structure):
    _fields_ = (
        ("status", ctypes.c_uint8),
        ("flags", ctypes.c_uint8),
        ("placement", ctypes.c_uint8),
        ("rate_hz", ctypes.c_uint16),
        ("acc_range_g", ctypes.c_uint8),
        ("gyr_range_deg_s", ctypes.c_uint16),
        ("boot", ctypes.c_uint16),
        ("token", ctypes.c_uint16),
        ("ping_ticks", ctypes.c_uint64),
    )


@pytest.fixture(scope="module")
def reference(tmp_path_factory):
    if shutil.which("gcc") is None:
        pytest.skip("gcc is not installed, so the C reference cannot be compiled")
    library = tmp_path_factory.mktemp("c") / "node_packet.so"
    strict = ["-std=c99", "-Wall", "-Wextra", "-Wpedantic", "-Wconversion", "-Wshadow", "-Werror", "-O2"]
    checked = ["-fsanitize=undefined", "-fno-sanitize-recover", "-shared", "-fPIC"]
    subprocess.run(["gcc", *strict, *checked, "-o", str(library), str(NOTES / "node_packet.c")], check=True)
    loaded = ctypes.CDLL(str(library))
    loaded.node_packet_encode.restype = ctypes.c_size_t
    loaded.node_packet_encode.argtypes = [ctypes.POINTER(CPacket), ctypes.c_char_p, ctypes.c_size_t]
    loaded.node_packet_decode.argtypes = [ctypes.c_char_p, ctypes.c_size_t, ctypes.POINTER(CPacket)]
    loaded.node_state_encode.argtypes = [ctypes.POINTER(CState), ctypes.c_char_p]
    loaded.node_crc16.restype = ctypes.c_uint16
    loaded.node_crc16.argtypes = [ctypes.c_char_p, ctypes.c_size_t]
    return loaded


def c_encode(reference, p: Packet, room=244):
    c = CPacket(packet.FLAG_MAG * (p.mag is not None) | 2 * p.first | 4 * p.overrun, p.sequence, p.ticks, p.count)
    blocks = [p.acc, p.gyr] + ([] if p.mag is None else [p.mag])
    for row, values in enumerate(np.hstack(blocks).tolist()):
        c.sample[row].axis[: len(values)] = values
    out = ctypes.create_string_buffer(244)
    length = reference.node_packet_encode(c, out, room)
    return out.raw[:length]


def c_decode(reference, payload):
    c = CPacket()
    if not reference.node_packet_decode(payload, len(payload), c):
        return None
    rows = [list(c.sample[i].axis) for i in range(c.count)]
    mag = [r[6:] for r in rows] if c.flags & 1 else None
    return c.sequence, c.ticks, [r[:3] for r in rows], [r[3:6] for r in rows], mag, bool(c.flags & 2), bool(c.flags & 4)


INT16 = st.integers(-32768, 32767)


@st.composite
def packets(draw):
    with_mag = draw(st.booleans())
    count = draw(st.integers(1, packet.samples_per_packet(244, with_mag)))
    columns = 9 if with_mag else 6
    flat = draw(st.binary(min_size=2 * count * columns, max_size=2 * count * columns))
    counts = np.frombuffer(flat, "<i2").reshape(count, columns)
    return Packet(
        draw(st.integers(0, 65535)),
        draw(st.integers(0, 2**24 - 1)),
        counts[:, :3],
        counts[:, 3:6],
        counts[:, 6:] if with_mag else None,
        first=draw(st.booleans()),
        overrun=draw(st.booleans()),
    )


def test_crc_check_value(reference):
    # Published check value of this CRC over "123456789" (CRC catalogues list it as CRC-16/IBM-3740; from memory).
    assert packet.crc16(b"123456789") == 0x29B1
    assert reference.node_crc16(b"123456789", 9) == 0x29B1


@settings(max_examples=300)
@given(packets())
def test_c_and_python_make_the_same_packets(reference, p):
    payload = packet.encode_packet(p)
    assert c_encode(reference, p) == payload
    assert c_decode(reference, payload) == as_values(p) == as_values(packet.decode_packet(payload))
    assert c_encode(reference, p, room=len(payload) - 1) == b""


@settings(max_examples=300)
@given(packets(), st.data())
def test_c_and_python_refuse_the_same_bytes(reference, p, data):
    payload = bytearray(packet.encode_packet(p))
    change = data.draw(st.sampled_from(["flip", "cut", "version", "flag"]))
    if change == "flip":
        payload[data.draw(st.integers(0, len(payload) - 1))] ^= 1 << data.draw(st.integers(0, 7))
    elif change == "cut":
        del payload[data.draw(st.integers(0, len(payload) - 1)) :]
    else:  # a wrong head under a right checksum
        payload[0] ^= 0x20 if change == "version" else 0x08
        payload[-2:] = packet.crc16(payload[:-2]).to_bytes(2, "little")
    assert c_decode(reference, bytes(payload)) is None
    with pytest.raises(packet.PacketError):
        packet.decode_packet(bytes(payload))


@settings(max_examples=200)
@given(
    st.builds(
        NodeState,
        st.integers(0, 3),
        st.booleans(),
        st.booleans(),
        st.sampled_from([None, *PLACEMENTS]),
        st.sampled_from(packet.RATES_HZ),
        st.sampled_from(packet.ACC_RANGES_G),
        st.sampled_from(packet.GYR_RANGES_DEG_S),
        st.integers(0, 65535),
        st.integers(0, 65535),
        st.integers(0, 2**48 - 1),
    )
)
def test_c_and_python_make_the_same_states(reference, state):
    value = packet.encode_state(state)
    c = CState(
        state.status,
        state.streaming | state.with_mag << 1,
        packet.placement_code(state.placement),
        state.rate_hz,
        state.acc_range_g,
        state.gyr_range_deg_s,
        state.boot,
        state.token,
        state.ping_ticks,
    )
    out = ctypes.create_string_buffer(21)
    reference.node_state_encode(c, out)
    assert out.raw == value
    assert packet.decode_state(value) == state
