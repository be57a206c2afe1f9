"""What the log's records hold. Host times are nanoseconds of host_clock.host_now_ns."""

from __future__ import annotations

import json
import struct
from dataclasses import asdict, dataclass
from typing import Any, TypeVar

from imu_shoulder.files import well_formed
from imu_shoulder.log.records import LogError

_DATA = struct.Struct("<BQ")
_STATE = struct.Struct("<BQQ")


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
    from when to when the calibration step that was started last truly went.

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
        return kind(**table)
    except (ValueError, TypeError) as error:
        raise LogError(
            f"a {kind.__name__} in the log",
            f"{payload[:60]!r} came ({error})",
            "use the version of the tool that wrote it",
        ) from error


def pack_data(node: int, arrival_ns: int, payload: bytes) -> bytes:
    """A notification as it came."""
    return _DATA.pack(node, arrival_ns) + payload


def unpack_data(record: bytes) -> tuple[int, int, bytes]:
    """node, arrival_ns, payload."""
    node, arrival_ns = _DATA.unpack_from(record)
    return node, arrival_ns, record[_DATA.size :]


def pack_state(node: int, before_ns: int, after_ns: int, state: bytes) -> bytes:
    """A clock ping with the state read after it: host time before the ping's write and after its acknowledgement."""
    return _STATE.pack(node, before_ns, after_ns) + state


def unpack_state(record: bytes) -> tuple[int, int, int, bytes]:
    """node, before_ns, after_ns, state."""
    node, before_ns, after_ns = _STATE.unpack_from(record)
    return node, before_ns, after_ns, record[_STATE.size :]
