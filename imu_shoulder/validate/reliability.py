"""Intraclass correlation, standard error of measurement, minimal detectable change, waveform correlation."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy import stats

from imu_shoulder.errors import ParameterError
from imu_shoulder.model import FloatArray
from imu_shoulder.validate.agreement import Interval

# Shrout & Fleiss 1979 names to McGraw & Wong 1996 names: the two-way random single form goes in front.
ICC_FORMS = {
    "2,1": "ICC(A,1)",
    "3,1": "ICC(C,1)",
    "1,1": "ICC(1,1)",
    "2,k": "ICC(A,k)",
    "3,k": "ICC(C,k)",
    "1,k": "ICC(1,k)",
}


def icc_forms(ratings: FloatArray) -> dict[str, Interval]:
    """All six forms of Shrout & Fleiss 1979 with 95 % CIs, by pingouin.

    ratings: (targets, raters), complete; targets independent of each other. Raises ParameterError for fewer
    than 3 targets, a single rater or constant ratings.
    """
    _check(ratings)
    import pandas as pd
    import pingouin  # type: ignore[import-untyped]

    targets, raters = ratings.shape
    long = pd.DataFrame(
        {
            "target": np.repeat(np.arange(targets), raters),
            "rater": np.tile(np.arange(raters), targets),
            "rating": ratings.ravel(),
        }
    )
    rounding = pingouin.options["round.column.CI95"]
    pingouin.options["round.column.CI95"] = None
    try:
        # Perfect agreement divides by an error of zero on the way to an ICC of 1.
        with np.errstate(divide="ignore", invalid="ignore"):
            table = pingouin.intraclass_corr(long, "target", "rater", "rating").set_index("Type")
    finally:
        pingouin.options["round.column.CI95"] = rounding
    return {
        form: Interval(float(table.at[name, "ICC"]), *(float(end) for end in table.at[name, "CI95"]))
        for form, name in ICC_FORMS.items()
    }


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
    whole = _icc_2_1(ratings)
    kept = np.array([_icc_2_1(ratings[codes != code]) for code in range(persons)])
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


def _icc_2_1(ratings: FloatArray) -> float:
    targets, raters = ratings.shape
    ms = mean_squares(ratings)
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
    agreement = float(ratings.std(ddof=1) * np.sqrt(max(0.0, 1 - _icc_2_1(ratings))))
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
