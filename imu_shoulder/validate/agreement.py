"""Limits of agreement between two methods, with their confidence intervals.

Bland & Altman 1986 (Lancet 327:307-310) for one pair per person; Bland & Altman 2007 (J Biopharm Stat 17:571-582),
the form where the true value varies, for several pairs per person. Pooling repeated pairs as if they were
independent narrows the intervals falsely.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Literal

import numpy as np
from scipy import stats

from imu_shoulder.errors import ParameterError
from imu_shoulder.model import FloatArray

FEWEST_PAIRS = 3
NORMAL_95 = float(stats.norm.ppf(0.975))


@dataclass(frozen=True, slots=True)
class Interval:
    """An estimate and its two-sided confidence interval."""

    value: float
    low: float
    high: float


@dataclass(frozen=True, slots=True)
class Limits:
    """Bias and limits of agreement of first minus second method, in the unit of the readings.

    form: "1986" (one pair per person) or "2007" (repeated pairs). sd: of a single difference; for 2007 it joins
    between_sd (differences between persons) and within_sd (of one person).
    """

    form: Literal["1986", "2007"]
    pairs: int
    persons: int
    bias: Interval
    sd: float
    lower: Interval
    upper: Interval
    between_sd: float | None = None
    within_sd: float | None = None


def limits_of_agreement(
    difference: FloatArray, person: Sequence[object], *, multiplier: float = NORMAL_95, confidence: float = 0.95
) -> Limits:
    """Bias and limits, in the 2007 form as soon as any person gives several pairs.

    difference (N,): finite. person (N,): who each pair is from. multiplier: 1.96 for 95 % of differences.
    Raises ParameterError for fewer than 3 pairs or a single person with repeated pairs.
    """
    values = np.asarray(difference, dtype=np.float64)
    if len(values) < FEWEST_PAIRS:
        raise ParameterError(
            f"{FEWEST_PAIRS} pairs of readings or more", f"there are {len(values)}", "take more readings"
        )
    if not np.isfinite(values).all():
        raise ParameterError("finite differences", "some are missing", "leave incomplete pairs out")
    codes, counts = np.unique(np.asarray(list(person), dtype=str), return_inverse=True, return_counts=True)[1:]
    if (counts == 1).all():
        return _one_pair_each(values, multiplier, confidence)
    return _repeated(values, codes, counts, multiplier, confidence)


def _one_pair_each(values: FloatArray, multiplier: float, confidence: float) -> Limits:
    """1986: SE of the bias s/sqrt(n), of a limit about sqrt(3 s^2/n), both with Student's t."""
    count = len(values)
    bias, sd = float(values.mean()), float(values.std(ddof=1))
    t = float(stats.t.ppf(0.5 + confidence / 2, count - 1))
    bias_half, limit_half = t * sd / np.sqrt(count), t * sd * np.sqrt(3 / count)
    lower, upper = bias - multiplier * sd, bias + multiplier * sd
    return Limits(
        "1986",
        count,
        count,
        Interval(bias, bias - bias_half, bias + bias_half),
        sd,
        Interval(lower, lower - limit_half, lower + limit_half),
        Interval(upper, upper - limit_half, upper + limit_half),
    )


