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
    count = 1 << (len(speed) - 1).bit_length() + PAD_LEVEL
    spectrum = np.abs(np.fft.rfft(speed, count))
    highest = spectrum.max()
    if highest == 0:
        return float("nan")
    spectrum = spectrum[: int(CUTOFF_HZ * count / rate_hz) + 1] / highest
    last = int((spectrum >= AMPLITUDE_THRESHOLD).nonzero()[0][-1])
    if last == 0:
        return float("nan")
    # Frequencies are evenly apart: each step is as long a part of the way to the last one.
    return -float(np.hypot(1.0 / last, spectrum[1 : last + 1] - spectrum[:last]).sum())


def ldlj(speed: FloatArray, rate_hz: float) -> float:
    """Log dimensionless jerk of a speed profile (N,), negative, nearer to zero for a smoother movement.

    -ln(T^3 / v_peak^2 * integral of jerk^2). Source: Balasubramanian et al. 2012, doi 10.1109/TBME.2011.2179545.
    NaN for a profile that is constant everywhere.
    """
    jerk = np.diff(speed, 2) * rate_hz**2
    duration = len(speed) / rate_hz
    dimensionless = duration**3 / speed.max() ** 2 * float(np.sum(jerk**2)) / rate_hz
    return -float(np.log(dimensionless)) if dimensionless > 0 else float("nan")
