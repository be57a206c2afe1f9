"""Sensors that lie: every kind of fault as a function from a sound recording to one in which one sensor has it.

What is allowed as the answer stands beside each. A kind is found where a finding of an allowed code names the sensor,
or where the recording is refused with a sentence that names it.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np

from imu_shoulder.model import Event, FloatArray, Recording, SensorStream

# What becomes of it: some of its rows or all of the sensor left out, its clock put right, or the recording refused.
Outcome = Literal["rows", "sensor", "put right", "refused"]
Harm = Callable[[SensorStream, Recording], SensorStream]


@dataclass(frozen=True, slots=True)
class SensorFault:
    """One kind of fault. codes: findings that are an answer. outcomes: what may become of the sensor.

    of_both: it is a difference of the arm's two sensors, and either may be named.
    """

    name: str
    harm: Harm
    codes: frozenset[str]
    outcomes: frozenset[str]
    of_both: bool = False

    def __call__(self, recording: Recording, placement: str) -> Recording:
        """The recording with the fault in one sensor."""
        bad = self.harm(recording.streams[placement], recording)
        return replace(recording, streams={**recording.streams, placement: bad})

    def changes(self, recording: Recording, placement: str) -> bool:
        """Whether that sensor is another one with the fault: what never turns so fast is not clipped by a low range."""
        was, now = recording.streams[placement], self.harm(recording.streams[placement], recording)
        same_rows = np.array_equal(was.time_s, now.time_s)
        return not (same_rows and np.array_equal(_values(was), _values(now)))


def sets_of(recording: Recording) -> list[Event]:
    return [event for event in recording.events if event.trial_type == "set"]


def _values(stream: SensorStream) -> FloatArray:
    return np.hstack([stream.acc_m_s2, stream.gyr_rad_s])


def with_values(stream: SensorStream, values: FloatArray) -> SensorStream:
    return replace(stream, acc_m_s2=values[:, :3].copy(), gyr_rad_s=values[:, 3:].copy())


def between(stream: SensorStream, start_s: float, end_s: float) -> slice:
    first, last = np.searchsorted(stream.time_s, [start_s, end_s])
    return slice(int(first), int(last))


def zeroed(*spans: tuple[float, float], columns: slice = slice(0, 6)) -> Harm:
    """Zeros in shares of the first set: 0 its begin, 1 its end."""

    def harm(stream: SensorStream, recording: Recording) -> SensorStream:
        values, event = _values(stream), sets_of(recording)[0]
        for begin, end in spans:
            rows = between(stream, event.onset_s + begin * event.duration_s, event.onset_s + end * event.duration_s)
            values[rows, columns] = 0.0
        return with_values(stream, values)

    return harm


def zero_end(stream: SensorStream, recording: Recording) -> SensorStream:
    """The last 3 s."""
    values = _values(stream)
    values[between(stream, stream.time_s[-1] - 3.0, np.inf)] = 0.0
    return with_values(stream, values)


def zero_bursts(stream: SensorStream, recording: Recording) -> SensorStream:
    """Six of 0.6 s, evenly over the first set."""
    values, event = _values(stream), sets_of(recording)[0]
    for start_s in event.onset_s + (np.arange(6) + 0.5) / 6 * event.duration_s:
        values[between(stream, start_s, start_s + 0.6)] = 0.0
    return with_values(stream, values)


def zero_rows(count: int) -> Harm:
    """So many, in the middle of the first set."""

    def harm(stream: SensorStream, recording: Recording) -> SensorStream:
        values, event = _values(stream), sets_of(recording)[0]
        first = between(stream, event.onset_s + event.duration_s / 2, np.inf).start
        values[first : first + count] = 0.0
        return with_values(stream, values)

    return harm


def all_zero(stream: SensorStream, recording: Recording) -> SensorStream:
    return with_values(stream, np.zeros((len(stream.time_s), 6)))


def frozen(share: float, lasts_s: float) -> Harm:
    """All channels hold, from a share of the first set on."""

    def harm(stream: SensorStream, recording: Recording) -> SensorStream:
        values, event = _values(stream), sets_of(recording)[0]
        start_s = event.onset_s + share * event.duration_s
        rows = between(stream, start_s, start_s + lasts_s)
        values[rows] = values[rows.start]
        return with_values(stream, values)

    return harm


def repeated(stream: SensorStream, recording: Recording) -> SensorStream:
    """A second of rows is written again in place of the next."""
    values, event = _values(stream), sets_of(recording)[0]
    rows = between(stream, event.onset_s + 0.5 * event.duration_s, event.onset_s + 0.5 * event.duration_s + 1.0)
    count = rows.stop - rows.start
    values[rows.stop : rows.stop + count] = values[rows]
    return with_values(stream, values)


def held(columns: slice, share: float) -> Harm:
    """Some channels hold their value from a share of the first set to the end."""

    def harm(stream: SensorStream, recording: Recording) -> SensorStream:
        values, event = _values(stream), sets_of(recording)[0]
        first = between(stream, event.onset_s + share * event.duration_s, np.inf).start
        values[first:, columns] = values[first, columns]
        return with_values(stream, values)

    return harm


def changed(change: Callable[[FloatArray], FloatArray]) -> Harm:
    """By a function of the values (N, 6), accelerometer first."""
    return lambda stream, recording: with_values(stream, change(_values(stream)))


def times(acc: FloatArray | float, gyr: FloatArray | float) -> Harm:
    factors = np.concatenate([np.broadcast_to(acc, 3), np.broadcast_to(gyr, 3)]).astype(float)
    return changed(lambda values: values * factors)


def plus(acc: FloatArray) -> Harm:
    return changed(lambda values: values + np.concatenate([acc, np.zeros(3)]))


def spikes(share: float, size: FloatArray) -> Harm:
    """In a share of all rows, in one channel each, by as much as `size` (6,) says up or down."""

    def harm(stream: SensorStream, recording: Recording) -> SensorStream:
        values, rng = _values(stream), np.random.default_rng(len(stream.time_s))
        rows = rng.choice(np.arange(5, len(values) - 5), round(share * len(values)), replace=False)
        channels = rng.choice(np.flatnonzero(size), len(rows))
        values[rows, channels] += rng.choice([-1.0, 1.0], len(rows)) * size[channels]
        return with_values(stream, values)

    return harm


def runs_over(values: FloatArray) -> FloatArray:
    """A gyroscope that begins at its other end where it goes beyond its range."""
    return np.hstack([values[:, :3], (values[:, 3:] + LIMIT_RAD_S) % (2.0 * LIMIT_RAD_S) - LIMIT_RAD_S])


def packets_twice(rows: int, times: int) -> Harm:
    """Packets of so many rows come again in place of the next, evenly over the first set."""

    def harm(stream: SensorStream, recording: Recording) -> SensorStream:
        values, event = _values(stream), sets_of(recording)[0]
        inside = between(stream, event.onset_s, event.end_s - 1.0)
        for first in np.linspace(inside.start, inside.stop - 2 * rows, times).astype(int):
            values[first + rows : first + 2 * rows] = values[first : first + rows]
        return with_values(stream, values)

    return harm


def within_set(change: Callable[[FloatArray], FloatArray], begin: float, end: float = np.inf) -> Harm:
    """`changed`, from a share of the first set to another."""

    def harm(stream: SensorStream, recording: Recording) -> SensorStream:
        values, event = _values(stream), sets_of(recording)[0]
        start_s, end_s = (event.onset_s + share * event.duration_s for share in (begin, end))
        rows = between(stream, start_s, end_s)
        values[rows] = change(values[rows])
        return with_values(stream, values)

    return harm


def noise(values: FloatArray) -> FloatArray:
    """Of 1 rad/s in each axis of the gyroscope."""
    rng = np.random.default_rng(len(values))
    return np.hstack([values[:, :3], values[:, 3:] + rng.normal(size=(len(values), 3))])


def zero_of_gyroscope(deg_s: FloatArray) -> Callable[[FloatArray], FloatArray]:
    return lambda values: values + np.concatenate([np.zeros(3), np.radians(deg_s)])


def pace(factor: float) -> Harm:
    return lambda stream, recording: replace(
        stream, time_s=stream.time_s[0] + factor * (stream.time_s - stream.time_s[0])
    )


def clock_jumps(by_s: float) -> Harm:
    """In the middle of the first set."""

    def harm(stream: SensorStream, recording: Recording) -> SensorStream:
        event = sets_of(recording)[0]
        return replace(stream, time_s=stream.time_s + by_s * (stream.time_s > event.onset_s + event.duration_s / 2))

    return harm


def clipped(values: FloatArray) -> FloatArray:
    return np.hstack([values[:, :3], np.clip(values[:, 3:], -LIMIT_RAD_S, LIMIT_RAD_S)])


def ends_early(stream: SensorStream, recording: Recording) -> SensorStream:
    """Half-way through the first set."""
    event = sets_of(recording)[0]
    return _rows(stream, slice(0, between(stream, event.onset_s + event.duration_s / 2, np.inf).start))


def starts_late(stream: SensorStream, recording: Recording) -> SensorStream:
    """After the pose, 3 s before the first set."""
    return _rows(stream, slice(between(stream, sets_of(recording)[0].onset_s - 3.0, np.inf).start, None))


def _rows(stream: SensorStream, rows: slice) -> SensorStream:
    return replace(stream, time_s=stream.time_s[rows], acc_m_s2=stream.acc_m_s2[rows], gyr_rad_s=stream.gyr_rad_s[rows])


def late(by_s: float) -> Harm:
    return lambda stream, recording: replace(stream, time_s=stream.time_s + by_s)


def _fault(name: str, harm: Harm, codes: str, outcomes: str, *, of_both: bool = False) -> SensorFault:
    return SensorFault(name, harm, frozenset(codes.split()), frozenset(outcomes.split(", ")), of_both)


def same_arm(placement: str) -> tuple[str, str]:
    """The two limb sensors of the arm that a sensor sits on."""
    side = placement.split("_")[0]
    return f"{side}_wrist", f"{side}_upper_arm"


# A zero that is off: told and taken off, told by the size of gravity in one posture, or the sensor left out.
ZERO = "accelerometer_zero accelerometer_off gravity_off"
LIMIT_RAD_S = float(np.radians(60.0))
SPIKE = np.array([60.0, 60.0, 60.0, 10.0, 10.0, 10.0])
GYROSCOPE = np.repeat([0.0, 1.0], 3)
MIRRORED_X = np.array([-1.0, 1.0, 1.0])

SENSOR_FAULTS: Mapping[str, SensorFault] = {
    fault.name: fault
    for fault in (
        _fault("zeros, last 3 s", zero_end, "zero_rows", "rows"),
        _fault("zeros, six bursts of 0.6 s", zero_bursts, "zero_rows", "rows"),
        _fault("zeros, three rows", zero_rows(3), "zero_rows", "rows"),
        _fault("zeros throughout", all_zero, "constant_channel", "sensor"),
        _fault(
            "accelerometer zero for a third of the set", zeroed((0.3, 0.6), columns=slice(0, 3)), "zero_rows", "rows"
        ),
        _fault("frozen for 2 s", frozen(0.4, 2.0), "stuck_channel", "rows"),
        _fault("frozen for 0.3 s", frozen(0.4, 0.3), "stuck_channel", "rows"),
        _fault("a second written twice", repeated, "repeated_rows", "rows"),
        _fault("gyroscope dead", times(1.0, 0.0), "constant_channel", "sensor"),
        _fault("gyroscope dies in the set", held(slice(3, 6), 0.4), "stuck_channel", "rows"),
        _fault("accelerometer dies in the set", held(slice(0, 3), 0.4), "stuck_channel", "rows"),
        _fault("one axis of the gyroscope dies in the set", held(slice(4, 5), 0.4), "stuck_channel", "rows"),
        _fault("gyroscope clips at 60 deg/s", changed(clipped), "clipping", "rows"),
        _fault("accelerometer's x off by 0.5 m/s^2", plus(np.array([0.5, 0.0, 0.0])), ZERO, "put right, sensor"),
        _fault("accelerometer's x off by 1.5 m/s^2", plus(np.array([1.5, 0.0, 0.0])), ZERO, "put right, sensor"),
        _fault("accelerometer's x off by 2 m/s^2", plus(np.array([2.0, 0.0, 0.0])), ZERO, "put right, sensor"),
        _fault("accelerometer's z off by 3 m/s^2", plus(np.array([0.0, 0.0, 3.0])), ZERO, "put right, sensor"),
        _fault("accelerometer 1.3 times", times(1.3, 1.0), "accelerometer_off gravity_off", "sensor"),
        _fault("gyroscope 1.1 times", times(1.0, 1.1), "gyroscope_scale", "sensor"),
        _fault("gyroscope 57 times", times(1.0, 180.0 / np.pi), "axes_wrong gyroscope_scale", "sensor, refused"),
        _fault("accelerometer in g", times(1 / 9.80665, 1.0), "accelerometer_off", "sensor, refused"),
        _fault("gyroscope negated", times(1.0, -1.0), "axes_wrong", "sensor"),
        _fault("gyroscope's x mirrored", times(1.0, MIRRORED_X), "axes_wrong", "sensor"),
        _fault("accelerometer's x mirrored", times(MIRRORED_X, 1.0), "axes_wrong", "sensor"),
        _fault("accelerometer negated", times(-1.0, 1.0), "accelerometer_upside_down", "sensor", of_both=True),
        _fault("clock 0.2 s ahead", late(0.2), "clocks_apart", "put right", of_both=True),
        _fault("clock 0.5 s ahead", late(0.5), "clocks_apart", "put right", of_both=True),
        _fault("clock 10 s ahead", late(10.0), "clock_unknown", "sensor"),
        _fault("spikes in 1 % of the rows", spikes(0.01, SPIKE), "spikes", "put right"),
        _fault("spikes of the gyroscope in 3 %", spikes(0.03, SPIKE * GYROSCOPE), "spikes", "put right"),
        _fault("gyroscope runs over at 60 deg/s", changed(runs_over), "range_wrapped", "put right"),
        _fault("gyroscope noisy for a third of the set", within_set(noise, 0.3, 0.6), "noisy", "rows, sensor"),
        _fault("20 packets of four rows come twice", packets_twice(4, 20), "repeated_rows", "put right"),
        _fault(
            "gyroscope's zero off by 20 deg/s",
            changed(zero_of_gyroscope(np.array([0.0, 0.0, 20.0]))),
            "gyr_offset",
            "put right",
        ),
        _fault(
            "accelerometer negated from within the set",
            within_set(lambda values: values * np.repeat([-1.0, 1.0], 3), 0.4),
            "axes_changed accelerometer_off axes_wrong instruments_disagree",
            "sensor",
        ),
        _fault("clock 2 % slow", pace(0.98), "clocks_apart clock_unknown", "put right, sensor", of_both=True),
        _fault(
            "clock jumps by 1 s in the set",
            clock_jumps(1.0),
            "clocks_apart clock_unknown",
            "put right, sensor",
            of_both=True,
        ),
        _fault("starts after the pose", starts_late, "starts_late", "rows, sensor"),
        _fault("ends half-way", ends_early, "ends_early", "rows"),
    )
}

# Kinds of faults by their size, from too small to be asked for on: name, unit, the harm of a size, sizes, codes.
BY_SIZE: tuple[tuple[str, str, Callable[[float], Harm], tuple[float, ...], str], ...] = (
    ("zeros", "rows", lambda size: zero_rows(round(size)), (1, 2, 3, 5), "zero_rows"),
    ("frozen", "s", lambda size: frozen(0.4, size), (0.03, 0.06, 0.1, 0.2, 0.3), "stuck_channel"),
    (
        "accelerometer's x off",
        "m/s^2",
        lambda size: plus(np.array([size, 0.0, 0.0])),
        (0.25, 0.5, 0.75, 1.0, 1.5, 2.0),
        ZERO,
    ),
    ("gyroscope's scale off", "%", lambda size: times(1.0, 1.0 + size / 100.0), (2, 5, 7, 10, 15), "gyroscope_scale"),
    ("gyroscope's scale off", "%", lambda size: times(1.0, 1.0 + size / 100.0), (-15, -10, -7, -5), "gyroscope_scale"),
    ("clock ahead", "s", late, (0.05, 0.1, 0.15, 0.2, 0.3, 1.0), "clocks_apart"),
)
