"""Proposals for the page, from what finds sets in a recording: the one place where the two meet."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from imu_shoulder.drills import Drill
from imu_shoulder.engine.judging import unmarked_sets
from imu_shoulder.model import SIDES, Aligned, Event, Recording, limbs_of
from imu_shoulder.plan import Plan
from imu_shoulder.sources.events import cells_of


@dataclass(frozen=True, slots=True)
class Proposed:
    """One proposal: a mark's cells by column of events.tsv, and what is known of it.

    probability: of the drill it names, None where none is named. alternatives: other drills with theirs. said: a doubt
    in words, empty without one.
    """

    cells: Mapping[str, str]
    probability: float | None = None
    alternatives: tuple[tuple[str, float], ...] = ()
    said: str = ""


def proposed(
    recording: Recording, aligned: Aligned, plan: Plan | None, drills: Mapping[str, Drill]
) -> tuple[Proposed, ...]:
    """What may be marked in a recording, whether or not somebody marked it already."""
    worn = [side for side in SIDES if any(placement in aligned.tracks for placement in limbs_of(side))]
    found = unmarked_sets(aligned, worn, None)
    events = [Event(own.start_s, own.end_s - own.start_s, "set", side=own.side) for own in found]
    return tuple(Proposed(cells_of(event)) for event in sorted(events, key=lambda event: event.onset_s))
