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

from imu_shoulder.align.checks import longest_even_step_s
from imu_shoulder.align.disagree import DisagreeParams, not_together, stepped, wrong_turn
from imu_shoulder.align.tilts import Tilts, tilts_of, what_fits_better
from imu_shoulder.arrays import block_means, block_spreads, in_blocks, medians_of, quantile, sums_over
from imu_shoulder.frames import quat_from_rotvec, quat_product
from imu_shoulder.model import BoolArray, FloatArray, IntArray
from imu_shoulder.units import STANDARD_GRAVITY_M_S2

# A still moment: its length, and how much its reading may spread and turn from its first half to the second.
_STILL_S = 0.5
_SPREAD_M_S2 = 0.25
_STAYS_RAD = radians(2.0)
_SLOW_SHARE = 0.15
# A reading of nothing has no direction; one in g, for some of the time, does.
_LEAST_M_S2 = 0.3
# Postures are compared where they are this far apart, and the way between them is no longer than this.
_APART_RAD = radians(25.0)
_LONGEST_S = 8.0
_PAIRS = 20
# Standard deviations before anything is measured: zero offset per axis, scale, gravity; of what a pair shows, a turn in
# movement, a still moment; and what skewed axes and warming leave of any offset.
_OFFSET_M_S2, _SCALE, _GRAVITY_M_S2 = 1.0, 0.1, 0.05
_PAIR_M_S2, _TILT_M_S2, _STILL_M_S2, _SENSOR_M_S2 = 0.25, 1.0, 0.05, 0.08
_ROUNDS, _A_LITTLE_MORE = 5, 1.01


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
    """Scale of the gyroscope with its standard deviation, and zero offset (3,) of the accelerometer in m/s^2 with its
    variance (3, 3)."""

    scale: float
    scale_sd: float
    offset_m_s2: FloatArray
    offset_variance: FloatArray

    @property
    def offset_size_m_s2(self) -> tuple[float, float]:
        """How large the offset is, and the standard deviation of that."""
        size = float(np.linalg.norm(self.offset_m_s2))
        way = self.offset_m_s2 / max(size, 1e-9)
        return size, float(np.hypot(np.sqrt(way @ self.offset_variance @ way), _SENSOR_M_S2))


def still_moments(acc: FloatArray, gyr: FloatArray, time_s: FloatArray, rate_hz: float) -> Stills:
    """Told by the accelerometer, and by the gyroscope against its own swiftest: no scale or sign of it hides them."""
    width = max(4, round(_STILL_S * rate_hz))
    middle = width // 2
    count = len(acc) // width
    if count < 2:
        return Stills(np.empty((0, 3)), np.empty(0, np.intp), np.empty(0, np.intp))
    mean, spread = block_means(acc, width), block_spreads(acc, width)
    lasts_s = time_s[width - 1 : count * width : width] - time_s[: count * width : width]
    size = np.maximum(np.linalg.norm(mean, axis=1), 1e-9)
    # Noise that a sensor has at its stillest is no movement.
    allowed = np.hypot(_SPREAD_M_S2, min(1.5 * quantile(spread, 0.1), _SPREAD_M_S2))
    rate = block_means(gyr, width)
    rate = np.linalg.norm(rate - medians_of(rate[spread <= quantile(spread, 0.25)].T), axis=1)
    slow = rate <= _SLOW_SHARE * quantile(rate, 0.99)
    calm = slow & (spread < allowed) & (lasts_s < 1.1 * width / rate_hz)
    blocks = in_blocks(acc, width)
    halves = [
        (part @ np.full(part.shape[2], 1.0 / part.shape[2])).T
        for part in (blocks[:, :, :middle], blocks[:, :, middle:])
    ]
    lengths = np.maximum(np.linalg.norm(halves[0], axis=1) * np.linalg.norm(halves[1], axis=1), 1e-9)
    stays = np.einsum("nj,nj->n", *halves) > np.cos(_STAYS_RAD) * lengths
    still = np.flatnonzero(calm & stays & (size > _LEAST_M_S2))
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
    zero = medians_of(sums_over(gyr.T, stills.first, stills.end) / (stills.end - stills.first))
    half = (stills.end[0] - stills.first[0]) // 2
    ways = [gyr[stills.first[k] + half : stills.first[k + 1] + half] - zero for k in pairs]
    return Turns(stills.acc_m_s2[pairs], stills.acc_m_s2[pairs + 1], ways, rate_hz, _turned(ways, 1.0, rate_hz))


