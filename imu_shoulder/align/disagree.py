"""What two instruments of a sensor contradict each other in, where no other axes, unit, scale or zero explains it.

A sensor whose readings are of another frame from one row to the next, and instruments that simply do not go together,
whatever it is.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import cos, radians

import numpy as np
from scipy.spatial.transform import Rotation

from imu_shoulder.align.tilts import Tilts
from imu_shoulder.errors import require_over_zero
from imu_shoulder.model import FloatArray, IntArray
from imu_shoulder.units import STANDARD_GRAVITY_M_S2

# Means beside a step, the nearer and the further: the first rows of each, and how many. More steps than this are noise.
_NEAR_S, _MOST_STEPS = 0.12, 100
# A step into another frame is one: it is so many times those of this many rows before and after it. A quick stroke has
# its steps in a row.
_ALONE, _BESIDE = 2.0, 2
# A half of so many turns is looked at by itself.
_LEAST_HALF = 20


@dataclass(frozen=True, slots=True)
class DisagreeParams:
    """From when on the instruments of a sensor contradict each other.

    step_m_s2: a step of the accelerometer from row to row is looked at; stepped_deg: it is one into another frame where
    gravity then is turned by this, and the gyroscope says otherwise; near_m_s2: only where its size is gravity's.
    off_deg: gravity is off by this after a second, as root of the mean square, and by off_times of how far it turned.
    turn_deg: gravity is off by this after a turn from rest to rest.

    Sources. step_m_s2, stepped_deg, near_m_s2, off_deg, off_times, turn_deg: ours, from 350 sound sensors
    of two simulators, open sessions and 140 fast sets of a watch, of which none came nearer than four fifths of them.
    """

    step_m_s2: float = 6.0
    stepped_deg: float = 75.0
    near_m_s2: float = 3.0
    off_deg: float = 1.2
    off_times: float = 1.1
    turn_deg: float = 20.0

    def __post_init__(self) -> None:
        require_over_zero({name: getattr(self, name) for name in self.__slots__})


@dataclass(frozen=True, slots=True)
class Contradiction:
    """code: of the finding; text: what is said; value: how far, in its unit."""

    code: str
    text: str
    value: float


def stepped(
    acc: FloatArray, gyr: FloatArray, time_s: FloatArray, rate_hz: float, params: DisagreeParams
) -> Contradiction | None:
    """Where the accelerometer, acc (N, 3) in m/s^2, is of another frame from one row to the next, and gyr (N, 3) in
    rad/s has no such turn."""
    width = max(3, round(_NEAR_S * rate_hz))
    steps = np.abs(np.diff(acc, axis=0)).max(axis=1)
    at = np.flatnonzero(steps > params.step_m_s2) + 1
    at = at[(at >= 2 * width) & (at <= len(acc) - 2 * width)]
    if not 0 < len(at) <= _MOST_STEPS:
        return None
    beside = np.concatenate([np.arange(-_BESIDE, 0), np.arange(1, _BESIDE + 1)])
    at = at[steps[at - 1] > _ALONE * steps[at[:, None] - 1 + beside].max(axis=1)]
    at = at[time_s[at + 2 * width - 1] - time_s[at - 2 * width] < 1.2 * 4 * width / rate_hz]
    if not len(at):
        return None
    zero = np.median(gyr, axis=0)
    angles_deg = np.full(len(at), np.inf)
    for near, far in ((0, width), (width, 2 * width)):
        before, after = _means(acc, at - far, width), _means(acc, at + near, width)
        rate = _means(gyr, at - near - width // 2 - 1, 2 * near + width + 2) - zero
        turned = Rotation.from_rotvec(rate * ((2 * near + width) / rate_hz))
        up, sizes = turned.inv().apply(before), (np.linalg.norm(before, axis=1), np.linalg.norm(after, axis=1))
        cosine = np.einsum("nj,nj->n", up, after) / np.maximum(sizes[0] * sizes[1], 1e-9)
        off_deg = np.degrees(np.arccos(np.clip(cosine, -1.0, 1.0)))
        calm = np.max([np.abs(size - STANDARD_GRAVITY_M_S2) for size in sizes], axis=0) < params.near_m_s2
        angles_deg = np.minimum(angles_deg, np.where(calm, off_deg, 0.0))
    worst = int(np.argmax(angles_deg))
    if angles_deg[worst] < params.stepped_deg:
        return None
    where_s, by_deg = float(time_s[at[worst]]), float(angles_deg[worst])
    text = f"its accelerometer turned by {by_deg:.0f} deg from one sample to the next, at {where_s:.1f} s, "
    return Contradiction("axes_changed", f"{text}and its gyroscope did not", by_deg)


def _means(values: FloatArray, first: IntArray, count: int) -> FloatArray:
    """(K, 3) over so many rows from each of the first ones on."""
    return np.asarray(values[first[:, None] + np.arange(count)].mean(axis=1))


def wrong_turn(off_rad: FloatArray, params: DisagreeParams) -> Contradiction | None:
    """Where gravity is off by much after a turn from rest to rest. off_rad: (P,) of each turn."""
    worst_deg = float(np.degrees(off_rad.max(initial=0.0)))
    if worst_deg < params.turn_deg:
        return None
    text = (
        f"its gyroscope and its accelerometer contradict each other by {worst_deg:.0f} deg in a turn from rest to rest"
    )
    return Contradiction("instruments_disagree", text, worst_deg)


def not_together(tilts: Tilts, params: DisagreeParams) -> Contradiction | None:
    """Instruments that do not go together in how gravity turned, in all turns or in a half of them."""
    off, turned = tilts.off(tilts.told_by()), tilts.turned
    half = len(off) // 2
    parts = (slice(None), slice(half), slice(half, None))
    for part in parts if half >= _LEAST_HALF else parts[:1]:
        mean = float(off[part].mean())
        if mean > 2.0 - 2.0 * cos(radians(params.off_deg)) and mean > params.off_times**2 * float(turned[part].mean()):
            by_deg = float(np.degrees(np.sqrt(mean)))
            what = f"its gyroscope and its accelerometer contradict each other by {by_deg:.1f} deg"
            return Contradiction("instruments_disagree", f"{what} in a second of slow movement", by_deg)
    return None
