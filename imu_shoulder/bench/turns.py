"""Gyroscope scale from turns of a known angle: a turn-table, or a hinge between two stops."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from imu_shoulder.align.stillness import StillParams, still_windows
from imu_shoulder.errors import RecordingError
from imu_shoulder.model import FloatArray, Track

REST_BEFORE_AFTER = StillParams(max_rate_deg_s=8.0, min_s=1.0)
# Turns whose axis is this near to a sensor axis tell that axis' scale.
ALONG_AXIS = float(np.cos(np.radians(10.0)))
LEAST_TURN_DEG = 30.0


@dataclass(frozen=True, slots=True)
class AxisScale:
    """scale = reading over truth. standard_error: over the turns, None for a single one."""

    scale: float
    standard_error: float | None
    turns: int


@dataclass(frozen=True, slots=True)
class TurnCheck:
    """By axis name x, y, z: only the axes that were turned about."""

    placement: str
    turn_deg: float
    axes: Mapping[str, AxisScale]


def check_turns(track: Track, time_s: FloatArray, turn_deg: float) -> TurnCheck:
    """Scale of each axis that was turned about by turn_deg, either way, with a rest of 1 s before and after each turn.

    The offset is the mean reading of the rests on both sides. A turn about a slanting axis tells no single
    axis' scale and is refused by name. Raises RecordingError.
    """
    if not turn_deg >= LEAST_TURN_DEG:
        raise RecordingError(
            f"turns of {LEAST_TURN_DEG:g} deg or more", f"turn_deg is {turn_deg:g}", "turn further, 90 deg or 360 deg"
        )
    rests = still_windows(time_s, track.acc_m_s2, track.gyr_rad_s, REST_BEFORE_AFTER)
    found: dict[str, list[float]] = {}
    slanting = 0
    for (start_a, end_a), (start_b, end_b) in pairwise(rests):
        turned_deg = _turned_deg(track, time_s, (start_a, end_a), (start_b, end_b))
        size = float(np.linalg.norm(turned_deg))
        if size < LEAST_TURN_DEG:
            continue
        axis = int(np.argmax(np.abs(turned_deg)))
        if np.abs(turned_deg[axis]) < ALONG_AXIS * size:
            slanting += 1
            continue
        found.setdefault("xyz"[axis], []).append(size / turn_deg)
    if not found:
        raise RecordingError(
            f"turns of {turn_deg:g} deg about a sensor axis, with rests of 1 s between them",
            f"{track.placement} has {slanting} about slanting axes and no other",
            "fix the sensor with one face on the table or the hinge and turn from rest to rest",
        )
    far = [scale for scales in found.values() for scale in scales if not 0.8 < scale < 1.2]
    if far:
        raise RecordingError(
            f"every turn to be {turn_deg:g} deg",
            f"{len(far)} read between {min(far) * turn_deg:.0f} and {max(far) * turn_deg:.0f} deg",
            "give the angle that was really turned, or check gyr_unit in recording.toml",
        )
    return TurnCheck(track.placement, turn_deg, {name: _summary(scales) for name, scales in sorted(found.items())})


def _turned_deg(
    track: Track, time_s: FloatArray, before: tuple[float, float], after: tuple[float, float]
) -> FloatArray:
    """Rate integrated per axis (3,) between the middles of two rests: exact for a fixed axis, over whole turns too."""
    rates = []
    for start, end in (before, after):
        # The outer quarters of a rest may hold the slow start or end of a turn.
        edge = (end - start) / 4
        rates.append(np.nanmean(track.gyr_rad_s[(time_s >= start + edge) & (time_s <= end - edge)], axis=0))
    middle = [(start + end) / 2 for start, end in (before, after)]
    rows = (time_s >= middle[0]) & (time_s <= middle[1])
    if not track.valid[rows].all():
        return np.zeros(3)
    offset = (rates[0] + rates[1]) / 2
    total = np.trapezoid(track.gyr_rad_s[rows] - offset, time_s[rows], axis=0)
    return np.asarray(np.degrees(total))


def _summary(scales: list[float]) -> AxisScale:
    error = float(np.std(scales, ddof=1) / np.sqrt(len(scales))) if len(scales) > 1 else None
    return AxisScale(float(np.mean(scales)), error, len(scales))
