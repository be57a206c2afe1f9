"""Intraclass correlation, standard error of measurement, minimal detectable change, waveform correlation."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy import stats

from imu_shoulder.errors import ParameterError
from imu_shoulder.model import FloatArray
from imu_shoulder.validate.agreement import Interval


def icc_forms(ratings: FloatArray) -> dict[str, Interval]:
    """All six forms of Shrout & Fleiss 1979 (Psychol Bull 86:420-428) with 95 % CIs, by their names "1,1" to "3,k".

    ratings: (targets, raters), complete; targets independent of each other. The intervals are those of McGraw & Wong
    1996 (Psychol Methods 1:30-46; formulas from memory, held against another library in the tests).
    Raises ParameterError for fewer than 3 targets, a single rater or constant ratings.
    """
    _check(ratings)
    targets, raters = ratings.shape
    ms = mean_squares(ratings)
    within = (ms.raters + (targets - 1) * ms.error) / targets
    single = {
        "2,1": _absolute(ms, targets, raters),
        "3,1": _of_ratio(ms.targets, ms.error, targets, raters, (targets - 1) * (raters - 1)),
        "1,1": _of_ratio(ms.targets, within, targets, raters, targets * (raters - 1)),
    }
    return single | {f"{form[0]},k": _of_mean(interval, raters) for form, interval in single.items()}


def _absolute(ms: MeanSquares, targets: int, raters: int) -> Interval:
    """ICC(2,1). The error of raters and error together has degrees of freedom after Satterthwaite.

    Nothing is divided by the error mean square: raters who differ by a constant alone leave none.
    """
    icc = _icc_2_1(ms, targets, raters)
    of_raters = raters * icc * ms.raters
    of_error = (targets * (1 + (raters - 1) * icc) - raters * icc) * ms.error
    freedom = (targets - 1) * (raters - 1) * (of_raters + of_error) ** 2 / ((targets - 1) * of_raters**2 + of_error**2)
    noise = (raters * ms.raters + (raters * targets - raters - targets) * ms.error) / targets
    low, high = ((ms.targets - f * ms.error) / (ms.targets + f * noise) for f in _bounds_of_ratio(targets - 1, freedom))
    return Interval(icc, low, high)


def _of_ratio(of_targets: float, of_error: float, targets: int, raters: int, freedom: int) -> Interval:
    """A form that one ratio of mean squares makes alone. freedom: degrees of freedom of `of_error`."""
    value, low, high = (
        (of_targets - f * of_error) / (of_targets + (raters - 1) * f * of_error)
        for f in (1.0, *_bounds_of_ratio(targets - 1, freedom))
    )
    return Interval(value, low, high)


def _bounds_of_ratio(above: float, below: float) -> tuple[float, float]:
    """By what a ratio of mean squares is divided for the lower and the upper end of its 95 % CI."""
    return float(stats.f.ppf(0.975, above, below)), float(1 / stats.f.ppf(0.975, below, above))


def _of_mean(single: Interval, raters: int) -> Interval:
    """The form for the mean of all raters (Spearman and Brown); minus infinity where the targets' means are alike."""
    ends = (single.value, single.low, single.high)
    shares = [(raters * icc, 1 + (raters - 1) * icc) for icc in ends]
    value, low, high = (above / below if below else float("-inf") for above, below in shares)
    return Interval(value, low, high)


def icc_agreement_repeated(ratings: FloatArray, person: Sequence[object]) -> Interval:
    """ICC(2,1) over all targets, with a CI for targets that come several from one person.

    ratings: (targets, raters). person: (targets,). The CI is a delete-one-person jackknife of Fisher's z, because an
    F-based interval would take one person's targets for independent.
    Raises ParameterError as icc_forms, and for fewer than 3 persons.
    """
    _check(ratings)
    codes, counts = np.unique(np.asarray(list(person), dtype=str), return_inverse=True, return_counts=True)[1:]
    persons = len(counts)
    if persons < 3:
        raise ParameterError("3 persons or more for an ICC", f"there are {persons}", "measure more persons")
    whole = _agreement(ratings)
    kept = np.array([_agreement(ratings[codes != code]) for code in range(persons)])
    z, z_kept = (np.arctanh(np.clip(value, -1 + 1e-9, 1 - 1e-9)) for value in (whole, kept))
    pseudo = persons * z - (persons - 1) * z_kept
    spread = float(pseudo.std(ddof=1))
    steps = _skewed_t(persons, float(stats.skew(pseudo)) if spread > 0 else 0.0)
    # About z itself: the jackknife's own centre would give another estimate than the one in front.
    low, high = (float(np.tanh(z - spread * step)) for step in reversed(steps))
    return Interval(whole, low, high)


