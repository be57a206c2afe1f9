"""Every measure of every rep of one arm's set, before anything is held against the drill."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from imu_shoulder.arrays import longest_run
from imu_shoulder.drills import Drill
from imu_shoulder.measure.catalogue import all_measures
from imu_shoulder.measure.curves import SetCurves, quietest_rms
from imu_shoulder.measure.movement import rep_tempo
from imu_shoulder.measure.pauses import pauses_text
from imu_shoulder.measure.registry import Floor, RepData
from imu_shoulder.measure.station_holds import station_text
from imu_shoulder.model import BoolArray, FloatArray
from imu_shoulder.segment.model import ArmSet, Rep

CURVE_POINTS = 101
# The quietest stillness of a set is the sensor's own noise, unless it is louder than this: then it is the person.
LOUDEST_FLOOR = Floor(tremor_deg=0.0016, tremor_deg_s=0.1)


# Data missing within this time of a rep's ends count as missing in it.
BESIDE_S = 0.5


@dataclass(frozen=True, slots=True)
class SetData:
    """One arm's set as far as it was seen: its rows, and what is the same for all of its reps.

    time_s, lead_deg: (N,). angles: column name -> (N,). seen, clipped: (N,). drill: None where nothing is judged.
    """

    drill: Drill | None
    rate_hz: float
    time_s: FloatArray
    lead_deg: FloatArray
    angles: Mapping[str, FloatArray]
    seen: BoolArray
    clipped: BoolArray
    curves: SetCurves
    floor: Floor


@dataclass(frozen=True, slots=True)
class MeasuredRep:
    """A rep with its measures: column name -> value, NaN where unknown, and column name -> text.

    number: counts reps and partial reps from 1; a false start carries the number of the rep it precedes. curve_deg:
    (CURVE_POINTS,) the leading angle over the rep in equal shares of its time; empty where it was not all seen.
    longest_gap_s, clipped_s: how much of it, or right beside it, the sensors did not see, or of it saw clipped.
    """

    number: int
    data: RepData
    values: Mapping[str, float]
    texts: Mapping[str, str]
    curve_deg: FloatArray
    longest_gap_s: float
    clipped_s: float

    @property
    def rep(self) -> Rep:
        return self.data.rep


def set_data(
    arm_set: ArmSet,
    time_s: FloatArray,
    rate_hz: float,
    angles: Mapping[str, FloatArray],
    seen: BoolArray,
    clipped: BoolArray,
) -> SetData:
    """The set's rows out of (M,) rows of the whole grid."""
    rows = slice(*arm_set.rows)
    inside = {name: values[rows] for name, values in angles.items()}
    curves = SetCurves(rate_hz, arm_set.curve_deg, inside)
    drill = None if arm_set.counted_only else arm_set.drill
    return SetData(
        drill, rate_hz, time_s[rows], arm_set.curve_deg, inside, seen[rows], clipped[rows], curves, _floor(curves)
    )


def measure_reps(own: SetData, reps: tuple[Rep, ...]) -> tuple[MeasuredRep, ...]:
    """All reps of a set, numbered."""
    out = []
    number = 1
    for rep in reps:
        out.append(measure_rep(own, rep, number))
        number += rep.kind != "false_start"
    return tuple(out)


def measure_rep(own: SetData, rep: Rep, number: int) -> MeasuredRep:
    """One rep of the set."""
    span = slice(*np.searchsorted(own.time_s, [rep.start_s - 1e-9, rep.end_s + 1e-9]))
    data = RepData(
        rep,
        own.drill,
        own.rate_hz,
        own.time_s[span],
        own.lead_deg[span],
        {name: values[span] for name, values in own.angles.items()},
        None if own.drill is None else own.drill.top_band_deg(rep.start_deg),
        own.curves,
        span.start,
        own.floor,
    )
    # Where data end, a rep that goes on seems to.
    beside = round(BESIDE_S * own.rate_hz)
    around = slice(max(0, span.start - beside), span.stop + beside)
    texts = {"tempo": rep_tempo(data), "pauses": pauses_text(data), "station_holds": station_text(data)}
    return MeasuredRep(
        number,
        data,
        {m.name: m.compute(data) for m in all_measures()},
        texts,
        _normalised(data),
        longest_run(~own.seen[around]) / own.rate_hz,
        np.count_nonzero(own.clipped[span]) / own.rate_hz,
    )


def _floor(curves: SetCurves) -> Floor:
    """The tremor band's own noise: what it shows in the quietest two seconds of the set, its rests included."""
    default, loudest = Floor(), LOUDEST_FLOOR
    rms, rate_rms = (
        quietest_rms(values, curves.lead_deg, curves.rate_hz)
        for values in (curves.tremor_deg, curves.tremor_rate_deg_s)
    )
    if not (np.isfinite(rms) and np.isfinite(rate_rms)):
        return default
    return Floor(default.sd_deg, min(rms, loudest.tremor_deg), min(rate_rms, loudest.tremor_deg_s))


def _normalised(data: RepData) -> FloatArray:
    values = data.lead_deg
    if len(values) < 2 or not np.isfinite(values).all():
        return np.empty(0)
    return np.interp(np.linspace(0, len(values) - 1, CURVE_POINTS), np.arange(len(values)), values)