def _repeated(values: FloatArray, codes: Any, counts: Any, multiplier: float, confidence: float) -> Limits:
    """2007: variance of a difference from a one-way analysis of variance of the differences over persons.

    The intervals recover variance estimates from those of the mean squares (Zou 2013, Stat Methods Med Res
    22:630-642; formula from memory, its coverage is held by a simulated study in the tests).
    """
    persons, pairs = len(counts), len(values)
    if persons < 2:
        raise ParameterError(
            "pairs from two persons or more for limits with repeated pairs",
            f"all {pairs} are from one person",
            "measure more persons; for one person bias, SD and RMSE are still given",
        )
    bias = float(values.mean())
    means = np.bincount(codes, values) / counts
    ms_between = float((counts * (means - bias) ** 2).sum() / (persons - 1))
    ms_within = float(((values - means[codes]) ** 2).sum() / (pairs - persons))
    per_person = float((pairs**2 - (counts**2).sum()) / ((persons - 1) * pairs))
    var_between = max(0.0, (ms_between - ms_within) / per_person)
    variance = var_between + ms_within
    sd = float(np.sqrt(variance))
    tail = (1 - confidence) / 2
    shares = ((ms_between / per_person, persons - 1), (ms_within * (1 - 1 / per_person), pairs - persons))
    low, high = (
        np.sqrt(sum((part * (1 - df / stats.chi2.ppf(q, df))) ** 2 for part, df in shares)) for q in (1 - tail, tail)
    )
    se_bias = float(np.sqrt(var_between * (counts**2).sum() / pairs**2 + ms_within / pairs))
    t = float(stats.t.ppf(1 - tail, persons - 1))
    inward = np.hypot(t * se_bias, multiplier * (sd - np.sqrt(max(0.0, variance - low))))
    outward = np.hypot(t * se_bias, multiplier * (np.sqrt(variance + high) - sd))
    lower, upper = bias - multiplier * sd, bias + multiplier * sd
    return Limits(
        "2007",
        pairs,
        persons,
        Interval(bias, bias - t * se_bias, bias + t * se_bias),
        sd,
        Interval(lower, float(lower - outward), float(lower + inward)),
        Interval(upper, float(upper - inward), float(upper + outward)),
        float(np.sqrt(var_between)),
        float(np.sqrt(ms_within)),
    )


@dataclass(frozen=True, slots=True)
class ProportionalBias:
    """Slope of the difference over the mean of both methods, per unit, with CI and p."""

    slope: Interval
    p: float


def proportional_bias(first: FloatArray, second: FloatArray, person: Sequence[object]) -> ProportionalBias:
    """Whether the difference grows with the size of the angle: least squares, SE clustered by person if repeated.

    first, second (N,). The slope is not zero either where one method merely scatters more than the other
    (Bland & Altman 1995, Lancet 346:1085): read it beside the plot. Raises ParameterError for constant means.
    """
    import statsmodels.api as sm  # type: ignore[import-untyped]

    mean, difference = (first + second) / 2, first - second
    if np.ptp(mean) < 1e-9:
        raise ParameterError("readings at several angles", "all pairs have the same mean", "measure other positions")
    model = sm.OLS(difference, sm.add_constant(mean))
    codes, counts = np.unique(np.asarray(list(person), dtype=str), return_inverse=True, return_counts=True)[1:]
    if (counts == 1).all() or len(counts) < 3:
        fit = model.fit()
    else:
        fit = model.fit(cov_type="cluster", cov_kwds={"groups": codes}, use_t=True)
    low, high = fit.conf_int(0.05)[1]
    return ProportionalBias(Interval(float(fit.params[1]), float(low), float(high)), float(fit.pvalues[1]))


@dataclass(frozen=True, slots=True)
class RmseParts:
    """rmse^2 = bias^2 + sd^2, with sd over n (not n - 1), so that the parts add up exactly."""

    rmse: float
    bias: float
    sd: float


def rmse_parts(difference: FloatArray) -> RmseParts:
    """Root mean square of differences (N,), split into what a constant offset explains and the rest."""
    return RmseParts(float(np.sqrt(np.mean(difference**2))), float(np.mean(difference)), float(np.std(difference)))


def verdict_within(limits: Limits, allowed: float) -> Literal["yes", "no", "too few"]:
    """Whether 95 % of differences lie within +-allowed.

    yes: both limits with their whole intervals inside. no: one limit with its whole interval outside.
    too few: the intervals straddle the border.
    """
    if limits.lower.low >= -allowed and limits.upper.high <= allowed:
        return "yes"
    if limits.lower.high < -allowed or limits.upper.low > allowed:
        return "no"
    return "too few"
