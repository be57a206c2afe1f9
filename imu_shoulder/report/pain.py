"""What was said of each set besides its sensors: pain, effort, load, a note, a count by hand. Pain may mean stop."""

from __future__ import annotations

from collections.abc import Collection, Sequence
from typing import Any

from imu_shoulder.assess.words import counted
from imu_shoulder.model import ArmCount, Event

# Of 10; a plan sets another. A usual rule for watching pain under load, from memory: no source was confirmed.
PAIN_CEILING = 2.0
# In the place of a set's number.
BEFORE = 0


def notes_of(events: Sequence[Event]) -> list[dict[str, Any]]:
    """What was written down, in time: `set`, `start_s` and `text`.

    set: its number; 0 for before the first one, None for a row between or behind sets.
    """
    out: list[dict[str, Any]] = []
    number = 0
    for event in events:
        number += event.trial_type == "set"
        if event.note:
            of_set = number if event.trial_type == "set" or not number else None
            out.append({"set": of_set, "start_s": event.onset_s, "text": event.note})
    return out


def tell_sets(
    sets: Sequence[dict[str, Any]], events: Sequence[Event], ceiling: float, apart: Collection[str] = ()
) -> dict[str, Any]:
    """Fill pain, effort, load_kg, note, live and pain_over of the entries of the sets; returns the summary's `pain`.

    In its `over` 0 stands for before the first set: a rating in a row of the pose or of a calibration movement. Every
    set event with a rating counts, also one whose set no sensor saw. apart: drill names of set events that are
    no drill, such as range tests: a rating of one counts, but none is asked for.
    """
    marked = dict(enumerate((event for event in events if event.trial_type == "set"), start=1))
    for entry in sets:
        event = marked.get(entry["set"])
        pain = None if event is None else event.pain
        entry["pain"] = pain
        entry["effort"] = None if event is None else event.effort
        entry["live"] = None if event is None else _live(event.count_of(entry["side"]), entry["done"]["reps"])
        entry["load_kg"] = None if event is None else event.load_kg
        entry["note"] = None if event is None else event.note
        entry["pain_over"] = pain is not None and pain > ceiling
    rated = {number: event.pain for number, event in marked.items() if event.pain is not None}
    before = max((e.pain for e in events if e.trial_type != "set" and e.pain is not None), default=None)
    named = {number: _named(number, marked[number], apart) for number in rated}
    if before is not None:
        rated, named = {BEFORE: before, **rated}, {BEFORE: "before the first set", **named}
    over = [number for number, pain in rated.items() if pain > ceiling]
    drills = [number for number, event in marked.items() if event.drill not in apart]
    return {
        "ceiling": ceiling,
        "before": before,
        "highest": max(rated.values(), default=None),
        "over": over,
        "unrated": [n for n, event in marked.items() if n not in rated and event.drill not in apart],
        "text": _text({n: (named[n], pain) for n, pain in rated.items()}, over, ceiling, drills),
    }


def _live(count: ArmCount, reps: int) -> dict[str, int | None] | None:
    """What was counted of an arm while the set went on, and by hand; None where nobody was there to count.

    reps: as they are counted now, for a correction of a set that was never counted to its end.
    """
    if count == ArmCount(count.side):
        return None
    counted = reps if count.counted is None else count.counted
    by_hand = max(0, counted + count.corrected) if count.corrected else None
    return {"counted": count.counted, "extra": count.extra, "corrected": count.corrected, "by_hand": by_hand}


def _named(number: int, event: Event, apart: Collection[str]) -> str:
    return str(event.drill).replace("_", " ") if event.drill in apart else f"set {number}"


def _text(rated: dict[int, tuple[str, float]], over: list[int], ceiling: float, drills: list[int]) -> str:
    """rated: name and pain of each rated set event. drills: numbers of the set events that are of a drill."""
    if over:
        told = ", ".join(f"{rated[number][0]}: {rated[number][1]:g} of 10" for number in over)
        return (
            f"Stop: pain was over the ceiling of {ceiling:g} of 10 ({told}). Do no further sets, and ask the licensed "
            "practitioner who set the drills before the next session."
        )
    if not rated:
        return f"No pain was rated. Ask{' after each set' if drills else ''}: no sensor shows it."
    unrated = sum(number not in rated for number in drills)
    missing = f"; {unrated} of {counted(len(drills), 'set')} not rated" if unrated else ""
    highest = max(pain for _, pain in rated.values())
    most = f"at most {highest:g} of 10, the ceiling is {ceiling:g}" if highest else "rated 0 of 10"
    return f"Pain was {most}{missing}."
