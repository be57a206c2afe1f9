"""From pairs to what can be said per angle and side: numbers with their intervals, and plain sentences."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field

import numpy as np
import pandas as pd

from imu_shoulder.errors import ParameterError
from imu_shoulder.validate.agreement import (
    FEWEST_PAIRS,
    Interval,
    Limits,
    limits_of_agreement,
    proportional_bias,
    rmse_parts,
    verdict_within,
)
from imu_shoulder.validate.reliability import icc_agreement_repeated, icc_forms, measurement_error

FEW_PERSONS = 10


@dataclass(frozen=True, slots=True)
class Statistic:
    """One number of the tidy table. low, high: 95 % CI, None where there is none."""

    name: str
    value: float
    unit: str
    low: float | None = None
    high: float | None = None
    method: str = ""


@dataclass(slots=True)
class AngleAgreement:
    """What the pairs of one angle and side say. sentences: for people. limits: None where not to be had."""

    source: str
    angle: str
    side: str
    pairs: int
    persons: int
    statistics: list[Statistic] = field(default_factory=list)
    sentences: list[str] = field(default_factory=list)
    limits: Limits | None = None

    @property
    def title(self) -> str:
        side = "both sides" if self.side == "both" else self.side
        against = {"reading": "readings", "series": "continuous reference", "raters": "between raters"}[self.source]
        return f"{self.angle.replace('_', ' ').capitalize()}, {side}, {against}"


def agreement_by_angle(pairs: pd.DataFrame, allowed_deg: float) -> list[AngleAgreement]:
    """One result per source, angle and side, and one over both sides where both have pairs.

    pairs: PAIR_COLUMNS; rows that were left out do not count. allowed_deg: the border of the yes or no sentence.
    """
    used = pairs[pairs["left_out"] == ""]
    found = []
    for (source, angle), group in used.groupby(["source", "angle"], sort=True):
        sides = sorted(group["side"].unique(), reverse=True)
        for side in [*sides, "both"] if len(sides) > 1 else sides:
            rows = group if side == "both" else group[group["side"] == side]
            found.append(_agreement(str(source), str(angle), side, rows, allowed_deg))
    return found


def _agreement(source: str, angle: str, side: str, rows: pd.DataFrame, allowed_deg: float) -> AngleAgreement:
    ours, reference = (rows[c].to_numpy(dtype=np.float64) for c in ("ours_deg", "reference_deg"))
    person = rows["person"].astype(str).tolist()
    persons = len(set(person))
    found = AngleAgreement(source, angle, side, len(rows), persons)
    difference = ours - reference
    if len(rows) < FEWEST_PAIRS:
        found.sentences.append(
            f"Too few pairs: there are {len(rows)}, and nothing is calculated from fewer than {FEWEST_PAIRS}."
        )
        return found
    parts = rmse_parts(difference)
    found.statistics += [
        Statistic("rmse", parts.rmse, "deg", method="rmse^2 = bias^2 + sd^2"),
        Statistic("rmse_bias_part", parts.bias, "deg", method="mean difference, ours - reference"),
        Statistic("rmse_sd_part", parts.sd, "deg", method="SD of the differences over n"),
    ]
    _say_limits(found, difference, person, allowed_deg)
    if persons == 1:
        found.sentences.append(
            "All pairs are from one person: they say nothing about other people, so no limits and no ICC are given."
        )
        return found
    _try(found, "Proportional bias", lambda: _say_proportional(found, ours, reference, person))
    _try(found, "ICC, SEM and MDC", lambda: _say_reliability(found, np.column_stack([ours, reference]), person))
    return found


def _try(found: AngleAgreement, what: str, step: Callable[[], None]) -> None:
    """A statistic that cannot be had becomes a sentence, not an empty number."""
    try:
        step()
    except ParameterError as error:
        found.sentences.append(f"{what} cannot be given: it takes {error.expected}, but {error.came}.")


def _add(found: AngleAgreement, name: str, interval: Interval, unit: str, method: str) -> None:
    found.statistics.append(Statistic(name, interval.value, unit, interval.low, interval.high, method))


def _say_limits(found: AngleAgreement, difference: np.ndarray, person: Sequence[str], allowed_deg: float) -> None:
    if found.persons < 2:
        bias = float(difference.mean())
        found.sentences.append(
            f"On average we read {_more(bias)} than the reference; the differences scatter by an SD of "
            f"{float(difference.std(ddof=1)):.1f} deg."
        )
        return
    limits = found.limits = limits_of_agreement(difference, person)
    method = {
        "1986": "Bland & Altman 1986",
        "2007": "Bland & Altman 2007, repeated pairs, true value varies; CI by variance recovery",
    }[limits.form]
    _add(found, "bias", limits.bias, "deg", method)
    _add(found, "lower_limit", limits.lower, "deg", method)
    _add(found, "upper_limit", limits.upper, "deg", method)
    found.statistics.append(Statistic("sd_of_a_difference", limits.sd, "deg", method=method))
    if limits.between_sd is not None and limits.within_sd is not None:
        found.statistics.append(Statistic("sd_between_persons", limits.between_sd, "deg", method=method))
        found.statistics.append(Statistic("sd_within_person", limits.within_sd, "deg", method=method))
    found.sentences.append(
        f"On average we read {_more(limits.bias.value)} than the reference (95 % CI {limits.bias.low:+.1f} to "
        f"{limits.bias.high:+.1f} deg); 95 % of differences are expected between {limits.lower.value:+.1f} and "
        f"{limits.upper.value:+.1f} deg."
    )
    verdict = verdict_within(limits, allowed_deg)
    reason = {
        "yes": "both limits lie inside, with their confidence intervals",
        "no": "at least one limit lies outside, with its whole confidence interval",
        "too few": "the confidence interval of a limit straddles the border, so more persons are needed",
    }[verdict]
    found.sentences.append(f"Within {allowed_deg:g} deg for 95 % of readings: {verdict} ({reason}).")


def _say_proportional(found: AngleAgreement, ours: np.ndarray, reference: np.ndarray, person: Sequence[str]) -> None:
    result = proportional_bias(ours, reference, person)
    method = "least squares of the difference on the mean" + (
        "; SE clustered by person" if found.pairs > found.persons else ""
    )
    _add(found, "proportional_bias_slope", result.slope, "deg/deg", method)
    found.statistics.append(Statistic("proportional_bias_p", result.p, "1", method=method))
    per_10 = 10 * result.slope.value
    if result.p < 0.05:
        found.sentences.append(
            f"The difference changes with the angle by {per_10:+.2f} deg every 10 deg (p {_p(result.p)}): one bias "
            "for all angles does not describe it."
        )
    else:
        found.sentences.append(f"No sign that the difference changes with the angle (p {_p(result.p)}).")


def _say_reliability(found: AngleAgreement, ratings: np.ndarray, person: Sequence[str]) -> None:
    error = measurement_error(ratings)
    if found.pairs == found.persons:
        for form, interval in icc_forms(ratings).items():
            _add(
                found,
                f"icc_{form.replace(',', '_')}",
                interval,
                "1",
                "Shrout & Fleiss 1979 form, CI McGraw & Wong 1996",
            )
    else:
        interval = icc_agreement_repeated(ratings, person)
        _add(found, "icc_2_1", interval, "1", "two-way random, single, agreement; CI by jackknife over persons")
    front = next(s for s in found.statistics if s.name == "icc_2_1")
    found.statistics += [
        Statistic("sem", error.sem_consistency, "deg", method="square root of the error mean square: without the bias"),
        Statistic("sem_agreement", error.sem_agreement, "deg", method="SD sqrt(1 - ICC(2,1)): with the bias"),
        Statistic("mdc90", error.mdc90, "deg", method="1.645 sqrt(2) sem"),
        Statistic("mdc95", error.mdc95, "deg", method="1.96 sqrt(2) sem"),
    ]
    found.sentences.append(
        f"ICC(2,1), absolute agreement: {front.value:.3f} (95 % CI {front.low:.3f} to {front.high:.3f}). SEM "
        f"{error.sem_consistency:.1f} deg from the error mean square; a change under {error.mdc95:.1f} deg (MDC95) may "
        "be the difference of the two methods alone. A wide range of angles raises an ICC: read it beside the limits."
    )
    if found.persons < FEW_PERSONS:
        found.sentences.append(
            f"With {found.persons} persons the interval of the ICC is rough: {FEW_PERSONS} or more are wanted."
        )


def agreement_between_raters(pairs: pd.DataFrame) -> list[AngleAgreement]:
    """How far the raters agree with each other, per angle and side, over what all of them read.

    A target is one position of one arm in one recording; a rater's repeats are averaged. Raises ParameterError
    where there is only one rater, or no position to match their readings by.
    """
    read = pairs[(pairs["source"] == "reading") & (pairs["rater"] != "")]
    raters = sorted(read["rater"].unique())
    if len(raters) < 2:
        came = f"there is one, {raters[0]}" if raters else "the column rater is empty"
        raise ParameterError("two raters or more in reference.csv", came, "have a second rater read the same positions")
    if (read["position"] == "").all():
        raise ParameterError(
            "the column position in reference.csv", "it is empty", "name each position, the same for all raters"
        )
    found = []
    for (angle, side), group in read.groupby(["angle", "side"], sort=True):
        table = group.pivot_table(
            "reference_deg", ["recording", "person", "position"], "rater", aggfunc="mean"
        ).dropna()
        result = AngleAgreement(
            "raters", str(angle), str(side), len(table), table.index.get_level_values("person").nunique()
        )
        names = " and ".join(map(str, table.columns))
        result.sentences.append(f"{len(table)} positions were read by {names}.")
        person = table.index.get_level_values("person").astype(str).tolist()
        _try(result, "ICC, SEM and MDC", lambda r=result, t=table, p=person: _say_reliability(r, t.to_numpy(), p))  # type: ignore[misc]
        found.append(result)
    return found


def tidy_table(results: Sequence[AngleAgreement]) -> pd.DataFrame:
    """One row per statistic: source, angle, side, n, and the number with its interval, unit and method."""
    rows = [
        {
            "source": result.source,
            "angle": result.angle,
            "side": result.side,
            "persons": result.persons,
            "pairs": result.pairs,
            "statistic": s.name,
            "value": s.value,
            "ci95_low": s.low,
            "ci95_high": s.high,
            "unit": s.unit,
            "method": s.method,
        }
        for result in results
        for s in result.statistics
    ]
    return pd.DataFrame(
        rows,
        columns=[
            *(
                "source",
                "angle",
                "side",
                "persons",
                "pairs",
                "statistic",
                "value",
                "ci95_low",
                "ci95_high",
                "unit",
                "method",
            )
        ],
    )


def _more(bias_deg: float) -> str:
    return f"{abs(bias_deg):.1f} deg {'more' if bias_deg >= 0 else 'less'}"


def _p(p: float) -> str:
    return "under 0.001" if p < 0.001 else f"{p:.3f}"
