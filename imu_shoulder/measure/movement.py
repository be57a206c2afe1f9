"""Arc, tempo, speed and smoothness of a rep."""

from __future__ import annotations

from math import hypot, isfinite

import numpy as np

from imu_shoulder.measure.pauses import pieces
from imu_shoulder.measure.registry import RepData, measure, once
from imu_shoulder.measure.smoothness import ldlj, sparc
from imu_shoulder.model import FloatArray

DEFINITION = "definition"
SPARC_SOURCE = "Balasubramanian et al. 2015, doi 10.1186/s12984-015-0090-9"
LDLJ_SOURCE = "Balasubramanian et al. 2012, doi 10.1109/TBME.2011.2179545"
MIN_PHASE_S = 0.3
# How well it is known how long a stroke took: a part of its own, and a share of it.
STROKE_SD_S, STROKE_SD_SHARE = 0.03, 0.07


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


@measure(
    "overshoot_deg",
    "deg",
    "how far the arm went past the angle it then held",
    "largest angle low-passed at 3 Hz - top_deg, 0 or more",
    DEFINITION,
)
def overshoot_deg(data: RepData) -> float:
    values = data.cut(data.curves.smooth_deg)
    return max(float(values.max()) - data.rep.top_deg, 0.0) if len(values) else float("nan")


@measure(
    "return_deg",
    "deg",
    "how far from its start the rep ended, positive when it stopped above it",
    "smoothed angle at the rep's end - start_deg",
    DEFINITION,
)
def return_deg(data: RepData) -> float:
    return data.rep.end_deg - data.rep.start_deg


@measure(
    "lift_s",
    "s",
    "time moving from the start to the top",
    "top_start_s - start_s, less pauses part-way up (they are in pause_s)",
    DEFINITION,
)
def lift_s(data: RepData) -> float:
    return _moving_s(data, data.rep.start_s, data.rep.top_start_s)


@measure(
    "lower_s",
    "s",
    "time moving from the top back to the start",
    "end_s - top_end_s, less pauses part-way down (they are in pause_s)",
    DEFINITION,
)
def lower_s(data: RepData) -> float:
    return _moving_s(data, data.rep.top_end_s, data.rep.end_s)


@measure("rest_s", "s", "time at rest before the next rep or the end of the set", "next start_s - end_s", DEFINITION)
def rest_s(data: RepData) -> float:
    return data.rep.next_start_s - data.rep.end_s


@measure(
    "quickest_up_s",
    "s",
    "the quickest way up: what a tempo limit is held against",
    "time moving in the lift, pauses left out; with stations, the shortest move from one to the next on the way up",
    DEFINITION,
)
def quickest_up_s(data: RepData) -> float:
    rep = data.rep
    if rep.kind == "hold":
        return float("nan")
    return min(_legs(data)) if rep.visits else lift_s(data)


@measure(
    "quickest_down_s",
    "s",
    "the quickest way down: what a tempo limit is held against",
    "time moving in the lowering, pauses left out",
    DEFINITION,
)
def quickest_down_s(data: RepData) -> float:
    return float("nan") if data.rep.kind == "hold" else lower_s(data)


@measure(
    "stroke_sd_s",
    "s",
    "standard deviation of how long the quicker way took",
    "hypot(0.03 s, 7 % of the shorter of quickest_up_s and quickest_down_s)",
    "the standard deviations are ours, from simulated persons",
)
def stroke_sd_s(data: RepData) -> float:
    return sd_of_stroke_s(min(quickest_up_s(data), quickest_down_s(data)))


def sd_of_stroke_s(took_s: float) -> float:
    """Standard deviation of how long a way up or down took that was read to take took_s.

    Ours: against the true speed of the second simulator's persons from 9000 on, strokes of 0.7 to 10 s.
    """
    return hypot(STROKE_SD_S, STROKE_SD_SHARE * took_s)


def _moving_s(data: RepData, start_s: float, end_s: float) -> float:
    return sum(last - first for first, last in pieces(data, start_s, end_s))


def _legs(data: RepData) -> list[float]:
    """How long each move took, from the start to the first station and on until the last one was reached.

    Taking a station again that was left is no move to the next one.
    """
    legs, before, left_s = [], "", data.rep.start_s
    for visit in data.rep.visits:
        if visit.start_s > data.rep.top_start_s:
            break
        if visit.name != before:
            legs.append(visit.start_s - left_s)
        if data.drill is not None and visit.name == data.drill.top.name:
            break
        before, left_s = visit.name, visit.end_s
    return legs


