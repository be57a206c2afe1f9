"""Measures of one rep: each is one function with a declared name, unit, meaning, formula and source."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from functools import cached_property, wraps
from typing import Any, TypeVar, cast

from imu_shoulder.drills import Drill
from imu_shoulder.measure.curves import SetCurves
from imu_shoulder.model import FloatArray
from imu_shoulder.segment.model import Rep

T = TypeVar("T")


@dataclass(frozen=True, slots=True)
class Floor:
    """The sensor's own noise, which no measure may take for the person.

    sd_deg: of a held angle; 120 ug/sqrt(Hz) of accelerometer noise over 10 Hz is about 0.027 deg of tilt.
    tremor_deg, tremor_deg_s: RMS of the 8-12 Hz part of the angle and of its rate, from 0.01 deg/s/sqrt(Hz) of
    gyroscope noise: 0.01 sqrt(4) deg/s, and over 2 pi sqrt(8 x 12) /s for the angle. Consumer parts, from memory; where
    the set holds a quieter or noisier stillness, `judge_set` puts what it shows there in their place.
    """

    sd_deg: float = 0.027
    tremor_deg: float = 0.0003
    tremor_deg_s: float = 0.02


@dataclass(frozen=True)
class RepData:
    """One rep's rows of the set: what a measure may look at.

    time_s, lead_deg: (N,) from start to end of the rep. angles: column name -> (N,). band_deg: the absolute band
    asked of the leading angle at the top, None without a drill. Angles may hold NaN.
    whole, first_row: the set's filtered curves and the rep's first row in them; made from the rep's own rows if absent.
    """

    rep: Rep
    drill: Drill | None
    rate_hz: float
    time_s: FloatArray
    lead_deg: FloatArray
    angles: Mapping[str, FloatArray]
    band_deg: tuple[float, float] | None
    whole: SetCurves | None = None
    first_row: int = 0
    floor: Floor = Floor()
    kept: dict[str, Any] = field(default_factory=dict, compare=False, repr=False)
    # Many measures ask for the rows of the same few spans.
    spans: dict[tuple[float, float], slice] = field(default_factory=dict, compare=False, repr=False)

    def __post_init__(self) -> None:
        if self.whole is None:
            object.__setattr__(self, "whole", SetCurves(self.rate_hz, self.lead_deg, self.angles))

    @property
    def curves(self) -> SetCurves:
        return cast(SetCurves, self.whole)

    def cut(self, values: FloatArray) -> FloatArray:
        """The rep's rows (N,) of one of the set's curves."""
        return values[self.first_row : self.first_row + len(self.time_s)]

    def rows(self, start_s: float, end_s: float) -> slice:
        found = self.spans.get((start_s, end_s))
        if found is None:
            first, last = self.time_s.searchsorted([start_s - 1e-9, end_s + 1e-9])
            found = self.spans[start_s, end_s] = slice(int(first), int(last))
        return found

    @cached_property
    def top(self) -> slice:
        """Rows at the top, or the one nearest to the turn-round."""
        found = self.rows(self.rep.top_start_s, self.rep.top_end_s)
        if found.stop > found.start:
            return found
        row = min(found.start, len(self.time_s) - 1)
        return slice(row, row + 1)


def once(compute: Callable[[RepData], T]) -> Callable[[RepData], T]:
    """Work a thing out once per rep, however many measures ask for it."""

    name = compute.__qualname__

    @wraps(compute)
    def kept(data: RepData) -> T:
        if name not in data.kept:
            data.kept[name] = compute(data)
        return cast(T, data.kept[name])

    return kept


@dataclass(frozen=True, slots=True)
class Measure:
    """A measure's declaration. name: its column in reps.csv. group: the module's heading in docs/measures.md."""

    name: str
    unit: str
    meaning: str
    formula: str
    source: str
    group: str
    compute: Callable[[RepData], float]


_MEASURES: dict[str, Measure] = {}
# The order of the groups' columns in reps.csv, whichever module was imported first.
_GROUPS = ("hold", "pauses", "form", "steadiness", "station_holds", "movement", "scapula")


def measure(
    name: str, unit: str, meaning: str, formula: str, source: str
) -> Callable[[Callable[[RepData], float]], Callable[[RepData], float]]:
    """Declare a function as the measure of this name. It returns NaN where it cannot tell."""

    def declare(compute: Callable[[RepData], float]) -> Callable[[RepData], float]:
        group = compute.__module__.rpartition(".")[2]
        _MEASURES[name] = Measure(name, unit, meaning, formula, source, group, compute)
        return compute

    return declare


def declared() -> tuple[Measure, ...]:
    """The measures whose modules were imported so far, group by group, in each in the order of declaration; groups
    without a place come last. `catalogue.all_measures` imports all of them.
    """
    places = {group: place for place, group in enumerate(_GROUPS)}
    return tuple(sorted(_MEASURES.values(), key=lambda own: places.get(own.group, len(places))))
