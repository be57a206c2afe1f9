"""What a hold is: the time in the posture asked for, told by the angle alone.

The arm holds while its angle is in the band asked for at the top, if the level it held at lies there and a hold is
asked, or within 3 deg of that level. A slow stroke is inside for a second before it comes to rest: speed does not
matter. A way out ends the hold when it goes further than 5 deg and is not over at once. docs/measures.md has the same
words; both simulators' truths follow them from the true angle.
"""

from __future__ import annotations

from math import hypot

import numpy as np

from imu_shoulder.arrays import median_of, runs
from imu_shoulder.drills import AngleRange
from imu_shoulder.frames import unwrapped_deg
from imu_shoulder.measure.registry import RepData, once
from imu_shoulder.model import FloatArray

# As near to the level held counts as held. A way out that goes no further, or is over as soon, is a wander. Ours.
PLATEAU_DEG, WANDER_DEG, WANDER_S = 3.0, 5.0, 0.3
# How far an angle's zero may be off, and how far what counts from another posture, as a share of the way to its limit:
# standard deviations, ours, from the two simulators' persons.
ZERO_SD_DEG, WAY_SD_SHARE = 3.0, 0.1
# How well the level held is known.
LEVEL_SD_DEG = 1.0
# A crossing is read no better than this.
CROSSING_SD_S = 0.05


@once
def held(data: RepData) -> tuple[float, float]:
    """The longest stay (start_s, end_s) in the posture held at the top; of no length where it is not seen."""
    return _longest(data, 0.0)


@once
def held_sd_s(data: RepData) -> float:
    """Standard deviation of how long that is: half of what it changes by when its limits are an angle's standard
    deviation wider and narrower. A slow stroke passes them slowly."""
    wide, narrow = (end - start for start, end in (_longest(data, sds) for sds in (1.0, -1.0)))
    return hypot((wide - narrow) / 2, CROSSING_SD_S)


@once
def _off_level(data: RepData) -> FloatArray | None:
    """How far (N,) the arm is from what counts as the level held, negative inside; None where no level is seen."""
    name = _top_angle(data)
    values = _angle(data, name)
    if values is None:
        return None
    # Turning round, the top is the furthest point.
    level = data.rep.top_deg if name is None else _median(values[data.top])
    return np.abs(values - level) - PLATEAU_DEG if np.isfinite(level) else None


def _longest(data: RepData, sds: float) -> tuple[float, float]:
    """held, with the limits moved outward by so many standard deviations."""
    top_s = data.rep.top_start_s, data.rep.top_end_s
    off_level = _off_level(data)
    if off_level is None:
        return top_s
    out_deg = off_level - sds * LEVEL_SD_DEG
    beyond_band = _beyond_band(data, sds)
    if beyond_band is not None:
        out_deg = np.minimum(out_deg, beyond_band)
    # What lies beside the top is another visit to the same angle.
    reach = data.rows(top_s[0] - WANDER_S, top_s[1] + WANDER_S)
    stays = _stays(out_deg, WANDER_S * data.rate_hz)
    stays = [(first, last) for first, last in stays if first < reach.stop and reach.start < last]
    if not stays:
        return top_s[0], top_s[0]
    first, last = max(stays, key=lambda rows: rows[1] - rows[0])
    return float(data.time_s[first]), float(data.time_s[last - 1])


def _stays(out_deg: FloatArray, wander: float) -> list[tuple[int, int]]:
    """Half-open rows in which out_deg (N,) is at most 0, over ways out that are a wander: `wander` rows or less."""
    stays: list[tuple[int, int]] = []
    for first, last in runs(out_deg <= 0):
        before = stays[-1][1] if stays else first
        if stays and (first - before < wander or np.nanmax(out_deg[before:first], initial=0.0) <= WANDER_DEG):
            stays[-1] = (stays[-1][0], last)
        else:
            stays.append((first, last))
    return stays


def _top_angle(data: RepData) -> str | None:
    """The angle that tells whether the arm is at the last station, None for the leading one."""
    drill = data.drill
    return drill.top.ranges[0].angle if drill is not None and len(drill.stations) > 1 else None


def _angle(data: RepData, name: str | None) -> FloatArray | None:
    """(N,) of an angle, None for the leading one, low-passed as the movement is told by; None where it is not seen."""
    if name is None:
        return data.cut(data.curves.smooth_deg)
    values = data.angles.get(f"{name}_deg")
    return unwrapped_deg(values) if values is not None and name == "rotation" else values


def _beyond_band(data: RepData, sds: float) -> FloatArray | None:
    """How far (N,) the arm is outside of what is asked at the top, negative inside; None where no hold is asked or the
    level held lies outside. The limits are moved as of `_longest`."""
    ranges = _beyond_ranges(data)
    if ranges is None or not all(held_deg <= sds * sd_deg for _, held_deg, sd_deg in ranges):
        return None
    out_deg = np.full(len(data.time_s), -np.inf)
    for beyond, _, sd_deg in ranges:
        out_deg = np.maximum(out_deg, beyond - sds * sd_deg)
    return out_deg


@once
def _beyond_ranges(data: RepData) -> list[tuple[FloatArray, float, float]] | None:
    """Of each range asked at the top how far (N,) the arm is outside of it, the median of that at the top, and the
    standard deviation of its limits; None where no hold is asked or something is not seen."""
    drill = data.drill
    if drill is None or drill.top.hold_s <= 0:
        return None
    found = []
    for asked in drill.top.ranges:
        several = len(drill.stations) > 1
        values = _angle(data, asked.angle if several or asked.angle != drill.leading_angle else None)
        base = _base(data, asked)
        if values is None or not np.isfinite(base):
            return None
        sd_deg = ZERO_SD_DEG if asked.above is None else WAY_SD_SHARE * abs(asked.low_deg)
        beyond = np.maximum(base + asked.low_deg - values, values - base - asked.high_deg)
        found.append((beyond, _median(beyond[data.top]), sd_deg))
    return found


def _base(data: RepData, asked: AngleRange) -> float:
    """What a range counts from: 0, the start, or where the station was held that it names."""
    if asked.above is None:
        return 0.0
    name = asked.angle if data.drill is not None and len(data.drill.stations) > 1 else None
    values = _angle(data, name)
    if values is None:
        return float("nan")
    if asked.above == "start":
        return data.rep.start_deg if name is None else float(values[0])
    stays = [visit for visit in data.rep.visits if visit.name == asked.above]
    if not stays:
        return float("nan")
    longest = max(stays, key=lambda visit: visit.end_s - visit.start_s)
    return _median(values[data.rows(longest.start_s, longest.end_s)])


def _median(values: FloatArray) -> float:
    seen = values[np.isfinite(values)]
    return median_of(seen) if len(seen) else float("nan")