def _turned(ways: Sequence[FloatArray], factor: float, rate_hz: float) -> Rotation:
    """after_from_before of each way, rates (n, 3) in rad/s."""
    # All at once, pair by pair: standing still makes the ways equally long.
    longer = np.zeros((3, len(ways), max(map(len, ways))))
    for k, way in enumerate(ways):
        longer[:, k, : len(way)] = way.T
    longer *= factor / rate_hz
    turns = quat_from_rotvec(longer)
    while turns.shape[2] > 1:
        if turns.shape[2] % 2:
            turns = np.concatenate([turns, np.broadcast_to(_STAYS, (4, len(ways), 1))], axis=2)
        turns = quat_product(turns[:, :, ::2], turns[:, :, 1::2])
    return Rotation.from_quat(turns[:, :, 0].T).inv()


# No turn, as a quaternion with the scalar last.
_STAYS = np.array([0.0, 0.0, 0.0, 1.0])[:, None, None]


def disagreement_rad(turns: Turns, told: Rotation, axes: FloatArray) -> FloatArray:
    """(P,) how far gravity is off after each turn, with the gyroscope's axes turned by a proper (3, 3) matrix."""
    wanted = turns.after / np.linalg.norm(turns.after, axis=1)[:, None]
    got = told.apply(turns.before @ axes) @ axes.T
    got /= np.linalg.norm(got, axis=1)[:, None]
    return np.asarray(np.arccos(np.clip(np.einsum("nj,nj->n", wanted, got), -1.0, 1.0)))


@dataclass(frozen=True, slots=True)
class Equations:
    """What turns say of offset (3), scale less 1 and local gravity less the standard's: matrix (3 P, 5) and off (3 P,),
    each with this standard deviation, in m/s^2."""

    matrix: FloatArray
    off: FloatArray
    sd: float


def equations(
    before: FloatArray, after: FloatArray, told: FloatArray, a_little_more: FloatArray, sd_m_s2: float
) -> Equations:
    """Of turns from before to after, (P, 3) each. told: after_from_before (P, 3, 3), and if the gyroscope turned a
    little more.

    Gravity after a turn is R f + (1 - R) o, f the reading before, o the offset, R what the scaled gyroscope says.
    """
    got = np.einsum("nij,nj->ni", told, before)
    by_scale = (np.einsum("nij,nj->ni", a_little_more, before) - got) / (_A_LITTLE_MORE - 1.0)
    matrix = np.concatenate([np.eye(3) - told, by_scale[:, :, None], np.zeros((len(got), 3, 1))], axis=2)
    return Equations(matrix.reshape(-1, 5), (after - got).reshape(-1), sd_m_s2)


def calibrated(stills: Stills, shown: Sequence[Equations]) -> Calibrated:
    """Scale and zero that make the instruments agree, by least squares, far-off turns weighed less.

    The size of each still reading without the offset is gravity's.
    """
    size = stills.size_m_s2
    up = stills.acc_m_s2 / size[:, None]
    rows = np.column_stack([up, np.zeros(len(up)), np.ones(len(up))])
    # Moments of one posture are not so many measurements.
    weight = min(1.0, 30.0 / max(1, len(up))) / _STILL_M_S2**2
    known = weight * rows.T @ rows + np.diag(np.array([_OFFSET_M_S2] * 3 + [_SCALE, _GRAVITY_M_S2]) ** -2.0)
    target = weight * rows.T @ (size - STANDARD_GRAVITY_M_S2)
    found: FloatArray = np.asarray(np.linalg.solve(known, target), dtype=np.float64)
    normal: FloatArray = known
    for _ in range(_ROUNDS if shown else 0):
        normal, wanted = known.copy(), target.copy()
        for own in shown:
            left = np.repeat(np.linalg.norm((own.off - own.matrix @ found).reshape(-1, 3), axis=1), 3)
            weights = np.minimum(1.0, own.sd / np.maximum(left, 1e-9)) / own.sd**2
            normal += (own.matrix.T * weights) @ own.matrix
            wanted += (own.matrix.T * weights) @ own.off
        found = np.asarray(np.linalg.solve(normal, wanted), dtype=np.float64)
    variance: FloatArray = np.asarray(np.linalg.inv(normal), dtype=np.float64)
    return Calibrated(1.0 / (1.0 + float(found[3])), float(np.sqrt(variance[3, 3])), found[:3], variance[:3, :3])


@dataclass(frozen=True, slots=True)
class Off:
    """What is wrong with an instrument. code: of the finding; text: what is said; value: how far, in its unit.

    fit: whether the sensor can be used all the same.
    """

    code: str
    text: str
    value: float | None = None
    fit: bool = False


# From how much on an instrument is off, and by how many of its standard deviations that has to be sure. Sound parts,
# with 25 mg of zero offset per axis (from memory), stay below the first. The second is told of them, too: orient takes
# off what it can.
_OFFSET_OFF_M_S2, _OFFSET_TOLD_M_S2, _SCALE_OFF, _SCALE_FAR_OFF = 1.3, 0.35, 0.075, 0.3
_SURE_SD, _TOLD_SD = 3.5, 2.0
# Where no turn tells: by how much the size of gravity differs between postures, or from gravity in one.
_POSTURES_APART_M_S2, _SIZE_OFF_M_S2 = 2.2, 1.5
_LEAST_STILLS = 3


