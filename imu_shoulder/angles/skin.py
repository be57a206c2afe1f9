"""How much of the humeral rotation the skin under the upper-arm sensor passes on, read from the recording itself."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from imu_shoulder.frames import wrap_rad
from imu_shoulder.model import FloatArray

# With a bent elbow the forearm shows the true rotation; nearer to straight it does not.
BENT_RAD = float(np.radians(40.0))
# Changes over this long are compared, so that slow drift of either heading does not count.
SPAN_S = 0.5
LEAST_CHANGE_RAD = float(np.radians(3.0))
# So much turning must have been seen before the share is believed.
LEAST_TURNED_RAD = float(np.radians(200.0))
PLAUSIBLE = (0.3, 1.1)


@dataclass(frozen=True, slots=True)
class SkinShare:
    """share of the true rotation that the sensor shows, its standard deviation, and how much turning it is from.

    turned_deg is 0 where the recording did not tell and a usual share was taken.
    """

    share: float
    sd: float
    turned_deg: float


def estimate_skin_share(
    sensor_rad: FloatArray, pointer_rad: FloatArray, elbow_rad: FloatArray, rate_hz: float
) -> SkinShare | None:
    """Least squares of the sensor's changes of rotation on the forearm pointer's, (N,) each, elbow bent.

    None where too little turning was seen or the share is not plausible.
    """
    span = max(1, round(SPAN_S * rate_hz))
    if len(sensor_rad) <= span:
        return None
    bent = elbow_rad > BENT_RAD
    bent = bent[span:] & bent[:-span]
    sensor, pointer = (wrap_rad(v[span:][bent] - v[:-span][bent]) for v in (sensor_rad, pointer_rad))
    clear = (np.abs(pointer) > LEAST_CHANGE_RAD) & (np.abs(sensor) < 2 * np.abs(pointer))
    sensor, pointer = sensor[clear], pointer[clear]
    turned = float(np.abs(pointer).sum()) / span
    if turned < LEAST_TURNED_RAD:
        return None
    power = float(pointer @ pointer)
    share = float(sensor @ pointer) / power
    if not PLAUSIBLE[0] <= share <= PLAUSIBLE[1]:
        return None
    # Neighbouring differences overlap; only every span-th is news.
    spread = float(np.sqrt(np.mean((sensor - share * pointer) ** 2) / power * span))
    return SkinShare(share, max(spread, 0.02), float(np.degrees(turned)))
