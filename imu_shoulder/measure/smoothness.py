"""Smoothness of one movement from its speed."""

from __future__ import annotations

import numpy as np

from imu_shoulder.model import FloatArray

# Parameters of the published definition.
PAD_LEVEL, CUTOFF_HZ, AMPLITUDE_THRESHOLD = 4, 10.0, 0.05


def sparc(speed: FloatArray, rate_hz: float) -> float:
    """Spectral arc length of a speed profile (N,), negative, nearer to zero for a smoother movement.

    Source: Balasubramanian, Melendez-Calderon, Roby-Brami, Burdet 2015, doi 10.1186/s12984-015-0090-9. For discrete
    movements: never across a hold. NaN for a profile that is zero everywhere.
    """
    count = int(2 ** (np.ceil(np.log2(len(speed))) + PAD_LEVEL))
    spectrum = np.abs(np.fft.rfft(speed, count))
    if spectrum.max() == 0:
        return float("nan")
    frequency = np.fft.rfftfreq(count, 1.0 / rate_hz)
    spectrum = spectrum / spectrum.max()
    inside = frequency <= CUTOFF_HZ
    spectrum, frequency = spectrum[inside], frequency[inside]
    last = np.flatnonzero(spectrum >= AMPLITUDE_THRESHOLD)[-1]
    spectrum, frequency = spectrum[: last + 1], frequency[: last + 1]
    if last == 0:
        return float("nan")
    return -float(np.sum(np.hypot(np.diff(frequency) / frequency[-1], np.diff(spectrum))))


def ldlj(speed: FloatArray, rate_hz: float) -> float:
    """Log dimensionless jerk of a speed profile (N,), negative, nearer to zero for a smoother movement.

    -ln(T^3 / v_peak^2 * integral of jerk^2). Source: Balasubramanian et al. 2012, doi 10.1109/TBME.2011.2179545.
    NaN for a profile that is constant everywhere.
    """
    jerk = np.diff(speed, 2) * rate_hz**2
    duration = len(speed) / rate_hz
    dimensionless = duration**3 / speed.max() ** 2 * float(np.sum(jerk**2)) / rate_hz
    return -float(np.log(dimensionless)) if dimensionless > 0 else float("nan")
