"""Finds the trials of a range test in the angles of one arm and measures how far each went."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np

from imu_shoulder.arrays import bridged, joined_runs
from imu_shoulder.frames import unwrapped_deg
from imu_shoulder.model import BoolArray, FloatArray
from imu_shoulder.range import Limit, RangeTest
from imu_shoulder.segment.model import Rep
from imu_shoulder.segment.reps import RepParams, find_reps

MIDWAY_DEG = (60.0, 120.0)
# A stretch in the posture shorter than this holds no trial.
LEAST_STRETCH_S = 1.0
GAP_S = 0.15
# An angle that is known no better than this blames nobody's posture.
KNOWN_DEG = 15.0
# Rotation is known this much worse than a tilt, apart from drift about the vertical.
ROTATION_FACTOR = 1.5


@dataclass(frozen=True, slots=True)
class Trial:
    """One attempt. value_deg: at the top. sd_deg: what the neutral pose and the sensors' tilt leave open; drift about
    the vertical cancels in what range tests measure. posture_deg: what the posture was judged by, NaN where not seen.

    trunk_deg: change of the trunk's lean from start to top, NaN without the sensor. missed: names of the angles out
    of posture, or "gap"; such a trial is left out of best and mean.
    """

    start_s: float
    top_start_s: float
    top_end_s: float
    start_deg: float
    value_deg: float
    sd_deg: float
    posture_deg: Mapping[str, float]
    trunk_deg: float
    missed: tuple[str, ...]


def measured(test: RangeTest, angles: Mapping[str, FloatArray]) -> FloatArray | None:
    """The test's sum of angles (N,) in degrees; None where the sensors worn do not show one of them."""
    if any(f"{name}_deg" not in angles for name in (*test.measure, *(limit.angle for limit in test.read_where))):
        return None
    total = sum(factor * angles[f"{name}_deg"] for name, factor in test.measure.items())
    curve = np.asarray(total, dtype=np.float64)
    read = np.ones(len(curve), dtype=bool)
    for limit in test.read_where:
        read &= _within(angles[f"{limit.angle}_deg"], limit)
    return unwrapped_deg(np.where(read, curve, np.nan)) if "rotation" in test.measure else np.where(read, curve, np.nan)


def _within(values: FloatArray, limit: Limit) -> BoolArray:
    """Rows inside the limit; a row that was not seen is not inside."""
    return np.asarray((values >= limit.low_deg) & (values <= limit.high_deg))


def find_trials(
    test: RangeTest,
    time_s: FloatArray,
    rate_hz: float,
    curve_deg: FloatArray,
    angles: Mapping[str, FloatArray],
    sds: Mapping[str, FloatArray],
    params: RepParams | None = None,
) -> tuple[Trial, ...]:
    """The trials of one arm in one event. curve_deg: `measured`, (N,); angles, sds: column -> (N,)."""
    # A trial must rise by half the least rise, as a rep counts from half the asked arc on.
    params = params or RepParams()
    found: list[Trial] = []
    for rows in _stretches(np.isfinite(curve_deg), rate_hz):
        curve = bridged(curve_deg[rows])
        for rep in find_reps(time_s[rows], curve, rate_hz, test.least_rise_deg, params):
            if rep.kind == "rep":
                inside = {name: values[rows] for name, values in angles.items()}
                inside_sds = {name: values[rows] for name, values in sds.items()}
                found.append(_trial(test, rep, time_s[rows], rate_hz, curve_deg[rows], inside, inside_sds))
    if test.from_start and found:
        start_deg = float(np.median([trial.start_deg for trial in found]))
        found = [replace(trial, value_deg=trial.value_deg - start_deg) for trial in found]
    return tuple(found)


def _stretches(read: BoolArray, rate_hz: float) -> list[slice]:
    """Stretches of rows that are read, joined over short gaps."""
    least = LEAST_STRETCH_S * rate_hz
    return [slice(first, last) for first, last in joined_runs(read, least) if last - 1 - first >= least]


def _trial(
    test: RangeTest,
    rep: Rep,
    time_s: FloatArray,
    rate_hz: float,
    curve_deg: FloatArray,
    angles: Mapping[str, FloatArray],
    sds: Mapping[str, FloatArray],
) -> Trial:
    lift = slice(*np.searchsorted(time_s, [rep.start_s, rep.top_start_s]))
    # A turn without a stay still has a top: a tenth of a second about it.
    top = slice(*np.searchsorted(time_s, [rep.top_start_s - 0.05, rep.top_end_s + 0.05]))
    posture: dict[str, float] = {}
    missed: list[str] = []
    for limit in test.posture:
        known = _posture(limit, sds, angles, lift, top) <= KNOWN_DEG
        value = _posture(limit, angles, angles, lift, top) if known else float("nan")
        posture[limit.angle] = value
        if value < limit.low_deg or value > limit.high_deg:
            missed.append(limit.angle)
    if int(np.count_nonzero(~np.isfinite(curve_deg[lift.start : top.stop]))) > GAP_S * rate_hz:
        missed.append("gap")
    tilt_sd = _median(sds.get("elevation_deg"), top)
    lean = angles.get("trunk_lean_deg")
    moved = float("nan") if lean is None else abs(_median(lean, top) - float(lean[lift.start]))
    return Trial(
        start_s=rep.start_s,
        top_start_s=rep.top_start_s,
        top_end_s=rep.top_end_s,
        start_deg=rep.start_deg,
        value_deg=rep.top_deg,
        sd_deg=tilt_sd * (ROTATION_FACTOR if "rotation" in test.measure else 1.0),
        posture_deg=posture,
        trunk_deg=moved,
        missed=tuple(missed),
    )


def _posture(
    limit: Limit, columns: Mapping[str, FloatArray], angles: Mapping[str, FloatArray], lift: slice, top: slice
) -> float:
    """The median of a column over the limit's part of the trial; NaN where it was not seen."""
    values = columns.get(f"{limit.angle}_deg")
    if limit.when == "top" or values is None:
        return _median(values, top)
    elevation = angles["elevation_deg"][lift]
    return _median(values[lift][(elevation >= MIDWAY_DEG[0]) & (elevation <= MIDWAY_DEG[1])], slice(None))


def _median(values: FloatArray | None, rows: slice) -> float:
    seen = np.array([]) if values is None else values[rows][np.isfinite(values[rows])]
    return float(np.median(seen)) if len(seen) else float("nan")
