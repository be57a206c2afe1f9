"""A leading angle made ready for segmentation: smoothed, differentiated."""

from __future__ import annotations

import numpy as np

from imu_shoulder.filters import low_passed
from imu_shoulder.model import FloatArray

# Voluntary slow movement lies below this; tremor (8-12 Hz) and most sway velocity above.
SMOOTH_HZ = 3.0
# Strokes that are slower than this at their fastest are looked at more smoothly, in proportion: their velocity is no
# more than a restless arm's wander, which is quicker to change. No less than LEAST_HZ, and in steps of STEP.
QUICK_DEG_S, LEAST_HZ, STEP = 100.0, 0.8, 1.25


def smoothed(values: FloatArray, rate_hz: float, cutoff_hz: float = SMOOTH_HZ) -> FloatArray:
    """Zero-phase low-pass of (N,) without NaN. Short inputs are returned as they are."""
    if len(values) < 12 or rate_hz <= 2.2 * cutoff_hz:
        return values
    pad = min(len(values) - 1, round(rate_hz))
    return low_passed(values, cutoff_hz, rate_hz, pad)


def velocity_deg_s(smooth_deg: FloatArray, rate_hz: float) -> FloatArray:
    """Rate of change (N,) of a smoothed angle."""
    return np.gradient(smooth_deg) * rate_hz if len(smooth_deg) > 1 else np.zeros_like(smooth_deg)


def stroke_cutoff_hz(peak_deg_s: float) -> float:
    """Up to where the velocity of strokes is looked at that reach peak_deg_s at their fastest."""
    wanted_hz = float(np.clip(SMOOTH_HZ * peak_deg_s / QUICK_DEG_S, LEAST_HZ, SMOOTH_HZ))
    return float(SMOOTH_HZ * STEP ** np.ceil(np.log(wanted_hz / SMOOTH_HZ) / np.log(STEP)))
