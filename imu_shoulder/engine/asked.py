"""What is asked of each set: its drill, with the dose of each arm."""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, field

from imu_shoulder.drills import Drill, load_shipped
from imu_shoulder.model import Event, Side


@dataclass(frozen=True, slots=True)
class Asked:
    """drills: by id, of those that events name. by_set: what a plan asks in place of the drill's own, by the set's
    number among the set events (from 1) and arm. apart: drill names of set events that are no drill, such as range
    tests: no set is made of them.
    """

    drills: Mapping[str, Drill] = field(default_factory=dict)
    by_set: Mapping[int, Mapping[Side, Drill]] = field(default_factory=dict)
    apart: frozenset[str] = frozenset()

    def is_apart(self, event: Event) -> bool:
        return event.drill in self.apart

    def of(self, number: int, event: Event) -> tuple[Drill | None, Mapping[Side, Drill]]:
        """The drill of a set, None where none is named, and what is asked of each arm where that is told apart."""
        own = {side: _towards(drill, event) for side, drill in self.by_set.get(number, {}).items()}
        usual = None if event.drill is None else _towards(self.drills[event.drill], event)
        return next(iter(own.values()), usual), own


def _towards(drill: Drill, event: Event) -> Drill:
    """The drill in the direction that the set's mark names. Raises DrillError for one that it has not."""
    return drill if event.direction is None else drill.towards(event.direction)


def asked_in(
    events: Sequence[Event],
    drills: Mapping[str, Drill] | None,
    by_set: Mapping[int, Mapping[Side, Drill]] | None,
    apart: Collection[str],
) -> Asked:
    """What is asked in a recording. drills: the user's own by id, looked at before the shipped ones.

    Raises DrillError for a name that is neither, and for a direction that a drill has not.
    """
    named = {e.drill for e in events if e.trial_type == "set" and e.drill is not None} - set(apart)
    known = {name: drills[name] if drills and name in drills else load_shipped(name) for name in sorted(named)}
    for event in events:
        if event.drill in known:
            _towards(known[event.drill], event)
    return Asked(known, by_set or {}, frozenset(apart))
