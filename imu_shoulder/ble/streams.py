"""From one node's logged bytes to its samples on the host's clock, with every loss counted."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from imu_shoulder.ble.clock import BootTimes, ClockFit, fit_clock
from imu_shoulder.ble.kinds import NodeKind
from imu_shoulder.ble.packet import MAG_UNIT_UT, NodeState, Packet, PacketError
from imu_shoulder.model import FloatArray

SPACING_TOLERANCE = 0.1


@dataclass(frozen=True, slots=True)
class Ping:
    """A state with the host times, in seconds, before its ping was sent and after it was acknowledged."""

    before_s: float
    after_s: float
    state: NodeState


@dataclass(frozen=True, slots=True)
class Arrival:
    """A notification, the host time it came in seconds, and the state that was in force."""

    arrival_s: float
    payload: bytes
    ping: Ping


@dataclass(frozen=True, slots=True)
class NodeSamples:
    """One node's samples. time_s: (N,) host seconds, increasing. boot: (N,) which of the node's lives.

    acc_m_s2, gyr_rad_s: (N, 3). mag: (N, 3) in microtesla, or None.
    packets: good ones that came. lost: missing from the sequence. damaged: came and were refused. repeated: came again.
    overruns: stretches lost inside the node, of unknown length.
    """

    time_s: FloatArray
    boot: NDArray[np.int64]
    acc_m_s2: FloatArray
    gyr_rad_s: FloatArray
    mag: FloatArray | None
    clock: ClockFit
    packets: int
    lost: int
    damaged: int
    repeated: int
    overruns: int


@dataclass(frozen=True, slots=True)
class _BootPackets:
    """The good packets of one boot. ticks: (K,) unwrapped. gaps: (K,) packets missing before each."""

    arrivals: list[Arrival]
    packets: list[Packet]
    ticks: NDArray[np.int64]
    gaps: NDArray[np.int64]
    repeated: int

    def spacing(self, ticks_per_s: float) -> FloatArray:
        """Ticks between the samples of each packet, (K,): measured to the next packet where that followed at once."""
        nominal = np.array([ticks_per_s / a.ping.state.rate_hz for a in self.arrivals])
        count = np.array([p.count for p in self.packets])
        found = np.full(len(nominal), np.nan)
        at_once = (self.gaps[1:] == 0) & ~np.array([p.first or p.overrun for p in self.packets[1:]], dtype=bool)
        found[:-1] = np.where(at_once, np.diff(self.ticks) / count[:-1], np.nan)
        found[np.abs(found / nominal - 1) > SPACING_TOLERANCE] = np.nan
        ratio = float(np.nanmedian(found / nominal)) if np.isfinite(found).any() else 1.0
        return np.where(np.isfinite(found), found, nominal * ratio)


def unwrap_ticks(kind: NodeKind, ticks: FloatArray, since_s: FloatArray, start_ticks: int) -> NDArray[np.int64]:
    """Ticks (K,) lifted to the turn of the counter next to what the host's clock predicts.

    since_s: (K,) host seconds since the node's clock read start_ticks.
    """
    predicted = start_ticks + np.rint(since_s * kind.ticks_per_s).astype(np.int64)
    half = kind.ticks_modulus // 2
    return np.asarray(predicted + (ticks.astype(np.int64) - predicted + half) % kind.ticks_modulus - half)


def _unwrap(kind: NodeKind, arrivals: list[Arrival], packets: list[Packet]) -> _BootPackets:
    """Lift the counters of one boot's packets out of their wraps, and drop packets that came twice.

    The clock: next to what the boot's first ping, or without pings its first packet, predicts for the arrival.
    The sequence: by the ticks that passed.
    """
    first = arrivals[0]
    start_ticks, start_s = first.ping.state.ping_ticks, first.ping.after_s
    if start_ticks is None:
        start_ticks, start_s = packets[0].ticks, first.arrival_s
    since_s = np.array([a.arrival_s for a in arrivals]) - start_s
    ticks = unwrap_ticks(kind, np.array([p.ticks for p in packets], dtype=np.float64), since_s, start_ticks)
    kept: list[int] = []
    gaps: list[int] = []
    for i, p in enumerate(packets):
        if not kept:
            began_here = p.first or not arrivals[i].ping.state.streaming
            gaps.append(p.sequence if began_here else 0)
        elif ticks[i] <= ticks[kept[-1]]:
            continue
        elif p.first:
            gaps.append(0)
        else:
            last = packets[kept[-1]]
            step = (p.sequence - last.sequence) % kind.sequence_modulus
            ticks_per_packet = last.count * kind.ticks_per_s / arrivals[i].ping.state.rate_hz
            turns = round(((ticks[i] - ticks[kept[-1]]) / ticks_per_packet - step) / kind.sequence_modulus)
            # Far fewer ticks than the step asks for: the node was stopped and started, and its first packets are lost.
            gaps.append(p.sequence if turns < 0 else step + turns * kind.sequence_modulus - 1)
        kept.append(i)
    return _BootPackets(
        [arrivals[i] for i in kept],
        [packets[i] for i in kept],
        ticks[kept],
        np.array(gaps, dtype=np.int64),
        len(packets) - len(kept),
    )


def _boot_times(kind: NodeKind, boot: _BootPackets, spacing: FloatArray, pings: Sequence[Ping]) -> BootTimes:
    count = np.array([p.count for p in boot.packets])
    return BootTimes(
        (boot.ticks + spacing * (count - 1)) / kind.ticks_per_s,
        np.array([a.arrival_s for a in boot.arrivals]),
        *ping_times(kind, pings),
    )


def ping_times(kind: NodeKind, pings: Sequence[Ping]) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Node time, host time before and host time after of the pings that were stamped. Each (M,), seconds."""
    stamped = [
        (p.state.ping_ticks / kind.ticks_per_s, p.before_s, p.after_s) for p in pings if p.state.ping_ticks is not None
    ]
    node_s, before_s, after_s = np.array(stamped, dtype=np.float64).reshape(-1, 3).T
    return node_s, before_s, after_s


