"""A log that is there already: what was recorded into it, and whether the recording can go on."""

from __future__ import annotations

import time
from dataclasses import dataclass
from pathlib import Path

from imu_shoulder.log.entries import (
    EventEntry,
    LinkEntry,
    NodeEntry,
    Session,
    unpack,
    unpack_data,
    unpack_state,
)
from imu_shoulder.log.host_clock import host_now_ns
from imu_shoulder.log.records import (
    DATA,
    END,
    EVENT,
    LINK,
    NODE,
    SAMPLES,
    SESSION,
    STATE,
    LogError,
    Record,
    read_log,
)

# The clock of host times and that of the calendar drift apart by no more while a computer is up.
RESTARTED_S = 60.0


@dataclass(frozen=True, slots=True)
class Unfinished:
    """What a log holds so far. session: its first run. last_ns: host time of the newest thing in it.

    ended: the last run stopped in order and only its saving failed. of_nodes: it holds no samples of a replay.
    """

    session: Session
    nodes: tuple[NodeEntry, ...]
    entries: tuple[EventEntry, ...]
    last_ns: int
    ended: bool
    of_nodes: bool

    @property
    def addresses(self) -> tuple[str, ...]:
        return tuple(node.address for node in self.nodes)


def unfinished(path: Path) -> Unfinished | None:
    """What is in a log that is there already, None for no log.

    Raises LogError where it cannot be read, or where the computer was restarted since, so that the times would not fit.
    """
    if not path.exists() or path.stat().st_size == 0:
        return None
    records = read_log(path).records
    sessions = [unpack(Session, r.payload) for r in records if r.kind == SESSION]
    shift_s = [s.wall_s - s.host_ns / 1e9 - (time.time() - host_now_ns() / 1e9) for s in sessions]
    if not shift_s or abs(shift_s[0]) > RESTARTED_S:
        raise LogError(
            f"no unfinished recording at {path}",
            "there is one from before this computer was restarted",
            f"run: imu-shoulder recover {path}",
        )
    times_ns = (_host_ns(record) for record in reversed(records))
    return Unfinished(
        sessions[0],
        tuple(unpack(NodeEntry, r.payload) for r in records if r.kind == NODE),
        tuple(unpack(EventEntry, r.payload) for r in records if r.kind == EVENT),
        next((at_ns for at_ns in times_ns if at_ns is not None), sessions[0].host_ns),
        records[-1].kind == END,
        all(record.kind != SAMPLES for record in records),
    )


def _host_ns(record: Record) -> int | None:
    if record.kind == DATA:
        return unpack_data(record.payload)[1]
    if record.kind == STATE:
        return unpack_state(record.payload)[2]
    if record.kind == LINK:
        return unpack(LinkEntry, record.payload).host_ns
    return None
