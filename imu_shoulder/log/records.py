"""Framing of the log: records that can be found again after any damage.

A record is, little endian: 4 bytes of mark, uint16 payload length, uint8 kind, uint8 key, uint32 index, payload,
uint32 CRC-32 (zlib's) over all of it but the mark. The index counts records, so that what is missing can be said.
After damage the reader looks for the next mark that begins a whole record: one damaged record never costs its
neighbours. Payload bytes are combined with the key (exclusive or), chosen so that no mark occurs among them: a payload
that holds a whole record can never be taken for one. The key is 0 unless the payload holds a mark.
"""

from __future__ import annotations

import struct
from dataclasses import dataclass
from itertools import pairwise
from pathlib import Path
from zlib import crc32

from imu_shoulder.checked import require_file
from imu_shoulder.errors import ShoulderError

MARK = b"\xa5ISR"
_HEADER = struct.Struct("<4sHBBI")
_CRC = struct.Struct("<I")
OVERHEAD = _HEADER.size + _CRC.size
MAX_RECORD_PAYLOAD = 0xFFFF

SESSION, NODE, DATA, STATE, EVENT, LINK, DROPPED, END, SAMPLES = range(1, 10)
LOG_NAME = "recording.log"


class LogError(ShoulderError):
    """A log cannot be read or written."""


@dataclass(frozen=True, slots=True)
class Record:
    """One record. kind: SESSION to SAMPLES above."""

    kind: int
    index: int
    payload: bytes


@dataclass(frozen=True, slots=True)
class Damage:
    """Bytes of a log that are not part of any whole record. after_index: last good record before them, -1 for none."""

    offset: int
    length: int
    after_index: int


@dataclass(frozen=True, slots=True)
class Scan:
    """What a log holds, each record once and in the order of their index, which is that of their writing.

    missing_records: records known to be lost, from gaps in the index. order_breaks: places where the index went back.
    repeated_records: records that stood there more than once.
    """

    records: tuple[Record, ...]
    damages: tuple[Damage, ...]
    missing_records: int
    order_breaks: int = 0
    repeated_records: int = 0


def _combined(payload: bytes, key: int) -> bytes:
    return bytes(byte ^ key for byte in payload) if key else payload


def encode_record(kind: int, index: int, payload: bytes) -> bytes:
    """The bytes of a record. Raises LogError if the payload is too long."""
    if len(payload) > MAX_RECORD_PAYLOAD:
        raise LogError(
            f"a log record of {MAX_RECORD_PAYLOAD} bytes or less", f"{len(payload)} came", "shorten the note"
        )
    key = next((k for k in range(256) if MARK not in _combined(payload, k)), None)
    if key is None:
        raise LogError("a log record's payload", "it holds the log's mark in every disguise", "leave it out")
    body = _HEADER.pack(MARK, len(payload), kind, key, index) + _combined(payload, key)
    return body + _CRC.pack(crc32(body[len(MARK) :]))


def _record_at(data: bytes, at: int) -> Record | None:
    """The record that begins at byte `at`, if a whole and undamaged one does."""
    if at + OVERHEAD > len(data):
        return None
    mark, length, kind, key, index = _HEADER.unpack_from(data, at)
    end = at + _HEADER.size + length
    if mark != MARK or end + _CRC.size > len(data):
        return None
    if crc32(data[at + len(MARK) : end]) != _CRC.unpack_from(data, end)[0]:
        return None
    return Record(kind, index, _combined(data[at + _HEADER.size : end], key))


def scan(data: bytes) -> Scan:
    """All whole records, and what lies between them."""
    whole: list[Record] = []
    damages: list[Damage] = []
    at = bad_from = 0
    while at < len(data):
        record = _record_at(data, at)
        if record is None:
            found = data.find(MARK, at + 1)
            at = len(data) if found < 0 else found
            continue
        if at > bad_from:
            damages.append(Damage(bad_from, at - bad_from, whole[-1].index if whole else -1))
        whole.append(record)
        at = bad_from = at + OVERHEAD + len(record.payload)
    if bad_from < len(data):
        damages.append(Damage(bad_from, len(data) - bad_from, whole[-1].index if whole else -1))
    breaks = sum(after.index < before.index for before, after in pairwise(whole))
    records = sorted({record.index: record for record in reversed(whole)}.values(), key=lambda record: record.index)
    missing, last = 0, -1
    for record in records:
        missing += record.index - last - 1
        last = record.index
    return Scan(tuple(records), tuple(damages), missing, breaks, len(whole) - len(records))


def read_log(path: Path) -> Scan:
    """Scan a log file. Raises LogError if it cannot be read or holds no record."""
    require_file(path, "a log", LogError)
    try:
        data = path.read_bytes()
    except OSError as error:
        raise LogError("a readable log", f"{path} is not ({error.strerror})", "check the path") from error
    found = scan(data)
    if not found.records:
        raise LogError("a log of this tool", f"{path} holds no whole record", "check the path")
    return found
