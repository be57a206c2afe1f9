"""What a finished recording shows of a sensor's two instruments by holding one against the other.

Between two still moments in different postures the gyroscope tells how gravity turned in the sensor, the accelerometer
where it was and where it came to be. Turned axes, a wrong unit, a scale that is off and a zero that is off each break
this in a way of their own. Movement between the moments does not disturb it, however fast it is.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import radians

import numpy as np
from scipy.spatial.transform import Rotation

from imu_shoulder.align.checks import AXIS_CHANGES, longest_even_step_s
from imu_shoulder.arrays import sums_over
from imu_shoulder.model import BoolArray, FloatArray, IntArray
from imu_shoulder.units import STANDARD_GRAVITY_M_S2

# A still moment: its length, and how much its reading may spread and turn from its first half to the second.
_STILL_S = 0.5
_SPREAD_M_S2 = 0.25
_STAYS_RAD = radians(2.0)
_SLOW_SHARE = 0.15
# Postures are compared where they are this far apart, and the way between them is no longer than this.
_APART_RAD = radians(25.0)
_LONGEST_S = 8.0
_PAIRS = 20
_LEAST_PAIRS = 2
_DEG_PER_RAD = 180.0 / np.pi
# How far gravity is off where the instruments agree, at most, and where they do not, at least.
_AGREES_RAD, _DISAGREES_RAD = radians(8.0), radians(20.0)
_BETTER = 0.15
# Standard deviations before anything is measured: zero offset per axis, scale, gravity; and of what a pair shows.
_OFFSET_M_S2, _SCALE, _GRAVITY_M_S2 = 0.5, 0.1, 0.05
_PAIR_M_S2, _STILL_M_S2 = 0.25, 0.05


@dataclass(frozen=True, slots=True)
class Stills:
    """The still moments of a sensor: mean accelerometer (K, 3) in m/s^2, and the first row and the end of each."""

    acc_m_s2: FloatArray
    first: IntArray
    end: IntArray

    @property
    def size_m_s2(self) -> FloatArray:
        return np.asarray(np.linalg.norm(self.acc_m_s2, axis=1))


@dataclass(frozen=True, slots=True)
class Turns:
    """Turns between two postures. before, after: (P, 3) gravity in m/s^2. ways: (n, 3) gyroscope in rad/s, zero taken
    off, of each. told: after_from_before as the gyroscope has it.
    """

    before: FloatArray
    after: FloatArray
    ways: Sequence[FloatArray]
    rate_hz: float
    told: Rotation

    def __len__(self) -> int:
        return len(self.before)

    def told_by(self, factor: float) -> Rotation:
        """after_from_before if the gyroscope turned so many times as far."""
        return _turned(self.ways, factor, self.rate_hz)


@dataclass(frozen=True, slots=True)
class Calibrated:
    """Scale of the gyroscope and zero offset (3,) of the accelerometer in m/s^2, each with its standard deviation."""

    scale: float
    scale_sd: float
    offset_m_s2: FloatArray
    offset_sd_m_s2: FloatArray


def still_moments(acc: FloatArray, gyr: FloatArray, time_s: FloatArray, rate_hz: float) -> Stills:
    """Told by the accelerometer, and by the gyroscope against its own swiftest: no scale or sign of it hides them."""
    width = max(4, round(_STILL_S * rate_hz))
    middle = width // 2
    count = len(acc) // width
    if count < 2:
        return Stills(np.empty((0, 3)), np.empty(0, np.intp), np.empty(0, np.intp))
    blocks = acc[: count * width].reshape(count, width, 3)
    mean = blocks.mean(axis=1)
    spread = np.sqrt(blocks.var(axis=1).sum(axis=1))
    lasts_s = time_s[width - 1 : count * width : width] - time_s[: count * width : width]
    size = np.maximum(np.linalg.norm(mean, axis=1), 1e-9)
    # Noise that a sensor has at its stillest is no movement.
    allowed = np.hypot(_SPREAD_M_S2, min(1.5 * float(np.quantile(spread, 0.1)), _SPREAD_M_S2))
    rate = gyr[: count * width].reshape(count, width, 3).mean(axis=1)
    rate = np.linalg.norm(rate - np.median(rate[spread <= np.quantile(spread, 0.25)], axis=0), axis=1)
    slow = rate <= _SLOW_SHARE * float(np.quantile(rate, 0.99))
    calm = slow & (spread < allowed) & (lasts_s < 1.1 * width / rate_hz)
    halves = [blocks[:, :middle].mean(axis=1), blocks[:, middle:].mean(axis=1)]
    lengths = np.maximum(np.linalg.norm(halves[0], axis=1) * np.linalg.norm(halves[1], axis=1), 1e-9)
    stays = np.einsum("nj,nj->n", *halves) > np.cos(_STAYS_RAD) * lengths
    still = np.flatnonzero(calm & stays & (size > 1.0))
    return Stills(mean[still], still * width, (still + 1) * width)


def turns_between(
    stills: Stills, gyr: FloatArray, time_s: FloatArray, rate_hz: float, clipped: BoolArray | None = None
) -> Turns | None:
    """The turns between still moments that follow each other, none of them clipped; None where there is none."""
    if len(stills.first) < 2:
        return None
    up = stills.acc_m_s2 / stills.size_m_s2[:, None]
    apart = np.arccos(np.clip(np.einsum("nj,nj->n", up[1:], up[:-1]), -1.0, 1.0)) > _APART_RAD
    way = stills.first[1:] - stills.end[:-1]
    lasts_s = time_s[stills.first[1:]] - time_s[stills.end[:-1] - 1]
    even = lasts_s - way / rate_hz < longest_even_step_s(rate_hz)
    whole = np.ones(len(way), dtype=np.bool_)
    if clipped is not None:
        lost = np.concatenate([[0], np.cumsum(clipped)])
        whole = lost[stills.end[1:]] == lost[stills.first[:-1]]
    pairs = np.flatnonzero(apart & (lasts_s < _LONGEST_S) & even & (way > 0) & whole)
    if not len(pairs):
        return None
    pairs = pairs[np.unique(np.linspace(0, len(pairs) - 1, min(_PAIRS, len(pairs))).astype(np.intp))]
    zero = np.median(sums_over(gyr.T, stills.first, stills.end) / (stills.end - stills.first), axis=1)
    half = (stills.end[0] - stills.first[0]) // 2
    ways = [gyr[stills.first[k] + half : stills.first[k + 1] + half] - zero for k in pairs]
    return Turns(stills.acc_m_s2[pairs], stills.acc_m_s2[pairs + 1], ways, rate_hz, _turned(ways, 1.0, rate_hz))


def _turned(ways: Sequence[FloatArray], factor: float, rate_hz: float) -> Rotation:
    """after_from_before of each way, rates (n, 3) in rad/s."""
    # All at once, pair by pair: standing still makes the ways equally long, by a power of two.
    size = 1 << (max(map(len, ways)) - 1).bit_length()
    longer = np.zeros((len(ways), size, 3))
    for row, way in zip(longer, ways, strict=True):
        row[: len(way)] = way
    turns = Rotation.from_rotvec(longer.reshape(-1, 3) * (factor / rate_hz)).as_quat().T.copy()
    while turns.shape[1] > len(ways):
        x, y, z, w = turns[:, ::2]
        a, b, c, d = turns[:, 1::2]
        # The product of quaternions, scalar last, written out: several times as fast as the library's.
        turns = np.array(
            [
                w * a + x * d + y * c - z * b,
                w * b + y * d + z * a - x * c,
                w * c + z * d + x * b - y * a,
                w * d - x * a - y * b - z * c,
            ]
        )
    return Rotation.from_quat(turns.T).inv()


def disagreement_rad(turns: Turns, told: Rotation, axes: FloatArray) -> FloatArray:
    """(P,) how far gravity is off after each turn, with the gyroscope's axes turned by a proper (3, 3) matrix."""
    wanted = turns.after / np.linalg.norm(turns.after, axis=1)[:, None]
    got = told.apply(turns.before @ axes) @ axes.T
    got /= np.linalg.norm(got, axis=1)[:, None]
    return np.asarray(np.arccos(np.clip(np.einsum("nj,nj->n", wanted, got), -1.0, 1.0)))


