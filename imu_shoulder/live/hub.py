"""The one state that every open page shows: the session, who listens, and what is kept of it."""

from __future__ import annotations

import asyncio
import json
import time
from collections import deque
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Protocol

from imu_shoulder.cautions import HELP
from imu_shoulder.errors import ShoulderError
from imu_shoulder.files import well_formed
from imu_shoulder.live.session_log import Keeper, save
from imu_shoulder.model import SIDES, Event, Recording, SensorStream

SILENT_S = 1.0
# So many messages wait for a page whose turn has not come.
RECENT = 4
# All of it in ASCII: a name or text that is no UTF-8 can then be sent like any other.
_ENCODER = json.JSONEncoder(allow_nan=False, check_circular=False)
NOTE_LENGTH = 300
# What of a frame stays as it is for a while, and is large.
SELDOM = ("drill", "sensors", "warnings", "set_summary")
# Command -> what is said when it was taken.
TAKEN = {
    "calibrate_pose": "Stand still now.",
    "calibrate_bends": "Bend the elbows now.",
    "calibrate_raises": "Raise the straight arms now.",
    "calibrate_high": "Raise the arms, and bend the elbows there.",
    "skip": "Left out.",
    "start_set": "The set runs.",
    "stop_set": "The set has ended.",
    "next_drill": "Next drill.",
    "previous_drill": "Drill before.",
    "pain": "Pain noted.",
    "not_rated": "Not rated; that is noted.",
    "correct_pain": "Corrected; both numbers are kept.",
    "pain_meant": "The number stands.",
    "effort": "Effort noted.",
    "effort_not_rated": "Not rated; that is noted.",
    "count": "Corrected; both numbers are kept.",
    "note": "Note kept.",
    "finish": "The session has ended; it is being saved.",
}


class Session(Protocol):
    """What the page needs of the live engine."""

    def push(self, streams: Mapping[str, SensorStream]) -> None: ...

    def command(self, name: str, **args: Any) -> str | None: ...

    def frame(self) -> dict[str, Any]: ...

    def recording(self) -> tuple[Event, ...]: ...

    def calibrated_by(self) -> tuple[Event, ...]: ...


@dataclass(frozen=True, slots=True)
class About:
    """What a page is told once. analyse: writes the results of a recording into a folder, its report among them.

    drawings: of each drill of the plan, as live.before.drawings_of has them. minutes: that the whole plan takes, None
    where nobody worked it out.
    """

    athlete: str
    source: str
    plan: tuple[str, ...]
    cautions: tuple[str, ...]
    analyse: Callable[[Recording, Path], None]
    drawings: tuple[dict[str, Any], ...] = ()
    minutes: int | None = None


@dataclass(frozen=True, slots=True)
class Answer:
    """To a command: whether it was taken, and a sentence for the person who gave it."""

    taken: bool
    text: str


@dataclass(eq=False, slots=True)
class Listener:
    """One open page: it is woken when there is something new. told: number of the last message it was sent."""

    woken: asyncio.Event = field(default_factory=asyncio.Event)
    told: int = -1


