"""Whether samples can be what they say they are: told at reading, before anything is computed from them."""

from __future__ import annotations

from collections.abc import Mapping
from itertools import combinations

import numpy as np

from imu_shoulder.errors import RecordingError
from imu_shoulder.limits import MAX_HOURS, MOST_RATE_OFF
from imu_shoulder.model import FloatArray, SensorStream
from imu_shoulder.spill import let_go

# Sensors for movement are sampled within these; anything else is a slip of the pen.
LEAST_RATE_HZ, MOST_RATE_HZ = 5.0, 4000.0
# Under so many steps forward nothing is said of a rate.
_LEAST_STEPS = 20
# Where more than this share of the rows repeats the stamp before, stamps are those of packets of several rows.
_PACKET_SHARE = 0.05
_UNITS = {1e3: "milliseconds", 1e6: "microseconds", 1e9: "nanoseconds"}
# A unit is recognised where the rate fits it within this factor.
_UNIT_WITHIN = 1.5
# No accelerometer and no gyroscope gives more, in m/s^2 and rad/s, whatever unit it was taken for.
_MOST_READING = 1e7
# A longer step forward is a hole in the recording.
_HOLE_S = 1.0


def require_possible_times(time_s: FloatArray, rate_hz: float, name: str) -> None:
    """Raises RecordingError where times (N,) do not increase, are in another unit, or last over MAX_HOURS, or where
    their rate is not the declared one. name: the file's."""
    steps = np.diff(time_s)
    forward, backward = int((steps > 0).sum()), int((steps < 0).sum())
    if len(steps) and (forward == 0 or backward > forward):
        came = "it never does" if forward == 0 else f"it steps back {backward} and forward {forward} times"
        raise RecordingError(f"time in {name} to increase", came, "check the time column and its unit")
    measured_hz = _measured_hz(steps)
    off = 1.0 if measured_hz is None else rate_hz / measured_hz
    unit = next((unit for times, unit in _UNITS.items() if times / _UNIT_WITHIN < off < times * _UNIT_WITHIN), None)
    if unit is not None:
        raise RecordingError(
            f"time_s of {name} in seconds",
            f"its rows are {off / rate_hz:.6g} apart at {rate_hz:g} Hz, as if they counted {unit}",
            "write seconds, or say the unit in a column map",
        )
    _require_length(time_s, steps, rate_hz, name)
    if not 1 - MOST_RATE_OFF <= off <= 1 / (1 - MOST_RATE_OFF):
        raise RecordingError(
            f"the rows of {name} at the declared {rate_hz:g} Hz, within {100 * MOST_RATE_OFF:.0f} %",
            f"its times say {measured_hz:.6g} Hz",
            "correct sample_rate_hz, or the time column and its unit",
        )


def require_possible_readings(readings: FloatArray, name: str) -> None:
    """Raises RecordingError where a reading (N, K) is larger than any sensor gives. name: the file's."""
    possible = np.abs(readings) <= _MOST_READING
    if not possible.all():
        row = int(np.argmin(possible.all(axis=1)))
        worst = float(np.abs(readings[row]).max())
        raise RecordingError(
            f"readings of an accelerometer and a gyroscope in {name}",
            f"row {row + 2} says {worst:.3g}",
            "correct the file: no sensor measures that",
        )


def _measured_hz(steps: FloatArray) -> float | None:
    """The rate that steps in time (N,) show, whatever is missing; None where they are too few."""
    forward = steps[steps > 0]
    if len(forward) < _LEAST_STEPS:
        return None
    usual_s = float(np.median(forward))
    if (steps == 0).mean() <= _PACKET_SHARE:
        return 1.0 / usual_s
    told = steps[(steps >= 0) & (steps < 5 * usual_s)]
    return len(told) / float(told.sum())


def _require_length(time_s: FloatArray, steps: FloatArray, rate_hz: float, name: str) -> None:
    holes_s = float(steps[steps > _HOLE_S].sum())
    lasts_s = max(float(np.ptp(time_s)), holes_s + len(time_s) / rate_hz)
    if lasts_s <= MAX_HOURS * 3600:
        return
    row = int(np.argmax(steps))
    where = f", of which {steps[row] / 3600:.1f} hours pass between rows {row + 1} and {row + 2}"
    raise RecordingError(
        f"at most {MAX_HOURS:g} hours in {name}",
        f"its times go over {lasts_s / 3600:.1f} hours" + (where if steps[row] > _HOLE_S else ""),
        "correct time_s, or cut the recording into parts",
    )


def require_possible_sensors(streams: Mapping[str, SensorStream]) -> None:
    """Raises RecordingError where two sensors hold the same numbers."""
    for one, other in combinations(streams.values(), 2):
        if _same(one, other):
            raise RecordingError(
                "numbers of its own from each sensor",
                f"those of {one.placement} and {other.placement} are the same",
                "give each sensor its own file or columns, or leave one of the two out",
            )


def _same(one: SensorStream, other: SensorStream) -> bool:
    """Whether two sensors measured the same in every row, under whatever axes; what never changes may be dead."""
    if len(one.time_s) < _LEAST_STEPS or len(one.time_s) != len(other.time_s):
        return False
    # The first rows tell of nearly all.
    for rows in (slice(_LEAST_STEPS), slice(None)):
        let_go()
        for ours, theirs in ((one.acc_m_s2, other.acc_m_s2), (one.gyr_rad_s, other.gyr_rad_s)):
            if not np.array_equal(np.sort(np.abs(ours[rows]), axis=1), np.sort(np.abs(theirs[rows]), axis=1)):
                return False
    return bool(np.ptp(one.gyr_rad_s, axis=0).any())
