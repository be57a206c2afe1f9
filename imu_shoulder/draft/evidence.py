"""What numbers show of themselves: gravity at rest, gravity's turning, and how their times step.

Numbers are judged, never names. What is found is said with the figure that it was told by. The limits are ours;
tests/test_map_evidence.py holds them against open recordings.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from math import exp, log, radians

import numpy as np
from scipy.optimize import minimize_scalar

from imu_shoulder.align.checks import AXIS_CHANGES, tilting
from imu_shoulder.align.instruments import disagreement_rad, still_moments, turns_between
from imu_shoulder.model import FloatArray
from imu_shoulder.sources.possible import LEAST_RATE_HZ, MOST_RATE_HZ
from imu_shoulder.units import ACC_UNIT_M_S2, GYR_UNIT_RAD_S, STANDARD_GRAVITY_M_S2

# A unit of the map, and how many of it one of the file's is.
Unit = tuple[str, float]
# Gravity in the units that files come in; after them what one count is in parts that divide g by a power of two.
_GRAVITIES: tuple[tuple[float, Unit], ...] = (
    (STANDARD_GRAVITY_M_S2, ("m/s^2", 1.0)),
    (1.0, ("g", 1.0)),
    (1e3, ("g", 1e-3)),
    (1e6, ("g", 1e-6)),
    (100 * STANDARD_GRAVITY_M_S2, ("m/s^2", 0.01)),
    (1000 * STANDARD_GRAVITY_M_S2, ("m/s^2", 0.001)),
)
_COUNTS_PER_G = tuple(2.0**power for power in range(6, 15))
_BEHIND: dict[Unit, float] = {("m/s^2", 0.01): 0.04, **{("g", 1.0 / counts): 0.012 for counts in _COUNTS_PER_G}}
# An uncalibrated part is off by up to about this, as in align's checks of gravity.
_GRAVITY_OFF = 0.08
# deg/s of one count: ranges of 125 to 2000 deg/s in 16 bits by usual makers, from memory.
_DEG_S_PER_COUNT = (
    *(1 / 131.072 * 2**k for k in range(-1, 5)),
    *(0.00875 * 2**k for k in range(-1, 4)),
    0.07,
    1 / 14.375,
)
_GYR_UNITS: tuple[Unit, ...] = (("rad/s", 1.0), ("deg/s", 1.0), ("deg/s", 0.001))
# Agreement of the two instruments from which on a factor means something, how far off a sure one may be, and any one
# from what is said above the table.
_AGREES = 0.5
_SURE_FACTOR_OFF, _SAID_FACTOR_OFF = 0.07, 0.15
_AXES_AGREE, _AXES_BETTER, _AXES_ALONE = 0.9, 0.08, 0.04
_AXES_TURNS, _AXES_AGREE_RAD, _AXES_APART_RAD = 4, radians(5.0), radians(12.0)
_LEAST_PATH_RAD, _TIMES_AS_FAR = 1.5, (0.8, 22.0)
# A sensor that is never still: how far what it reads in the mean may be from gravity, and how it must stand out.
NEVER_STILL_SHARE, _MOVING_OFF, _STANDS_OUT = 0.04, log(2.2), 1.2
_BLOCK_S, _LEAST_BLOCKS = 0.5, 4
_QUIET_SHARE = 0.2
_NO_GRAVITY_SHARE = 0.2
# Of a sensor whose rate is not known yet.
GUESSED_RATE_HZ = 50.0
# Nobody turns a limb faster than this, in rad/s; sensors end at 35 (2000 deg/s).
_FASTEST_RAD_S = 40.0
# Spread of steps, as a share of the usual one, from which on stamps are uneven.
JITTERS = 0.35


@dataclass(frozen=True, slots=True)
class Size:
    """The size of three numbers at rest. share: its spread over rests, as a share of it."""

    at_rest: float
    share: float
    swing: float  # 95 % of how far all rows are from the rests


def _blocks(values: FloatArray, rate_hz: float) -> FloatArray:
    """(K, W, 3) of values (N, 3), half seconds one after the other."""
    width = max(4, round(_BLOCK_S * rate_hz))
    count = len(values) // width
    return values[: count * width].reshape(count, width, 3)


def size_of(values: FloatArray, rate_hz: float) -> Size:
    """Of values (N, 3), at least two seconds of them; zeros for less."""
    blocks = _blocks(values, rate_hz)
    if len(blocks) < _LEAST_BLOCKS:
        return Size(0.0, np.inf, 0.0)
    mean = blocks.mean(axis=1)
    spread = np.sqrt(blocks.var(axis=1).sum(axis=1))
    quiet = spread <= np.quantile(spread, _QUIET_SHARE)
    sizes = np.linalg.norm(mean[quiet], axis=1)
    at_rest = float(np.median(sizes))
    moved = np.linalg.norm(values - np.median(mean[quiet], axis=0), axis=1)
    return Size(at_rest, float(np.std(sizes)) / max(at_rest, 1e-12), float(np.quantile(moved, 0.95)))


def feels_gravity(acc: FloatArray) -> bool:
    """Whether something is left at rest, against how far it swings: without gravity there is nothing."""
    size = size_of(acc[np.isfinite(acc).all(axis=1)], GUESSED_RATE_HZ)
    if size.at_rest < _NO_GRAVITY_SHARE * size.swing:
        return False
    # Half a m/s^2 at rest, or less, is what a filter leaves of gravity.
    return size.at_rest > 0.5 or gravity_unit(size.at_rest, False, None) is not None


def gravity_unit(at_rest: float, whole: bool, hint: Unit | None) -> Unit | None:
    """The unit in which gravity has this size; None where it is in none. whole: the numbers have no fractions.

    hint: what the file says, which decides between units that fit alike.
    """
    if at_rest <= 0:
        return None
    found = [(abs(log(at_rest / size)), unit) for size, unit in _GRAVITIES]
    if whole:
        found += [(abs(log(at_rest / size)), ("g", 1.0 / size)) for size in _COUNTS_PER_G]
    found = [one for one in found if one[0] < _GRAVITY_OFF]
    if hint is not None and hint in [unit for _, unit in found]:
        return hint
    # 981, 1000 and 1024 are nearer to each other than a part may be off: the usual unit is likelier.
    return min(found, key=lambda one: one[0] + _BEHIND.get(one[1], 0.0))[1] if found else None


def gravity_unit_moving(acc: FloatArray, rate_hz: float) -> tuple[Unit, float] | None:
    """The unit of a sensor that is never still, and what it reads in the mean of half seconds: the unit whose gravity
    is nearest, where it stands out of the movement. Acceleration without gravity does not."""
    blocks = _blocks(acc, rate_hz)
    if len(blocks) < _LEAST_BLOCKS:
        return None
    size = float(np.median(np.linalg.norm(blocks.mean(axis=1), axis=1)))
    spread = float(np.median(np.sqrt(blocks.var(axis=1).sum(axis=1))))
    if size <= _STANDS_OUT * spread:
        return None
    offs = [(abs(log(size / gravity)), unit) for gravity, unit in _GRAVITIES[:3]]
    return (min(offs)[1], size) if min(offs)[0] < _MOVING_OFF else None


def acc_unit(acc: FloatArray, rate_hz: float, size: Size, hint: Unit | None) -> Unit | None:
    """An accelerometer's unit, by gravity at rest, else by gravity in the mean where it is never still."""
    whole = is_whole(acc)
    at_rest = gravity_unit(size.at_rest, whole, hint)
    if whole or size.share <= NEVER_STILL_SHARE:
        return at_rest
    moving = gravity_unit_moving(acc, rate_hz)
    return None if moving is None else moving[0]