class Hub:
    """Feeds the session, takes commands, wakes the pages. All of it runs in the server's one thread."""

    def __init__(self, session: Session, keeper: Keeper, about: About) -> None:
        self.session, self.keeper, self.about = session, keeper, about
        self.listeners: set[Listener] = set()
        self.ended = asyncio.Event()
        self.saved: dict[str, Any] = {"state": "running", "report": None, "folder": None, "text": None}
        self._pushed_s = time.monotonic()
        self._saving: asyncio.Task[None] | None = None
        self._recent: deque[tuple[int, str]] = deque(maxlen=RECENT)
        self._number = 0
        # Of SELDOM, the object that was last encoded, and its JSON.
        self._encoded: dict[str, tuple[object, str]] = {}
        self._calibrated = self.session.calibrated_by()

    def push(self, streams: Mapping[str, SensorStream]) -> None:
        """New samples: into the log, through the session, onto the pages."""
        if self.ended.is_set():
            return
        self._pushed_s = time.monotonic()
        self.keeper.samples(streams)
        self.session.push(streams)
        known, self._calibrated = self._calibrated, self.session.calibrated_by()
        for event in self._calibrated:
            if event not in known:
                self.keeper.calibrated(event)
        self.publish()

    def publish(self) -> None:
        """Make the message, if any page is open, and wake the pages."""
        self._number += 1
        if self.listeners:
            self._recent.append((self._number, self._message()))
        for listener in self.listeners:
            listener.woken.set()

    @property
    def number(self) -> int:
        return self._number

    def news(self, listener: Listener) -> list[tuple[int, str]]:
        """The messages that this page was not sent yet, with their numbers: the newest few."""
        if not self._recent or self._recent[-1][0] != self._number:
            self._recent.append((self._number, self._message()))
        return [(number, message) for number, message in self._recent if number > listener.told]

    def _message(self) -> str:
        """The newest frame with what the server itself knows."""
        silent_s = time.monotonic() - self._pushed_s
        log = self.keeper.log
        frame = self.session.frame()
        seldom = [f'"{name}": {self._json_of(name, frame.pop(name))}' for name in SELDOM]
        text = _ENCODER.encode(
            {
                "type": "frame",
                "number": self._number,
                "sent_ms": self._pushed_s_wall_ms(silent_s),
                "saved": self.saved,
                "silent": silent_s > SILENT_S and not self.ended.is_set(),
                "log_error": None if log.error is None else str(log.error),
                "frame": frame,
            }
        )
        # The frame's own end, then the message's.
        return f"{text[:-2]}, {', '.join(seldom)}}}}}"

    def _json_of(self, name: str, value: object) -> str:
        """A part of the frame; not encoded again where it is the very object of the frame before."""
        known = self._encoded.get(name)
        if known is None or known[0] is not value:
            self._encoded[name] = known = value, _ENCODER.encode(value)
        return known[1]

    @staticmethod
    def _pushed_s_wall_ms(silent_s: float) -> float:
        return round(1e3 * (time.time() - silent_s), 3)

    def hello(self) -> str:
        about = self.about
        told = {"athlete": about.athlete, "source": about.source, "plan": about.plan, "drawings": about.drawings}
        warned = {"cautions": about.cautions, "help": HELP, "minutes": about.minutes}
        return json.dumps({"type": "hello", "commands": list(TAKEN), **told, **warned})

    def command(self, name: object, args: object = None) -> Answer:
        """One command of a page, checked here since a page can send anything."""
        if not isinstance(name, str) or name not in TAKEN:
            return Answer(False, "This page asked for something that there is not; reload it.")
        given = _arguments(name, args)
        if given is None:
            return Answer(False, "Pain and effort are numbers from 0 to 10, a note a text of 1 to 300 characters.")
        if self.ended.is_set():
            return Answer(False, "The session has ended.")
        before = self.session.frame()
        refused = self.session.command(name, **given)
        if refused is None:
            self.keeper.command(name, given, before["t"] or 0.0, before["drill"])
            if before["stage"] == "set" and name in ("stop_set", "finish"):
                self.keeper.counted(self.session.recording(), before["t"] or 0.0)
            if name == "finish":
                self.finish()
        self.publish()
        return Answer(refused is None, TAKEN[name] if refused is None else refused)

    def finish(self) -> asyncio.Task[None]:
        """End the session once and save it in the background."""
        if self._saving is None:
            self.ended.set()
            self.saved = {**self.saved, "state": "saving"}
            self._saving = asyncio.create_task(self._save(), name="save the session")
        return self._saving

    async def _save(self) -> None:
        folder = self.keeper.folder
        events = self.keeper.events(self.session.recording())
        t_s = self.session.frame()["t"] or 0.0
        self.publish()
        try:
            await asyncio.to_thread(self._write, events, t_s)
        except Exception as error:
            # Whatever went wrong in the analysis, the pages must hear of it: the recording is there.
            self.saved = {**self.saved, "state": "failed", "text": self._trouble(error)}
            if folder.exists():
                self.saved["folder"] = str(folder)
        else:
            report = folder / "results" / "report.html"
            self.saved = {"state": "saved", "report": str(report), "folder": str(folder), "text": None}
        self.publish()

    def _write(self, events: tuple[Event, ...], t_s: float) -> None:
        self.keeper.close(t_s)
        recording = save(self.keeper.log_path, self.keeper.folder, events)
        self.about.analyse(recording, self.keeper.folder / "results")

    @property
    def unsaved(self) -> str | None:
        """What was not saved and where it is, None for nothing."""
        if self.saved["state"] == "saved":
            return None
        return self.saved["text"] or f"the end of the session was cut off; {self._left()}"

    def _trouble(self, error: Exception) -> str:
        return str(error) if isinstance(error, ShoulderError) else f"{type(error).__name__}: {error}; {self._left()}"

    def _left(self) -> str:
        log_path, folder = self.keeper.log_path, self.keeper.folder
        if log_path.exists():
            return f"all is kept in the log, try: imu-shoulder recover {log_path}"
        return f"the recording is complete, try: imu-shoulder analyse {folder} --out {folder / 'results'}"

    async def beat(self, every_s: float = 0.5) -> None:
        """Something for the pages to hear, also while no sample comes."""
        while True:
            await asyncio.sleep(every_s)
            if time.monotonic() - self._pushed_s >= every_s:
                self.publish()


def _arguments(name: str, args: object) -> dict[str, Any] | None:
    """The checked arguments of a command, or None if they are not its."""
    if name in ("pain", "correct_pain", "effort"):
        value = args.get("value") if isinstance(args, dict) else None
        fits = isinstance(value, (int, float)) and not isinstance(value, bool) and 0 <= value <= 10
        return {"value": value} if fits else None
    if name == "count":
        by, side = (args.get(key) if isinstance(args, dict) else None for key in ("by", "side"))
        return {"by": by, "side": side} if by in (-1, 1) and side in (*SIDES, None) else None
    if name == "direction":
        value = args.get("value") if isinstance(args, dict) else None
        return {"value": value} if isinstance(value, str) else None
    if name.startswith("calibrate_"):
        side = args.get("side") if isinstance(args, dict) else None
        return {"side": side} if side in (*SIDES, None) else None
    if name == "note":
        text = args.get("text") if isinstance(args, dict) else None
        fits = isinstance(text, str) and 0 < len(text.strip()) <= NOTE_LENGTH
        return {"text": well_formed(text.strip())} if isinstance(text, str) and fits else None
    return {}
