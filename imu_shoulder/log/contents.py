"""The records of a log sorted out: its session, its nodes, what was typed, and what is wrong with it."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from imu_shoulder.log.entries import EventEntry, LinkEntry, NodeEntry, Session, node_of, unpack, unpack_count
from imu_shoulder.log.records import DATA, DROPPED, END, EVENT, LINK, NODE, SESSION, STATE, Record, Scan


@dataclass(frozen=True, slots=True)
class NodeRecords:
    """A node and the records of its data, states and links, in order.

    Each comes with the number of records that the log had lost before it, whosever they were.
    """

    entry: NodeEntry
    records: Sequence[tuple[Record, int]]


@dataclass(frozen=True, slots=True)
class Contents:
    """What a log holds. session: its first run, None where that was lost. nodes: by number. remarks: what is wrong.

    strays: records of nodes that the log does not introduce.
    """

    session: Session | None
    nodes: Mapping[int, NodeRecords]
    entries: tuple[EventEntry, ...]
    remarks: tuple[str, ...]
    strays: int


def read_contents(log: Scan) -> Contents:
    """Sort a log's records out. Raises LogError for a record that cannot be understood."""
    session: Session | None = None
    nodes: dict[int, NodeEntry] = {}
    of_nodes: dict[int, list[tuple[Record, int]]] = {}
    entries: list[EventEntry] = []
    dropped: list[int] = []
    strays = 0
    for place, record in enumerate(log.records):
        lost = record.index - place + sum(dropped)
        if record.kind == SESSION:
            session = session or unpack(Session, record.payload)
            dropped.append(0)
        elif record.kind == NODE:
            entry = unpack(NodeEntry, record.payload)
            nodes.setdefault(entry.node, entry)
            of_nodes.setdefault(entry.node, [])
        elif record.kind == EVENT:
            entries.append(unpack(EventEntry, record.payload))
        elif record.kind == DROPPED:
            dropped[-1:] = [unpack_count(record.payload)]  # every run of the recorder counts its own
        elif record.kind in (DATA, STATE, LINK):
            number = unpack(LinkEntry, record.payload).node if record.kind == LINK else node_of(record.payload)
            if number in of_nodes:
                of_nodes[number].append((record, lost))
            else:
                strays += 1
    remarks = _remarks(log)
    if sum(dropped):
        remarks.append(f"{sum(dropped)} records were dropped because writing was too slow")
    if strays:
        remarks.append(f"{strays} records belong to a node that the log does not introduce and were left out")
    sorted_out = {number: NodeRecords(entry, of_nodes[number]) for number, entry in nodes.items()}
    return Contents(session, sorted_out, tuple(entries), tuple(remarks), strays)


def _remarks(log: Scan) -> list[str]:
    remarks = []
    if log.records[-1].kind != END:
        remarks.append("the recording was not stopped in order")
    for damage in log.damages:
        where = "at the end" if damage.after_index == log.records[-1].index else f"after record {damage.after_index}"
        remarks.append(f"{damage.length} bytes {where} of the log belong to no whole record and were left out")
    if log.order_breaks:
        remarks.append("records of the log stood out of order and were put in order")
    if log.repeated_records:
        remarks.append(f"{log.repeated_records} records of the log stood there twice and were taken once")
    if log.missing_records:
        remarks.append(f"{log.missing_records} records of the log are missing")
    return remarks


def log_session(session: Session | None, first_s: float, remarks: list[str]) -> tuple[int, str, str]:
    """Host time of the recording's zero, athlete, start. first_s: host time of the first sample, in case they are lost,
    which then joins the remarks."""
    if session is not None:
        return session.host_ns, session.athlete, session.start
    remarks.append("athlete and start are lost: correct recording.toml; the time counts from the first sample")
    return int(first_s * 1e9), "unknown", "1970-01-01T00:00:00+00:00"
