"""How gravity turned in a sensor, second by second, against what its gyroscope says of it.

A limb's own acceleration disturbs each of these seconds, and what it does adds up to nothing over all of them, under
whatever axes and unit. So even an arm that only sways shows by which of them its two instruments agree.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from itertools import permutations
from math import cos, radians

import numpy as np

from imu_shoulder.arrays import block_means, block_spreads, median_of, medians_of
from imu_shoulder.frames import cross, quat_from_rotvec, quat_product
from imu_shoulder.model import BoolArray, FloatArray, IntArray

# The rows that are one step, and the steps that are one turn.
_STEP_S, _STEPS = 0.25, 4
# A reading that is further from the usual size, that spreads or changes more within a step, is of a limb that is pushed
# or swung, not of gravity.
_SLOW_M_S2, _SPREAD_M_S2, _STEP_M_S2 = 0.5, 0.6, 0.7
# A turn that is further off than this is as good as one that is this far off.
_OFF = 2.0 - 2.0 * cos(radians(30.0))
_LEAST_TURNS, _MOST_TURNS = 20, 500
# A turn that no arm makes by swaying.
_CLEARLY = 2.0 - 2.0 * cos(radians(3.0))
# The instruments agree where gravity is off by less than this share of its turning, and others do at less than the
# second one. They have to be off by less than such a share of what these are, and surely: the sum of what they are
# better by, in stretches of two seconds, by the root of its squares. Nothing was better in 700 sound sensors of two
# simulators, six open sessions and 280 fast sets of a watch.
_AGREE_SHARE, _FITS_SHARE, _OTHER_UNIT_SHARE, _AXES_SHARE, _UNIT_SHARE, _SURE = 0.3, 0.85, 0.8, 0.8, 0.5, 1.0
# Of three exchanged axes: a sign counts against the other two; of all signs and none one way is a mirror.
_SIGNS = np.array([[1.0, 1.0, 1.0], [1.0, -1.0, -1.0], [-1.0, 1.0, -1.0], [-1.0, -1.0, 1.0]])
# How many times as much a gyroscope should say whose numbers are in this unit and were taken for the other.
_UNITS = ((np.pi / 180.0, "deg/s"), (180.0 / np.pi, "rad/s"))


@dataclass(frozen=True, slots=True)
class Tilts:
    """readings_m_s2: (2, T, 3) the accelerometer before and after each turn of a second; before, after: (T, 3) their
    directions. steps_rad, coning_rad: (3, 4, T) what the gyroscope turned in each step of a turn, and what comes on top
    since its axis turned meanwhile. used: (T,) the step with which each turn begins.
    """

    readings_m_s2: FloatArray
    before: FloatArray
    after: FloatArray
    steps_rad: FloatArray
    coning_rad: FloatArray
    used: IntArray

    def told_by(self, factor: float = 1.0) -> FloatArray:
        """after_from_before (T, 3, 3) as the gyroscope has it, if it turned so many times as far."""
        quat = quat_from_rotvec(factor * self.steps_rad + factor**2 * self.coning_rad)
        told = quat[:, 0]
        for k in range(1, _STEPS):
            told = quat_product(told, quat[:, k])
        x, y, z, w = told
        # Of the way back: it takes what was up before to what is up after.
        rows = (
            (1.0 - 2.0 * (y * y + z * z), 2.0 * (x * y + z * w), 2.0 * (x * z - y * w)),
            (2.0 * (x * y - z * w), 1.0 - 2.0 * (x * x + z * z), 2.0 * (y * z + x * w)),
            (2.0 * (x * z + y * w), 2.0 * (y * z - x * w), 1.0 - 2.0 * (x * x + y * y)),
        )
        return np.ascontiguousarray(np.moveaxis(np.array(rows), 2, 0))

    def off(self, told: FloatArray) -> FloatArray:
        """(T,) how far gravity is off after each turn, as the square of a chord."""
        return _chord_squared(np.einsum("ni,nij,nj->n", self.after, told, self.before))

    def off_about_other_axes(self, told: FloatArray) -> list[FloatArray]:
        """The same with the gyroscope's axes turned in each of the 24 ways in which axes can be exchanged."""
        out = []
        part = np.ascontiguousarray(told.transpose(1, 2, 0))
        for order in permutations(range(3)):
            after, before = self.after.T[list(order)], self.before.T[list(order)]
            kept = sum(part[i, i] * after[i] * before[i] for i in range(3))
            turned = np.array(
                [
                    part[i, j] * after[i] * before[j] + part[j, i] * after[j] * before[i]
                    for i, j in ((0, 1), (0, 2), (1, 2))
                ]
            )
            out += list(_chord_squared(kept + _SIGNS @ turned))
        return out

    def without(self, offset_m_s2: FloatArray) -> Tilts:
        """As if the accelerometer's zero were not off by (3,)."""
        readings = self.readings_m_s2 - offset_m_s2
        before, after = _directions(readings)
        return replace(self, readings_m_s2=readings, before=before, after=after)

    def contradicts(self, factor: float) -> bool:
        """Whether the sensor clearly turned, and the gyroscope, if it turned so many times as far, says otherwise."""
        turned = self.turned
        off = float(self.off(self.told_by(factor)).sum())
        return float(turned.mean()) > _CLEARLY and off > _FITS_SHARE**2 * float(turned.sum())

    @property
    def turned(self) -> FloatArray:
        """(T,) by how much gravity turned, as the square of a chord."""
        return _chord_squared(np.einsum("nj,nj->n", self.before, self.after))


