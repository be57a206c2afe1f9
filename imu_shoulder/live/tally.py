"""What is kept of each set beside its samples: reps done of those asked, extra ones, corrections by hand, effort.

What was measured and what was said by hand stand beside each other: a correction never takes a measurement's place.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from typing import Any

from imu_shoulder.model import ArmCount, Event, Side


@dataclass(slots=True)
class SetTally:
    """One set. asked: reps of each arm that lifts. counted, clean: measured; clean None where nothing is judged."""

    title: str
    side: str
    round: int
    rounds: int
    asked: Mapping[Side, int]
    counted: dict[Side, int] = field(default_factory=dict)
    clean: dict[Side, int | None] = field(default_factory=dict)
    corrected: dict[Side, int] = field(default_factory=dict)
    effort: float | None = None

    def extra(self, side: Side) -> int:
        """How many of the measured reps are more than asked."""
        return max(0, self.counted.get(side, 0) - self.asked[side])

    def shown(self, side: Side) -> int:
        """What the page shows: measured, and corrected by hand."""
        return self.counted.get(side, 0) + self.corrected.get(side, 0)

    def arm_frame(self, side: Side) -> dict[str, Any]:
        asked, shown = self.asked[side], self.shown(side)
        return {
            "asked": asked,
            "counted": self.counted.get(side, 0),
            "by_hand": shown if self.corrected.get(side) else None,
            "count": shown,
            "done": shown >= asked,
            "extra": max(0, shown - asked),
            "clean": self.clean.get(side),
        }

    def written(self, event: Event) -> Event:
        """The set's event with what was said and counted of it."""
        for side in self.asked:
            counted = self.counted.get(side)
            event = event.with_count(ArmCount(side, counted, self.extra(side), self.corrected.get(side, 0)))
        return replace(event, effort=self.effort)


class Tally:
    """The sets so far, the one that goes on among them."""

    def __init__(self) -> None:
        self.sets: list[SetTally] = []
        self.asks_effort = False

    @property
    def latest(self) -> SetTally | None:
        return self.sets[-1] if self.sets else None

    def begin(self, own: SetTally) -> None:
        self.sets.append(own)
        self.asks_effort = False

    def drop(self) -> None:
        """What was begun was no set."""
        self.sets.pop()

    def end(self, done: Mapping[Side, Mapping[str, int | None]]) -> None:
        """done: of each arm that was seen, its reps and how many were clean, as the set is judged."""
        own = self.sets[-1]
        for side in own.asked.keys() & done.keys():
            own.counted[side], own.clean[side] = done[side]["reps"] or 0, done[side]["clean"]
        self.asks_effort = True

    def rate(self, value: float) -> str | None:
        """Effort of the latest set. Returns a sentence where that cannot be."""
        if not self.asks_effort:
            return "There is no question about effort."
        if isinstance(value, bool) or not isinstance(value, (int, float)) or not 0 <= value <= 10:
            return "Effort is a number from 0 to 10."
        self.sets[-1].effort, self.asks_effort = float(value), False
        return None

    def decline(self) -> str | None:
        """Leave the question about effort unanswered."""
        if not self.asks_effort:
            return "There is no question about effort."
        self.asks_effort = False
        return None

    def correct(self, by: int, side: str | None) -> str | None:
        """One rep more or less of an arm, by hand; side: not needed where one arm lifts."""
        latest = self.latest
        if latest is None:
            return "A count belongs to a set: start one first."
        sides = [own for own in latest.asked if side in (own, None)]
        if by not in (-1, 1) or len(sides) != 1:
            return "A count is corrected by one, up or down, of an arm that lifts."
        if latest.shown(sides[0]) + by < 0:
            return "The count is 0 already."
        latest.corrected[sides[0]] = latest.corrected.get(sides[0], 0) + by
        return None

    def frames(self, pains: Mapping[int, float | None]) -> list[dict[str, Any]]:
        """The sets to be drawn. pains: by the number of the set, from 1."""
        return [
            {
                "number": number,
                "title": own.title,
                "side": own.side,
                "set": own.round,
                "sets": own.rounds,
                "arms": {side: own.arm_frame(side) for side in own.asked},
                "pain": pains.get(number),
                "effort": own.effort,
            }
            for number, own in enumerate(self.sets, start=1)
        ]
