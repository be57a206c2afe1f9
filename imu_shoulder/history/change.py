"""Better, no real change, worse, or too little to say: a statement with a test, for one athlete and session.

What is tested is the trend over the latest sessions of one drill and arm, against the scatter that sessions have with
sensors put on anew. All measures, drills and arms of an athlete's session are one family: by Holm's steps the chance
that any of its statements is false is at most 5 %. A change under the minimal detectable change is never called one,
and sessions that other versions or parameters of the program made are not compared.

Sources. The trend: Huber 1964 (Ann Math Stat 35:73-101; from memory), an M-estimate with the scatter as its scale, by
reweighted least squares. Its distribution-free interval: Theil and Sen's by SciPy. Holm 1979 (Scand J Stat 6:65-70).
MDC95 = 1.96 sqrt(2) SEM: common practice. The window, and which measures are looked at: ours.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
from scipy import special, stats

from imu_shoulder.history.noise import Scatter
from imu_shoulder.model import FloatArray

# Why nothing is said where too few sessions of anybody are there.
UNKNOWN = "not known yet how much sessions scatter by chance"
State = Literal["better", "no real change", "worse", "too little to say"]
# Of all statements of one athlete and session together.
MOST_FALSE = 0.05
# A trend is looked at over so many days with sessions, within so many days.
WINDOW_SESSIONS, WINDOW_DAYS = 10, 70.0
# Sessions that are further off than so many standard errors of measurement pull no more than if they were so far: of
# normal scatter this costs little (the slope's standard deviation as a multiple of least squares', Huber 1964).
_PULL, _WIDER = 1.5, 1.018
_STEPS, _NEAR = 1000, 1e-7
# Days with sessions from which on the trend has a distribution-free interval.
_INTERVAL_FROM = 4


@dataclass(frozen=True, slots=True)
class Judged:
    """A measure that statements are made of. better: +1 where more is better, -1 where less is.

    scale: values are compared on it: as they are, as logarithms (scatter grows with the value), or as shares (the arc
    sine of the root, by which counts of reps scatter alike at every share).
    """

    name: str
    title: str
    unit: str
    better: int
    scale: Literal["plain", "log", "share"] = "plain"

    def on_scale(self, values: FloatArray) -> FloatArray:
        if self.scale == "log":
            return np.log(np.maximum(values, 1e-3))
        return np.arcsin(np.sqrt(np.clip(values, 0.0, 1.0))) if self.scale == "share" else values

    def off_scale(self, value: float) -> float:
        if self.scale == "log":
            return float(np.exp(value))
        return float(np.sin(np.clip(value, 0.0, np.pi / 2)) ** 2) if self.scale == "share" else value


JUDGED = {
    own.name: own
    for own in (
        Judged("hold_sd_deg", "steadiness of the hold", "deg", -1, "log"),
        Judged("hold_s", "time held", "s", +1),
        Judged("arc_deg", "arc", "deg", +1),
        Judged("lower_s", "time of the lowering", "s", +1),
        Judged("clean_share", "clean reps", "share", +1, "share"),
    )
}


@dataclass(frozen=True, slots=True)
class Series:
    """One measure of one drill and arm over days, those of one version and parameters of the program.

    days: (N,) rising, in days from any moment. values: (N,) in the measure's unit.
    """

    measure: str
    days: FloatArray
    values: FloatArray


@dataclass(frozen=True, slots=True)
class Statement:
    """What is said of one series. first, latest: the trend's ends, in the measure's unit; None where there is none.

    low, high: 95 % interval of `latest` if `first` were known. mdc_low, mdc_high: between them lies what differs from
    `first` by no more than the minimal detectable change. p: adjusted for the whole family. slope_low, slope_high: the
    distribution-free 95 % interval of the trend per week, None on less than 4 days. own: whether the scatter is the
    person's own. days: how many were looked at.
    """

    measure: str
    state: State
    days: int
    why: str = ""
    first: float | None = None
    latest: float | None = None
    low: float | None = None
    high: float | None = None
    mdc_low: float | None = None
    mdc_high: float | None = None
    slope_low: float | None = None
    slope_high: float | None = None
    p: float | None = None
    own: bool = False


@dataclass(frozen=True, slots=True)
class _Trend:
    """Change over the window, on the measure's scale, with its standard error; p: two-sided, of this series alone."""

    series: Series
    scatter: Scatter
    first: float
    change: float
    error: float
    p: float


def statements(series: Sequence[Series], scatters: Sequence[Scatter | None]) -> list[Statement]:
    """The family of one athlete's session. scatters: of each series; None where too little is known."""
    trends = [_trend(_in_window(one), scatter) for one, scatter in zip(series, scatters, strict=True)]
    said = [trend for trend in trends if isinstance(trend, _Trend)]
    adjusted = dict(zip(map(id, said), holm([trend.p for trend in said]), strict=True))
    return [_stated(trend, adjusted[id(trend)]) if isinstance(trend, _Trend) else trend for trend in trends]


def holm(p_values: Sequence[float]) -> list[float]:
    """The p-values adjusted so that the chance of any false one under a limit is at most that limit."""
    order = np.argsort(p_values, kind="stable")
    steps = np.array([p_values[k] * (len(p_values) - place) for place, k in enumerate(order)])
    found = np.empty(len(p_values))
    found[order] = np.minimum(1.0, np.maximum.accumulate(steps)) if len(steps) else steps
    return [float(p) for p in found]


