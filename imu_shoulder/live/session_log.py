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

from imu_shoulder.ble.recover import recover
from imu_shoulder.errors import OutputError
from imu_shoulder.files import discard, make_folders, refusing
from imu_shoulder.live.steps import COMMANDS
from imu_shoulder.log.entries import End, EventEntry, Session, pack
from imu_shoulder.log.records import END, EVENT, SAMPLES, SESSION, LogError
from imu_shoulder.log.samples import pack_samples
from imu_shoulder.log.typed_events import typed_events
from imu_shoulder.log.unfinished import Unfinished
from imu_shoulder.log.writer import LogThread
from imu_shoulder.model import Event, Recording, SensorStream
from imu_shoulder.sources.events import with_note
from imu_shoulder.sources.folder import read_recording

POSE_S = 5.0
# So many chunks of a sensor make one record.
_CHUNKS = 5
# Events that begin no further apart than this are the same one.
SAME_S = 0.5
_TRIALS = {command: trial_type for trial_type, command in COMMANDS.items()}


def _key(event: Event) -> tuple[str, float]:
    return event.trial_type, event.onset_s


def _is_same(event: Event, other: Event) -> bool:
    """Whether both are one event, as the session and as its log have it."""
    return event.trial_type == other.trial_type and abs(event.onset_s - other.onset_s) < SAME_S


def log_of(folder: Path) -> Path:
    """The log of the session that will be this folder."""
    return folder.with_name(folder.name + ".log")


