"""What was typed while recording as the events of a recording."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, replace

from imu_shoulder.log.entries import EventEntry
from imu_shoulder.model import SIDES, Event
from imu_shoulder.sources.events import with_note, with_ratings

# Belongs to the latest set, whatever came after it.
OF_A_SET = ("effort", "counted", "extra", "corrected")
# A shake lasts so long where its entry does not say.
SHAKE_S = 6.0


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
            lasts_s, kind = entry.duration_s or 0.0, entry.trial_type or "set"
            events.append(Event(at_s, lasts_s, kind, entry.drill, entry.side, direction=entry.direction))
            if entry.duration_s is None:
                open_at = len(events) - 1
        elif entry.what == "stop":
            close(at_s)
        elif entry.what == "was":
            step = Event(at_s, entry.duration_s or 0.0, entry.trial_type or "neutral_pose", side=entry.side)
            same = [place for place, event in enumerate(events) if place not in dropped and _again(event, step)]
            if not same:
                events.append(step)
            else:
                # Tries before the last were no good; what was said of them holds all the same.
                *tries, last = same
                dropped.update(tries)
                ratings[last] = [rating for place in same for rating in ratings.pop(place, [])]
                note = "; ".join(filter(None, (events[place].note for place in same))) or None
                events[last] = replace(step, pain=events[last].pain, note=note)
                open_at = None if open_at == last else open_at
        elif entry.what == "shake":
            shakes.append((at_s, at_s + (entry.duration_s or SHAKE_S)))
        elif entry.what == "note":
            waiting.append(entry.text or "")
        elif entry.what in OF_A_SET:
            place = next((k for k in reversed(range(len(events))) if events[k].trial_type == "set"), None)
            if place is None:
                remarks.append(f"{entry.what} was typed before any set and belongs to none")
            else:
                events[place] = _told_of_set(events[place], entry)
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


def _again(event: Event, step: Event) -> bool:
    """Whether a step of the calibration is this event, or the same done again: by both arms, or by its one arm."""
    if event.trial_type != step.trial_type:
        return False
    return step.side in (None, event.side) or event.onset_s == step.onset_s


def _told_of_set(event: Event, entry: EventEntry) -> Event:
    if entry.what == "effort":
        return replace(event, effort=entry.value)
    side = next((side for side in SIDES if side == entry.side), None)
    if side is None:
        return event
    count, value = event.count_of(side), round(entry.value or 0.0)
    if entry.what == "counted":
        count = replace(count, counted=value)
    elif entry.what == "extra":
        count = replace(count, extra=value)
    else:
        count = replace(count, corrected=count.corrected + value)
    return event.with_count(count)