def wrong_axes(turns: Turns) -> bool:
    """Whether the gyroscope agrees with the accelerometer only about other axes, or the other way round."""
    own = disagreement_rad(turns, turns.told, np.eye(3))
    if np.count_nonzero(own > _DISAGREES_RAD) < _LEAST_PAIRS:
        return False
    round_rad = turns.told_by(-1.0)
    proper = [float(np.linalg.det(axes)) > 0 for axes in AXIS_CHANGES]
    return any(
        _is_better(disagreement_rad(turns, turns.told if same else round_rad, axes if same else -axes), own)
        for axes, same in zip(AXIS_CHANGES, proper, strict=True)
    )


def wrong_unit(turns: Turns) -> tuple[str, str] | None:
    """The unit that the gyroscope's numbers are in and the one they were taken for, or None."""
    own = disagreement_rad(turns, turns.told, np.eye(3))
    if len(own) < _LEAST_PAIRS or np.median(own) < _DISAGREES_RAD:
        return None
    for factor, units in ((1.0 / _DEG_PER_RAD, ("deg/s", "rad/s")), (_DEG_PER_RAD, ("rad/s", "deg/s"))):
        if _is_better(disagreement_rad(turns, turns.told_by(factor), np.eye(3)), own):
            return units
    return None


def _is_better(other: FloatArray, own: FloatArray) -> bool:
    return bool(np.median(other) < _AGREES_RAD and np.sum(other**2) < _BETTER * np.sum(own**2))


