"""What the log's records hold. Host times are nanoseconds of host_clock.host_now_ns."""

from __future__ import annotations

import json
import struct
from collections.abc import Mapping
from dataclasses import asdict, dataclass, fields
from typing import Any, TypeVar

from imu_shoulder.files import well_formed
from imu_shoulder.limits import MAX_HOURS
from imu_shoulder.log.records import LogError
from imu_shoulder.model import EVENT_SIDES, TRIAL_TYPES

_DATA = struct.Struct("<BQ")
_STATE = struct.Struct("<BQQ")
# What an EventEntry may be, and which of them have a number.
VALUED = ("pain", "load", "effort", "counted", "extra", "corrected")
EVENTS = ("start", "stop", "note", "shake", "was", *VALUED)
# No host time is larger: it is over a hundred years of a clock that starts at 1970 or with the computer.
MOST_NS = 4e18


@dataclass(frozen=True, slots=True)
class Session:
    """One run of the recorder. wall_s: time.time() at host_ns, to tell a machine that has restarted since."""

    athlete: str
    start: str
    host_ns: int
    wall_s: float


@dataclass(frozen=True, slots=True)
class NodeEntry:
    """A node takes part. kind: name of its NodeKind."""

    node: int
    address: str
    placement: str
    kind: str


@dataclass(frozen=True, slots=True)
class LinkEntry:
    """A connection began or ended. reason: empty for a beginning."""

    node: int
    host_ns: int
    connected: bool
    reason: str = ""


@dataclass(frozen=True, slots=True)
class EventEntry:
    """Something typed while recording. what: start, stop, pain, load or note; shake: all nodes shaken together; was:
    from when to when the calibration step that was started last truly went. Of the latest set: effort; and of one of
    its arms counted and extra, what was measured when it ended, and corrected, one more or less by hand.

    duration_s: given for what ends by itself.
    """

    host_ns: int
    what: str
    trial_type: str | None = None
    drill: str | None = None
    side: str | None = None
    duration_s: float | None = None
    value: float | None = None
    text: str | None = None
    direction: str | None = None


@dataclass(frozen=True, slots=True)
class End:
    """The recorder stopped in order."""

    host_ns: int


Entry = TypeVar("Entry", Session, NodeEntry, LinkEntry, EventEntry, End)


def pack(entry: Session | NodeEntry | LinkEntry | EventEntry | End) -> bytes:
    """JSON of an entry, without what is None; any text can be packed."""
    table = {key: value for key, value in asdict(entry).items() if value is not None}
    return well_formed(json.dumps(table, ensure_ascii=False)).encode()


def unpack(kind: type[Entry], payload: bytes) -> Entry:
    """The entry of a kind from its JSON; what is no UTF-8 in it costs its letter only. Raises LogError."""
    try:
        table: dict[str, Any] = json.loads(payload.decode(errors="replace"))
        entry = kind(**table)
        for own in fields(entry):
            _require_kind(own.name, str(own.type), getattr(entry, own.name))
        if isinstance(entry, EventEntry):
            _require_event(entry)
    except (ValueError, TypeError, RecursionError) as error:
        raise LogError(
            f"a {kind.__name__} in the log",
            f"{payload[:60]!r} came ({error})",
            "use the version of the tool that wrote it",
        ) from error
    return entry


_KINDS: Mapping[str, tuple[type, ...]] = {"str": (str,), "int": (int,), "float": (int, float), "bool": (bool,)}


def _require_kind(name: str, kind: str, value: object) -> None:
    """Raises ValueError for a value that is not of its annotated kind, or is out of all reason."""
    first, _, rest = kind.partition(" | ")
    if value is None and rest == "None":
        return
    if not isinstance(value, _KINDS[first]) or (isinstance(value, bool) and first != "bool"):
        raise ValueError(f"{name} is no {first}")
    if isinstance(value, int | float) and not abs(value) <= MOST_NS:
        raise ValueError(f"{name} is out of range")


def _require_event(entry: EventEntry) -> None:
    if entry.what not in EVENTS:
        raise ValueError(f"it is none of {', '.join(EVENTS)}")
    if entry.trial_type not in (None, *TRIAL_TYPES):
        raise ValueError(f"trial_type is none of {', '.join(TRIAL_TYPES)}")
    if entry.side not in (None, *EVENT_SIDES):
        raise ValueError(f"side is none of {', '.join(EVENT_SIDES)}")
    if entry.what in VALUED and entry.value is None:
        raise ValueError("value is missing")
    if entry.duration_s is not None and not 0 <= entry.duration_s <= MAX_HOURS * 3600:
        raise ValueError("duration_s is out of range")


def pack_data(node: int, arrival_ns: int, payload: bytes) -> bytes:
    """A notification as it came."""
    return _DATA.pack(node, arrival_ns) + payload


def unpack_data(record: bytes) -> tuple[int, int, bytes]:
    """node, arrival_ns, payload. Raises LogError."""
    node, arrival_ns = _unpacked(_DATA, record)
    return node, arrival_ns, record[_DATA.size :]


def unpack_count(record: bytes) -> int:
    """A number of records. Raises LogError."""
    return _unpacked(struct.Struct("<Q"), record)[0]


def node_of(record: bytes) -> int:
    """The node of a record of data or of a state. Raises LogError."""
    return _unpacked(struct.Struct("<B"), record)[0]


def pack_state(node: int, before_ns: int, after_ns: int, state: bytes) -> bytes:
    """A clock ping with the state read after it: host time before the ping's write and after its acknowledgement."""
    return _STATE.pack(node, before_ns, after_ns) + state


def unpack_state(record: bytes) -> tuple[int, int, int, bytes]:
    """node, before_ns, after_ns, state. Raises LogError."""
    node, before_ns, after_ns = _unpacked(_STATE, record)
    return node, before_ns, after_ns, record[_STATE.size :]


def _unpacked(head: struct.Struct, record: bytes) -> tuple[int, ...]:
    if len(record) < head.size:
        raise LogError(
            f"a log record of {head.size} bytes or more",
            f"one has {len(record)}",
            "use the version of the tool that wrote it",
        )
    found = head.unpack_from(record)
    if max(found) > MOST_NS:
        raise LogError("host times in the log", f"one is {max(found)} ns", "leave that log out: it was not written so")
    return found