def is_whole(values: FloatArray) -> bool:
    """Whether numbers have no fractions, so that they may be counts."""
    return bool((values[:5000] == np.rint(values[:5000])).all())


@dataclass(frozen=True, slots=True)
class Turned:
    """What gravity's turning says of a gyroscope. factor: rad/s of one of its numbers. sure: known to a few percent."""

    agreement: float
    factor: float
    sure: bool


def turned(acc_m_s2: FloatArray, gyr: FloatArray, time_s: FloatArray, rate_hz: float) -> Turned | None:
    """None where the sensor hardly turned. gyr: (N, 3) in its own unit."""
    seen = tilting(acc_m_s2, gyr, time_s, rate_hz)
    if seen is None or not seen.enough:
        return None
    agreement, factor = seen.compare(np.eye(3))
    if agreement < _AGREES or factor <= 0:
        return Turned(agreement, factor, False)
    # By still moments on either side of a turn, which fast movement does not disturb.
    turns = turns_between(still_moments(acc_m_s2, gyr * factor, time_s, rate_hz), gyr * factor, time_s, rate_hz)
    if turns is None or len(turns) < 3:
        return Turned(agreement, factor, False)

    def off(times: float) -> float:
        return float(np.median(disagreement_rad(turns, turns.told_by(exp(times)), np.eye(3))))

    best = minimize_scalar(off, bounds=(-0.4, 0.4), method="bounded", options={"xatol": 0.01})
    fine = factor * exp(float(best.x))
    return Turned(agreement, fine, bool(off(float(best.x)) < radians(6.0)))


