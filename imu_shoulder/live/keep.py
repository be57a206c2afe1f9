"""What a live session leaves: a crash-safe log while it runs, a recording folder at its end.

Bluetooth nodes write their own bytes into the same log, as `record` does. Samples of a replay or of the simulated
athlete come from no node and are kept as they are, in records of kind SAMPLES.
"""

from __future__ import annotations

import math
import os
import struct
import time
from collections.abc import Mapping, Sequence
from dataclasses import replace
from datetime import datetime
from pathlib import Path
from typing import Any

import numpy as np

from imu_shoulder.ble.entries import End, EventEntry, Session, pack, unpack
from imu_shoulder.ble.typed import typed_events
from imu_shoulder.errors import OutputError
from imu_shoulder.log.records import END, EVENT, LOG_NAME, SESSION, LogError, Scan, read_log
from imu_shoulder.log.recover import recover
from imu_shoulder.log.writer import LogThread
from imu_shoulder.model import PLACEMENTS, Event, Recording, SensorStream
from imu_shoulder.sources.events import events_tsv
from imu_shoulder.sources.folder import read_recording, write_recording

SAMPLES = 9
POSE_S = 5.0
# So many chunks of a sensor make one record.
_CHUNKS = 5
_SAMPLES = struct.Struct("<BBHddd")
_ROWS = 500
_TRIALS = {
    "calibrate_pose": ("neutral_pose", POSE_S),
    "calibrate_bends": ("elbow_bends", None),
    "calibrate_raises": ("forward_raises", None),
}


def pack_samples(stream: SensorStream) -> list[bytes]:
    """The payloads of a chunk of one sensor: float64 columns time_s, acc (3), gyr (3), optional mag (3), SI units."""
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
        place, width, count, *rest = _SAMPLES.unpack_from(payload)
        rows = np.frombuffer(payload, dtype="<f8", offset=_SAMPLES.size).reshape(count, width)
        parts.setdefault(PLACEMENTS[place], []).append(rows)
        facts[PLACEMENTS[place]] = (rest[0], rest[1], rest[2])
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


class Keeper:
    """Writes the log of one session. zero_ns: what the log's clock reads at second 0 of the session's clock.

    keeps_samples: False where the nodes write theirs themselves.
    """

    def __init__(self, folder: Path, athlete: str, start: str | None, *, zero_ns: int = 0, keeps_samples: bool) -> None:
        if folder.exists():
            raise OutputError(f"a new folder at {folder}", "it is there already", "give another name with --out")
        folder.parent.mkdir(parents=True, exist_ok=True)
        self.folder = folder
        self.log_path = folder.with_name(folder.name + ".log")
        if self.log_path.exists() and self.log_path.stat().st_size:
            raise LogError(
                f"no unfinished session at {self.log_path}",
                "there is one",
                f"keep it with: imu-shoulder live --finish {self.log_path}",
            )
        self._keeps_samples = keeps_samples
        self._zero_ns = zero_ns
        self._waiting: dict[str, list[SensorStream]] = {}
        self.log = LogThread(self.log_path)
        started = start or datetime.now().astimezone().isoformat(timespec="milliseconds")
        for _ in range(2):  # what all else depends on: one damaged record must not take it away
            self.log.put(SESSION, pack(Session(athlete, started, zero_ns, time.time())))

    def samples(self, streams: Mapping[str, SensorStream]) -> None:
        if not self._keeps_samples:
            return
        for placement, stream in streams.items():
            waiting = self._waiting.setdefault(placement, [])
            waiting.append(stream)
            if len(waiting) >= _CHUNKS:
                self._put(placement)

    def _put(self, placement: str) -> None:
        chunks = self._waiting.pop(placement)
        mags = [chunk.mag for chunk in chunks if chunk.mag is not None]
        whole = replace(
            chunks[0],
            time_s=np.concatenate([chunk.time_s for chunk in chunks]),
            acc_m_s2=np.concatenate([chunk.acc_m_s2 for chunk in chunks]),
            gyr_rad_s=np.concatenate([chunk.gyr_rad_s for chunk in chunks]),
            mag=np.concatenate(mags) if len(mags) == len(chunks) else None,
        )
        for payload in pack_samples(whole):
            self.log.put(SAMPLES, payload)

    def command(self, name: str, args: Mapping[str, Any], t_s: float, drill: Mapping[str, Any] | None) -> None:
        """Note a command that was accepted at second t_s of the session's clock. drill: of the frame, for a set."""
        host_ns = self._zero_ns + round(t_s * 1e9)
        entry: EventEntry | None = None
        if name in _TRIALS:
            trial, duration_s = _TRIALS[name]
            entry = EventEntry(host_ns, "start", trial_type=trial, duration_s=duration_s)
        elif name == "start_set" and drill is not None:
            entry = EventEntry(host_ns, "start", trial_type="set", drill=drill["id"], side=drill["side"])
        elif name in ("stop_set", "finish"):
            entry = EventEntry(host_ns, "stop")
        elif name == "pain":
            entry = EventEntry(host_ns, "pain", value=float(args["value"]))
        elif name == "note":
            entry = EventEntry(host_ns, "note", text=str(args["text"]))
        if entry is not None:
            self.log.put(EVENT, pack(entry))

    def close(self, t_s: float) -> None:
        """End the log in order. Raises LogError if it could not be written to its end."""
        for placement in list(self._waiting):
            self._put(placement)
        self.log.put(END, pack(End(self._zero_ns + round(t_s * 1e9))))
        self.log.close()
        if self.log.error is not None:
            raise self.log.error


def save(log_path: Path, folder: Path, events: Sequence[Event] | None = None) -> Recording:
    """Write what a log holds as a recording folder, the log moved into it.

    events: of the session; those the log knows where None, as after a crash. Raises LogError, OutputError.
    """
    log = read_log(log_path)
    payloads = [record.payload for record in log.records if record.kind == SAMPLES]
    if not payloads:
        recover(log_path, folder, keep_log=False)
        if events:
            (folder / "events.tsv").write_text(events_tsv(events), encoding="utf-8")
        return read_recording(folder)
    write_recording(_recording(log, payloads, folder.name, events), folder, file_format="parquet")
    try:
        os.replace(log_path, folder / LOG_NAME)
    except OSError as error:
        raise OutputError(
            f"to move the log into {folder}", f"that failed ({error.strerror})", "the recording itself is complete"
        ) from error
    return read_recording(folder)


def _recording(log: Scan, payloads: Sequence[bytes], name: str, events: Sequence[Event] | None) -> Recording:
    sessions = [unpack(Session, record.payload) for record in log.records if record.kind == SESSION]
    if not sessions:
        raise LogError("a log that says whose it is", "its first records are lost", "ask for help with the log")
    streams = _unpack_samples(payloads)
    end_s = max(float(stream.time_s[-1]) for stream in streams.values())
    if events is None:
        entries = [unpack(EventEntry, record.payload) for record in log.records if record.kind == EVENT]
        events = typed_events(entries, sessions[0].host_ns, end_s).events
    return Recording(name, sessions[0].athlete, sessions[0].start, streams, tuple(events))