def _directions(readings_m_s2: FloatArray) -> FloatArray:
    return np.asarray(readings_m_s2 / np.maximum(np.linalg.norm(readings_m_s2, axis=-1), 1e-9)[..., None])


def _chord_squared(cosine: FloatArray) -> FloatArray:
    return np.asarray(np.minimum(2.0 - 2.0 * cosine, _OFF))


def tilts_of(
    acc: FloatArray, gyr: FloatArray, time_s: FloatArray, rate_hz: float, clipped: BoolArray | None = None
) -> Tilts | None:
    """Of acc (N, 3) in m/s^2 and gyr (N, 3) in rad/s; clipped: (N,). None where there is too little to compare."""
    width = 2 * max(1, round(_STEP_S * rate_hz / 2))
    count = len(acc) // width
    if count <= _LEAST_TURNS:
        return None
    mean, spread = block_means(acc, width), block_spreads(acc, width)
    rates = block_means(gyr, width // 2)[: 2 * count]
    own_s = block_means(time_s[:, None], width)[:, 0]
    # The zero of a gyroscope is what it mostly reads: a limb rests more than it moves.
    rates = (rates - medians_of(rates.T)).reshape(count, 2, 3)
    # Up where one step ends and the next begins.
    up, own_s = (mean[1:] + mean[:-1]) / 2.0, (own_s[1:] + own_s[:-1]) / 2.0
    size = np.linalg.norm(up, axis=1)
    slow = np.abs(size - median_of(size)) < _SLOW_M_S2
    slow &= np.maximum(spread[1:], spread[:-1]) < _SPREAD_M_S2
    slow &= np.linalg.norm(mean[1:] - mean[:-1], axis=1) < _STEP_M_S2
    lost = np.zeros(count + 1, dtype=np.intp)
    if clipped is not None:
        lost[1:] = np.cumsum(clipped[: count * width].reshape(count, width).any(axis=1))
    even = own_s[_STEPS:] - own_s[:-_STEPS] < 1.2 * _STEPS * width / rate_hz
    whole = lost[_STEPS + 2 :] == lost[: -_STEPS - 2]
    used = np.flatnonzero(slow[:-_STEPS] & slow[_STEPS:] & even & whole)
    if len(used) < _LEAST_TURNS:
        return None
    used = used[np.unique(np.linspace(0, len(used) - 1, min(_MOST_TURNS, len(used))).astype(np.intp))]
    readings = np.stack([up[used], up[used + _STEPS]])
    before, after = _directions(readings)
    steps = used + 1 + np.arange(_STEPS)[:, None]
    first, second = (rates[:, half].T[:, steps] * (width / rate_hz / 2.0) for half in (0, 1))
    # To the second order, as strapdown navigation has it for coning.
    return Tilts(readings, before, after, first + second, 2.0 / 3.0 * cross(first, second), used + 1)


@dataclass(frozen=True, slots=True)
class Better:
    """What fits better than the gyroscope as it is. unit: the one that its numbers are in, or "" for other axes.

    off: how far gravity is off then, as the sum of squared chords.
    """

    unit: str
    off: float


def what_fits_better(tilts: Tilts) -> Better | None:
    """Another unit, other axes or the other way round; None where the gyroscope agrees with the accelerometer as it is,
    or nothing else is surely better."""
    told = tilts.told_by()
    own, turned = tilts.off(told), float(tilts.turned.sum())
    if float(own.sum()) < _AGREE_SHARE**2 * turned:
        return None
    about = [*tilts.off_about_other_axes(told), *tilts.off_about_other_axes(tilts.told_by(-1.0))]
    axes = min(about, key=np.sum)
    # In another unit it turns much too far, or as good as not at all.
    if float(own.sum()) > _OTHER_UNIT_SHARE**2 * turned:
        by_unit = {unit: tilts.off(tilts.told_by(factor)) for factor, unit in _UNITS}
        unit = min(by_unit, key=lambda own: float(by_unit[own].sum()))
        off_by = by_unit[unit]
        fits = float(off_by.sum()) < min(float(axes.sum()), _FITS_SHARE**2 * turned)
        if fits and _is_better(tilts, off_by, own, _UNIT_SHARE):
            return Better(unit, float(off_by.sum()))
    fits = float(axes.sum()) < _FITS_SHARE**2 * turned
    return Better("", float(axes.sum())) if fits and _is_better(tilts, axes, own, _AXES_SHARE) else None


def _is_better(tilts: Tilts, other: FloatArray, own: FloatArray, share: float) -> bool:
    if other.sum() > share**2 * own.sum():
        return False
    better = np.bincount((tilts.used - tilts.used[0]) // (2 * _STEPS), own - other)
    return float(better.sum()) > _SURE * float(np.linalg.norm(better))
