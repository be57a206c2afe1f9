"""What segmentation finds: sets cut into reps, and reps into lift, hold, lower and rest."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from imu_shoulder.arrays import runs
from imu_shoulder.drills import Drill
from imu_shoulder.model import BoolArray, FloatArray, Side

# A rep takes no less, strokes of 0.8 s and their rests included: it may go by unseen in so long a stretch.
UNSEEN_S = 2.0


@dataclass(frozen=True, slots=True)
class StationVisit:
    """One stay at a station of the drill, in seconds of the recording's clock."""

    name: str
    start_s: float
    end_s: float


@dataclass(frozen=True, slots=True)
class Rep:
    """One rep, or one attempt at it. Times are seconds of the recording's clock.

    kind: "rep" counts; "partial" turned back before half the asked arc; "false_start" hardly left the start;
    "hold" is the whole stay of an arm that is asked to hold while the other one lifts.
    start_deg, top_deg, end_deg: leading angle at rest before, at the top (median over the hold), at rest after.
    next_start_s: where the next rep begins, or the set ends: the rest lasts until then.
    visits: stays at the drill's stations in time order, for drills with more than one.
    cut: the set's mark fell into it, so that its first or last movement was not all seen.
    """

    start_s: float
    top_start_s: float
    top_end_s: float
    end_s: float
    next_start_s: float
    start_deg: float
    top_deg: float
    end_deg: float
    kind: str = "rep"
    visits: tuple[StationVisit, ...] = ()
    cut: bool = False

    @property
    def arc_deg(self) -> float:
        return self.top_deg - self.start_deg


@dataclass(frozen=True, slots=True)
class ArmSet:
    """One set of one arm. angle: the leading angle's name without unit. curve_deg: (N,) over the rows of the set.

    role: "lift" for an arm that does reps, "hold" for one that is asked to stay. rows: half-open row range.
    counted_only: the sensors worn do not show what the drill asks, so reps are counted and not judged.
    unseen: begin and end in s of each stretch that was not seen for want of data; what was done in there is not known.
    """

    number: int
    drill: Drill | None
    side: Side
    role: str
    angle: str
    start_s: float
    end_s: float
    rows: tuple[int, int]
    curve_deg: FloatArray
    reps: tuple[Rep, ...]
    counted_only: bool = False
    unseen: tuple[tuple[float, float], ...] = ()

    @property
    def unseen_s(self) -> float:
        return sum(end_s - start_s for start_s, end_s in self.unseen)

    @property
    def counted(self) -> tuple[Rep, ...]:
        return tuple(rep for rep in self.reps if rep.kind == "rep")


def unseen_stretches(time_s: FloatArray, seen: BoolArray) -> tuple[tuple[float, float], ...]:
    """Where rows (N,) of a set were not seen for so long that a rep may have gone by."""
    step_s = float(time_s[1] - time_s[0]) if len(time_s) > 1 else UNSEEN_S
    return tuple(
        (float(time_s[first]), float(time_s[last - 1])) for first, last in runs(~seen, max(1, round(UNSEEN_S / step_s)))
    )


def rows_between(time_s: FloatArray, start_s: float, end_s: float) -> slice:
    """Rows of a uniform grid inside [start_s, end_s]."""
    first, last = np.searchsorted(time_s, [start_s - 1e-9, end_s + 1e-9])
    return slice(int(first), int(last))
