"""The packet parser takes what the contract describes and refuses everything else with its own error."""

from __future__ import annotations

import contextlib
import random

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from imu_shoulder.ble import packet
from imu_shoulder.ble.packet import Packet, PacketError

FUZZ_PAYLOADS = 60_000


def random_packet(rng: random.Random) -> bytes:
    with_mag = rng.random() < 0.3
    count = rng.randint(1, packet.samples_per_packet(244, with_mag))
    flags = packet.FLAG_MAG * with_mag | rng.choice([0, 2, 4, 6])
    body = bytes([packet.VERSION << 4 | flags]) + rng.randbytes(5 + count * (18 if with_mag else 12))
    return body + packet.crc16(body).to_bytes(2, "little")


def mutate(rng: random.Random, payload: bytes) -> bytes:
    """Flips, cuts, insertions; half of them with the checksum made right again, so that the checks behind it run."""
    changed = bytearray(payload)
    for _ in range(rng.randint(1, 4)):
        at = rng.randrange(len(changed) + 1)
        kind = rng.randrange(4)
        if kind == 0 and at < len(changed):
            changed[at] ^= 1 << rng.randrange(8)
        elif kind == 1:
            del changed[at:]
        elif kind == 2:
            changed[at:at] = rng.randbytes(rng.randint(1, 30))
        elif changed:
            changed[0] = rng.randrange(256)
    if len(changed) > 2 and rng.random() < 0.5:
        changed[-2:] = packet.crc16(bytes(changed[:-2])).to_bytes(2, "little")
    return bytes(changed)


def fuzz(count: int, seed: int) -> dict[str, int]:
    """Throw count payloads at the parser; how many it took and refused. Any other error escapes."""
    rng = random.Random(seed)
    outcome = {"taken": 0, "refused": 0}
    for turn in range(count):
        payload = rng.randbytes(rng.randint(0, 300)) if turn % 3 == 0 else random_packet(rng)
        if turn % 3 == 1:
            payload = mutate(rng, payload)
        try:
            found = packet.decode_packet(payload)
        except PacketError:
            outcome["refused"] += 1
        else:
            outcome["taken"] += 1
            assert packet.encode_packet(found) == payload
    return outcome


def test_fuzz_raises_only_packet_error():
    outcome = fuzz(FUZZ_PAYLOADS, seed=20_240)
    assert outcome["taken"] > FUZZ_PAYLOADS * 0.33  # every untouched third must be taken
    assert outcome["refused"] > FUZZ_PAYLOADS * 0.4


def test_refusals_say_what_came():
    zeros = np.zeros((1, 3), np.int16)
    payload = packet.encode_packet(Packet(0, 0, zeros, zeros))
    with pytest.raises(PacketError, match="checksum"):
        packet.decode_packet(payload[:-1] + b"\0")
    with pytest.raises(PacketError, match="0 bytes came"):
        packet.decode_packet(b"")
    with pytest.raises(PacketError, match="16-bit sequence"):
        packet.encode_packet(Packet(65536, 0, zeros, zeros))
    with pytest.raises(PacketError, match=r"244 bytes or less"):
        packet.encode_packet(Packet(0, 0, np.zeros((20, 3), np.int16), np.zeros((20, 3), np.int16)))
    with pytest.raises(PacketError, match="shape"):
        packet.encode_packet(Packet(0, 0, zeros, np.zeros((2, 3), np.int16)))


@settings(max_examples=500)
@given(st.one_of(st.binary(max_size=40), st.binary(min_size=5, max_size=5), st.binary(min_size=19, max_size=19)))
def test_states_and_adverts_raise_only_packet_error(noise):
    checked = noise + packet.crc16(noise).to_bytes(2, "little")  # so that the checks behind the checksum run
    for decode in (packet.decode_state, packet.decode_advert):
        for value in (noise, checked, b"\x01" + noise[1:]):
            with contextlib.suppress(PacketError):
                decode(value)


@pytest.mark.parametrize("place", range(21))
def test_any_flipped_bit_of_a_state_is_refused(place):
    value = packet.encode_state(packet.NodeState(0, True, False, "sternum", 200, 4, 1000, 1, 2, 3))
    for bit in range(8):
        flipped = bytearray(value)
        flipped[place] ^= 1 << bit
        with pytest.raises(PacketError):
            packet.decode_state(bytes(flipped))


def test_state_scales_counts_to_si():
    state = packet.NodeState(0, True, False, None, 200, 4, 1000, 1, 0, 0)
    assert 8192 * state.acc_m_s2_per_count == pytest.approx(9.80665)  # a quarter of full scale 4 g is 1 g
    assert np.rad2deg(32768 * state.gyr_rad_s_per_count) == pytest.approx(1000)
