"""Pain in a session: asked before the first set and after each one. Over the ceiling the session stops.

Nothing is taken for granted: no number is preset, and not to rate is an answer of its own. The stop is taken back by
one thing only, the correction of a slip within CORRECTED_WITHIN_S of the sample clock; both numbers are kept.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Any

from imu_shoulder.model import Event
from imu_shoulder.sources.events import CORRECTED_WITHIN_S, with_ratings

NOT_A_RATING = "Pain is a number from 0 to 10."


@dataclass(slots=True)
class PainWatch:
    """The questions, what was answered, and whether the session has stopped.

    ceiling: of 10. of: number of the set that the last question is about, 0 for before the first set. open: it was not
    answered yet. ratings: by that number, each (second of the sample clock, pain); none where pain was not rated.
    stopped: a rating was over the ceiling, at over_s. meant: that number was confirmed.
    """

    ceiling: float
    of: int = 0
    open: bool = True
    ratings: dict[int, list[tuple[float, float]]] = field(default_factory=dict)
    stopped: bool = False
    over_s: float = 0.0
    meant: bool = False

    @property
    def value(self) -> float | None:
        """The answer to the last question; None where there is none, or it was not rated."""
        given = self.ratings.get(self.of)
        return given[-1][1] if given else None

    @property
    def latest(self) -> dict[int, float | None]:
        """The pain that stands, by number of the set."""
        return {number: given[-1][1] if given else None for number, given in self.ratings.items()}

    def ask(self, number: int) -> None:
        """After set `number`, counted from 1."""
        self.of, self.open = number, True

    def rate(self, value: float, now_s: float) -> str | None:
        """Answer the open question, or say later that there is more pain. Returns a sentence where that cannot be."""
        if self.stopped:
            return f"{self.refusal} A lower number now does not take that back."
        if not _is_rating(value):
            return NOT_A_RATING
        if not self.open and self.value is not None and value <= self.value:
            return f"Pain was rated {self.value:g}; a later number counts if it is higher."
        self.open = False
        self.ratings.setdefault(self.of, []).append((now_s, float(value)))
        self.stopped, self.over_s = value > self.ceiling, now_s
        return None

    def decline(self) -> str | None:
        """Leave the open question unanswered, and say so."""
        if not self.open:
            return "There is no question about pain."
        self.open = False
        return None

    def confirm(self) -> str | None:
        """The number that stopped the session was meant."""
        if not self.stopped:
            return "There is no number to confirm."
        self.meant = True
        return None

    def correct(self, value: float, now_s: float) -> str | None:
        """Put the number that was meant in place of a slip."""
        if not self.stopped:
            return "There is no number to correct."
        if not _is_rating(value):
            return NOT_A_RATING
        if self.left_s(now_s) is None:
            why = "it was confirmed" if self.meant else f"a slip is corrected within {CORRECTED_WITHIN_S:g} s"
            return f"The number stands: {why}."
        self.ratings[self.of].append((now_s, float(value)))
        self.stopped = value > self.ceiling
        return None

    def left_s(self, now_s: float) -> float | None:
        """For how long a slip can still be corrected; None where it cannot."""
        if not self.stopped or self.meant:
            return None
        left_s = self.over_s + CORRECTED_WITHIN_S - now_s
        return left_s if left_s >= 0 else None

    @property
    def refusal(self) -> str | None:
        """Why no set can start now; None where one can."""
        if self.stopped:
            return f"Stop here. {self.text}"
        if self.open:
            return f"First say how much pain there {'was in the last set' if self.of else 'is now'}, or not rated."
        return None

    @property
    def text(self) -> str:
        if self.stopped:
            return (
                f"Pain was {self.value:g} of 10, over the ceiling of {self.ceiling:g}. "
                f"{'Do no further sets' if self.of else 'Start no set'}, and ask the licensed practitioner who set the "
                "drills before the next session."
            )
        if self.value is None:
            return "" if self.open else "Pain was not rated."
        given = self.ratings[self.of]
        other = (
            "" if len(given) < 2 else f", {'corrected' if given[-2][1] > self.value else 'up'} from {given[-2][1]:g}"
        )
        return f"Pain {self.value:g} of 10{other}; the ceiling is {self.ceiling:g}."

    def frame(self, now_s: float) -> dict[str, Any]:
        """What there is to draw: JSON types."""
        left_s = self.left_s(now_s)
        return {
            "ceiling": self.ceiling,
            "of": "set" if self.of else "before",
            "open": self.open,
            "value": self.value,
            "stop": self.stopped,
            "correct_s": None if left_s is None else round(left_s, 1),
            "text": self.text,
        }

    def written(self, calibration: Sequence[Event], sets: Sequence[Event]) -> list[Event]:
        """The events of a recording with their ratings: what came before the first set stands with the neutral pose."""
        before = [self._rated(event, 0) if event.trial_type == "neutral_pose" else event for event in calibration]
        return before + [self._rated(event, number) for number, event in enumerate(sets, start=1)]

    def _rated(self, event: Event, number: int) -> Event:
        return with_ratings(event, self.ratings.get(number, []))


def _is_rating(value: object) -> bool:
    return isinstance(value, (int, float)) and not isinstance(value, bool) and 0 <= value <= 10
