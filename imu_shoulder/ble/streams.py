"""From one node's logged bytes to its samples on the host's clock, with every loss counted."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from imu_shoulder.ble.clock import BootTimes, ClockFit, fit_clock
from imu_shoulder.ble.kinds import NodeKind
from imu_shoulder.ble.lives import Arrival, Life, Lives, Ping, Placed
from imu_shoulder.ble.packet import MAG_UNIT_UT, Packet, PacketError
from imu_shoulder.model import BoolArray, FloatArray

SPACING_TOLERANCE = 0.1


@dataclass(frozen=True, slots=True)
class NodeSamples:
    """One node's samples. time_s: (N,) host seconds, increasing within a life. life: (N,) which of `lives`.

    acc_m_s2, gyr_rad_s: (N, 3). mag: (N, 3) in microtesla, or None.
    packets: good ones that came and are in. lost: missing from the sequence. damaged: came and were refused.
    repeated: came again. unplaced: came and fit no clock that is known, so they are left out. overruns: stretches lost
    inside the node, of unknown length. heard_s: by life, host time of the first and the last packet. times: by life,
    what `clock` was fitted to. untimed: samples left out, since their life has no well known time.
    """

    time_s: FloatArray
    life: NDArray[np.int64]
    acc_m_s2: FloatArray
    gyr_rad_s: FloatArray
    mag: FloatArray | None
    clock: ClockFit
    lives: tuple[Life, ...]
    heard_s: Mapping[int, tuple[float, float]]
    times: Mapping[int, BootTimes]
    packets: int
    lost: int
    damaged: int
    repeated: int
    unplaced: int
    overruns: int
    untimed: int = 0

    def if_acknowledged(self, within_s: tuple[float, float]) -> NodeSamples:
        """On the clock that is known if the soonest acknowledgement takes so long, as of ClockFit."""
        clock, time_s = fit_clock(self.times, within_s), self.time_s.copy()
        for number, offset_s in clock.offset_s.items():
            time_s[self.life == number] += offset_s - self.clock.offset_s[number]
        return replace(self, clock=clock, time_s=time_s)

    def only(self, kept: BoolArray) -> NodeSamples:
        """Without those of no known time. kept: (N,)"""
        return replace(
            self,
            untimed=int(np.count_nonzero(~kept)),
            time_s=self.time_s[kept],
            life=self.life[kept],
            acc_m_s2=self.acc_m_s2[kept],
            gyr_rad_s=self.gyr_rad_s[kept],
            mag=None if self.mag is None else self.mag[kept],
        )


@dataclass(frozen=True, slots=True)
class _LifePackets:
    """The good packets of one life, in order of its clock. ticks: (K,) unwrapped."""

    arrivals: list[Arrival]
    packets: list[Packet]
    ticks: NDArray[np.int64]

    def spacing(self, kind: NodeKind) -> FloatArray:
        """Ticks between the samples of each packet, (K,): measured to the next packet where that followed at once."""
        nominal = np.array([kind.ticks_per_s / a.ping.state.rate_hz for a in self.arrivals])
        count = np.array([p.count for p in self.packets])
        found = np.full(len(nominal), np.nan)
        follows = np.diff([p.sequence for p in self.packets]) % kind.sequence_modulus == 1
        at_once = follows & ~np.array([p.first or p.overrun for p in self.packets[1:]], dtype=bool)
        found[:-1] = np.where(at_once, np.diff(self.ticks) / count[:-1], np.nan)
        found[np.abs(found / nominal - 1) > SPACING_TOLERANCE] = np.nan
        ratio = float(np.nanmedian(found / nominal)) if np.isfinite(found).any() else 1.0
        return np.where(np.isfinite(found), found, nominal * ratio)


def _life_packets(placed: Sequence[Placed]) -> _LifePackets:
    ordered = sorted(placed, key=lambda one: one.ticks)
    return _LifePackets(
        [one.arrival for one in ordered], [one.packet for one in ordered], np.array([one.ticks for one in ordered])
    )


def _life_times(kind: NodeKind, found: _LifePackets, spacing: FloatArray, life: Life) -> BootTimes:
    count = np.array([p.count for p in found.packets])
    return BootTimes(
        (found.ticks + spacing * (count - 1)) / kind.ticks_per_s,
        np.array([a.arrival_s for a in found.arrivals]),
        *ping_times(kind, life.pings),
    )


def ping_times(kind: NodeKind, pings: Sequence[Ping]) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Node time, host time before and host time after of the pings that were stamped. Each (M,), seconds."""
    stamped = [
        (p.state.ping_ticks / kind.ticks_per_s, p.before_s, p.after_s) for p in pings if p.state.ping_ticks is not None
    ]
    node_s, before_s, after_s = np.array(stamped, dtype=np.float64).reshape(-1, 3).T
    return node_s, before_s, after_s


