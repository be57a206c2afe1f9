"""Looks for what is wrong with a sensor's numbers: units, gravity taken out, clipping, stuck channels.

Rows here are the samples of one sensor in order of its repaired time, (N, 3) accelerometer in m/s^2 and (N, 3)
gyroscope in rad/s.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import permutations, product

import numpy as np

from imu_shoulder.arrays import block_means, block_spreads, median_of, runs
from imu_shoulder.errors import RecordingError
from imu_shoulder.model import BoolArray, FloatArray
from imu_shoulder.units import STANDARD_GRAVITY_M_S2

INSTRUMENTS = {"accelerometer": slice(0, 3), "gyroscope": slice(3, 6)}
AXES = ("acc_x", "acc_y", "acc_z", "gyr_x", "gyr_y", "gyr_z")

# Normal gravity is 9.780 at the equator to 9.832 at the poles (WGS 84, NIMA TR8350.2, section 4). The band around it
# leaves room for an uncalibrated sensor, 60 mg of offset and scale error (from memory); within it nothing is said.
NORMAL_GRAVITY_M_S2 = (9.780, 9.832)
_SENSOR_ERROR_M_S2 = 0.6
# Beyond this the reading is no gravity in the declared unit.
_GRAVITY_SHARE = (0.7, 1.4)
_REST_WINDOW_S = 1.0
_START_S = 15.0
_REST_SPREAD = 0.05
# The gyroscope is judged on steps of this length, if gravity turned enough: sum of squares, (m/s^2)^2.
_TURN_STEP_S = 0.25
_TURNED_LEAST = 50.0
_SLOW_M_S2 = 0.5
_AGREES = 0.7
_AGREES_ELSEWHERE = 0.9
_DISAGREES = 0.3
# Axes exchanged and turned round, (3, 3) each.
AXIS_CHANGES = [
    np.diag(signs) @ np.eye(3)[list(order)]
    for order in permutations(range(3))
    for signs in product((1.0, -1.0), repeat=3)
]
# A flat top at the extreme of a channel counts as clipping only beyond what gravity and slow drills reach.
_FLAT_TOP_LEAST = np.array([20.0, 20.0, 20.0, 4.0, 4.0, 4.0])
_FLAT_TOP_SAMPLES = 3
# A channel that changes within so many rows need not be looked through for a change.
_FEW_ROWS = 1000
# At less, of a low range, beyond gravity: so many samples in all.
_LOW_RANGE = np.array([12.0, 12.0, 12.0, 0.5, 0.5, 0.5])
_MANY_AT_TOP = 12
MOVES = np.array([0.3, 0.3, 0.3, 0.1, 0.1, 0.1])
_JUMP = np.array([0.5, 0.5, 0.5, 0.3, 0.3, 0.3])
_STUCK_TURNING_RAD_S = 0.1
COARSE_SHARE = 0.3
# A converter's step, m/s^2 and rad/s, from which on it is no finer than a person who stands still.
_COARSE = (0.2, 0.015)


@dataclass(frozen=True, slots=True)
class Rest:
    """The stillest second: mean accelerometer norm, m/s^2, its spread as a share of it, mean gyroscope (3,), rad/s."""

    start_s: float
    gravity_m_s2: float
    spread: float
    gyr_rad_s: FloatArray

    @property
    def gyr_offset_rad_s(self) -> float:
        return float(np.linalg.norm(self.gyr_rad_s))

    @property
    def still(self) -> bool:
        return self.spread < _REST_SPREAD


@dataclass(frozen=True, slots=True)
class Stuck:
    """Rows start:end in which the channels repeat one value."""

    start: int
    end: int
    channels: tuple[str, ...]


def longest_even_step_s(rate_hz: float) -> float:
    """Rows whose time adds up to more than this beyond their number have a hole among them."""
    return 2.5 / rate_hz


def find_rest(time_s: FloatArray, acc: FloatArray, gyr: FloatArray, rate_hz: float) -> Rest | None:
    """The stillest second near the start, or of all where there is none at the start. None: under a second of data."""
    width = max(4, round(_REST_WINDOW_S * rate_hz))
    count = len(acc) // width
    if count == 0:
        return None
    mean, spread = block_means(acc, width), block_spreads(acc, width)
    norm = np.sqrt((mean * mean).sum(axis=1))
    share = spread / np.maximum(norm, 1e-9)
    near = max(1, int(np.searchsorted(time_s[: count * width : width], time_s[0] + _START_S)))
    place = int(np.argmin(spread[:near]))
    if share[place] >= _REST_SPREAD:
        place = int(np.argmin(spread))
    rows = slice(place * width, (place + 1) * width)
    offset = gyr[rows].mean(axis=0)
    return Rest(float(time_s[place * width]), float(norm[place]), float(share[place]), offset)


def require_gravity(placement: str, rest: Rest) -> str | None:
    """Raises RecordingError where the reading at rest is no gravity; else a sentence if it is off, or None."""
    came = rest.gravity_m_s2
    expected = f"{placement}'s accelerometer to read {STANDARD_GRAVITY_M_S2:.1f} m/s^2 when held still"
    share = came / STANDARD_GRAVITY_M_S2
    low, high = _GRAVITY_SHARE
    if share < 0.06:
        raise RecordingError(
            expected,
            f"it reads {came:.2f}: gravity was taken out of it",
            "record the raw accelerometer, not linear acceleration, since the angles hang on gravity",
        )
    if not rest.still:
        return "it is never still, so that its units could not be checked against gravity"
    if low <= share * STANDARD_GRAVITY_M_S2 <= high:
        raise RecordingError(
            expected, f"it reads {came:.2f}, as if the numbers were in g", f'set the acc_unit of {placement} to "g"'
        )
    if low <= share / STANDARD_GRAVITY_M_S2 <= high:
        raise RecordingError(
            expected,
            f"it reads {came:.0f}, as if the numbers were in m/s^2",
            f'set the acc_unit of {placement} to "m/s^2"',
        )
    if not low <= share <= high:
        raise RecordingError(
            expected, f"it reads {came:.3g}", f"check the acc_unit, the range and the scaling of {placement}"
        )
    if not NORMAL_GRAVITY_M_S2[0] - _SENSOR_ERROR_M_S2 <= came <= NORMAL_GRAVITY_M_S2[1] + _SENSOR_ERROR_M_S2:
        return f"its accelerometer reads {came:.2f} m/s^2 when held still, where gravity is 9.78 to 9.83"
    return None


def wrong_gyroscope_unit(placement: str, unit: str, times: str = "") -> RecordingError:
    """unit: what the numbers are in. times: how often as much as the accelerometer shows they say."""
    other = "rad/s" if unit == "deg/s" else "deg/s"
    times = times or ("57" if unit == "deg/s" else "0.017")
    return RecordingError(
        f"{placement}'s gyroscope to turn as its accelerometer tilts",
        f"it says {times} times as much, as if numbers in {unit} were declared as {other}",
        f'set the gyr_unit of {placement} to "{unit}"',
    )


@dataclass(frozen=True, slots=True)
class Tilting:
    """How gravity turned in a sensor in its slow movement, and what its gyroscope says of it.

    Gravity g in the sensor's frame turns by dg/dt = -gyr x g. up, turned: (K, 3) gravity, and by how much it turned, in
    m/s^2. rates: (K, 3) what the gyroscope said meanwhile, times the time. Fast movement, where a limb's own
    acceleration hides gravity, is left out.
    """

    up: FloatArray
    turned: FloatArray
    rates: FloatArray

    @property
    def seen(self) -> float:
        """How much there is to compare: sum of squares, (m/s^2)^2."""
        return float((self.turned**2).sum())

    @property
    def enough(self) -> bool:
        return self.seen >= _TURNED_LEAST and bool(self.rates.any())

    def compare(self, axes: FloatArray) -> tuple[float, float]:
        """Agreement (-1 to 1), and the factor by which the gyroscope's numbers are to be taken to agree best, by least
        squares, with its axes turned by a (3, 3) matrix."""
        told = np.cross(self.up, self.rates @ axes.T)
        said, shared = float((told**2).sum()), float((self.turned * told).sum())
        return (shared / np.sqrt(self.seen * said), shared / said) if said > 0 else (0.0, 1.0)


def tilting(acc: FloatArray, gyr: FloatArray, time_s: FloatArray, rate_hz: float) -> Tilting | None:
    """Over quarter seconds of acc (N, 3) in m/s^2 and gyr (N, 3) in any unit; None under two seconds."""
    width = max(2, round(_TURN_STEP_S * rate_hz))
    count = len(acc) // width
    if count < 8:
        return None
    a, w, t = (block_means(part, width) for part in (acc, gyr, time_s[:, None]))
    t = t[:, 0]
    # Two steps apart, to let the tilt show above the linear acceleration; none across a gap.
    norm = np.linalg.norm(a, axis=1)
    slow = np.abs(norm - median_of(norm)) < _SLOW_M_S2
    used = (t[2:] - t[:-2] < 3.0 * width / rate_hz) & slow[2:] & slow[1:-1] & slow[:-2]
    rates = ((0.25 * w[:-2] + 0.5 * w[1:-1] + 0.25 * w[2:]) * (t[2:] - t[:-2])[:, None])[used]
    return Tilting(a[1:-1][used], (a[2:] - a[:-2])[used], rates)


def require_gyroscope(
    placement: str, acc: FloatArray, gyr: FloatArray, time_s: FloatArray, rate_hz: float
) -> str | None:
    """Compare how gravity turns in the sensor with what the gyroscope says; in slow movement both agree.

    The factor between the two sides is 1 for right units, 57.3 or its inverse for radians and degrees exchanged.
    Raises RecordingError for exchanged units; else a sentence where other axes or signs would agree, or None.
    """
    seen = tilting(acc, gyr, time_s, rate_hz)
    if seen is None or not seen.enough:
        return None  # it hardly turned: nothing to compare
    agreement, factor = seen.compare(np.eye(3))
    if agreement > _AGREES and not 0.1 < factor < 10.0:
        raise wrong_gyroscope_unit(placement, "deg/s" if factor < 1 else "rad/s", f"{1 / factor:.2g}")
    if agreement < _DISAGREES and any(
        other_agrees > _AGREES_ELSEWHERE and 0.8 < other_factor < 1.25
        for other_agrees, other_factor in map(seen.compare, AXIS_CHANGES)
    ):
        return "its gyroscope turns about other axes or the other way than its accelerometer: check axes and signs"
    return None


def range_limits(acc_range_m_s2: float | None, gyr_range_rad_s: float | None) -> list[float]:
    """(6,) from where on a channel has reached the declared range of its sensor; infinite without one."""
    ranges = acc_range_m_s2, gyr_range_rad_s
    return [np.inf if limit is None else 0.999 * limit for limit in ranges for _ in range(3)]


def range_rows(values: FloatArray, limits: FloatArray | list[float]) -> BoolArray:
    """(N,) rows of values (N, 6) that reach their range; limits: (6,) or (N, 6), as of `range_limits`."""
    return np.asarray((np.abs(values) >= limits).any(axis=1))


def clipped_rows(values: FloatArray, limits: list[float], *, coarse: bool = False) -> BoolArray:
    """(N,) rows of values (N, 6) that reach their range, (6,) of `range_limits`, or lie on a flat top, which those of a
    coarse converter do anyhow."""
    least, most = values.min(axis=0), values.max(axis=0)
    flat = np.zeros(len(values), dtype=np.bool_) if coarse else _flat_top_rows(values, least, most)
    return flat | range_rows(values, limits) if (np.maximum(most, -least) >= limits).any() else flat


def _flat_top_rows(values: FloatArray, least: FloatArray, most: FloatArray) -> BoolArray:
    """(N,) rows of values (N, 6) on a flat top: several samples in a row at the very extreme of a channel.

    At an extreme that slow drills reach, as that of a low range, only where there are many such samples in all.
    """
    flat = np.zeros(len(values), dtype=np.bool_)
    for channel, extremes in enumerate(zip(least, most, strict=True)):
        for extreme in extremes:
            if abs(extreme) >= _LOW_RANGE[channel]:
                at_extreme = values[:, channel] == extreme
                often = np.count_nonzero(at_extreme) >= _FLAT_TOP_SAMPLES
                found = runs(at_extreme, _FLAT_TOP_SAMPLES) if often else []
                if abs(extreme) >= _FLAT_TOP_LEAST[channel] or sum(b - a for a, b in found) >= _MANY_AT_TOP:
                    for start, end in found:
                        flat[start:end] = True
    return flat


def constant_channels(values: FloatArray) -> tuple[str, ...]:
    """Names of the channels of values (N, 6) that hold one value throughout."""
    some = values[:_FEW_ROWS]
    if len(values) == 1 or not (some == some[0]).all(axis=0).any():
        return ()
    same = (values == values[0]).all(axis=0)
    return tuple(name for name, constant in zip(AXES, same, strict=True) if constant)


def coarse_steps(values: FloatArray) -> tuple[float, float]:
    """The steps in which the accelerometer and the gyroscope of values (N, 6) come, in m/s^2 and rad/s, where they are
    as large as a person's sway; else 0."""
    some = values[:: 1 + len(values) // _FEW_ROWS]
    found = []
    for columns, least in zip(INSTRUMENTS.values(), _COARSE, strict=True):
        steps = [np.diff(np.unique(column)) for column in some[:, columns].T]
        own = min((float(step.min()) for step in steps if len(step)), default=0.0)
        found.append(own if own >= least else 0.0)
    return found[0], found[1]


def repeated_values(values: FloatArray) -> BoolArray:
    """(6, N - 1) whether each channel of values (N, 6) repeats its value in the next row."""
    return np.asarray(values.T[:, 1:] == values.T[:, :-1])


def stuck_stretches(values: FloatArray, same: BoolArray, rate_hz: float, stuck_s: float) -> list[Stuck]:
    """Where channels of values (N, 6) repeat one value for longer than stuck_s while the sensor moves.

    same: (6, N - 1) of `repeated_values`.

    One channel alone: stuck where another one moves meanwhile. All six: frozen where the value is one of turning,
    or where a jump ends it. A channel that often repeats its value elsewhere too has a coarse converter, and is not
    judged.
    """
    least = max(3, round(stuck_s * rate_hz))
    found: dict[tuple[int, int], list[str]] = {}
    for channel, own in enumerate(same):
        repeats = int(np.count_nonzero(own))
        long = runs(own, least) if repeats >= least else []
        inside = sum(end - start for start, end in long)
        if not long or (repeats - inside) / max(1, len(own) - inside) > COARSE_SHARE:
            continue
        for start, end in long:
            if _moves(values, start, end + 1):
                found.setdefault((start, end + 1), []).append(AXES[channel])
    return [Stuck(start, end, tuple(names)) for (start, end), names in sorted(found.items())]


def _moves(values: FloatArray, start: int, end: int) -> bool:
    inside = values[start:end]
    if (np.ptp(inside, axis=0) > MOVES).any():
        return True
    if not (inside == inside[0]).all():
        return False
    if np.linalg.norm(inside[0, 3:]) > _STUCK_TURNING_RAD_S:
        return True
    return bool(end < len(values) and (np.abs(values[end] - inside[0]) > _JUMP).any())
