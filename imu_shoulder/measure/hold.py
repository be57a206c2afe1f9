"""The hold at the top: how long, how well in the band, how level, and where it broke."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from imu_shoulder.arrays import median_of, runs
from imu_shoulder.measure.held import held, held_sd_s
from imu_shoulder.measure.registry import RepData, measure, once
from imu_shoulder.model import FloatArray

# The first and last moments of a hold still carry the lift and the lowering.
SETTLE_S = 0.3
MIN_HOLD_S = 0.8
# A departure from the hold counts as a break when it leaves the band and lasts this long, this far from the median.
BREAK_S = 0.25
BREAK_DEG = 5.0
# Settled: within this of the hold's own line from then on.
SETTLED_DEG = 1.5
SAG_S = 0.5
HOLD = "common practice: there is no accepted single index, parts of steadiness are reported side by side"


@measure(
    "hold_s",
    "s",
    "time held: longest unbroken stay in what is asked, or at the level held",
    "longest stay of the angle in the band asked for at the top or within 3 deg of the level held; where no hold is "
    "asked, or the level lies outside the band, within 3 deg of the level alone. Ways out that go no further than "
    "5 deg, or are over within 0.3 s, end nothing. Of an arm that holds while the other one lifts: longest stretch "
    "without a break",
    "definition; the limits are ours",
)
def hold_s(data: RepData) -> float:
    start, end = longest(data) if data.rep.kind == "hold" else held(data)
    return end - start


@measure(
    "hold_sd_s",
    "s",
    "standard deviation of hold_s",
    "half of what hold_s changes by when the limits of the stay move out and in by one standard deviation of the "
    "angle: 3 deg, of a band that counts from another posture 10 % of the way, of the level held 1 deg; with 0.05 s in "
    "quadrature",
    "the standard deviations are ours, from simulated persons",
)
def hold_sd_s(data: RepData) -> float:
    return float("nan") if data.rep.kind == "hold" else held_sd_s(data)


@measure(
    "hold_sd_deg",
    "deg",
    "unsteadiness of the hold",
    "SD of the angle about its least-squares line, 0.3 s after arriving to 0.3 s before leaving, minus the sensor's "
    "own noise in quadrature; 0 at the sensor's floor",
    HOLD,
)
def hold_sd_deg(data: RepData) -> float:
    return above_floor(detrended_sd(settled(data)), data.floor.sd_deg)


@measure(
    "hold_drift_deg_s",
    "deg/s",
    "drift of the hold, negative when it sinks",
    "least-squares slope of the angle over the settled hold",
    HOLD,
)
def hold_drift_deg_s(data: RepData) -> float:
    values = settled(data)
    return slope(values) * data.rate_hz if len(values) else float("nan")


@measure(
    "hold_sag_deg",
    "deg",
    "late drop of the hold, positive when it sinks",
    "median of the first half of the settled hold minus the mean of its last 0.5 s",
    HOLD,
)
def hold_sag_deg(data: RepData) -> float:
    values = settled(data)
    last = round(SAG_S * data.rate_hz)
    if len(values) < 2 * last:
        return float("nan")
    return median_of(values[: len(values) // 2]) - float(np.mean(values[-last:]))


@measure(
    "settling_s",
    "s",
    "time from arriving until the arm stays where it then holds",
    "from top_start_s to the last moment in the first half of the hold at which the angle, low-passed at 3 Hz, is more "
    "than 1.5 deg from the line through the settled hold",
    "common practice; the 1.5 deg are ours",
)
def settling_s(data: RepData) -> float:
    values = settled(data)
    if not len(values):
        return float("nan")
    rows = settled_rows(data)
    first = data.rows(longest(data)[0], longest(data)[0]).start
    middle = (rows.start + rows.stop) // 2
    centre = (rows.start + rows.stop - 1) / 2
    line = values.mean() + slope(values) * (np.arange(first, middle) - centre)
    away = np.flatnonzero(np.abs(data.cut(data.curves.smooth_deg)[first:middle] - line) > SETTLED_DEG)
    return float(away[-1] + 1) / data.rate_hz if len(away) else 0.0


@measure(
    "time_in_band_pct",
    "%",
    "share of the time at the top spent in the asked band",
    "100 x rows inside the band / rows at the top",
    "definition",
)
def time_in_band_pct(data: RepData) -> float:
    inside = _in_band(data)
    return 100.0 * float(np.mean(inside)) if len(inside) else float("nan")


@measure(
    "time_in_band_s",
    "s",
    "time at the top spent in the asked band",
    "rows inside the band / sampling rate",
    "definition",
)
def time_in_band_s(data: RepData) -> float:
    inside = _in_band(data)
    return float(np.count_nonzero(inside)) / data.rate_hz if len(inside) else float("nan")


@measure(
    "hold_breaks",
    "1",
    "how often the hold was broken",
    "departures from the hold's median by more than 5 deg, outside the band, for 0.25 s or longer",
    "definition; the limits are ours",
)
def hold_breaks(data: RepData) -> float:
    return float(len(breaks(data)))


@measure(
    "break_at_s",
    "s",
    "when the deepest break began, from arriving at the top",
    "its first row - top_start_s",
    "definition",
)
def break_at_s(data: RepData) -> float:
    found = _deepest(data)
    return float("nan") if found is None else found.start_s - data.rep.top_start_s


@measure(
    "break_deg",
    "deg",
    "how far the deepest break went, negative when the arm dropped",
    "its largest departure from the median of the hold",
    "definition",
)
def break_deg(data: RepData) -> float:
    found = _deepest(data)
    return float("nan") if found is None else found.by_deg


@measure("break_s", "s", "how long the deepest break lasted", "its last row - its first row", "definition")
def break_s(data: RepData) -> float:
    found = _deepest(data)
    return float("nan") if found is None else found.end_s - found.start_s


@dataclass(frozen=True, slots=True)
class Break:
    """One departure from the hold. by_deg: signed, from the median of the hold."""

    start_s: float
    end_s: float
    by_deg: float


@once
def breaks(data: RepData) -> tuple[Break, ...]:
    """The breaks of the hold in time order."""
    top = data.top
    values, times = data.lead_deg[top], data.time_s[top]
    seen = values[np.isfinite(values)]
    if len(values) < 2 or not len(seen):
        return ()
    apart = values - median_of(seen)
    away = np.abs(apart) > BREAK_DEG
    if data.band_deg is not None:
        low, high = data.band_deg
        away &= (values < low) | (values > high)
    found = []
    for first, last in runs(away):
        # At either end of a lifted hold the arm is still arriving or already leaving; a holding arm has no such ends.
        inner = data.rep.kind == "hold" or (first > 0 and last < len(values))
        if inner and (last - first) >= BREAK_S * data.rate_hz:
            by_deg = float(apart[first + int(np.argmax(np.abs(apart[first:last])))])
            found.append(Break(float(times[first]), float(times[last - 1]), by_deg))
    return tuple(found)


def _deepest(data: RepData) -> Break | None:
    return max(breaks(data), key=lambda found: abs(found.by_deg), default=None)


@once
def unbroken(data: RepData) -> list[tuple[float, float]]:
    """Stretches (start_s, end_s) of the top between breaks; one stretch where nothing broke."""
    pieces, begin = [], data.rep.top_start_s
    for found in breaks(data):
        pieces.append((begin, found.start_s))
        begin = found.end_s
    return [*pieces, (begin, data.rep.top_end_s)]


def longest(data: RepData) -> tuple[float, float]:
    """The longest unbroken stretch (start_s, end_s)."""
    return max(unbroken(data), key=lambda piece: piece[1] - piece[0])


@once
def settled_rows(data: RepData) -> slice:
    """Rows of the longest unbroken stretch without its ends; empty if it is too short."""
    start, end = longest(data)
    if end - start < MIN_HOLD_S + 2 * SETTLE_S:
        return slice(0, 0)
    return data.rows(start + SETTLE_S, end - SETTLE_S)


@once
def settled(data: RepData) -> FloatArray:
    """Leading angle (n,) over the settled rows; empty if too short or not all seen."""
    return settled_values(data, data.lead_deg)


def settled_values(data: RepData, column: FloatArray | None) -> FloatArray:
    """A column (n,) over the settled rows; empty if absent, too short or not all seen."""
    if column is None:
        return np.empty(0)
    values = column[settled_rows(data)]
    return values if np.isfinite(values).all() else np.empty(0)


def detrended_sd(values: FloatArray) -> float:
    """SD (n,) about the least-squares line, two degrees of freedom spent on it; NaN for fewer than 3."""
    if len(values) < 3:
        return float("nan")
    left = detrended(values)
    return float(np.sqrt(left @ left / (len(left) - 2)))


def detrended(values: FloatArray) -> FloatArray:
    """(n,) without its least-squares line."""
    rows = np.arange(len(values)) - (len(values) - 1) / 2
    level = values - values.mean()
    return np.asarray(level - rows * (rows @ level / (rows @ rows)))


def slope(values: FloatArray) -> float:
    """Least-squares slope of (n,) per row."""
    rows = np.arange(len(values)) - (len(values) - 1) / 2
    return float(rows @ values / (rows @ rows))


def above_floor(value: float, floor: float) -> float:
    """What is left of an SD or RMS after the sensor's own, which is independent of it; 0 at the floor."""
    return float(np.sqrt(max(value**2 - floor**2, 0.0))) if np.isfinite(value) else value


def _in_band(data: RepData) -> FloatArray:
    if data.band_deg is None:
        return np.empty(0)
    values = data.lead_deg[data.top]
    seen = values[np.isfinite(values)]
    low, high = data.band_deg
    return np.asarray((seen >= low) & (seen <= high), dtype=np.float64)
