"""A node that keeps firmware_notes/README.md, with a script of what goes wrong with it. No D-Bus in here."""

from __future__ import annotations

import math
import random
from dataclasses import asdict, dataclass, field, replace
from pathlib import Path
from typing import Any

import numpy as np

from imu_shoulder.ble import packet
from imu_shoulder.ble.packet import NodeState, Packet
from imu_shoulder.model import PLACEMENTS

KEEP_COUNTING_S = 60.0
CONNECTION_INTERVAL_S = 0.015


@dataclass(frozen=True)
class NodeScript:
    """What one node is and what happens to it. Times are seconds after the script's zero.

    from_first_start: bursts, outages, silences, reboots and resets count from the node's first start command instead.

    loss: share of packets the radio loses. bursts: stretches in which packets come in lumps burst_s apart.
    outages: stretches out of range. silences: stretches connected but without a packet. reboots: power cuts.
    resets: its sensor part starts anew and streams on by itself while the radio keeps the connection.
    jumps: when its clock jumps ahead, and by how much, against the contract.
    wanders: it goes out of range and comes back whenever the simulation is told so (FakeBluez.wander).
    keeps_boot: reboots and resets leave the boot number as it was, against the contract.
    data: .npz with acc (N, 3) in m/s^2 and gyr (N, 3) in rad/s at rate_hz from the zero on.
    """

    address: str
    placement: str | None
    rate_hz: int = 200
    payload_bytes: int = 244
    acc_range_g: int = 4
    gyr_range_deg_s: int = 1000
    drift_ppm: float = 0.0
    ticks_at_zero: int = 0
    loss: float = 0.0
    bursts: tuple[tuple[float, float], ...] = ()
    burst_s: tuple[float, float] = (0.03, 0.05)
    outages: tuple[tuple[float, float], ...] = ()
    silences: tuple[tuple[float, float], ...] = ()
    reboots: tuple[float, ...] = ()
    resets: tuple[float, ...] = ()
    jumps: tuple[tuple[float, float], ...] = ()
    keeps_boot: bool = False
    wanders: bool = False
    from_first_start: bool = False
    battery_percent: int = 90
    battery_s_per_percent: float = 600.0
    data: str | None = None
    seed: int = 1


@dataclass
class Boot:
    """One life of the node: its clock reads ticks_at_zero at zero_s (script time) and runs drift_ppm fast."""

    boot: int
    zero_s: float
    ticks_at_zero: int


@dataclass(frozen=True)
class Made:
    """A packet the node made. life: of the node, from 0. first_s: true script time of its first sample.

    fate: sent, lost or unheard."""

    life: int
    sequence: int
    first_s: float
    count: int
    payload: bytes = field(repr=False)
    fate: str = "made"


def default_motion(rate_hz: float, seconds: float = 30.0, seed: int = 1) -> tuple[np.ndarray, np.ndarray]:
    """A slow swing with gravity: acc (N, 3) m/s^2 and gyr (N, 3) rad/s."""
    rng = np.random.default_rng(seed)
    time_s = np.arange(round(seconds * rate_hz)) / rate_hz
    angle = 0.8 * np.sin(2 * np.pi * 0.2 * time_s)
    acc = 9.81 * np.column_stack([np.sin(angle), np.cos(angle), np.zeros_like(angle)])
    gyr = np.column_stack([np.zeros_like(angle), np.zeros_like(angle), np.gradient(angle, 1 / rate_hz)])
    return acc + rng.normal(0, 0.02, acc.shape), gyr + rng.normal(0, 0.002, gyr.shape)


