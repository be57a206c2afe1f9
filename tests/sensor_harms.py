"""What can be done to a sensor's rows: functions from a sound sensor and its recording to one with a fault."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np

from imu_shoulder.model import Event, FloatArray, Recording, SensorStream

Harm = Callable[[SensorStream, Recording], SensorStream]

LIMIT_RAD_S = float(np.radians(60.0))


def sets_of(recording: Recording) -> list[Event]:
    return [event for event in recording.events if event.trial_type == "set"]


def values_of(stream: SensorStream) -> FloatArray:
    return np.hstack([stream.acc_m_s2, stream.gyr_rad_s])


def with_values(stream: SensorStream, values: FloatArray) -> SensorStream:
    return replace(stream, acc_m_s2=values[:, :3].copy(), gyr_rad_s=values[:, 3:].copy())


def between(stream: SensorStream, start_s: float, end_s: float) -> slice:
    first, last = np.searchsorted(stream.time_s, [start_s, end_s])
    return slice(int(first), int(last))


def zeroed(*spans: tuple[float, float], columns: slice = slice(0, 6)) -> Harm:
    """Zeros in shares of the first set: 0 its begin, 1 its end."""

    def harm(stream: SensorStream, recording: Recording) -> SensorStream:
        values, event = values_of(stream), sets_of(recording)[0]
        for begin, end in spans:
            rows = between(stream, event.onset_s + begin * event.duration_s, event.onset_s + end * event.duration_s)
            values[rows, columns] = 0.0
        return with_values(stream, values)

    return harm


def zero_end(stream: SensorStream, recording: Recording) -> SensorStream:
    """The last 3 s."""
    values = values_of(stream)
    values[between(stream, stream.time_s[-1] - 3.0, np.inf)] = 0.0
    return with_values(stream, values)


def zero_bursts(stream: SensorStream, recording: Recording) -> SensorStream:
    """Six of 0.6 s, evenly over the first set."""
    values, event = values_of(stream), sets_of(recording)[0]
    for start_s in event.onset_s + (np.arange(6) + 0.5) / 6 * event.duration_s:
        values[between(stream, start_s, start_s + 0.6)] = 0.0
    return with_values(stream, values)


def zero_rows(count: int) -> Harm:
    """So many, in the middle of the first set."""

    def harm(stream: SensorStream, recording: Recording) -> SensorStream:
        values, event = values_of(stream), sets_of(recording)[0]
        first = between(stream, event.onset_s + event.duration_s / 2, np.inf).start
        values[first : first + count] = 0.0
        return with_values(stream, values)

    return harm


def all_zero(stream: SensorStream, recording: Recording) -> SensorStream:
    return with_values(stream, np.zeros((len(stream.time_s), 6)))


def frozen(share: float, lasts_s: float) -> Harm:
    """All channels hold, from a share of the first set on."""

    def harm(stream: SensorStream, recording: Recording) -> SensorStream:
        values, event = values_of(stream), sets_of(recording)[0]
        start_s = event.onset_s + share * event.duration_s
        rows = between(stream, start_s, start_s + lasts_s)
        values[rows] = values[rows.start]
        return with_values(stream, values)

    return harm


def repeated(stream: SensorStream, recording: Recording) -> SensorStream:
    """A second of rows is written again in place of the next."""
    values, event = values_of(stream), sets_of(recording)[0]
    rows = between(stream, event.onset_s + 0.5 * event.duration_s, event.onset_s + 0.5 * event.duration_s + 1.0)
    count = rows.stop - rows.start
    values[rows.stop : rows.stop + count] = values[rows]
    return with_values(stream, values)


def held(columns: slice, share: float) -> Harm:
    """Some channels hold their value from a share of the first set to the end."""

    def harm(stream: SensorStream, recording: Recording) -> SensorStream:
        values, event = values_of(stream), sets_of(recording)[0]
        first = between(stream, event.onset_s + share * event.duration_s, np.inf).start
        values[first:, columns] = values[first, columns]
        return with_values(stream, values)

    return harm


def changed(change: Callable[[FloatArray], FloatArray]) -> Harm:
    """By a function of the values (N, 6), accelerometer first."""
    return lambda stream, recording: with_values(stream, change(values_of(stream)))


def times(acc: FloatArray | float, gyr: FloatArray | float) -> Harm:
    factors = np.concatenate([np.broadcast_to(acc, 3), np.broadcast_to(gyr, 3)]).astype(float)
    return changed(lambda values: values * factors)


def plus(acc: FloatArray) -> Harm:
    return changed(lambda values: values + np.concatenate([acc, np.zeros(3)]))


def spikes(share: float, size: FloatArray) -> Harm:
    """In a share of all rows, in one channel each, by as much as `size` (6,) says up or down."""

    def harm(stream: SensorStream, recording: Recording) -> SensorStream:
        values, rng = values_of(stream), np.random.default_rng(len(stream.time_s))
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
        values, event = values_of(stream), sets_of(recording)[0]
        inside = between(stream, event.onset_s, event.end_s - 1.0)
        for first in np.linspace(inside.start, inside.stop - 2 * rows, times).astype(int):
            values[first + rows : first + 2 * rows] = values[first : first + rows]
        return with_values(stream, values)

    return harm


def within_set(change: Callable[[FloatArray], FloatArray], begin: float, end: float = np.inf) -> Harm:
    """`changed`, from a share of the first set to another."""

    def harm(stream: SensorStream, recording: Recording) -> SensorStream:
        values, event = values_of(stream), sets_of(recording)[0]
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


def own_zero(stream: SensorStream) -> FloatArray:
    """(3,) how far the accelerometer's zero is off by itself, in m/s^2, as far as the size of gravity shows it."""
    width = max(4, len(stream.time_s) * round(0.5 * stream.declared_rate_hz) // max(len(stream.time_s), 1))
    blocks = stream.acc_m_s2[: len(stream.acc_m_s2) // width * width].reshape(-1, width, 3)
    mean = blocks.mean(axis=1)[blocks.std(axis=1).max(axis=1) < 0.2]
    size = np.linalg.norm(mean, axis=1)
    up = mean / size[:, None]
    return np.asarray(np.linalg.solve(up.T @ up + 5.0 * np.eye(3), up.T @ (size - 9.81)))


def further_off(size_m_s2: float) -> Harm:
    """The accelerometer's x, to the side to which it is off by itself: it may not be put right by chance."""

    def harm(stream: SensorStream, recording: Recording) -> SensorStream:
        side = -1.0 if own_zero(stream)[0] < 0.0 else 1.0
        return with_values(stream, values_of(stream) + side * size_m_s2 * np.eye(6)[0])

    return harm


def axes(acc: tuple[int, int, int] = (0, 1, 2), gyr: tuple[int, int, int] = (0, 1, 2)) -> Harm:
    """In another order."""
    return changed(lambda values: values[:, [*acc, *(3 + k for k in gyr)]])


def rounded(acc_m_s2: float, gyr_deg_s: float) -> Harm:
    step = np.array([acc_m_s2] * 3 + [np.radians(gyr_deg_s)] * 3)
    return changed(lambda values: np.round(values / step) * step)


def averaged(seconds: float, columns: slice = slice(0, 6)) -> Harm:
    """Over so long a time, up to now."""

    def harm(stream: SensorStream, recording: Recording) -> SensorStream:
        values, width = values_of(stream), max(2, round(seconds * stream.declared_rate_hz))
        sums = np.cumsum(np.vstack([np.repeat(values[:1, columns], width, axis=0), values[:, columns]]), axis=0)
        values[:, columns] = (sums[width:] - sums[:-width]) / width
        return with_values(stream, values)

    return harm


def drifts(by: FloatArray) -> Harm:
    """By so much (6,), in m/s^2 and deg/s, in each minute."""

    def harm(stream: SensorStream, recording: Recording) -> SensorStream:
        step = np.concatenate([by[:3], np.radians(by[3:])])
        return with_values(stream, values_of(stream) + np.outer((stream.time_s - stream.time_s[0]) / 60.0, step))

    return harm


def filled(begin: float, lasts_s: float) -> Harm:
    """A straight line in place of what was lost, from a share of the first set on."""

    def harm(stream: SensorStream, recording: Recording) -> SensorStream:
        values, event = values_of(stream), sets_of(recording)[0]
        start_s = event.onset_s + begin * event.duration_s
        rows = between(stream, start_s, start_s + lasts_s)
        share = np.linspace(0.0, 1.0, rows.stop - rows.start + 1)[:-1, None]
        values[rows] = values[rows.start] + share * (values[rows.stop] - values[rows.start])
        return with_values(stream, values)

    return harm


def missing(begin: float, lasts_s: float, columns: slice = slice(0, 6)) -> Harm:
    """No numbers, from a share of the first set on."""

    def harm(stream: SensorStream, recording: Recording) -> SensorStream:
        values, event = values_of(stream), sets_of(recording)[0]
        start_s = event.onset_s + begin * event.duration_s
        values[between(stream, start_s, start_s + lasts_s), columns] = np.nan
        return with_values(stream, values)

    return harm


def signs_flip(share: float) -> Harm:
    """In a share of all rows, of the largest channel of either instrument."""

    def harm(stream: SensorStream, recording: Recording) -> SensorStream:
        values, rng = values_of(stream), np.random.default_rng(len(stream.time_s))
        rows = rng.choice(np.arange(5, len(values) - 5), round(share * len(values)), replace=False)
        for columns in (np.arange(3), np.arange(3, 6)):
            channel = columns[np.abs(values[np.ix_(rows, columns)]).argmax(axis=1)]
            values[rows, channel] *= -1.0
        return with_values(stream, values)

    return harm


def pairs(begin: float, end: float) -> Harm:
    """Half the rate for a while: each second row is the one before."""

    def harm(stream: SensorStream, recording: Recording) -> SensorStream:
        values, event = values_of(stream), sets_of(recording)[0]
        rows = between(stream, *(event.onset_s + share * event.duration_s for share in (begin, end)))
        values[rows.start + 1 : rows.stop : 2] = values[rows.start : rows.stop - 1 : 2]
        return with_values(stream, values)

    return harm


def backwards(begin: float, lasts_s: float) -> Harm:
    """Rows are written last first for a while."""

    def harm(stream: SensorStream, recording: Recording) -> SensorStream:
        event = sets_of(recording)[0]
        start_s = event.onset_s + begin * event.duration_s
        rows, order = between(stream, start_s, start_s + lasts_s), np.arange(len(stream.time_s))
        order[rows] = order[rows][::-1]
        values = values_of(stream)[order]
        return replace(with_values(stream, values), time_s=stream.time_s[order])

    return harm


def restarts(begin: float, lasts_s: float) -> Harm:
    """It was off for a while, and counts from nothing then."""

    def harm(stream: SensorStream, recording: Recording) -> SensorStream:
        event = sets_of(recording)[0]
        start_s = event.onset_s + begin * event.duration_s
        kept = (stream.time_s < start_s) | (stream.time_s > start_s + lasts_s)
        time_s = np.where(stream.time_s > start_s, stream.time_s - start_s - lasts_s, stream.time_s)
        values = values_of(stream)[kept]
        return replace(with_values(stream, values), time_s=time_s[kept])

    return harm


def same_stamps(count: int) -> Harm:
    """So many rows in a row have one time stamp."""

    def harm(stream: SensorStream, recording: Recording) -> SensorStream:
        return replace(stream, time_s=stream.time_s[np.arange(len(stream.time_s)) // count * count])

    return harm


def gyroscope_late(by_s: float) -> Harm:
    """Against the accelerometer of the same sensor."""

    def harm(stream: SensorStream, recording: Recording) -> SensorStream:
        rows = np.searchsorted(stream.time_s, stream.time_s - by_s)
        return replace(stream, gyr_rad_s=stream.gyr_rad_s[rows])

    return harm


def goes_on_as(other_of: Callable[[str], str], begin: float) -> Harm:
    """From a share of the first set on, or throughout, its rows are those of another sensor."""

    def harm(stream: SensorStream, recording: Recording) -> SensorStream:
        event, other = sets_of(recording)[0], recording.streams[other_of(stream.placement)]
        if begin < 0.0:
            return replace(other, placement=stream.placement)
        late = stream.time_s > event.onset_s + begin * event.duration_s
        values = values_of(stream)
        for column, own in zip(values.T, values_of(other).T, strict=True):
            column[late] = np.interp(stream.time_s[late], other.time_s, own)
        return with_values(stream, values)

    return harm


def beside(placement: str) -> str:
    """The other sensor of the arm."""
    side, segment = placement.split("_", 1)
    return f"{side}_{'upper_arm' if segment == 'wrist' else 'wrist'}"