def instruments_off(
    acc: FloatArray,
    gyr: FloatArray,
    time_s: FloatArray,
    rate_hz: float,
    limits: DisagreeParams,
    clipped: BoolArray | None = None,
) -> tuple[Off | None, str]:
    """What is wrong with a sensor, or None; and the unit its gyroscope is in, "" where that is no question."""
    tilts = tilts_of(acc, gyr, time_s, rate_hz, clipped)
    stills = still_moments(acc, gyr, time_s, rate_hz)
    turns = turns_between(stills, gyr, time_s, rate_hz, clipped)
    off, unit = _explained(tilts, stills, turns)
    if unit or (off is not None and not off.fit):
        return off, unit
    found = stepped(acc, gyr, time_s, rate_hz, limits)
    if found is None and turns is not None:
        found = wrong_turn(disagreement_rad(turns, turns.told, np.eye(3)), limits)
    if found is None and tilts is not None:
        found = not_together(tilts, limits)
    return (off if found is None else Off(found.code, found.text, found.value)), ""


def _explained(tilts: Tilts | None, stills: Stills, turns: Turns | None) -> tuple[Off | None, str]:
    """As `instruments_off`, by other axes, another unit, a scale or a zero."""
    better = None if tilts is None else what_fits_better(tilts)
    if better is not None and better.unit:
        return None, better.unit
    from_rest = [] if turns is None else [_from_rest(turns)]
    shown = from_rest if tilts is None else [*from_rest, _in_movement(tilts)]
    if tilts is not None and better is not None:
        # A scale or a zero may be so far off that other axes are better by chance.
        found = calibrated(stills, shown)
        mended = tilts.without(found.offset_m_s2)
        if better.off < mended.off(mended.told_by(1.0 / found.scale)).sum():
            return Off("axes_wrong", _AXES_TEXT), ""
    if len(stills.first) >= _LEAST_STILLS:
        low, high = np.quantile(stills.size_m_s2, [0.02, 0.98])
        if (
            high - low > _POSTURES_APART_M_S2
            or max(STANDARD_GRAVITY_M_S2 - low, high - STANDARD_GRAVITY_M_S2) > _SIZE_OFF_M_S2
        ):
            text = f"its accelerometer reads {low:.1f} to {high:.1f} m/s^2 when held still, where gravity is 9.8"
            return Off("accelerometer_off", text, float(high - low)), ""
    if not shown:
        return None, ""
    found = calibrated(stills, shown)
    off = _off(found, calibrated(stills, from_rest) if from_rest else None)
    if off is not None and tilts is not None and tilts.without(found.offset_m_s2).contradicts(1.0 / found.scale):
        # Something else is wrong, and it is not clear yet what.
        return None, ""
    return off, ""


def _off(found: Calibrated, from_rest: Calibrated | None) -> Off | None:
    """What is off by a calibration. from_rest: by turns from rest to rest alone."""
    offset, sd = found.offset_size_m_s2
    if offset > max(_OFFSET_OFF_M_S2, _SURE_SD * sd):
        return Off("accelerometer_off", f"its accelerometer's zero is off by {offset:.1f} m/s^2", offset)
    # In movement a limb's acceleration goes with its turning: only rests tell the scale well.
    told, least = (found, _SCALE_FAR_OFF) if from_rest is None else (from_rest, _SCALE_OFF)
    if abs(told.scale - 1.0) > max(least, _SURE_SD * told.scale_sd):
        text = f"its gyroscope says {told.scale:.2f} times as much as its accelerometer shows it to turn"
        return Off("gyroscope_scale", text, told.scale)
    if offset > max(_OFFSET_TOLD_M_S2, _TOLD_SD * sd):
        text = f"its accelerometer's zero is off by {offset:.1f} m/s^2 (standard deviation {sd:.1f})"
        return Off("accelerometer_zero", text, offset, fit=True)
    return None


def _from_rest(turns: Turns) -> Equations:
    told, more = turns.told.as_matrix(), turns.told_by(_A_LITTLE_MORE).as_matrix()
    return equations(turns.before, turns.after, told, more, _PAIR_M_S2)


def _in_movement(tilts: Tilts) -> Equations:
    before, after = tilts.readings_m_s2
    return equations(before, after, tilts.told_by(), tilts.told_by(_A_LITTLE_MORE), _TILT_M_S2)


_AXES_TEXT = "its gyroscope turns about other axes or the other way than its accelerometer; check axes and signs"