def _skewed_t(count: int, skew: float) -> tuple[float, float]:
    """Lower and upper 95 % bound of (estimate - truth)/SD for a mean of `count` values of this skewness.

    The cubic transformation of Hall 1992 (J R Stat Soc B 54:221-228; from memory, coverage held by a simulated study).
    """
    t = float(stats.t.ppf(0.975, count - 1)) / np.sqrt(count)
    if abs(skew) < 1e-6:
        return -t, t
    low, high = (3 / skew * (np.cbrt(1 + skew * (bound - skew / (6 * count))) - 1) for bound in (-t, t))
    return float(low), float(high)


@dataclass(frozen=True, slots=True)
class MeanSquares:
    """Two-way analysis of variance of (targets, raters): between targets, between raters, error."""

    targets: float
    raters: float
    error: float


def mean_squares(ratings: FloatArray) -> MeanSquares:
    """BMS, JMS and EMS of Shrout & Fleiss 1979."""
    targets, raters = ratings.shape
    grand, rows, columns = ratings.mean(), ratings.mean(axis=1), ratings.mean(axis=0)
    error = ratings - rows[:, None] - columns[None, :] + grand
    return MeanSquares(
        float(raters * ((rows - grand) ** 2).sum() / (targets - 1)),
        float(targets * ((columns - grand) ** 2).sum() / (raters - 1)),
        float((error**2).sum() / ((targets - 1) * (raters - 1))),
    )


def _agreement(ratings: FloatArray) -> float:
    return _icc_2_1(mean_squares(ratings), *ratings.shape)


def _icc_2_1(ms: MeanSquares, targets: int, raters: int) -> float:
    below = ms.targets + (raters - 1) * ms.error + raters * (ms.raters - ms.error) / targets
    return (ms.targets - ms.error) / below if below > 0 else 0.0


@dataclass(frozen=True, slots=True)
class MeasurementError:
    """Standard errors of measurement and the minimal detectable change, in the unit of the readings.

    sem_consistency: sqrt(EMS), a constant offset between the methods is not in it; MDC is taken from this one.
    sem_agreement: SD sqrt(1 - ICC(2,1)), SD over all ratings; the offset is in it.
    """

    sem_consistency: float
    sem_agreement: float
    mdc90: float
    mdc95: float


def measurement_error(ratings: FloatArray) -> MeasurementError:
    """SEM and MDC90/95 = 1.645 or 1.96 times sqrt(2) SEM, from (targets, raters). Raises as icc_forms."""
    _check(ratings)
    sem = float(np.sqrt(mean_squares(ratings).error))
    agreement = float(ratings.std(ddof=1) * np.sqrt(max(0.0, 1 - _agreement(ratings))))
    mdc90, mdc95 = (float(stats.norm.ppf(q) * np.sqrt(2) * sem) for q in (0.95, 0.975))
    return MeasurementError(sem, agreement, mdc90, mdc95)


def cmc(waveforms: FloatArray) -> float | None:
    """Coefficient of multiple correlation of Kadaba et al. 1989 (J Orthop Res 7:849-860). None where undefined.

    waveforms: (waveforms, frames), over the same frames. A large range of motion inflates it, and
    it is undefined where the waveforms differ from each other more than they move: read the RMSE beside it.
    """
    count, frames = waveforms.shape
    within = ((waveforms - waveforms.mean(axis=0)) ** 2).sum() / (frames * (count - 1))
    total = ((waveforms - waveforms.mean()) ** 2).sum() / (count * frames - 1)
    if total <= 0 or within > total:
        return None
    return float(np.sqrt(1 - within / total))


def _check(ratings: FloatArray) -> None:
    targets, raters = ratings.shape
    if raters < 2:
        raise ParameterError("two raters or methods", "there is one", "add readings of a second one")
    if targets < 3:
        raise ParameterError("3 pairs of readings or more", f"there are {targets}", "take more readings")
    if not np.isfinite(ratings).all():
        raise ParameterError("a complete table of readings", "some are missing", "leave incomplete targets out")
    if (np.ptp(ratings, axis=0) < 1e-9).any():
        raise ParameterError(
            "readings that differ between targets", "one method always reads the same", "measure several positions"
        )
    if (np.ptp(ratings, axis=1) < 1e-9).all():
        raise ParameterError(
            "readings taken independently",
            "all methods give the same number every time",
            "check that one was not copied from the other",
        )
