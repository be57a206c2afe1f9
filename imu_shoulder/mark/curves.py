"""What the page draws: lowest and highest value of each curve in ever coarser bins, so that no zoom sends all rows."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from imu_shoulder.angles.joint import ArmAngles
from imu_shoulder.model import SIDES, Aligned, FloatArray, Side, limb_words, limbs_of
from imu_shoulder.segment.own_axis import own_axis_deg
from imu_shoulder.segment.unguided import counting_track

Values = NDArray[np.float32]

# Bins of one tile, which is what the page asks for at once: more than a screen of them at any zoom is not drawn.
TILE_BINS = 1024
# Values are sent in whole tenths.
STEP = 0.1
# Angle of angles.parquet -> how the page names it, in the order in which a set is found by it.
ANGLES: Mapping[str, str] = {
    "elevation_deg": "Elevation",
    "elbow_deg": "Elbow",
    "rotation_deg": "Rotation",
    "forearm_elevation_deg": "Forearm above level",
}
# A sensor that is knocked or put on turns several times as fast as in any set, and would flatten the rest.
SPEED_SHOWN = 0.99
OWN_AXIS, SPEED = "own_axis", "speed"


@dataclass(frozen=True, slots=True)
class Curve:
    """One curve of one arm. levels: (low, high) by bins of 1, 2, 4 ... rows, NaN where nothing is known.

    ends: the values that are shown from foot to head; 0 and 0 where nothing is known.
    """

    side: Side
    sensor: str
    levels: tuple[tuple[Values, Values], ...]
    ends: tuple[float, float]

    def tile(self, level: int, number: int) -> tuple[list[int | None], list[int | None]]:
        """Low and high of one tile in tenths, None where nothing is known; shorter at the recording's end."""
        part = slice(number * TILE_BINS, (number + 1) * TILE_BINS)
        low, high = self.levels[level]
        return _tenths(low[part]), _tenths(high[part])


@dataclass(frozen=True, slots=True)
class Kind:
    """Curves of one sort, of each arm that has one. from_s, row_s: time of their first row, and from row to row."""

    name: str
    title: str
    unit: str
    from_s: float
    row_s: float
    curves: tuple[Curve, ...]

    @property
    def about(self) -> dict[str, Any]:
        """What the page needs to know before it asks for tiles."""
        curves = [
            {"side": curve.side, "sensor": curve.sensor, "low": curve.ends[0], "high": curve.ends[1]}
            for curve in self.curves
        ]
        return {
            **{name: getattr(self, name) for name in ("name", "title", "unit", "from_s", "row_s")},
            "levels": len(self.curves[0].levels),
            "rows": len(self.curves[0].levels[0][0]),
            "tile_bins": TILE_BINS,
            "curves": curves,
        }

    def tile(self, level: int, number: int) -> dict[str, list[list[int | None]]]:
        """Of each curve, by its side: [low, high]."""
        return {curve.side: list(curve.tile(level, number)) for curve in self.curves}


def _tenths(values: Values) -> list[int | None]:
    known = np.isfinite(values)
    whole = np.rint(np.where(known, values, 0.0) / STEP).astype(int).tolist()
    return [value if there else None for value, there in zip(whole, known.tolist(), strict=True)]


def make_curve(side: Side, sensor: str, values: FloatArray, shown: float = 1.0) -> Curve:
    """A curve with its levels, down to one that a single tile holds. values: (N,), NaN where not known.

    shown: the share of all values that the head leaves room for.
    """
    known = values[np.isfinite(values)]
    ends = (float(known.min()), float(np.quantile(known, shown))) if len(known) else (0.0, 0.0)
    low = high = values.astype(np.float32)
    levels = [(low, high)]
    while len(low) > TILE_BINS:
        low, high = _halved(np.fmin, low), _halved(np.fmax, high)
        levels.append((low, high))
    return Curve(side, sensor, tuple(levels), ends)


def _halved(take: np.ufunc, values: Values) -> Values:
    even = values if len(values) % 2 == 0 else np.append(values, np.float32(np.nan))
    return np.asarray(take(even[::2], even[1::2]))


def motion_kinds(aligned: Aligned) -> tuple[Kind, ...]:
    """What needs no pose: motion about its own axis and speed of turning, of the sensor that counts.

    Speed is the length of the angular rate, in deg/s.
    """
    own, speed = [], []
    for side in SIDES:
        if not any(placement in aligned.tracks for placement in limbs_of(side)):
            continue
        track = counting_track(aligned.tracks, side)
        sensor = limb_words(track.placement)
        own.append(make_curve(side, sensor, own_axis_deg(track, aligned.time_s, aligned.rate_hz)))
        speed.append(make_curve(side, sensor, np.degrees(np.linalg.norm(track.gyr_rad_s, axis=1)), SPEED_SHOWN))
    clock = float(aligned.time_s[0]), 1.0 / aligned.rate_hz
    kinds = (
        Kind(OWN_AXIS, "Motion about its own axis", "°", *clock, tuple(own)),
        Kind(SPEED, "Speed of turning", "°/s", *clock, tuple(speed)),
    )
    return tuple(kind for kind in kinds if kind.curves)


def angle_kinds(arms: Mapping[Side, ArmAngles], aligned: Aligned) -> tuple[Kind, ...]:
    """The angles that a pose allows; none without one."""
    kinds = []
    for name, title in ANGLES.items():
        seen: Sequence[tuple[Side, FloatArray]] = [
            (side, arm.angles[name]) for side, arm in arms.items() if name in arm.angles
        ]
        curves = [make_curve(side, "", values) for side, values in seen if np.isfinite(values).any()]
        if curves:
            kinds.append(Kind(name, title, "°", float(aligned.time_s[0]), 1.0 / aligned.rate_hz, tuple(curves)))
    return tuple(kinds)
