"""The motion of one sensor about its own main axis, where no pose says which angle leads."""

from __future__ import annotations

import numpy as np

from imu_shoulder.model import FloatArray, Track
from imu_shoulder.segment.free_motion import find_bouts


def own_axis_deg(track: Track, time_s: FloatArray, rate_hz: float) -> FloatArray:
    """How far the sensor is turned about the main axis of each stretch of motion: (N,) in degrees from its middle.

    time_s: (N,) of the track's rows, uniform with step 1/rate_hz. NaN in long stillness and where data are missing:
    stretches of motion have an axis and a middle each.
    """
    out = np.full(len(time_s), np.nan)
    for bout in find_bouts(time_s, track.acc_m_s2, track.gyr_rad_s, rate_hz):
        first, last = np.searchsorted(time_s, [bout.time_s[0], bout.time_s[-1]])
        out[first:last] = np.interp(time_s[first:last], bout.time_s, np.degrees(bout.posture[:, 0]))
    out[~track.valid] = np.nan
    return out
