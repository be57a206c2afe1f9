"""How many persons a study of agreement needs."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy import stats

from imu_shoulder.errors import ParameterError

MOST_PERSONS = 100_000


@dataclass(frozen=True, slots=True)
class PlannedStudy:
    """persons needed, and what that many reach: half width of a limit's CI, or power."""

    persons: int
    reached: float


def persons_for_limit_width(sd_deg: float, half_width_deg: float, confidence: float = 0.95) -> PlannedStudy:
    """Persons, one pair each, for a CI of +-half_width_deg round each limit: t sqrt(3 s^2/n) (Bland & Altman 1986).

    Raises ParameterError for sizes that are not over 0.
    """
    _positive(sd_deg=sd_deg, half_width_deg=half_width_deg)
    counts = np.arange(3, MOST_PERSONS + 1)
    half = stats.t.ppf(0.5 + confidence / 2, counts - 1) * sd_deg * np.sqrt(3 / counts)
    return _first(counts, half, half <= half_width_deg)


def persons_for_verdict(bias_deg: float, sd_deg: float, allowed_deg: float, power: float = 0.8) -> PlannedStudy:
    """Persons, one pair each, for the answer "within allowed_deg: yes" with this power.

    Yes means that both limits with their 95 % CIs lie inside +-allowed_deg. The chance of each side is a noncentral t,
    as in Lu et al. 2016 (Int J Biostat 12(2), from memory). Raises ParameterError where no number is enough.
    """
    _positive(sd_deg=sd_deg, allowed_deg=allowed_deg)
    if not 0 < power < 1:
        raise ParameterError("a power between 0 and 1", f"it is {power:g}", "0.8 is usual")
    room = allowed_deg - abs(bias_deg) - stats.norm.ppf(0.975) * sd_deg
    if room <= 0:
        raise ParameterError(
            f"true limits inside {allowed_deg:g} deg",
            f"a bias of {bias_deg:g} and an SD of {sd_deg:g} deg put them {-room:.1f} deg outside",
            "no number of persons will show agreement; allow more or measure better",
        )
    counts = np.unique(np.geomspace(3, MOST_PERSONS, 4000).astype(int))
    reach = stats.norm.ppf(0.975) + stats.t.ppf(0.975, counts - 1) * np.sqrt(3 / counts)
    sides = [
        stats.nct.sf(np.sqrt(counts) * reach, counts - 1, np.sqrt(counts) * (allowed_deg + sign * bias_deg) / sd_deg)
        for sign in (1.0, -1.0)
    ]
    reached = np.maximum(0.0, sides[0] + sides[1] - 1)
    return _first(counts, reached, reached >= power)


def _first(counts: np.ndarray, reached: np.ndarray, enough: np.ndarray) -> PlannedStudy:
    if not enough.any():
        raise ParameterError(
            f"a study of at most {MOST_PERSONS} persons", "that is not enough", "ask for less precision"
        )
    at = int(np.argmax(enough))
    return PlannedStudy(int(counts[at]), float(reached[at]))


def _positive(**sizes: float) -> None:
    for name, size in sizes.items():
        if not size > 0:
            raise ParameterError(f"{name} over 0", f"it is {size:g}", "give a size in degrees")
