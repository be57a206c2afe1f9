"""What is typed while recording, as log entries, and those entries as the events of a recording."""

from __future__ import annotations

import shlex
from collections.abc import Iterable
from dataclasses import dataclass, replace

from imu_shoulder.ble.entries import EventEntry
from imu_shoulder.errors import ParameterError
from imu_shoulder.model import EVENT_SIDES, Event
from imu_shoulder.sources.events import with_note, with_ratings

POSE_S = 5.0
SHAKE_S = 6.0
HELP = """\
pose                   stand still in the neutral pose for five seconds, from now
shake                  all nodes held together are shaken for six seconds, from now
bends, raises          elbow bends or forward raises begin
set DRILL [SIDE]       a set begins; side right, left or both
stop                   the set, bends or raises end
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
    names = ("pose", "bends", "raises", "set", "shake", "stop", "pain", "load", "note", "quit")
    short = {"p": "pose", "b": "bends", "r": "raises", "l": "load", "n": "note", "q": "quit"}
    word = short.get(word.lower(), word.lower())
    if word not in names:
        raise ParameterError(f"one of {', '.join(names)}", f"{line.strip()!r} was typed", "try again")
    if word == "quit":
        return None
    if word in ("pose", "shake"):
        trial = "neutral_pose" if word == "pose" else None
        what, duration_s = ("start", POSE_S) if word == "pose" else ("shake", SHAKE_S)
        return EventEntry(host_ns, what, trial_type=trial, duration_s=duration_s)
    if word in ("bends", "raises"):
        return EventEntry(host_ns, "start", trial_type="elbow_bends" if word == "bends" else "forward_raises")
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


@dataclass(frozen=True, slots=True)
class TypedEvents:
    """Events in the recording's seconds, shakes as (start_s, end_s), and what the log left open or unused."""

    events: tuple[Event, ...]
    shakes: tuple[tuple[float, float], ...]
    remarks: tuple[str, ...]


def typed_events(entries: Iterable[EventEntry], zero_ns: int, end_s: float) -> TypedEvents:
    """Pair starts with stops. end_s: end of the recording, where a set that was never stopped ends."""
    events: list[Event] = []
    shakes: list[tuple[float, float]] = []
    remarks: list[str] = []
    waiting: list[str] = []
    open_at: int | None = None
    ratings: dict[int, list[tuple[float, float]]] = {}
    dropped: set[int] = set()

    def close(at_s: float) -> None:
        nonlocal open_at
        if open_at is not None:
            events[open_at] = replace(events[open_at], duration_s=max(0.0, at_s - events[open_at].onset_s))
            open_at = None

    for entry in entries:
        at_s = (entry.host_ns - zero_ns) / 1e9
        if entry.what == "start":
            close(at_s)
            events.append(Event(at_s, entry.duration_s or 0.0, entry.trial_type or "set", entry.drill, entry.side))
            if entry.duration_s is None:
                open_at = len(events) - 1
        elif entry.what == "stop":
            close(at_s)
        elif entry.what == "was":
            step = Event(at_s, entry.duration_s or 0.0, entry.trial_type or "neutral_pose")
            same = [place for place, event in enumerate(events) if event.trial_type == step.trial_type]
            # Tries before it were no good.
            dropped.update(same[:-1])
            if not same:
                events.append(step)
            else:
                events[same[-1]] = replace(events[same[-1]], onset_s=step.onset_s, duration_s=step.duration_s)
                open_at = None if open_at == same[-1] else open_at
        elif entry.what == "shake":
            shakes.append((at_s, at_s + (entry.duration_s or SHAKE_S)))
        elif entry.what == "note":
            waiting.append(entry.text or "")
        elif not events:
            remarks.append(f"{entry.what} {entry.value:g} was typed before any event and belongs to none")
        elif entry.what == "pain":
            ratings.setdefault(len(events) - 1, []).append((at_s, entry.value or 0.0))
        else:
            events[-1] = replace(events[-1], load_kg=entry.value)
        if waiting and events:
            events[-1] = with_note(events[-1], "; ".join(waiting))
            waiting.clear()
    for place, given in ratings.items():
        events[place] = with_ratings(events[place], given)
    if open_at is not None:
        remarks.append(
            f"{events[open_at].trial_type} from {events[open_at].onset_s:.1f} s on was never stopped; it ends "
            "with the recording"
        )
        close(end_s)
    remarks += [f"note without an event: {note}" for note in waiting]
    kept = tuple(event for place, event in enumerate(events) if place not in dropped)
    return TypedEvents(kept, tuple(shakes), tuple(remarks))
