"""From a log to a recording: one clock, SI units, and an account of what is missing."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace

import numpy as np

from imu_shoulder.ble.clock import ANY_TIME, MOST_DRIFT, Lag, shake_lag
from imu_shoulder.ble.kinds import NodeKind, node_kind
from imu_shoulder.ble.lives import Arrival, Ping
from imu_shoulder.ble.packet import PacketError
from imu_shoulder.ble.sleep import Sleep, awake_s, sleeps
from imu_shoulder.ble.streams import NodeSamples, node_samples
from imu_shoulder.log.contents import Contents, log_session, read_contents
from imu_shoulder.log.entries import LinkEntry, NodeEntry, unpack, unpack_data, unpack_state
from imu_shoulder.log.records import DATA, LINK, LogError, Scan
from imu_shoulder.log.typed_events import TypedEvents, typed_events
from imu_shoulder.model import PLACEMENTS, FloatArray, Recording, SensorStream
from imu_shoulder.units import GYR_UNIT_RAD_S, STANDARD_GRAVITY_M_S2

SHAKE_LEAST_CORRELATION = 0.9
# What a damaged log leaves without a time that is known to this is left out, and named.
MOST_ERROR_S = 0.003
DRIFT_WARN_PPM = 200.0


@dataclass(slots=True)
class _NodeLog:
    """One node's records while the log is read."""

    entry: NodeEntry
    kind: NodeKind
    pings: list[Ping] = field(default_factory=list)
    arrivals: list[Arrival] = field(default_factory=list)
    waiting: list[tuple[float, bytes, bool]] = field(default_factory=list)
    current: Ping | None = None
    lost_then: int = 0
    outages: list[tuple[float, float]] = field(default_factory=list)
    lost_at_s: float | None = None
    connected: bool = False
    damaged_states: int = 0

    def link(self, entry: LinkEntry) -> None:
        at_s = entry.host_ns / 1e9
        if entry.connected:
            if self.connected and self.arrivals:
                self.lost_at_s = self.arrivals[-1].arrival_s  # the recorder was killed and went on later
            if self.lost_at_s is not None:
                self.outages.append((self.lost_at_s, at_s))
            self.lost_at_s = None
            self.current = None  # the node may have started anew: what comes now waits for its state
        else:
            self.lost_at_s = at_s
        self.connected = entry.connected

    def state(self, lost: int, before_ns: int, after_ns: int, value: bytes) -> None:
        """lost: records of the log that were lost before."""
        try:
            decoded = self.kind.decode_state(value)
        except PacketError:
            self.damaged_states += 1
            return
        self.current = Ping(before_ns / 1e9, after_ns / 1e9, decoded)
        self.lost_then = lost
        self.pings.append(self.current)
        self.arrivals += [Arrival(at_s, payload, self.current, unsure) for at_s, payload, unsure in self.waiting]
        self.waiting.clear()

    def sleep(self, slept: Sequence[Sleep]) -> None:
        """Put right all times by a host's clock that stood still."""
        moved = {
            id(ping): replace(ping, before_s=awake_s(ping.before_s, slept), after_s=awake_s(ping.after_s, slept))
            for ping in self.pings
        }
        self.pings = [moved[id(ping)] for ping in self.pings]
        self.arrivals = [
            replace(one, arrival_s=awake_s(one.arrival_s, slept), ping=moved[id(one.ping)]) for one in self.arrivals
        ]
        self.outages = [(awake_s(start_s, slept), awake_s(end_s, slept)) for start_s, end_s in self.outages]

    def data(self, lost: int, arrival_ns: int, payload: bytes) -> None:
        unsure = lost > self.lost_then
        if self.current is None:
            self.waiting.append((arrival_ns / 1e9, payload, unsure))
        else:
            self.arrivals.append(Arrival(arrival_ns / 1e9, payload, self.current, unsure))