def node_samples(kind: NodeKind, arrivals: Sequence[Arrival], pings: Sequence[Ping]) -> NodeSamples | None:
    """All samples of one node. None if no good packet came."""
    by_boot: dict[int, tuple[list[Arrival], list[Packet]]] = {}
    damaged = 0
    for arrival in arrivals:
        try:
            decoded = kind.decode_packet(arrival.payload)
        except PacketError:
            damaged += 1
            continue
        of_boot = by_boot.setdefault(arrival.ping.state.boot, ([], []))
        of_boot[0].append(arrival)
        of_boot[1].append(decoded)
    if not by_boot:
        return None
    boots = {boot: _unwrap(kind, *found) for boot, found in by_boot.items()}
    spacings = {boot: found.spacing(kind.ticks_per_s) for boot, found in boots.items()}
    clock = fit_clock(
        {
            boot: _boot_times(kind, found, spacings[boot], [p for p in pings if p.state.boot == boot])
            for boot, found in boots.items()
        }
    )
    time_s, boot_of, acc, gyr, mag = [], [], [], [], []
    for boot, found in boots.items():
        count = np.array([p.count for p in found.packets])
        start = np.repeat(np.cumsum(count) - count, count)
        within = np.arange(count.sum()) - start
        ticks = np.repeat(found.ticks, count) + within * np.repeat(spacings[boot], count)
        time_s.append(clock.host_s(boot, ticks / kind.ticks_per_s))
        boot_of.append(np.full(len(ticks), boot))
        states = [a.ping.state for a in found.arrivals]
        acc.append(_scaled([p.acc for p in found.packets], [s.acc_m_s2_per_count for s in states], count))
        gyr.append(_scaled([p.gyr for p in found.packets], [s.gyr_rad_s_per_count for s in states], count))
        mags = [np.full((p.count, 3), np.nan) if p.mag is None else p.mag * MAG_UNIT_UT for p in found.packets]
        mag.append(np.vstack(mags))
    all_mag = np.vstack(mag)
    packets = [p for found in boots.values() for p in found.packets]
    return NodeSamples(
        np.concatenate(time_s),
        np.concatenate(boot_of),
        np.vstack(acc),
        np.vstack(gyr),
        None if np.isnan(all_mag).any() else all_mag,
        clock,
        len(packets),
        sum(int(found.gaps.sum()) for found in boots.values()),
        damaged,
        sum(found.repeated for found in boots.values()),
        sum(p.overrun for p in packets),
    )


def _scaled(counts: list[NDArray[np.int16]], per_count: list[float], repeats: NDArray[np.int64]) -> FloatArray:
    return np.asarray(np.vstack(counts) * np.repeat(per_count, repeats)[:, None])
