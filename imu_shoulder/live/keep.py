"""What a live session leaves: a crash-safe log while it runs, a recording folder at its end.

Bluetooth nodes write their own bytes into the same log, as `record` does. Samples of a replay or of the simulated
athlete come from no node and are kept as they are.
"""

from __future__ import annotations

import time
from collections.abc import Mapping, Sequence
from dataclasses import replace
from datetime import datetime
from pathlib import Path
from typing import Any

import numpy as np

from imu_shoulder.ble.entries import End, EventEntry, Session, pack
from imu_shoulder.errors import OutputError
from imu_shoulder.log.records import END, EVENT, SAMPLES, SESSION, LogError
from imu_shoulder.log.recover import recover
from imu_shoulder.log.samples import pack_samples
from imu_shoulder.log.writer import LogThread
from imu_shoulder.model import Event, Recording, SensorStream
from imu_shoulder.sources.events import events_tsv
from imu_shoulder.sources.folder import read_recording

POSE_S = 5.0
# So many chunks of a sensor make one record.
_CHUNKS = 5
_TRIALS = {
    "calibrate_pose": ("neutral_pose", POSE_S),
    "calibrate_bends": ("elbow_bends", None),
    "calibrate_raises": ("forward_raises", None),
}


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
                f"keep it with: imu-shoulder recover {self.log_path}",
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
        elif name in ("pain", "correct_pain"):
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


def save(log_path: Path, folder: Path, events: Sequence[Event]) -> Recording:
    """Write what a log holds as a recording folder, with the session's own events, the log moved into it.

    Raises LogError, OutputError.
    """
    recover(log_path, folder, keep_log=False)
    (folder / "events.tsv").write_text(events_tsv(events), encoding="utf-8")
    return read_recording(folder)