def calibrated(stills: Stills, turns: Turns) -> Calibrated:
    """Scale and zero that make the instruments agree, by least squares, far-off turns weighed less.

    Gravity after a turn is R f + (1 - R) o, f the reading before, o the offset, R what the scaled gyroscope says; the
    size of each still reading without the offset is gravity's. Unknowns: offset, scale, local gravity.
    """
    rot, eye = turns.told.as_matrix(), np.eye(3)
    by_scale = (turns.told_by(1.01).apply(turns.before) - turns.told.apply(turns.before)) / 0.01
    rows = np.concatenate([eye - rot, by_scale[:, :, None], np.zeros((len(rot), 3, 1))], axis=2).reshape(-1, 5)
    off = (turns.after - turns.told.apply(turns.before)).reshape(-1)
    size = stills.size_m_s2
    up = stills.acc_m_s2 / size[:, None]
    still_rows = np.column_stack([up, np.zeros(len(up)), np.ones(len(up))])
    still_off = size - STANDARD_GRAVITY_M_S2
    # Moments of one posture are not so many measurements.
    still_weight = min(1.0, 30.0 / len(up)) / _STILL_M_S2**2
    prior = np.diag(np.array([_OFFSET_M_S2] * 3 + [_SCALE, _GRAVITY_M_S2]) ** -2.0)
    weight = np.full(len(off), _PAIR_M_S2**-2.0)
    for _ in range(5):
        normal = (rows.T * weight) @ rows + still_weight * still_rows.T @ still_rows + prior
        found = np.linalg.solve(normal, (rows.T * weight) @ off + still_weight * still_rows.T @ still_off)
        left = np.repeat(np.linalg.norm((off - rows @ found).reshape(-1, 3), axis=1), 3)
        weight = _PAIR_M_S2**-2.0 * np.minimum(1.0, _PAIR_M_S2 / np.maximum(left, 1e-9))
    spread = max(1.0, float(np.median(left)) / (1.5 * _PAIR_M_S2))
    sd = spread * np.sqrt(np.diag(np.linalg.inv(normal)))
    return Calibrated(1.0 / (1.0 + float(found[3])), float(sd[3]), found[:3], sd[:3])


@dataclass(frozen=True, slots=True)
class Off:
    """What is wrong with an instrument. code: of the finding; text: what is said; value: how far, in its unit."""

    code: str
    text: str
    value: float | None = None


# From how much on an instrument is off for sure, and by how many of its standard deviations. Sound parts, with 25 mg of
# zero offset per axis (from memory), stay below.
_OFFSET_OFF_M_S2, _SCALE_OFF, _SURE_SD = 1.1, 0.06, 4.0
# Where no turn tells: by how much the size of gravity differs between postures, or from gravity in one.
_POSTURES_APART_M_S2, _SIZE_OFF_M_S2 = 2.2, 1.5
_LEAST_STILLS = 3


def instruments_off(
    acc: FloatArray, gyr: FloatArray, time_s: FloatArray, rate_hz: float, clipped: BoolArray | None = None
) -> tuple[Off | None, str]:
    """What makes a sensor unfit for use, or None; and the unit its gyroscope is in, "" where that is no question."""
    stills = still_moments(acc, gyr, time_s, rate_hz)
    turns = turns_between(stills, gyr, time_s, rate_hz, clipped)
    if turns is not None:
        units = wrong_unit(turns)
        if units is not None:
            return None, units[0]
        if wrong_axes(turns):
            return Off("axes_wrong", _AXES_TEXT), ""
    if len(stills.first) >= _LEAST_STILLS:
        low, high = np.quantile(stills.size_m_s2, [0.02, 0.98])
        if (
            high - low > _POSTURES_APART_M_S2
            or max(STANDARD_GRAVITY_M_S2 - low, high - STANDARD_GRAVITY_M_S2) > _SIZE_OFF_M_S2
        ):
            text = (
                f"not used: its accelerometer reads {low:.1f} to {high:.1f} m/s^2 when held still, where gravity is 9.8"
            )
            return Off("accelerometer_off", text, float(high - low)), ""
    if turns is None:
        return None, ""
    found = calibrated(stills, turns)
    offset = float(np.linalg.norm(found.offset_m_s2))
    direction = found.offset_m_s2 / max(offset, 1e-9)
    if offset > max(_OFFSET_OFF_M_S2, _SURE_SD * float(np.linalg.norm(direction * found.offset_sd_m_s2))):
        return Off("accelerometer_off", f"not used: its accelerometer's zero is off by {offset:.1f} m/s^2", offset), ""
    if abs(found.scale - 1.0) > max(_SCALE_OFF, _SURE_SD * found.scale_sd):
        text = f"not used: its gyroscope says {found.scale:.2f} times as much as its accelerometer shows it to turn"
        return Off("gyroscope_scale", text, found.scale), ""
    return None, ""


_AXES_TEXT = (
    "not used: its gyroscope turns about other axes or the other way than its accelerometer; check axes and signs"
)
