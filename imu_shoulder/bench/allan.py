"""Allan deviation of a sensor at rest, and what is read off it.

The deviation is the package allantools' overlapping estimate (NIST SP 1065, Riley 2008). Reading rules as in IEEE
Std 952-1997, annex C (from memory): white noise falls with slope -1/2, bias instability is a flat floor, a random
walk of the rate rises with slope +1/2.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy import optimize, stats

from imu_shoulder.errors import RecordingError
from imu_shoulder.model import FloatArray

SHORTEST_S = 60.0
TAUS_PER_DECADE = 12
# Flat floor of flicker noise: sigma = B sqrt(2 ln 2 / pi).
FLICKER_FLOOR = float(np.sqrt(2 * np.log(2) / np.pi))


@dataclass(frozen=True, slots=True)
class AllanCurve:
    """tau_s (T,), deviation (T,) in the unit of the readings, low and high (T,) of its 95 % CI, edf (T,)."""

    tau_s: FloatArray
    deviation: FloatArray
    low: FloatArray
    high: FloatArray
    edf: FloatArray


@dataclass(frozen=True, slots=True)
class NoiseFigures:
    """What a curve says, in u, the unit of the readings. None: not to be told from this recording.

    random_walk_u_rt_s: N, the curve's white part at 1 s (angle or velocity random walk, u times sqrt(s)).
    density_u_rt_hz: one-sided noise density as data sheets give it, sqrt(2) N: the curve at 1 s is *not* the density;
    samples at rate f scatter by density times sqrt(f/2).
    instability_u: flat floor over 0.664; at_most: True where the curve was still falling at its end, or rose out of
    the white part without a flat stretch, so that the lowest point is only an upper bound.
    rate_walk_u_rt_s: K in u per sqrt(s).
    """

    random_walk_u_rt_s: float
    density_u_rt_hz: float
    instability_u: float
    at_most: bool
    rate_walk_u_rt_s: float | None


def allan_curve(values: FloatArray, rate_hz: float) -> AllanCurve:
    """Overlapping Allan deviation of evenly sampled readings (N,), up to a quarter of the recording.

    Raises RecordingError for a recording that is too short to be read.
    """
    import allantools  # type: ignore[import-untyped]
    from allantools import ci

    length_s = len(values) / rate_hz
    if length_s < SHORTEST_S:
        raise RecordingError(
            f"a still recording of {SHORTEST_S:.0f} s or more",
            f"it has {length_s:.0f} s",
            "leave the sensor on a table for an hour; the longer, the more can be read",
        )
    decades = np.log10(length_s / 4 * rate_hz)
    counts = np.unique(np.logspace(0, decades, int(decades * TAUS_PER_DECADE) + 1).astype(int))
    tau_s, deviation, _, _ = allantools.oadev(values, rate=rate_hz, data_type="freq", taus=counts / rate_hz)
    counts = np.round(tau_s * rate_hz).astype(int)
    # Equivalent degrees of freedom for the noise that the local slope of the variance shows.
    slope = np.gradient(np.log(np.maximum(deviation, 1e-300)), np.log(tau_s)) * 2
    alpha = np.clip(np.round(-slope - 1), -2, 0).astype(int)
    edf = np.array(
        [
            ci.edf_greenhall(a, 2, m, len(values) + 1, overlapping=True)
            for a, m in zip(alpha.tolist(), counts.tolist(), strict=True)
        ]
    )
    low = deviation * np.sqrt(edf / stats.chi2.ppf(0.975, edf))
    high = deviation * np.sqrt(edf / stats.chi2.ppf(0.025, edf))
    return AllanCurve(np.asarray(tau_s), np.asarray(deviation), low, high, edf)


def read_curve(curve: AllanCurve) -> NoiseFigures:
    """Noise figures from the sum N^2/tau + B^2 (2 ln 2/pi) + K^2 tau/3, fitted to the curve.

    The parts are fitted at once and kept non-negative, each point weighted by its degrees of freedom, so that a
    bend between two parts is not read as a third one; the floor is left out where it nowhere makes more than half
    of the variance. Differs from reading tangents by eye.
    """
    terms = np.column_stack([1 / curve.tau_s, np.full_like(curve.tau_s, FLICKER_FLOOR**2), curve.tau_s / 3])
    parts, shares = _fit(curve, terms)
    flat = bool(shares[:, 1].max() > 0.5)
    if not flat:
        (white, walk), shares = _fit(curve, terms[:, [0, 2]])
        parts = np.array([white, 0.0, walk])
    white, flicker, walk = (float(part) for part in np.sqrt(parts))
    lowest = float(curve.deviation.min()) / FLICKER_FLOOR
    return NoiseFigures(
        random_walk_u_rt_s=white,
        density_u_rt_hz=float(np.sqrt(2)) * white,
        instability_u=flicker if flat else lowest,
        at_most=not flat,
        rate_walk_u_rt_s=walk if shares[-1, -1] > 0.5 else None,
    )


def _fit(curve: AllanCurve, terms: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Non-negative sizes (P,) of terms (T, P) that add up to the variance, and each term's share of it (T, P)."""
    variance = curve.deviation**2
    parts, fitted = np.zeros(terms.shape[1]), variance
    for _ in range(5):  # weights from the fit, not from the scattered points, which would pull it down
        weight = np.sqrt(curve.edf / 2) / fitted
        scale = np.linalg.norm(terms * weight[:, None], axis=0)
        parts = optimize.nnls(terms * weight[:, None] / scale, variance * weight)[0] / scale
        fitted = np.maximum(terms @ parts, 1e-300)
    return parts, terms * parts / fitted[:, None]
