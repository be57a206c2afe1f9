"""Going on with a session over the air whose process was killed: the same command finds its log and continues it."""

from __future__ import annotations

import time
from datetime import datetime
from pathlib import Path
from typing import Any

from imu_shoulder.ble.assemble import assemble
from imu_shoulder.files import well_formed
from imu_shoulder.identity import person
from imu_shoulder.live.replay import Replayed, play
from imu_shoulder.live.session import LiveSession
from imu_shoulder.live.session_log import log_of
from imu_shoulder.log.host_clock import host_now_ns
from imu_shoulder.log.records import LogError, read_log
from imu_shoulder.log.unfinished import Unfinished, unfinished
from imu_shoulder.sources import RecordingSource

SESSIONS = Path("live_sessions")
# Without --out a session that was heard last longer ago is another one.
SAME_SESSION_S = 3600.0
# What was recorded is gone through in pieces of this length; it does not matter how long.
CHUNK_S = 0.5


def new_folder() -> Path:
    return SESSIONS / datetime.now().strftime("%Y-%m-%d_%H%M%S")


def session_folder(out: Path | None, athlete: str, ceiling: float) -> tuple[Path, Unfinished | None]:
    """Where to keep a session over the air, and what a run that was killed left of the same session.

    out: as asked for; None looks for a session of this athlete that was cut off within the last hour, and else takes
    a new folder. Raises LogError where the log cannot be continued, or where pain over the ceiling ended the sets.
    """
    folder, earlier = (out, _earlier(log_of(out), athlete)) if out is not None else _latest(athlete)
    if earlier is not None:
        _require_no_stop(earlier, ceiling, log_of(folder))
    return folder, earlier


def _latest(athlete: str) -> tuple[Path, Unfinished | None]:
    for log_path in sorted(SESSIONS.glob("*.log"), key=_changed_s, reverse=True):
        if time.time() - _changed_s(log_path) > SAME_SESSION_S:
            break
        try:
            earlier = _earlier(log_path, athlete)
        except LogError:
            continue  # another athlete's, or a replay's
        if earlier is not None and host_now_ns() - earlier.last_ns <= SAME_SESSION_S * 1e9:
            return log_path.with_suffix(""), earlier
    return new_folder(), None


def _changed_s(path: Path) -> float:
    return path.stat().st_mtime


def _earlier(log_path: Path, athlete: str) -> Unfinished | None:
    earlier = unfinished(log_path)
    if earlier is None:
        return None
    came = None
    if earlier.ended or not earlier.of_nodes:
        came = "there is one that cannot go on"
    elif person(earlier.session.athlete) != person(well_formed(athlete)):
        came = f"there is one of {earlier.session.athlete}"
    if came is not None:
        raise LogError(f"no unfinished session at {log_path}", came, f"keep it with: imu-shoulder recover {log_path}")
    return earlier


def _require_no_stop(earlier: Unfinished, ceiling: float, log_path: Path) -> None:
    """Raises LogError where pain ended the sets before: that does not pass with the process that knew it."""
    worst = max((entry.value or 0.0 for entry in earlier.entries if entry.what == "pain"), default=0.0)
    if worst > ceiling:
        raise LogError(
            "a session that may go on",
            f"pain was {worst:g} of 10 before it was cut off, over the ceiling of {ceiling:g}: no further set today",
            f"keep it with: imu-shoulder recover {log_path}",
        )


def go_on(session: LiveSession, log_path: Path) -> bool:
    """Bring a new session to where the killed one was, by all that its log holds. Whether its calibration holds.

    Pain and effort that were not rated after the last set are still to be rated.
    """
    recording = assemble(read_log(log_path), log_path.stem).recording
    sets = sum(event.trial_type == "set" for event in recording.events)

    def command(name: str, **args: Any) -> str | None:
        nonlocal sets
        sets -= name == "start_set"
        # What was not answered after the last set is still to be answered.
        return None if name in ("not_rated", "effort_not_rated") and sets <= 0 else session.command(name, **args)

    replayed = Replayed(session, command)
    play(RecordingSource(recording, CHUNK_S), session, replayed)
    # What was cut off is over.
    replayed.passed(at_once=True)
    return session.stream.pose is not None