def other_axes(acc_m_s2: FloatArray, gyr: FloatArray, time_s: FloatArray, rate_hz: float) -> tuple[str, ...] | None:
    """The acc_axes under which the two instruments agree, where they do less as they are; else None."""
    seen = tilting(acc_m_s2, gyr, time_s, rate_hz)
    if seen is None or not seen.enough:
        return None
    own = seen.compare(np.eye(3))[0]
    # Up for down agrees as well: a chip that is turned is likelier than a mirrored one. To turn the accelerometer's
    # axes is to turn the gyroscope's back.
    proper = [axes for axes in AXIS_CHANGES if np.linalg.det(axes) > 0]
    found = sorted(((seen.compare(axes.T)[0], axes) for axes in proper), key=lambda one: -one[0])
    best = found[0][0]
    if best < _AXES_AGREE or best - own < _AXES_BETTER or best - found[1][0] < _AXES_ALONE:
        return None
    axes = found[0][1]
    # And from rest to rest, where a sensor may have turned about several axes.
    factor = seen.compare(axes.T)[1]
    stills = still_moments(acc_m_s2, gyr, time_s, rate_hz)
    turns = turns_between(stills, gyr * factor, time_s, rate_hz)
    if turns is None or len(turns) < _AXES_TURNS:
        return None
    offs_rad = sorted((float(np.median(disagreement_rad(turns, turns.told, one.T))), one is axes) for _, one in found)
    sure = offs_rad[0][1] and offs_rad[0][0] < _AXES_AGREE_RAD and offs_rad[1][0] > _AXES_APART_RAD
    if not sure:
        return None
    return tuple(("-" if row.sum() < 0 else "") + "xyz"[int(np.argmax(np.abs(row)))] for row in axes)


def unit_of_counts(seen: Turned, said: Sequence[float]) -> Unit | None:
    """The unit that whole numbers are in, counts or not; None where it is none, or not known well enough to tell.

    said: numbers in the lines above the table.
    """
    if seen.agreement < _AGREES or seen.factor <= 0:
        return None
    told = _said(seen.factor, said, GYR_UNIT_RAD_S, _SAID_FACTOR_OFF)
    if told is not None or not seen.sure:
        return told
    off, plain = min(
        (abs(log(seen.factor / (GYR_UNIT_RAD_S[unit] * scale))), (unit, scale)) for unit, scale in _GYR_UNITS
    )
    if off < _SURE_FACTOR_OFF:
        return plain
    offs = sorted((abs(log(seen.factor / radians(step))), step) for step in _DEG_S_PER_COUNT)
    return ("deg/s", offs[0][1]) if offs[0][0] < _SURE_FACTOR_OFF and offs[1][0] > 1.5 * offs[0][0] else None