class Keeper:
    """Writes the log of one session. zero_ns: what the log's clock reads at second 0 of the session's clock.

    keeps_samples: False where the nodes write theirs themselves. earlier: what a run of this session that was killed
    left in the log, which is then continued: its second 0, its start and its events hold.
    """

    def __init__(
        self,
        folder: Path,
        athlete: str,
        start: str | None,
        *,
        zero_ns: int = 0,
        keeps_samples: bool,
        earlier: Unfinished | None = None,
    ) -> None:
        if folder.exists():
            raise OutputError(f"a new folder at {folder}", "it is there already", "give another name with --out")
        with refusing(folder):
            make_folders(folder.parent)
        self.folder = folder
        self.log_path = log_of(folder)
        if earlier is None and self.log_path.exists() and self.log_path.stat().st_size:
            raise LogError(
                f"no unfinished session at {self.log_path}",
                "there is one",
                f"keep it with: imu-shoulder recover {self.log_path}",
            )
        self._keeps_samples = keeps_samples
        self._since_ns = zero_ns
        self._earlier = earlier
        self.zero_ns = zero_ns if earlier is None else earlier.session.host_ns
        self._waiting: dict[str, list[SensorStream]] = {}
        self.log = LogThread(self.log_path)
        started = start or datetime.now().astimezone().isoformat(timespec="milliseconds")
        for _ in range(2):  # what all else depends on: one damaged record must not take it away
            self.log.put(SESSION, pack(Session(athlete, started, zero_ns, time.time())))
        self._before: tuple[Event, ...] = ()
        self._gone_through: dict[tuple[str, float], Event] = {}
        if earlier is not None:
            end = EventEntry(earlier.last_ns, "stop")  # what was running ended with that run
            self.log.put(EVENT, pack(end))
            end_s = (earlier.last_ns - self.zero_ns) / 1e9
            self._before = typed_events([*earlier.entries, end], self.zero_ns, end_s).events

    def events(self, own: Sequence[Event]) -> tuple[Event, ...]:
        """Those of the whole recording. own: of the session as it ran in this process.

        What that had from the log, to go on where the killed run was, is in the log as it was told then.
        """
        late = [event for event in own if _key(event) not in self._gone_through]
        told = {_key(event): event for event in own if _key(event) in self._gone_through}
        # A movement that was done again since.
        gone = [then for key, then in self._gone_through.items() if key not in told]
        before = [event for event in self._before if not any(_is_same(event, own) for own in gone)]
        kept = [self._told_since(event, told) for event in before]
        return tuple(sorted([*kept, *late], key=lambda event: event.onset_s))

    def went_on(self, events: Sequence[Event]) -> None:
        """events: of the session when it had gone through the log of the killed run.

        A set that was running when that run was killed was counted now.
        """
        self._gone_through = {_key(event): event for event in events}
        cut = next((event for event in reversed(self._before) if event.trial_type == "set"), None)
        if cut is None or any(count.counted is not None for count in cut.counts):
            return
        counted = [event for event in events if _is_same(event, cut)]
        self.counted(counted, cut.end_s)
        self._before = tuple(
            replace(event, counts=counted[-1].counts) if counted and event is cut else event for event in self._before
        )

    def _told_since(self, event: Event, told: Mapping[tuple[str, float], Event]) -> Event:
        """An event of the killed run, with what was said of it after going on."""
        for key, now in told.items():
            then = self._gone_through[key]
            if not _is_same(now, event) or now == then:
                continue
            if now.note != then.note and now.note is not None:
                event = with_note(event, now.note)
            if now.pain != then.pain:
                event = replace(event, pain=now.pain)
            event = replace(event, side=now.side, effort=now.effort, counts=now.counts)
        return event

    def give_up(self) -> None:
        """The session never began: the log is as it was, or gone if it was not there."""
        self.log.close()
        if self._earlier is None:
            discard(self.log_path)

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
        host_ns = self._host_ns(t_s)
        entry: EventEntry | None = None
        if name in _TRIALS:
            duration_s = POSE_S if _TRIALS[name] == "neutral_pose" else None
            entry = EventEntry(host_ns, "start", _TRIALS[name], side=args.get("side"), duration_s=duration_s)
        elif name == "start_set" and drill is not None:
            way = drill.get("direction")
            entry = EventEntry(host_ns, "start", "set", drill["id"], drill["side"], direction=way)
        elif name in ("stop_set", "finish"):
            entry = EventEntry(host_ns, "stop")
        elif name in ("pain", "correct_pain"):
            entry = EventEntry(host_ns, "pain", value=float(args["value"]))
        elif name == "effort":
            entry = EventEntry(host_ns, "effort", value=float(args["value"]))
        elif name == "count":
            entry = EventEntry(host_ns, "corrected", side=args["side"], value=float(args["by"]))
        elif name == "note":
            entry = EventEntry(host_ns, "note", text=str(args["text"]))
        if entry is not None:
            self.log.put(EVENT, pack(entry))

    def counted(self, events: Sequence[Event], t_s: float) -> None:
        """Note what was counted in the latest set, which has ended, and how many of it were extra. events: so far."""
        done = [event for event in events if event.trial_type == "set"]
        for count in done[-1].counts if done else ():
            for what, value in (("counted", count.counted), ("extra", count.extra)):
                if value is not None and (value or what == "counted"):
                    self.log.put(EVENT, pack(EventEntry(self._host_ns(t_s), what, side=count.side, value=float(value))))

    def calibrated(self, event: Event) -> None:
        """Note from when to when a calibration step went: its command says only when it was asked for."""
        entry = EventEntry(
            self._host_ns(event.onset_s),
            "was",
            trial_type=event.trial_type,
            side=event.side,
            duration_s=event.duration_s,
        )
        self.log.put(EVENT, pack(entry))

    def _host_ns(self, t_s: float) -> int:
        # Before its first sample the session's clock stands at 0, though an earlier run's samples may have passed that.
        return max(self.zero_ns + round(t_s * 1e9), self._since_ns)

    def close(self, t_s: float) -> None:
        """End the log in order. Raises LogError if it could not be written to its end."""
        for placement in list(self._waiting):
            self._put(placement)
        self.log.put(END, pack(End(self._host_ns(t_s))))
        self.log.close()
        if self.log.error is not None:
            raise self.log.error


def save(log_path: Path, folder: Path, events: Sequence[Event]) -> Recording:
    """Write what a log holds as a recording folder, with the session's own events, the log moved into it.

    Raises LogError, OutputError.
    """
    recover(log_path, folder, keep_log=False, events=events)
    return read_recording(folder)
