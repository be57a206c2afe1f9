"""What was written down about each set besides its sensors: pain, load, a note. Pain over the ceiling means stop."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from imu_shoulder.model import Event

# Of 10; a plan sets another. Loading in rehabilitation is taken as safe up to 2 of 10.
PAIN_CEILING = 2.0


def tell_sets(sets: Sequence[dict[str, Any]], events: Sequence[Event], ceiling: float) -> dict[str, Any]:
    """Fill pain, load_kg, note and pain_over of the entries of the sets; returns the summary's `pain`.

    Every set event with a rating counts, also one whose set no sensor saw.
    """
    marked = dict(enumerate((event for event in events if event.trial_type == "set"), start=1))
    for entry in sets:
        event = marked.get(entry["set"])
        pain = None if event is None else event.pain
        entry["pain"] = pain
        entry["load_kg"] = None if event is None else event.load_kg
        entry["note"] = None if event is None else event.note
        entry["pain_over"] = pain is not None and pain > ceiling
    rated = {number: event.pain for number, event in marked.items() if event.pain is not None}
    over = [number for number, pain in rated.items() if pain > ceiling]
    return {
        "ceiling": ceiling,
        "highest": max(rated.values(), default=None),
        "over": over,
        "unrated": [number for number in marked if number not in rated],
        "text": _text(rated, over, ceiling, len(marked)),
    }


def _text(rated: dict[int, float], over: list[int], ceiling: float, count: int) -> str:
    if over:
        told = ", ".join(f"set {number}: {rated[number]:g} of 10" for number in over)
        return (
            f"Stop: pain was over the ceiling of {ceiling:g} of 10 ({told}). Do no further sets, and ask the licensed "
            "practitioner who set the drills before the next session."
        )
    if not rated:
        return "No pain was rated. Ask after each set: no sensor shows it."
    missing = "" if len(rated) == count else f"; {count - len(rated)} of {count} sets were not rated"
    return f"Pain was at most {max(rated.values()):g} of 10, the ceiling is {ceiling:g}{missing}."
