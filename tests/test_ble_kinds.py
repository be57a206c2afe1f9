"""The sensor of docs/recording.md works as shown."""

from __future__ import annotations

import re
import struct
from pathlib import Path

import numpy as np
import pytest

from imu_shoulder.ble.kinds import NodeKind
from imu_shoulder.ble.streams import Arrival, Ping, node_samples

PAGE = (Path(__file__).parents[1] / "docs" / "recording.md").read_text()


def plain_sensor() -> NodeKind:
    (code,) = re.findall(r"```python\n(.*?)```", PAGE, re.DOTALL)
    names: dict = {}
    exec(compile(code, "docs/recording.md", "exec"), names)
    return names["PlainSensor"]()


def test_the_sensor_of_the_page_fits_the_protocol():
    kind = plain_sensor()
    wanted = {name for name in vars(NodeKind) if not name.startswith("_")} | set(NodeKind.__annotations__)
    assert {name for name in wanted if not hasattr(kind, name)} == set()


def test_its_packets_become_samples_without_any_ping():
    """Two connections with their own clocks, the second one near the wrap of its microseconds; drift +60 ppm."""
    kind = plain_sensor()
    rng = np.random.default_rng(9)
    arrivals, pings, true_s = [], [], []
    for boot, (begin_s, first_us) in enumerate([(100.0, 5_000_000), (140.0, 2**32 - 10_000_000)], start=1):
        ping = Ping(begin_s - 0.1, begin_s - 0.09, kind.decode_state(struct.pack("<H", boot)))
        pings.append(ping)
        for n in range(3000):
            at_s = begin_s + n / 100
            micro = round(first_us + n * 1e4 * (1 + 60e-6)) % 2**32
            payload = struct.pack("<HI6h", (65000 + n) % 65536, micro, 1, 2, 3, 4, 5, 6)
            if n % 50:
                arrivals.append(Arrival(at_s + 0.002 + rng.exponential(0.003), payload, ping))
                true_s.append(at_s)
    found = node_samples(kind, arrivals, pings)
    assert found.lost == 2 * 59
    assert found.clock.drift_ppm == pytest.approx(60, abs=5)
    assert found.clock.bound_s == float("inf")
    # What is left is the least delay, which only a ping or a shake could tell.
    assert found.time_s - np.array(true_s) == pytest.approx(0.002, abs=0.001)