@dataclass(frozen=True, slots=True)
class NodeReport:
    """How the link to one node did. outages: (start_s, end_s) in the recording's seconds. Unknown values are None.

    packets: good ones that are in, or left out for their time. unplaced: good ones that fit no clock and are left out.
    untimed: samples that are left out since a damaged log does not tell their time to 3 ms. boots: the node's lives, of
    which `uncounted` began without the boot number counting up and `clock_jumps` with a jump of its clock alone.
    refused_drift_ppm: a drift that was measured and not used.
    """

    placement: str
    address: str
    samples: int
    packets: int
    lost: int
    damaged: int
    repeated: int
    unplaced: int
    untimed: int
    overruns: int
    boots: int
    uncounted: int
    clock_jumps: int
    outages: tuple[tuple[float, float], ...]
    drift_ppm: float
    refused_drift_ppm: float | None
    clock_error_ms: float | None
    clock_residual_ms: float
    shake_lag_ms: float | None

    @property
    def line(self) -> str:
        """One line for people."""
        share = 100 * self.lost / max(1, self.lost + self.packets)
        parts = [f"{self.samples} samples, {self.lost} of {self.lost + self.packets} packets lost ({share:.2f} %)"]
        known = (
            "not bounded: no ping came through"
            if self.clock_error_ms is None
            else f"known to {self.clock_error_ms:.1f} ms"
        )
        parts.append(f"clock {self.drift_ppm:+.0f} ppm, {known}")
        if self.refused_drift_ppm is not None:
            parts.append(
                f"its clock seemed {self.refused_drift_ppm:+.0f} ppm off, which is not believed beyond "
                f"{1e6 * MOST_DRIFT:.0f}: taken at its nominal pace"
            )
        if self.boots - self.clock_jumps > 1:
            without = f", {self.uncounted} times without counting its boot number up" if self.uncounted else ""
            parts.append(f"started anew {self.boots - self.clock_jumps - 1} times{without}")
        if self.clock_jumps:
            parts.append(f"its clock jumped ahead {self.clock_jumps} times")
        parts += [f"out of reach {end - start:.1f} s from {start:.1f} s on" for start, end in self.outages]
        counted = (
            (self.damaged, "damaged"),
            (self.repeated, "repeated"),
            (self.unplaced, "left out, of no known time"),
        )
        parts += [f"{n} packets {word}" for n, word in counted if n]
        if self.untimed:
            parts.append(f"{self.untimed} samples left out, their time not known to {1e3 * MOST_ERROR_S:.0f} ms")
        if self.overruns:
            parts.append(f"lost samples inside itself {self.overruns} times")
        if abs(self.drift_ppm) > DRIFT_WARN_PPM:
            parts.append("its clock is worse than the contract allows")
        return f"{self.placement}: " + ", ".join(parts)


@dataclass(frozen=True, slots=True)
class Assembled:
    """A recording out of a log. remarks: what was lost or is odd, one sentence each."""

    recording: Recording
    nodes: tuple[NodeReport, ...]
    remarks: tuple[str, ...]