def unit_by_path(acc: FloatArray, gyr: FloatArray, rate_hz: float) -> tuple[Unit, float] | None:
    """The unit in which a sensor turned somewhat farther in all than gravity did in it, and how many times as far.

    A sensor turns at least as far as gravity does in its frame; farther, since turning about the vertical does not
    show, nor what goes to and fro within half a second. Between units there is a factor of 57. Measured: 1.04 to 15
    times in 140 open sets of a watch and 50 tracks of other sensors, real and simulated. None where gravity hardly
    turned, or no unit fits alone. acc: (N, 3) in any unit, gyr (N, 3).
    """
    blocks = _blocks(acc, rate_hz)
    if len(blocks) < _LEAST_BLOCKS:
        return None
    mean = blocks.mean(axis=1)
    up = mean / np.maximum(np.linalg.norm(mean, axis=1), 1e-12)[:, None]
    path_rad = float(np.arccos(np.clip(np.einsum("nj,nj->n", up[1:], up[:-1]), -1.0, 1.0)).sum())
    if path_rad < _LEAST_PATH_RAD:
        return None
    turned_by = float(np.linalg.norm(gyr - np.median(gyr, axis=0), axis=1).sum()) / rate_hz
    for unit, scale in _GYR_UNITS:
        times = turned_by * GYR_UNIT_RAD_S[unit] * scale / path_rad
        if _TIMES_AS_FAR[0] < times < _TIMES_AS_FAR[1]:
            return (unit, scale), times
    return None


def counts_of_gravity(at_rest: float, said: Sequence[float]) -> Unit | None:
    """The number above the table that makes gravity of what was read at rest, or one over it."""
    return _said(STANDARD_GRAVITY_M_S2 / at_rest, said, ACC_UNIT_M_S2, _GRAVITY_OFF)


def _said(factor: float, said: Sequence[float], sizes: Mapping[str, float], off: float) -> Unit | None:
    """The number above the table that is this factor in one of the units, or one over it."""
    for number in said:
        for unit, size in sizes.items():
            for scale in (number, 1.0 / number if number else 0.0):
                # A one is said of many things.
                if scale > 0 and abs(log(scale)) > 0.5 and abs(log(factor / (size * scale))) < off:
                    return unit, scale
    return None


def impossible_rad_s(gyr: FloatArray) -> bool:
    """Whether numbers are too large for rad/s."""
    return bool(np.quantile(np.abs(gyr), 0.999) > _FASTEST_RAD_S)


@dataclass(frozen=True, slots=True)
class Steps:
    """How numbers of a column step, in their own unit. rate: rows per unit. jitter: spread by the usual step."""

    usual: float
    rate: float
    jitter: float
    forward: float  # share of steps that do not go back
    whole: bool  # every step is the same whole number, but for some that are missing
    holes: int

    def in_seconds(self, unit_s: float) -> Steps:
        """The same of a column whose numbers are so many seconds each."""
        return replace(self, usual=self.usual * unit_s, rate=self.rate / unit_s)


def steps_of(values: FloatArray) -> Steps | None:
    """None where the numbers do not go up."""
    values = values[np.isfinite(values)]
    if len(values) < 20:
        return None
    steps = np.diff(values)
    up = steps[steps > 0]
    forward = float((steps >= 0).mean())
    if len(up) < 0.02 * len(steps) or len(up) < 5 or forward < 0.95:
        return None
    usual = float(np.median(up))
    packets = float((steps == 0).mean()) > 0.05
    near = steps[(steps >= 0) & (steps < 5 * usual)]
    rate = len(near) / max(float(near.sum()), 1e-300) if packets else 1.0 / usual
    spread = float(np.quantile(np.abs(up - usual), 0.8)) / usual
    whole = bool((np.abs(up / usual - np.rint(up / usual)) < 1e-6).all() and usual == round(usual) and not packets)
    return Steps(usual, rate, spread, forward, whole, int((up > 5 * usual).sum()))


def since_1970(time_s: float) -> bool:
    """Whether seconds are a stamp of the years 2001 to 2065."""
    return 1e9 <= time_s <= 3e9


def possible_rate(rate_hz: float) -> bool:
    return LEAST_RATE_HZ <= rate_hz <= MOST_RATE_HZ


def nice_rate(rate_hz: float) -> float:
    """A measured rate, as a whole number where it is within half a percent of one, else to four digits."""
    whole = round(rate_hz)
    return float(whole) if whole and abs(rate_hz / whole - 1) < 0.005 else float(f"{rate_hz:.4g}")
