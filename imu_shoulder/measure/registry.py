"""Measures of one rep: each is one function with a declared name, unit and meaning."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass

import numpy as np

from imu_shoulder.drills import Drill
from imu_shoulder.model import FloatArray
from imu_shoulder.segment.model import Rep


@dataclass(frozen=True, slots=True)
class RepData:
    """One rep's rows of the set: what a measure may look at.

    time_s, lead_deg: (N,) from start to end of the rep. angles: column name -> (N,). band_deg: the absolute band
    asked of the leading angle at the top, None without a drill. hold: rows at the top, settled. Angles may hold NaN.
    """

    rep: Rep
    drill: Drill | None
    rate_hz: float
    time_s: FloatArray
    lead_deg: FloatArray
    angles: Mapping[str, FloatArray]
    band_deg: tuple[float, float] | None

    def rows(self, start_s: float, end_s: float) -> slice:
        first, last = np.searchsorted(self.time_s, [start_s - 1e-9, end_s + 1e-9])
        return slice(int(first), int(last))

    @property
    def top(self) -> slice:
        """Rows at the top, or the one nearest to the turn-round."""
        found = self.rows(self.rep.top_start_s, self.rep.top_end_s)
        if found.stop > found.start:
            return found
        row = min(found.start, len(self.time_s) - 1)
        return slice(row, row + 1)


@dataclass(frozen=True, slots=True)
class Measure:
    """A measure's declaration. name: its column in reps.csv."""

    name: str
    unit: str
    meaning: str
    formula: str
    source: str
    compute: Callable[[RepData], float]


_MEASURES: dict[str, Measure] = {}


def measure(
    name: str, unit: str, meaning: str, formula: str, source: str
) -> Callable[[Callable[[RepData], float]], Callable[[RepData], float]]:
    """Declare a function as the measure of this name. It returns NaN where it cannot tell."""

    def declare(compute: Callable[[RepData], float]) -> Callable[[RepData], float]:
        _MEASURES[name] = Measure(name, unit, meaning, formula, source, compute)
        return compute

    return declare


def all_measures() -> tuple[Measure, ...]:
    """Every declared measure, in the order of declaration."""
    from imu_shoulder.measure import form, hold, movement, scapula  # noqa: F401 - they declare

    return tuple(_MEASURES.values())