def assemble(log: Scan, name: str) -> Assembled:
    """The recording in a log. Raises LogError if the log holds no samples."""
    contents = read_contents(log)
    nodes, remarks, entries = _node_logs(contents), list(contents.remarks), list(contents.entries)
    first_s = min((a.arrival_s for node in nodes.values() for a in node.arrivals), default=0.0)
    zero_ns, athlete, start = log_session(contents.session, first_s, remarks)
    samples = _samples(nodes)
    slept = sleeps(samples.values())
    if slept:
        for node in nodes.values():
            node.sleep(slept)
        entries = [replace(one, host_ns=round(1e9 * awake_s(one.host_ns / 1e9, slept))) for one in entries]
        samples = _samples(nodes)
        for one in slept:
            at_s = awake_s(one.at_s, slept) - zero_ns / 1e9
            remarks.append(f"this computer's clock stood still for {one.lasted_s:.1f} s at {at_s:.1f} s; put right")
    samples = {number: replace(found, time_s=found.time_s - zero_ns / 1e9) for number, found in samples.items()}
    for number, node in nodes.items():
        remarks += _node_remarks(node, samples.get(number))
    if not samples:
        came = "it holds none"
        if contents.strays:
            came = f"the node of {contents.strays} of its records is not known, since what introduced it is lost"
        raise LogError("a log with samples", came, "there is nothing to recover; record again")
    if log.missing_records:
        samples = _well_timed(nodes, samples, remarks)
    typed = typed_events(entries, zero_ns, max(float(s.time_s[-1]) for s in samples.values()))
    order = sorted(samples, key=lambda number: (PLACEMENTS.index(nodes[number].entry.placement), number))
    names = {number: nodes[number].entry.placement for number in order}
    lags = _shaken(samples, names, typed, remarks)
    reports = tuple(_report(nodes[number], samples[number], lags.get(number), zero_ns) for number in order)
    streams = {
        placement: _stream(placement, [(nodes[n], samples[n]) for n in order if names[n] == placement])
        for placement in dict.fromkeys(names.values())
    }
    recording = Recording(name, athlete, start, streams, typed.events)
    return Assembled(recording, reports, (*remarks, *typed.remarks))


def _node_logs(contents: Contents) -> dict[int, _NodeLog]:
    """What came from each node, by its number."""
    logs = {}
    for number, node in contents.nodes.items():
        placement = node.entry.placement
        if placement not in PLACEMENTS:
            to_do = "use the version of the tool that wrote it"
            raise LogError(f"nodes worn at {', '.join(PLACEMENTS)}", f"one of the log is at {placement!r}", to_do)
        logs[number] = own = _NodeLog(node.entry, node_kind(node.entry.kind))
        for record, lost in node.records:
            if record.kind == LINK:
                own.link(unpack(LinkEntry, record.payload))
            elif record.kind == DATA:
                own.data(lost, *unpack_data(record.payload)[1:])
            else:
                own.state(lost, *unpack_state(record.payload)[1:])
    return logs


def _samples(nodes: Mapping[int, _NodeLog]) -> dict[int, NodeSamples]:
    """The samples of the nodes that have any, on the host's clock."""
    found = {number: node_samples(node.kind, node.arrivals, node.pings) for number, node in nodes.items()}
    known = {number: samples for number, samples in found.items() if samples is not None}
    within_s: dict[str, tuple[float, float]] = {}
    for number, samples in known.items():
        kind, (least_s, most_s) = nodes[number].entry.kind, samples.clock.acknowledged_s
        before_s = within_s.get(kind, ANY_TIME)
        within_s[kind] = max(before_s[0], least_s), min(before_s[1], most_s)
    return {number: samples.if_acknowledged(within_s[nodes[number].entry.kind]) for number, samples in known.items()}


def _node_remarks(node: _NodeLog, found: NodeSamples | None) -> list[str]:
    placement = node.entry.placement
    remarks = []
    if found is None:
        remarks.append(f"{placement} sent nothing that could be read and is left out")
    if node.waiting:
        remarks.append(f"{placement}: {len(node.waiting)} packets came before their ranges were known")
    if node.damaged_states:
        remarks.append(f"{placement}: {node.damaged_states} of its states were damaged")
    return remarks


def _well_timed(
    nodes: Mapping[int, _NodeLog], samples: Mapping[int, NodeSamples], remarks: list[str]
) -> dict[int, NodeSamples]:
    """The samples without those of lives whose time the pings and packets that are left do not tell well enough.

    A node of which no life is bounded stamps no pings, which its line says.
    """
    out = {}
    for number, found in samples.items():
        errors_s = {life: found.clock.life_error_s(life) for life in found.clock.offset_s}
        bounded = np.isfinite(min(errors_s.values()))
        poor = {life: error_s for life, error_s in errors_s.items() if bounded and error_s > MOST_ERROR_S}
        for life, error_s in poor.items():
            own_s = found.time_s[found.life == life]
            known = f"is known to {1e3 * error_s:.1f} ms only" if np.isfinite(error_s) else "is not known"
            remarks.append(
                f"{nodes[number].entry.placement}: {len(own_s)} samples from {own_s[0]:.1f} s to {own_s[-1]:.1f} s are "
                f"left out, since their time {known}"
            )
        kept = ~np.isin(found.life, list(poor))
        if kept.any():
            out[number] = found.only(kept)
    if not out:
        expected = f"a log whose samples have a time known to {1e3 * MOST_ERROR_S:.0f} ms"
        raise LogError(expected, "too little of it is left to tell", "there is nothing to recover; record again")
    return out


