"""What is typed while recording, as log entries."""

from __future__ import annotations

import shlex
from collections.abc import Iterable

from imu_shoulder.errors import ParameterError
from imu_shoulder.log.entries import EventEntry
from imu_shoulder.log.typed_events import SHAKE_S
from imu_shoulder.model import EVENT_SIDES

POSE_S = 5.0
MOVEMENTS = {"bends": "elbow_bends", "raises": "forward_raises", "high": "bends_at_shoulder_height"}
HELP = """\
pose                   stand still in the neutral pose for five seconds, from now
shake                  all nodes held together are shaken for six seconds, from now
bends, raises          elbow bends or forward raises begin
high                   elbow bends with the arms at shoulder height begin
set DRILL [SIDE]       a set begins; side right, left or both
stop                   the set or the movement ends
pain N, load KG        of the set running or just done, pain before the first set too; pain 0 to 10
note TEXT              of the same
quit                   stop recording (Ctrl-C does the same)"""


def parse_line(line: str, host_ns: int, drills: Iterable[str]) -> EventEntry | None:
    """One typed line. None for quit. Raises ParameterError. The first letter of a word is enough, but for `set`,
    `shake` and `stop`."""
    try:
        words = shlex.split(line.lower()) if not line.lower().startswith("n") else line.split(maxsplit=1)
    except ValueError:
        words = []
    word, *rest = words or [""]
    names = ("pose", *MOVEMENTS, "set", "shake", "stop", "pain", "load", "note", "quit")
    short = {"p": "pose", "b": "bends", "r": "raises", "h": "high", "l": "load", "n": "note", "q": "quit"}
    word = short.get(word.lower(), word.lower())
    if word not in names:
        raise ParameterError(f"one of {', '.join(names)}", f"{line.strip()!r} was typed", "try again")
    if word == "quit":
        return None
    if word in ("pose", "shake"):
        trial = "neutral_pose" if word == "pose" else None
        what, duration_s = ("start", POSE_S) if word == "pose" else ("shake", SHAKE_S)
        return EventEntry(host_ns, what, trial_type=trial, duration_s=duration_s)
    if word in MOVEMENTS:
        return EventEntry(host_ns, "start", trial_type=MOVEMENTS[word])
    if word == "set":
        return _set(line, rest, host_ns, tuple(drills))
    if word in ("pain", "load"):
        return EventEntry(host_ns, word, value=_number(word, rest))
    if word == "note":
        if not rest:
            raise ParameterError("note and a text", "no text was typed", "try again")
        return EventEntry(host_ns, "note", text=rest[0].strip())
    return EventEntry(host_ns, "stop")


def _set(line: str, rest: list[str], host_ns: int, drills: tuple[str, ...]) -> EventEntry:
    side = rest[1] if len(rest) == 2 else None
    if len(rest) not in (1, 2) or (side is not None and side not in EVENT_SIDES):
        raise ParameterError(
            "set, a drill and a side out of right, left, both", f"{line.strip()!r} was typed", "try again"
        )
    matching = [rest[0]] if rest[0] in drills else [drill for drill in drills if drill.startswith(rest[0])]
    if len(matching) != 1:
        raise ParameterError(f"a drill out of {', '.join(drills)}", f"{rest[0]!r} was typed", "try again")
    return EventEntry(host_ns, "start", trial_type="set", drill=matching[0], side=side)


def _number(word: str, rest: list[str]) -> float:
    most = 10.0 if word == "pain" else 100.0
    try:
        (text,) = rest
        value = float(text)
    except ValueError:
        value = -1.0
    if not 0 <= value <= most:
        raise ParameterError(f"{word} and a number of 0 to {most:g}", f"{' '.join(rest)!r} was typed", "try again")
    return value