def _in_order(kind: NodeKind, arrivals: Sequence[Arrival], pings: Sequence[Ping]) -> tuple[Lives, list[Placed], int]:
    """All good packets in their places, and how many were damaged. arrivals: each under one of the pings."""
    lives = Lives(kind)
    placed: list[Placed] = []
    damaged = taken = 0
    places = {id(ping): place for place, ping in enumerate(pings)}
    for arrival in arrivals:
        for ping in pings[taken : places[id(arrival.ping)] + 1]:
            placed += lives.ping(ping)
            taken += 1
        try:
            placed += lives.take(arrival, kind.decode_packet(arrival.payload))
        except PacketError:
            damaged += 1
    for ping in pings[taken:]:
        placed += lives.ping(ping)
    return lives, placed, damaged


def node_samples(kind: NodeKind, arrivals: Sequence[Arrival], pings: Sequence[Ping]) -> NodeSamples | None:
    """All samples of one node. arrivals, pings: in the order they came, each arrival under one of the pings.

    None if no good packet came that can be placed.
    """
    account, all_placed, damaged = _in_order(kind, arrivals, pings)
    by_life: dict[int, list[Placed]] = {}
    for one in all_placed:
        by_life.setdefault(one.life, []).append(one)
    if not by_life:
        return None
    lives = {number: _life_packets(placed) for number, placed in sorted(by_life.items())}
    spacings = {number: found.spacing(kind) for number, found in lives.items()}
    times = {
        number: _life_times(kind, found, spacings[number], account.lives[number]) for number, found in lives.items()
    }
    clock = fit_clock(times)
    time_s, life_of, acc, gyr, mag = [], [], [], [], []
    for number, found in lives.items():
        count = np.array([p.count for p in found.packets])
        start = np.repeat(np.cumsum(count) - count, count)
        within = np.arange(count.sum()) - start
        ticks = np.repeat(found.ticks, count) + within * np.repeat(spacings[number], count)
        time_s.append(clock.host_s(number, ticks / kind.ticks_per_s))
        life_of.append(np.full(len(ticks), number))
        states = [a.ping.state for a in found.arrivals]
        acc.append(_scaled([p.acc for p in found.packets], [s.acc_m_s2_per_count for s in states], count))
        gyr.append(_scaled([p.gyr for p in found.packets], [s.gyr_rad_s_per_count for s in states], count))
        mags = [np.full((p.count, 3), np.nan) if p.mag is None else p.mag * MAG_UNIT_UT for p in found.packets]
        mag.append(np.vstack(mags))
    all_mag = np.vstack(mag)
    packets = [p for found in lives.values() for p in found.packets]
    return NodeSamples(
        np.concatenate(time_s),
        np.concatenate(life_of),
        np.vstack(acc),
        np.vstack(gyr),
        None if np.isnan(all_mag).any() else all_mag,
        clock,
        tuple(account.lives),
        {number: _heard_s(found.arrivals) for number, found in lives.items()},
        times,
        len(packets),
        account.lost,
        damaged,
        account.repeated,
        account.unplaced,
        sum(p.overrun for p in packets),
    )


def _heard_s(arrivals: Sequence[Arrival]) -> tuple[float, float]:
    arrivals_s = [a.arrival_s for a in arrivals]
    return min(arrivals_s), max(arrivals_s)


def _scaled(counts: list[NDArray[np.int16]], per_count: list[float], repeats: NDArray[np.int64]) -> FloatArray:
    return np.asarray(np.vstack(counts) * np.repeat(per_count, repeats)[:, None])