def _shaken(
    samples: dict[int, NodeSamples], names: Mapping[int, str], typed: TypedEvents, remarks: list[str]
) -> dict[int, Lag]:
    """Hold the nodes' clocks against each other wherever all were shaken together, and correct `samples` by what is
    left. Returns the lag that was corrected last."""
    lags: dict[int, Lag] = {}
    for start_s, end_s in typed.shakes:
        there = [n for n in names if samples[n].time_s[0] < end_s and samples[n].time_s[-1] > start_s]
        for number in there[1:]:
            found = samples[number]
            lag = shake_lag(_speed(samples[there[0]], start_s, end_s), _speed(found, start_s, end_s))
            where = f"{names[number]}: the shake at {start_s:.1f} s"
            if lag is None:
                remarks.append(f"{where} was too weak or too short to check its clock")
            elif lag.correlation < SHAKE_LEAST_CORRELATION:
                remarks.append(f"{where} does not match that of {names[there[0]]}; were both held together?")
            else:
                lags[number] = lag
                life = found.life[np.searchsorted(found.time_s, start_s)]
                shifted = found.time_s - np.where(found.life == life, lag.lag_s, 0.0)
                samples[number] = replace(found, time_s=shifted)
    return lags


def _speed(found: NodeSamples, start_s: float, end_s: float) -> tuple[FloatArray, FloatArray]:
    within = (found.time_s >= start_s) & (found.time_s <= end_s)
    return found.time_s[within], np.linalg.norm(found.gyr_rad_s[within], axis=1)


def _report(node: _NodeLog, found: NodeSamples, lag: Lag | None, zero_ns: int) -> NodeReport:
    return NodeReport(
        node.entry.placement,
        node.entry.address,
        len(found.time_s),
        found.packets,
        found.lost,
        found.damaged,
        found.repeated,
        found.unplaced,
        found.untimed,
        found.overruns,
        len(found.clock.offset_s),
        sum(found.lives[number].uncounted for number in found.clock.offset_s),
        sum(found.lives[number].ahead_s > 0 for number in found.clock.offset_s),
        tuple((start - zero_ns / 1e9, end - zero_ns / 1e9) for start, end in node.outages),
        found.clock.drift_ppm,
        found.clock.refused_ppm,
        1e3 * found.clock.error_s if np.isfinite(found.clock.error_s) else None,
        1e3 * found.clock.residual_s,
        None if lag is None else 1e3 * lag.lag_s,
    )


def _stream(placement: str, parts: Sequence[tuple[_NodeLog, NodeSamples]]) -> SensorStream:
    """One placement's stream; of several parts where a node was replaced by another while recording."""
    states = [ping.state for node, _ in parts for ping in node.pings]
    order = np.argsort(np.concatenate([found.time_s for _, found in parts]), kind="stable")
    mags = [found.mag for _, found in parts if found.mag is not None]
    return SensorStream(
        placement,
        np.concatenate([found.time_s for _, found in parts])[order],
        np.vstack([found.acc_m_s2 for _, found in parts])[order],
        np.vstack([found.gyr_rad_s for _, found in parts])[order],
        float(states[-1].rate_hz),
        np.vstack(mags)[order] if len(mags) == len(parts) else None,
        min(state.acc_range_g for state in states) * STANDARD_GRAVITY_M_S2,
        min(state.gyr_range_deg_s for state in states) * GYR_UNIT_RAD_S["deg/s"],
    )
