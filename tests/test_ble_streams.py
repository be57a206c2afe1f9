"""Counters out of their wraps, and every kind of loss counted."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from imu_shoulder.ble.kinds import ENTRY_POINTS, ContractNode, node_kind, node_kinds
from imu_shoulder.ble.packet import NodeState, Packet, encode_packet
from imu_shoulder.ble.streams import Arrival, Ping, node_samples
from imu_shoulder.errors import ParameterError

KIND = ContractNode()
COUNT = 10
RATE_HZ = 200
PACKET_S = COUNT / RATE_HZ


def ping(at_s: float, streaming: bool = True, boot: int = 1, rate_hz: int = RATE_HZ, acc_range_g: int = 4) -> Ping:
    """The node's clock reads 32768 * host seconds."""
    state = NodeState(0, streaming, False, "sternum", rate_hz, acc_range_g, 1000, boot, 1, round(at_s * 32768))
    return Ping(at_s - 0.005, at_s + 0.015, state)


def arrival(number: int, first_s: float, under: Ping, *, count=COUNT, late_s=0.004, **fields) -> Arrival:
    counts = np.full((count, 3), number % 1000, np.int16)
    content = Packet(number % 65536, round(first_s * 32768) % 2**24, counts, counts, **fields)
    return Arrival(first_s + (count - 1) / RATE_HZ + late_s, encode_packet(content), under)


def steady(numbers, start_s: float, under: Ping) -> list[Arrival]:
    return [arrival(n, start_s + (n - numbers[0]) * PACKET_S, under) for n in numbers]


@pytest.mark.parametrize("start_s", [0.0, 505.0, 1023.9])
def test_ticks_and_sequence_wrap(start_s):
    """The clock wraps every 512 s, the sequence at 65536; neither shows."""
    first = ping(start_s)
    found = node_samples(KIND, steady(range(65500, 65900), start_s, first), [first])
    assert found.lost == 0
    assert len(found.time_s) == 400 * COUNT
    assert found.time_s == pytest.approx(start_s + np.arange(4000) / RATE_HZ, abs=0.011)
    assert np.diff(found.time_s) == pytest.approx(1 / RATE_HZ, abs=4e-5)  # a tick is 3.1e-5 s


@settings(max_examples=50)
@given(st.sets(st.integers(1, 198), max_size=60))
def test_every_missing_packet_is_counted(missing):
    first = ping(10.0)
    arrivals = steady(range(65400, 65600), 10.0, first)
    found = node_samples(KIND, [a for i, a in enumerate(arrivals) if i not in missing], [first])
    assert found.lost == len(missing)
    expected_s = 10 + np.concatenate(
        [i * PACKET_S + np.arange(COUNT) / RATE_HZ for i in range(200) if i not in missing]
    )
    assert found.time_s == pytest.approx(expected_s, abs=0.011)


def test_an_outage_longer_than_a_turn_of_the_sequence():
    """At 500 packets a second 16 bits last 131 s; the ticks tell how many turns went by."""
    first, second = ping(10.0, rate_hz=500), ping(310.0, rate_hz=500)
    before = [arrival(n, 10 + n / 500, first, count=1) for n in range(100)]
    after = [arrival(n, 10 + n / 500, second, count=1) for n in range(150_000, 150_100)]
    found = node_samples(KIND, before + after, [first, second])
    assert found.lost == 150_000 - 100
    assert np.diff(found.time_s).max() == pytest.approx(299.802, abs=0.001)


def test_packets_lost_between_start_and_the_first_that_came():
    began, joined = ping(1.0, streaming=False), ping(1.0)
    assert node_samples(KIND, steady(range(7, 90), 1.0, began), [began]).lost == 7
    assert node_samples(KIND, steady(range(7, 90), 1.0, joined), [joined]).lost == 0


def test_damaged_repeated_and_overrun_packets():
    first = ping(2.0)
    arrivals = steady(range(50), 2.0, first)
    torn = Arrival(arrivals[9].arrival_s, arrivals[9].payload[:-1], first)
    over = arrival(20, 2 + 20 * PACKET_S, first, overrun=True)
    mixed = [*arrivals[:9], torn, *arrivals[10:15], arrivals[14], arrivals[3], *arrivals[15:20], over, *arrivals[21:]]
    found = node_samples(KIND, mixed, [first])
    assert (found.packets, found.lost, found.damaged, found.repeated, found.overruns) == (49, 1, 1, 2, 1)
    assert np.diff(found.time_s).min() > 0
    assert node_samples(KIND, [torn], [first]) is None


def test_stop_and_start_begin_a_sequence_without_a_loss():
    first, second = ping(2.0), ping(8.0, acc_range_g=8)
    again = [arrival(0, 8.0, second, first=True), *steady(range(1, 50), 8.0 + PACKET_S, second)]
    found = node_samples(KIND, steady(range(1000, 1050), 2.0, first) + again, [first, second])
    assert found.lost == 0
    # The same count means twice the acceleration once the range has doubled.
    assert found.acc_m_s2[-1, 0] / 49 == pytest.approx(2 * found.acc_m_s2[490, 0] / 49)


def test_a_start_whose_first_packets_are_lost():
    first, second = ping(2.0), ping(8.0)
    again = steady(range(3, 50), 8.0 + 3 * PACKET_S, second)
    found = node_samples(KIND, steady(range(1000, 1050), 2.0, first) + again, [first, second])
    assert found.lost == 3


def test_sample_times_follow_the_true_rate_of_the_sensor():
    """The inertial sensor runs 3 % fast against the node clock: stamps follow the clock, not the declared rate."""
    first = ping(5.0)
    step = PACKET_S / 1.03
    arrivals = [arrival(n, 5 + n * step, first) for n in range(200)]
    kept = [a for i, a in enumerate(arrivals) if i % 10]
    found = node_samples(KIND, kept, [first])
    expected_s = np.concatenate([5 + i * step + np.arange(COUNT) * step / COUNT for i in range(200) if i % 10])
    assert found.time_s - found.time_s[0] == pytest.approx(expected_s - expected_s[0], abs=3e-4)


def test_another_kind_of_node_comes_through_an_entry_point(monkeypatch):
    class Other(ContractNode):
        name = "other-1"

    class Entry:
        def load(self):
            return Other

    monkeypatch.setattr("imu_shoulder.ble.kinds.entry_points", lambda group: [Entry()] if group == ENTRY_POINTS else [])
    node_kinds.cache_clear()
    try:
        assert isinstance(node_kind("other-1"), Other)
        with pytest.raises(ParameterError, match="contract-1, other-1"):
            node_kind("third")
    finally:
        node_kinds.cache_clear()