@measure(
    "peak_velocity_deg_s",
    "deg/s",
    "fastest change of the leading angle in the rep",
    "max |d angle / dt|, angle low-passed at 3 Hz",
    DEFINITION,
)
def peak_velocity_deg_s(data: RepData) -> float:
    velocity = data.cut(data.curves.velocity_deg_s)
    return float(np.abs(velocity).max(initial=0.0)) if len(data.lead_deg) > 3 else float("nan")


@measure(
    "mean_velocity_lift_deg_s",
    "deg/s",
    "mean speed of the lift",
    "arc_deg / lift_s",
    DEFINITION,
)
def mean_velocity_lift_deg_s(data: RepData) -> float:
    return _mean_velocity(data.rep.arc_deg, lift_s(data))


@measure(
    "mean_velocity_lower_deg_s",
    "deg/s",
    "mean speed of the lowering",
    "(top_deg - smoothed angle at the rep's end) / lower_s",
    DEFINITION,
)
def mean_velocity_lower_deg_s(data: RepData) -> float:
    return _mean_velocity(data.rep.top_deg - data.rep.end_deg, lower_s(data))


def _mean_velocity(arc_deg: float, lasts_s: float) -> float:
    return arc_deg / lasts_s if lasts_s > 0 else float("nan")


@measure(
    "smoothness_lift",
    "1",
    "smoothness of the lift; nearer to zero is smoother",
    "SPARC of |d angle / dt|, angle low-passed at 10 Hz, over the lift; mean of its pieces where it paused",
    SPARC_SOURCE,
)
def smoothness_lift(data: RepData) -> float:
    return _mean([sparc(speed, data.rate_hz) for speed in _lift_speeds(data)])


@measure(
    "smoothness_lower",
    "1",
    "smoothness of the lowering; nearer to zero is smoother",
    "SPARC of |d angle / dt|, angle low-passed at 10 Hz, over the lowering; mean of its pieces where it paused",
    SPARC_SOURCE,
)
def smoothness_lower(data: RepData) -> float:
    return _mean([sparc(speed, data.rate_hz) for speed in _lower_speeds(data)])


@measure(
    "ldlj_lift",
    "1",
    "smoothness of the lift by its jerk; nearer to zero is smoother",
    "LDLJ of |d angle / dt|, angle low-passed at 10 Hz, over the lift; mean of its pieces where it paused",
    LDLJ_SOURCE,
)
def ldlj_lift(data: RepData) -> float:
    return _mean([ldlj(speed, data.rate_hz) for speed in _lift_speeds(data)])


@measure(
    "ldlj_lower",
    "1",
    "smoothness of the lowering by its jerk; nearer to zero is smoother",
    "LDLJ of |d angle / dt|, angle low-passed at 10 Hz, over the lowering; mean of its pieces where it paused",
    LDLJ_SOURCE,
)
def ldlj_lower(data: RepData) -> float:
    return _mean([ldlj(speed, data.rate_hz) for speed in _lower_speeds(data)])


def _mean(values: list[float]) -> float:
    return float(np.mean(values)) if values else float("nan")


@once
def _lift_speeds(data: RepData) -> list[FloatArray]:
    return _speeds(data, data.rep.start_s, data.rep.top_start_s)


@once
def _lower_speeds(data: RepData) -> list[FloatArray]:
    return _speeds(data, data.rep.top_end_s, data.rep.end_s)


def _speeds(data: RepData, start_s: float, end_s: float) -> list[FloatArray]:
    """Speed over each unpaused piece of a phase; none for a phase of several moves, too short or not all seen.

    Less smoothing than for the phases: SPARC itself looks up to 10 Hz.
    """
    if len(data.rep.visits) > 1 or data.rep.kind == "hold":
        return []
    out = []
    for piece in pieces(data, start_s, end_s):
        rows = data.rows(*piece)
        if rows.stop - rows.start < MIN_PHASE_S * data.rate_hz or not np.isfinite(data.lead_deg[rows]).all():
            return []
        out.append(np.abs(data.cut(data.curves.fine_velocity_deg_s)[rows]))
    return out


def tempo_text(lower_s: float, bottom_s: float, lift_s: float, top_s: float) -> str:
    """The four-field tempo: lowering / pause at the bottom / lifting / pause at the top, whole seconds.

    Notation: PMC6006544. A drill that begins with the lift performs the fields in the order 3-4-1-2; the notation
    stays the same. Empty where a field is not known.
    """
    fields = (lower_s, bottom_s, lift_s, top_s)
    return "/".join(f"{field:.0f}" for field in fields) if all(map(isfinite, fields)) else ""


def rep_tempo(data: RepData) -> str:
    """The four-field tempo of one rep; the bottom pause is the rest after it."""
    if data.rep.kind == "hold":
        return ""
    return tempo_text(lower_s(data), rest_s(data), lift_s(data), data.rep.top_end_s - data.rep.top_start_s)
