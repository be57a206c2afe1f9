"""Across the reps of a set: how alike they are, whether they fade, and how the last compare with the first."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from scipy.spatial.distance import pdist
from scipy.special import stdtrit

from imu_shoulder.angles.uncertainty import UncertaintyParams
from imu_shoulder.assess.judge import JudgedRep
from imu_shoulder.model import FloatArray

LEVEL = 0.05  # two-sided, as of the confidence intervals shown
LEAST_REPS = 4
# First and last reps that are compared with each other; no rep may be both.
ENDS = 3
CONSISTENCY = ("arc_deg", "top_deg", "lift_s", "lower_s", "hold_s", "peak_velocity_deg_s")
FIRST_LAST = ("arc_deg", "hold_s", "hold_sd_deg", "peak_velocity_deg_s")


@dataclass(frozen=True, slots=True)
class Fade:
    """A measure that shows fading. falls: whether less of it is the fading. matters: the share of its mean, over the
    whole set, below which a change would not matter; "held" is only said when the interval leaves no more than that.
    sem: standard error of one rep's value by the measurement alone: a change within its MDC95 is no fade."""

    falls: bool
    matters: float
    sem: float

    @property
    def mdc95(self) -> float:
        """Least change between two reps that is more than the measurement: 1.96 sqrt(2) SEM."""
        return float(1.96 * np.sqrt(2.0) * self.sem)


# Summary key -> measure -> how it fades. The shares are ours; an arc has an inclination's error at either end, and
# times of holds and their steadiness are as true as docs/validation.md finds them.
FADING: Mapping[str, tuple[str, Fade]] = {
    "arc": ("arc_deg", Fade(True, 0.15, UncertaintyParams().inclination_deg * np.sqrt(2.0))),
    "hold": ("hold_s", Fade(True, 0.2, 0.15)),
    "hold_sd": ("hold_sd_deg", Fade(False, 0.75, 0.05)),
}


def slope_over_reps(scored: Sequence[JudgedRep], name: str) -> dict[str, Any]:
    """Least-squares slope of a measure per rep, with its 95 % confidence interval; None under 4 reps."""
    pairs = _pairs(scored, name)
    if len(pairs) < LEAST_REPS:
        return {"slope_per_rep": None, "ci95": None, "n": len(pairs)}
    slope, sd = _fit(pairs)
    half = float(stdtrit(len(pairs) - 2, 0.975) * sd)
    return {"slope_per_rep": slope, "ci95": [slope - half, slope + half], "n": len(pairs)}


def fatigue(scored: Sequence[JudgedRep], asked_hold: bool) -> dict[str, Any]:
    """The slopes and their plain words: "faded", "held" or "too few reps to say".

    Faded: the 95 % confidence interval of a slope, widened for the k measures looked at (Bonferroni: 100 % - 5 %/k),
    leaves out no change, on the side of fading, and the change over the set is more than the measurement's MDC95. Only
    one side of it is fading, so a set that does not fade is called faded in 2.5 % at most. "held" needs the same
    interval to leave out a fade that matters.
    """
    looked_at = {key: FADING[key] for key in FADING if asked_hold or key == "arc"}
    out: dict[str, Any] = {key: slope_over_reps(scored, name) for key, (name, _) in looked_at.items()}
    fitted = [key for key in looked_at if out[key]["slope_per_rep"] is not None]
    for key in looked_at:
        out[key]["says"] = _says(scored, *looked_at[key], LEVEL / len(fitted)) if key in fitted else TOO_FEW
    said = {out[key]["says"] for key in looked_at}
    out["says"] = "faded" if "faded" in said else out["arc"]["says"]
    out["tested"] = f"confidence intervals, 95 % over {len(fitted)} measures together, and the MDC95 of the measurement"
    return out


TOO_FEW = "too few reps to say"


def _says(scored: Sequence[JudgedRep], name: str, fade: Fade, level: float) -> str:
    pairs = _pairs(scored, name)
    slope, sd = _fit(pairs)
    sign = -1.0 if fade.falls else 1.0
    reach = float(stdtrit(len(pairs) - 2, 1 - level / 2)) * sd
    lasts = pairs[-1, 0] - pairs[0, 0]
    if sign * slope - reach > 0 and sign * slope * lasts > fade.mdc95:
        return "faded"
    most = (sign * slope + reach) * lasts
    return "held" if most <= fade.matters * abs(float(pairs[:, 1].mean())) else TOO_FEW


def _pairs(scored: Sequence[JudgedRep], name: str) -> FloatArray:
    """Place among the scored reps and value (n, 2), of the reps that have one."""
    found = [(k, j.values[name]) for k, j in enumerate(scored) if np.isfinite(j.values[name])]
    return np.array(found, dtype=np.float64).reshape(-1, 2)


def _fit(pairs: FloatArray) -> tuple[float, float]:
    """Least-squares slope and its standard error."""
    place, value = (pairs - pairs.mean(axis=0)).T
    power = float(place @ place)
    slope = float(place @ value) / power
    left = value - slope * place
    return slope, float(np.sqrt(left @ left / (len(pairs) - 2) / power))


def consistency(scored: Sequence[JudgedRep]) -> dict[str, Any]:
    """Mean, SD and CV of what a rep is made of, and the mean distance between any two reps' curves."""
    out: dict[str, Any] = {}
    for name in CONSISTENCY:
        values = _pairs(scored, name)[:, 1]
        mean = float(values.mean()) if len(values) else None
        sd = float(values.std(ddof=1)) if len(values) > 1 else None
        out[name] = {
            "mean": mean,
            "sd": sd,
            "cv_pct": 100.0 * sd / abs(mean) if sd is not None and mean else None,
            "n": len(values),
        }
    out["curve_distance_deg"] = curve_distance_deg([j.curve_deg for j in scored if len(j.curve_deg)])
    return out


def curve_distance_deg(curves: Sequence[FloatArray]) -> float | None:
    """Mean over all pairs of the RMS distance between two time-normalised curves (n,); None for fewer than two."""
    if len(curves) < 2:
        return None
    return float(np.mean(pdist(np.stack(curves)))) / float(np.sqrt(len(curves[0])))


def first_last(scored: Sequence[JudgedRep]) -> dict[str, Any] | None:
    """Means of the first three and of the last three reps, and last minus first; None under six reps."""
    if len(scored) < 2 * ENDS:
        return None
    out = {}
    for name in FIRST_LAST:
        first, last = (_mean([j.values[name] for j in part]) for part in (scored[:ENDS], scored[-ENDS:]))
        out[name] = {"first": first, "last": last, "change": None if first is None or last is None else last - first}
    return out


def _mean(values: Sequence[float]) -> float | None:
    seen = np.array(values)[np.isfinite(values)]
    return float(seen.mean()) if len(seen) else None