def _in_window(series: Series) -> Series:
    if not len(series.days):
        return series
    rows = slice(max(0, len(series.days) - WINDOW_SESSIONS), None)
    days, values = series.days[rows], series.values[rows]
    near = days >= days[-1] - WINDOW_DAYS
    return Series(series.measure, days[near], values[near])


def _trend(series: Series, scatter: Scatter | None) -> _Trend | Statement:
    count = len(series.days)
    if count < 2:
        return Statement(series.measure, "too little to say", count, "one day with this drill, nothing to compare with")
    if scatter is None:
        return Statement(series.measure, "too little to say", count, UNKNOWN)
    values = JUDGED[series.measure].on_scale(series.values)
    first, latest = robust_ends(series.days, values, scatter.sem)
    span = float(series.days[-1] - series.days[0])
    spread = float(((series.days - series.days.mean()) ** 2).sum())
    error = scatter.sem * span / np.sqrt(spread) * _WIDER
    change = latest - first
    p = 2.0 * float(stats.t.sf(abs(change) / error, scatter.freedom))
    return _Trend(series, scatter, first, change, float(error), p)


def robust_ends(days: FloatArray, values: FloatArray, scale: float) -> tuple[float, float]:
    """A straight line's value on the first and the last day, by Huber's M-estimate. days, values: (N,), N from 2 on.

    scale: the standard deviation of a value, known from elsewhere.
    """
    scale = max(scale, _NEAR * float(np.ptp(values)), np.finfo(float).tiny)
    x, pull = days - days[0], _PULL * scale
    line, weights = values, np.ones(len(days))
    for _ in range(_STEPS):
        share = weights / weights.sum()
        middle, level = share @ x, share @ values
        slope = (share @ ((x - middle) * (values - level))) / (share @ (x - middle) ** 2)
        before, line = line, level + slope * (x - middle)
        # Reweighted lines come near slowly where a value is about as far off as the pull goes.
        if (ahead := _ahead(x, values, line, pull)) is not None and _loss(values - ahead, pull) < _loss(
            values - line, pull
        ):
            line = ahead
        if np.abs(line - before).max() < _NEAR * scale:
            break
        weights = np.minimum(1.0, pull / np.maximum(np.abs(values - line), scale))
    return float(line[0]), float(line[-1])


def _ahead(x: FloatArray, values: FloatArray, line: FloatArray, pull: float) -> FloatArray | None:
    """The estimate's line, were the same values far off from it, to the same sides, as from this line: a step of
    Newton's. None where too few are near.
    """
    residual = values - line
    far = np.sign(residual) * (np.abs(residual) > pull)
    near = far == 0.0
    if near.sum() < 2:
        return None
    middle = x[near].mean()
    level = values[near].mean() + pull * far.sum() / near.sum()
    up = (x[near] - middle) @ values[near] + pull * (far @ (x - middle))
    found: FloatArray = level + up / ((x[near] - middle) @ (x[near] - middle)) * (x - middle)
    return found


def _loss(residual: FloatArray, pull: float) -> float:
    return float(special.huber(pull, residual).sum())


def _stated(trend: _Trend, p: float) -> Statement:
    own, days = JUDGED[trend.series.measure], len(trend.series.days)
    mdc = trend.scatter.mdc95
    half = float(stats.t.ppf(0.975, trend.scatter.freedom)) * trend.error
    low, high = trend.change - half, trend.change + half
    slope = _slope_interval(trend.series, own)
    if p <= MOST_FALSE and abs(trend.change) >= mdc:
        state: State = "better" if trend.change * own.better > 0 else "worse"
        why = "more than the minimal detectable change"
    elif max(abs(low), abs(high)) < 2.0 * mdc:
        state, why = "no real change", "within what sessions scatter by chance"
    else:
        state, why = "too little to say", "the sessions do not tell a change from chance"
    first, latest, lowest, highest, mdc_low, mdc_high = (
        own.off_scale(trend.first + change) for change in (0.0, trend.change, low, high, -mdc, mdc)
    )
    ends = {"first": first, "latest": latest, "low": lowest, "high": highest, "mdc_low": mdc_low, "mdc_high": mdc_high}
    weekly = dict(zip(("slope_low", "slope_high"), slope, strict=True))
    return Statement(own.name, state, days, why, **ends, **weekly, p=p, own=trend.scatter.own)


def _slope_interval(series: Series, own: Judged) -> tuple[float | None, float | None]:
    """Per week, in the measure's unit, without any assumption about the scatter."""
    if len(series.days) < _INTERVAL_FROM:
        return None, None
    found = stats.theilslopes(series.values, series.days)
    return float(found.low_slope) * 7.0, float(found.high_slope) * 7.0


def words(found: Statement, drill: str, side: str, loads: Sequence[float] = ()) -> str:
    """One line for people. loads: in kg, first and latest, where known."""
    own = JUDGED[found.measure]
    text = f"{drill}, {side} arm, {own.title}: {found.state}"
    if found.first is not None and found.latest is not None:
        text += f", {_value(found.first, own)} to {_value(found.latest, own)} over {found.days} days with sessions"
    text += f" ({found.why})" if found.why else ""
    if len(loads) == 2 and loads[0] != loads[1]:
        text += f"; the load went from {loads[0]:g} to {loads[1]:g} kg"
    return f"{text}."


def _value(value: float, own: Judged) -> str:
    return f"{value * 100:.0f} %" if own.unit == "share" else f"{value:.3g} {own.unit}"
