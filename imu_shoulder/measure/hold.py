"""How steady the hold at the top is. There is no accepted single index: the parts are reported."""

from __future__ import annotations

import numpy as np
from scipy import signal

from imu_shoulder.measure.registry import RepData, measure
from imu_shoulder.model import FloatArray

# The first and last moments of a hold still carry the lift and the lowering.
SETTLE_S = 0.3
MIN_HOLD_S = 0.8
TREMOR_BAND_HZ = (8.0, 12.0)
# A departure from the hold counts as a break when it leaves the band and lasts this long, this far from the median.
BREAK_S = 0.25
BREAK_DEG = 5.0
HOLD = "common practice: parts of steadiness reported side by side"


@measure("hold_s", "s", "longest unbroken time at the top", "longest stretch at the top without a break", "definition")
def hold_s(data: RepData) -> float:
    pieces = unbroken(data)
    return max(end - start for start, end in pieces)


@measure(
    "hold_sd_deg",
    "deg",
    "unsteadiness of the hold",
    "SD of the angle about its straight line, 0.3 s after arriving to 0.3 s before leaving",
    HOLD,
)
def hold_sd_deg(data: RepData) -> float:
    values = settled(data)
    return float(np.std(signal.detrend(values), ddof=2)) if len(values) else float("nan")


@measure(
    "hold_drift_deg_s",
    "deg/s",
    "drift of the hold, negative when it sinks",
    "least-squares slope of the angle over the settled hold",
    HOLD,
)
def hold_drift_deg_s(data: RepData) -> float:
    values = settled(data)
    return float(np.polyfit(np.arange(len(values)) / data.rate_hz, values, 1)[0]) if len(values) else float("nan")


@measure(
    "hold_tremor_deg_s",
    "deg/s",
    "fast trembling in the hold",
    "RMS of d angle / dt between 8 and 12 Hz over the settled hold",
    "8-12 Hz physiological tremor band: common practice",
)
def hold_tremor_deg_s(data: RepData) -> float:
    values = settled(data)
    if len(values) < 2 * data.rate_hz or data.rate_hz < 2.5 * TREMOR_BAND_HZ[1]:
        return float("nan")
    frequency, density = signal.welch(
        signal.detrend(values), data.rate_hz, nperseg=min(len(values), round(2 * data.rate_hz))
    )
    inside = (frequency >= TREMOR_BAND_HZ[0]) & (frequency <= TREMOR_BAND_HZ[1])
    # The derivative's density is that of the angle times (2 pi f)^2.
    return float(np.sqrt(np.sum(density[inside] * (2 * np.pi * frequency[inside]) ** 2) * frequency[1]))


@measure(
    "time_in_band_pct",
    "%",
    "share of the time at the top spent in the asked band",
    "100 x rows inside the band / rows at the top",
    "definition",
)
def time_in_band_pct(data: RepData) -> float:
    if data.band_deg is None:
        return float("nan")
    values = data.lead_deg[data.top]
    seen = values[np.isfinite(values)]
    low, high = data.band_deg
    return 100.0 * float(np.mean((seen >= low) & (seen <= high))) if len(seen) else float("nan")


def settled(data: RepData) -> FloatArray:
    """Leading angle (n,) over the longest unbroken stretch without its ends; empty if too short or not all seen."""
    start, end = max(unbroken(data), key=lambda piece: piece[1] - piece[0])
    if end - start < MIN_HOLD_S + 2 * SETTLE_S:
        return np.empty(0)
    values = data.lead_deg[data.rows(start + SETTLE_S, end - SETTLE_S)]
    return values if np.isfinite(values).all() else np.empty(0)


def unbroken(data: RepData) -> list[tuple[float, float]]:
    """Stretches (start_s, end_s) of the top between breaks; one stretch where nothing broke."""
    top = data.top
    values, times = data.lead_deg[top], data.time_s[top]
    rep = data.rep
    if len(values) < 2:
        return [(rep.top_start_s, rep.top_end_s)]
    away = np.abs(values - np.nanmedian(values)) > BREAK_DEG
    if data.band_deg is not None:
        low, high = data.band_deg
        away &= (values < low) | (values > high)
    edges = np.flatnonzero(np.diff(np.concatenate([[False], away, [False]]).astype(np.int8)))
    pieces, begin = [], rep.top_start_s
    for first, last in edges.reshape(-1, 2):
        # At either end of a lifted hold the arm is still arriving or already leaving; a holding arm has no such ends.
        inner = rep.kind == "hold" or (first > 0 and last < len(values))
        if inner and (last - first) >= BREAK_S * data.rate_hz:
            pieces.append((begin, float(times[first])))
            begin = float(times[last - 1])
    return [*pieces, (begin, rep.top_end_s)]
