"""Arc, tempo and smoothness of a rep."""

from __future__ import annotations

import numpy as np

from imu_shoulder.measure.registry import RepData, measure
from imu_shoulder.measure.smoothness import sparc
from imu_shoulder.model import FloatArray
from imu_shoulder.segment.curve import bridged, smoothed, velocity_deg_s

DEFINITION = "definition"


@measure("start_deg", "deg", "leading angle at rest before the rep", "smoothed angle at the rep's start", DEFINITION)
def start_deg(data: RepData) -> float:
    return data.rep.start_deg


@measure(
    "top_deg", "deg", "leading angle at the top", "median over the hold, or the peak where there is none", DEFINITION
)
def top_deg(data: RepData) -> float:
    return data.rep.top_deg


@measure("arc_deg", "deg", "how far the leading angle moved", "top_deg - start_deg", DEFINITION)
def arc_deg(data: RepData) -> float:
    return data.rep.arc_deg


@measure("lift_s", "s", "time from leaving the start to arriving at the top", "top_start_s - start_s", DEFINITION)
def lift_s(data: RepData) -> float:
    return data.rep.top_start_s - data.rep.start_s


@measure("lower_s", "s", "time from leaving the top to being back", "end_s - top_end_s", DEFINITION)
def lower_s(data: RepData) -> float:
    return data.rep.end_s - data.rep.top_end_s


@measure("rest_s", "s", "time at rest before the next rep or the end of the set", "next start_s - end_s", DEFINITION)
def rest_s(data: RepData) -> float:
    return data.rep.next_start_s - data.rep.end_s


@measure(
    "peak_velocity_deg_s",
    "deg/s",
    "fastest change of the leading angle in the rep",
    "max |d angle / dt|, angle low-passed at 3 Hz",
    DEFINITION,
)
def peak_velocity_deg_s(data: RepData) -> float:
    return float(np.abs(_velocity(data)).max(initial=0.0)) if len(data.lead_deg) > 3 else float("nan")


@measure(
    "smoothness_lift",
    "1",
    "smoothness of the lift; nearer to zero is smoother",
    "SPARC of |d angle / dt| over the lift",
    "Balasubramanian et al. 2012, 2015",
)
def smoothness_lift(data: RepData) -> float:
    return _phase_smoothness(data, data.rep.start_s, data.rep.top_start_s)


@measure(
    "smoothness_lower",
    "1",
    "smoothness of the lowering; nearer to zero is smoother",
    "SPARC of |d angle / dt| over the lowering",
    "Balasubramanian et al. 2012, 2015",
)
def smoothness_lower(data: RepData) -> float:
    return _phase_smoothness(data, data.rep.top_end_s, data.rep.end_s)


def _velocity(data: RepData) -> FloatArray:
    return velocity_deg_s(smoothed(bridged(data.lead_deg), data.rate_hz), data.rate_hz)


def _phase_smoothness(data: RepData, start_s: float, end_s: float) -> float:
    rows = data.rows(start_s, end_s)
    if rows.stop - rows.start < 0.3 * data.rate_hz or not np.isfinite(data.lead_deg[rows]).all():
        return float("nan")
    # Less smoothing than for the phases: SPARC itself looks up to 10 Hz.
    velocity = velocity_deg_s(smoothed(bridged(data.lead_deg), data.rate_hz, 10.0), data.rate_hz)
    return sparc(np.abs(velocity[rows]), data.rate_hz)
