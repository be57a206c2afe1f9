"""Samples that come from no node, such as a replay's or the simulated athlete's, as records of a log.

A payload is, little endian: uint8 placement (place in PLACEMENTS), uint8 columns, uint16 rows, three float64 (declared
rate in Hz, ranges of accelerometer and gyroscope in SI units, NaN for none), then the rows in float64: time_s, acc (3),
gyr (3) and, if there is one, mag (3).
"""

from __future__ import annotations

import math
import struct
from collections.abc import Sequence
from typing import Any

import numpy as np

from imu_shoulder.log.contents import log_session, read_contents
from imu_shoulder.log.records import SAMPLES, LogError, Scan
from imu_shoulder.log.typed_events import typed_events
from imu_shoulder.model import PLACEMENTS, Recording, SensorStream
from imu_shoulder.sources.possible import MOST_RATE_HZ

_SAMPLES = struct.Struct("<BBHddd")
_ROWS = 500


def pack_samples(stream: SensorStream) -> list[bytes]:
    """The payloads of a chunk of one sensor."""
    columns = [stream.time_s[:, None], stream.acc_m_s2, stream.gyr_rad_s] + ([] if stream.mag is None else [stream.mag])
    rows = np.hstack(columns)
    ranges = (math.nan if r is None else r for r in (stream.acc_range_m_s2, stream.gyr_range_rad_s))
    facts = (stream.declared_rate_hz, *ranges)
    return [
        _SAMPLES.pack(PLACEMENTS.index(stream.placement), rows.shape[1], len(part), *facts) + part.tobytes()
        for part in np.split(rows, range(_ROWS, len(rows), _ROWS))
        if len(part)
    ]


def _unpack_samples(payloads: Sequence[bytes]) -> dict[str, SensorStream]:
    parts: dict[str, list[Any]] = {}
    facts: dict[str, tuple[float, float, float]] = {}
    for payload in payloads:
        place, rate_hz, *ranges, rows = _unpack_rows(payload)
        parts.setdefault(place, []).append(rows)
        facts[place] = (rate_hz, ranges[0], ranges[1])
        if parts[place][0].shape[1] != rows.shape[1]:
            raise _refused(f"{place} has rows of {parts[place][0].shape[1]} and of {rows.shape[1]} numbers")
    streams = {}
    for placement in sorted(parts, key=PLACEMENTS.index):
        rows = np.vstack(parts[placement])
        rate_hz, *ranges = facts[placement]
        streams[placement] = SensorStream(
            placement,
            rows[:, 0].copy(),
            rows[:, 1:4].copy(),
            rows[:, 4:7].copy(),
            rate_hz,
            rows[:, 7:10].copy() if rows.shape[1] > 7 else None,
            *(None if math.isnan(r) else r for r in ranges),
        )
    return streams


def _unpack_rows(payload: bytes) -> tuple[Any, ...]:
    """Placement, rate and ranges, and rows of a record of samples. Raises LogError."""
    if len(payload) < _SAMPLES.size:
        raise _refused(f"a record has {len(payload)} bytes")
    place, width, count, *rest = _SAMPLES.unpack_from(payload)
    if (
        place >= len(PLACEMENTS)
        or width not in (7, 10)
        or len(payload) != _SAMPLES.size + 8 * width * count
        or not count
    ):
        raise _refused(f"a record of {len(payload)} bytes says {count} rows of {width} at place {place}")
    rows = np.frombuffer(payload, dtype="<f8", offset=_SAMPLES.size).reshape(count, width)
    if not np.isfinite(rows).all() or not 0 < rest[0] <= MOST_RATE_HZ:
        raise _refused(f"a record of {PLACEMENTS[place]} holds other than finite numbers at a possible rate")
    return PLACEMENTS[place], *rest, rows


def _refused(came: str) -> LogError:
    return LogError("samples in the log", came, "leave that log out: this tool did not write it so")


def assemble_samples(log: Scan, name: str) -> tuple[Recording, tuple[str, ...]]:
    """The recording in a log that holds samples, and what was lost or is odd, one sentence each."""
    contents = read_contents(log)
    remarks = list(contents.remarks)
    zero_ns, athlete, start = log_session(contents.session, 0.0, remarks)
    streams = _unpack_samples([record.payload for record in log.records if record.kind == SAMPLES])
    typed = typed_events(contents.entries, zero_ns, max(float(stream.time_s[-1]) for stream in streams.values()))
    return Recording(name, athlete, start, streams, typed.events), (*remarks, *typed.remarks)