class SimulatedNode:
    """The firmware. Every method takes the true script time now_s."""

    def __init__(self, script: NodeScript) -> None:
        self.script = script
        self._rng = random.Random(f"{script.address} {script.seed}")
        self.boots = [Boot(1, 0.0, script.ticks_at_zero)]
        self._reboots = sorted(script.reboots)
        self._resets = sorted(script.resets)
        self._origin_s = math.inf if script.from_first_start else 0.0
        self.state = NodeState(
            packet.STATUS_OK,
            False,
            False,
            script.placement,
            script.rate_hz,
            script.acc_range_g,
            script.gyr_range_deg_s,
            1,
            0,
            0,
        )
        self._next_sample = 0
        self._next_sequence = 0
        self._phase = self._rng.random()
        self._counts = self._load()
        self._burst_ends = sorted(self._burst_instants())
        self._anchor_s = self._rng.uniform(0, CONNECTION_INTERVAL_S)
        self.unheard_since_s: float | None = None
        self.away = False

    def _load(self) -> np.ndarray:
        if self.script.data is None:
            acc, gyr = default_motion(self.script.rate_hz, seed=PLACEMENTS.index(self.script.placement or "sternum"))
        else:
            with np.load(Path(self.script.data)) as data:
                acc, gyr = data["acc"], data["gyr"]
        scaled = np.hstack([acc / self.state.acc_m_s2_per_count, gyr / self.state.gyr_rad_s_per_count])
        grid = np.arange(len(scaled), dtype=float)
        shifted = np.column_stack([np.interp(grid + self._phase, grid, column) for column in scaled.T])
        return np.clip(np.rint(shifted), -32768, 32767).astype(np.int16)

    def _burst_instants(self) -> list[float]:
        instants = []
        for start_s, end_s in self.script.bursts:
            at = start_s
            while at < end_s:
                at += self._rng.uniform(*self.script.burst_s)
                instants.append(at)
        return instants

    def ticks(self, now_s: float) -> int:
        """The node clock, 48 bits."""
        boot = self.boots[-1]
        jumped_s = sum(by_s for at_s, by_s in self.script.jumps if boot.zero_s < at_s <= now_s)
        elapsed = (now_s - boot.zero_s + jumped_s) * packet.TICKS_PER_S * (1 + self.script.drift_ppm * 1e-6)
        return boot.ticks_at_zero + math.floor(elapsed)

    def sample_s(self, index: int) -> float:
        return (index + self._phase) / self.state.rate_hz

    def reboot_due(self, now_s: float) -> bool:
        """Cut the power if the script says so; True if it did."""
        if not self._reboots or now_s - self._origin_s < self._reboots[0]:
            return False
        self._start_anew(self._origin_s + self._reboots.pop(0))
        self.state = replace(self.state, streaming=False)
        return True

    def _start_anew(self, at_s: float) -> None:
        boot = self.boots[-1].boot + (not self.script.keeps_boot)
        self.boots.append(Boot(boot, at_s, 0))
        self.state = replace(self.state, boot=boot, token=0, ping_ticks=0)
        self._next_sequence = 0

    def _reset_if_due(self, now_s: float) -> None:
        if self._resets and now_s - self._origin_s >= self._resets[0]:
            at_s = self._origin_s + self._resets.pop(0)
            self._start_anew(at_s)
            self._next_sample = max(self._next_sample, math.ceil(at_s * self.state.rate_hz - self._phase))

    def in_range(self, now_s: float) -> bool:
        out = any(start <= now_s - self._origin_s < end for start, end in self.script.outages)
        return not out and not self.away

    def silent(self, now_s: float) -> bool:
        return any(start <= now_s - self._origin_s < end for start, end in self.script.silences)

    def command(self, value: bytes, now_s: float) -> None:
        """A write to the control characteristic."""
        self._reset_if_due(now_s)
        status = self._obey(value, now_s)
        self.state = replace(self.state, status=status)

    def _obey(self, value: bytes, now_s: float) -> int:
        kind, rest = value[:1], value[1:]
        sizes = {b"\x01": 0, b"\x02": 0, b"\x03": 2, b"\x04": 3, b"\x05": 1, b"\x06": 2}
        if kind not in sizes:
            return packet.STATUS_UNKNOWN
        if len(rest) != sizes[kind]:
            return packet.STATUS_BAD_VALUE
        if kind in (b"\x03", b"\x04") and self.state.streaming:
            return packet.STATUS_BUSY
        if kind == b"\x01" and not self.state.streaming:
            self._next_sample = math.ceil(now_s * self.state.rate_hz - self._phase)
            self.state = replace(self.state, streaming=True)
            self._origin_s = min(self._origin_s, now_s)  # only a first start comes before infinity
        elif kind == b"\x02":
            self.state = replace(self.state, streaming=False)
            self._next_sequence = 0
        elif kind == b"\x03":
            if (rate := int.from_bytes(rest, "little")) not in packet.RATES_HZ:
                return packet.STATUS_BAD_VALUE
            self.state = replace(self.state, rate_hz=rate)
        elif kind == b"\x04":
            acc, gyr = rest[0], int.from_bytes(rest[1:], "little")
            if acc not in packet.ACC_RANGES_G or gyr not in packet.GYR_RANGES_DEG_S:
                return packet.STATUS_BAD_VALUE
            self.state = replace(self.state, acc_range_g=acc, gyr_range_deg_s=gyr)
            self._counts = self._load()
        elif kind == b"\x05":
            if rest[0] >= len(PLACEMENTS):
                return packet.STATUS_BAD_VALUE
            self.state = replace(self.state, placement=PLACEMENTS[rest[0]])
        elif kind == b"\x06":
            self.state = replace(self.state, token=int.from_bytes(rest, "little"), ping_ticks=self.ticks(now_s))
        return packet.STATUS_OK

    def read(self) -> bytes:
        """A read of the control characteristic."""
        return packet.encode_state(self.state)

    def make(self, now_s: float) -> list[Made]:
        """The packets whose last sample has been taken by now_s."""
        self._reset_if_due(now_s)
        if not self.state.streaming:
            return []
        fitting = packet.samples_per_packet(self.script.payload_bytes)
        count = min(fitting, max(1, self.state.rate_hz // 10))
        made = []
        while self.sample_s(self._next_sample + count - 1) <= now_s:
            first_s = self.sample_s(self._next_sample)
            rows = self._counts[np.arange(self._next_sample, self._next_sample + count) % len(self._counts)]
            content = Packet(
                self._next_sequence % packet.SEQUENCE_MODULUS,
                self.ticks(first_s) % packet.TICKS_MODULUS,
                rows[:, :3],
                rows[:, 3:],
                first=self._next_sequence == 0,
            )
            fate = "lost" if self._rng.random() < self.script.loss else "sent"
            payload = packet.encode_packet(content)
            made.append(Made(len(self.boots) - 1, self._next_sequence, first_s, count, payload, fate))
            self._next_sample += count
            self._next_sequence += 1
        return made

    def next_event_s(self, now_s: float) -> float:
        """When packets may next be handed over: the next connection event, or the end of the current burst."""
        event = math.floor((now_s - self._anchor_s) / CONNECTION_INTERVAL_S + 1e-6) + 1
        at = self._anchor_s + event * CONNECTION_INTERVAL_S
        since_s = now_s - self._origin_s
        if any(start <= since_s < end for start, end in self.script.bursts):
            at = next((self._origin_s + end for end in self._burst_ends if end > since_s), at)
        return at

    def truth(self) -> dict[str, Any]:
        """What a test needs to know about the node afterwards."""
        return {
            "address": self.script.address,
            "placement": self.script.placement,
            "drift_ppm": self.script.drift_ppm,
            "boots": [asdict(boot) for boot in self.boots],
        }


def script_from(table: dict[str, Any]) -> NodeScript:
    """A script that went through JSON."""
    pairs = ("bursts", "outages", "silences", "jumps")
    fixed = {key: tuple(tuple(pair) for pair in table[key]) for key in pairs if key in table}
    fixed |= {key: tuple(table[key]) for key in ("reboots", "resets", "burst_s") if key in table}
    return NodeScript(**(table | fixed))
