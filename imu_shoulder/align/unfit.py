"""Rows of a sensor that are no measurement: zeros, values that stand still, stretches written twice.

A sensor that works never repeats itself exactly for long: its noise is larger than the step of its converter. How long
a repetition has to last before it is no chance is told by how often this sensor repeats itself elsewhere.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import log

import numpy as np

from imu_shoulder.align import checks
from imu_shoulder.align.notes import Notes
from imu_shoulder.arrays import joined_runs, median_of, runs, usual_step
from imu_shoulder.model import BoolArray, FloatArray

# So many repetitions by chance, in all of a recording, make one that is none.
_BY_CHANCE = 1e-5
# A still sensor repeats itself more often than it does on the whole: so many times as often, and a little.
_STILLER, _LEAST_SHARE = 3.0, 0.02
# Rows of the shortest recording that is reckoned with.
_LEAST_ROWS = 10_000
# Rows that are written twice are told by so many different ones in a row.
_DIFFERENT_ROWS = 8
# A packet that comes again right after itself: so many rows at least, from so many rows before at most, and this share
# of all rows that come again so soon.
_PACKET_ROWS, _NEAR_ROWS, _MOSTLY = 3, 64, 0.9
# An instrument is noisy where parts of this length, so many in a row, have so much noise in each channel (m/s^2, rad/s)
# that comes back in the next row by this share. In real sets, hard ones too, two such parts in a row were the most.
_NOISE_S, _NOISE_PARTS, _NOISE, _BACK_SHARE = 0.5, 4, (1.5, 0.25), 0.3
_AGAIN = "rows of before were written again"
# Each second row that is the one before, as of a sensor that is asked twice as often as it measures: so many at least,
# by this share of all rows at most, so near to each other, and of which chance makes this share at most.
_DOUBLED_ROWS, _DOUBLED_MOST, _DOUBLED_STEP, _CHANCE_SHARE = 20, 0.3, 3, 0.05
# A straight line in all channels: for so long, to within this share of how a channel usually bends, and so many that
# change meanwhile.
_LINE_S, _LINE_ROWS, _LINE_SHARE, _LINE_CHANNELS = 0.25, 8, 0.02, 4
# More stretches than this are told in one line, and stretches as near as this are one.
_NAMED = 5
_ONE_STRETCH_S = 0.1


@dataclass(frozen=True, slots=True)
class Unfit:
    """Rows start:end that are no measurement. code: of the finding; why: ends "not used from a to b s, where "."""

    start: int
    end: int
    code: str
    why: str


def longest_by_chance(repeats: float, rows: int) -> float:
    """How many repetitions in a row a sensor may show that repeats this share of its rows; infinite if it is coarse."""
    share = _STILLER * repeats + _LEAST_SHARE
    return np.inf if share >= 1.0 else log(_BY_CHANCE / max(rows, _LEAST_ROWS)) / log(share)


def zero_rows(values: FloatArray) -> BoolArray:
    """(N,) rows of values (N, 6) whose accelerometer reads nothing at all, which only a fall would make of a sensor."""
    x, y, z = values[:, :3].T
    return np.asarray((x == 0.0) & (y == 0.0) & (z == 0.0))


def unfit_stretches(
    values: FloatArray, rate_hz: float, stuck_s: float, clipped: BoolArray, *, coarse: bool = False
) -> list[Unfit]:
    """All unfit rows of a sensor's values (N, 6), in order of time. stuck_s: as of AlignParams.

    clipped: (N,) rows at the end of the range, which repeat their value for that reason. coarse: whether it comes in
    steps so large that a value says nothing by staying.
    """
    found = [_zeros(values, start, end) for start, end in runs(zero_rows(values))]
    out = np.zeros(len(values), dtype=np.bool_)
    for zero in found:
        out[zero.start : zero.end] = True
    if coarse:
        return sorted(found + _noisy(values, rate_hz), key=lambda one: one.start)
    same = checks.repeated_values(values)
    found += _standing_still(same, out | clipped)
    for still in found:
        out[still.start : still.end] = True
    found += _doubled(same, out)
    for stuck in checks.stuck_stretches(values, same, rate_hz, stuck_s):
        if not out[stuck.start : stuck.end].all():
            whole = len(stuck.channels) == len(checks.AXES)
            what = "all channels" if whole else ", ".join(stuck.channels)
            found.append(Unfit(stuck.start, stuck.end, "stuck_channel", f"{what} repeated one value"))
            out[stuck.start : stuck.end] = True
    found += _written_twice(values, out)
    found += _on_a_line(values, out, max(_LINE_ROWS, round(_LINE_S * rate_hz)))
    found += _noisy(values, rate_hz)
    return sorted(found, key=lambda one: one.start)


def _zeros(values: FloatArray, start: int, end: int) -> Unfit:
    what = "its accelerometer reads" if values[start:end, 3:].any() else "all channels read"
    return Unfit(start, end, "zero_rows", f"{what} zero")


def _standing_still(repeated: BoolArray, out: BoolArray) -> list[Unfit]:
    """Where an instrument repeats all its channels for longer than chance has it. repeated: (6, N - 1) of
    `repeated_values`. out: (N,) rows known to be unfit."""
    found: dict[tuple[int, int], list[str]] = {}
    for name, columns in checks.INSTRUMENTS.items():
        x, y, z = repeated[columns]
        same = x & y & z & ~out[1:]
        # What stands still for long is no measure of how often the sensor repeats itself.
        short = np.count_nonzero(same) - sum(end - start for start, end in runs(same, _LONG_ROWS))
        limit = longest_by_chance(short / max(1, len(same)), len(same))
        if np.isfinite(limit):
            for start, end in runs(same, int(limit) + 1):
                found.setdefault((start, end + 1), []).append(name)
    return [
        Unfit(
            start,
            end,
            "stuck_channel",
            f"{'all channels' if len(names) == 2 else f'its {names[0]}'} repeated one value",
        )
        for (start, end), names in found.items()
    ]


# Longer than any repetition of a sensor fine enough to be judged.
_LONG_ROWS = 50


def _written_twice(values: FloatArray, out: BoolArray) -> list[Unfit]:
    """Stretches that are the very rows of an earlier one; the later is the copy."""
    weights = np.sqrt(np.array([2.0, 3.0, 5.0, 7.0, 11.0, 13.0]))
    key = values @ weights
    ordered = np.sort(key)
    # Several times as fast as the order itself, which hardly any recording needs.
    if np.count_nonzero(ordered[1:] == ordered[:-1]) < _PACKET_ROWS:
        return []
    order = np.argsort(key, kind="stable")
    again = np.zeros(len(key), dtype=np.int64)
    twin = np.diff(key[order]) == 0
    again[order[1:][twin]] = np.diff(order)[twin]
    again[out] = 0
    # Rows in a row that lie equally far behind their first writing.
    going_on = (np.diff(again) == 0) & (again[1:] > 1)
    found = []
    for start, end in runs(going_on, _DIFFERENT_ROWS - 1):
        rows = values[start : end + 1]
        if (
            len(np.unique(key[start : end + 1])) >= _DIFFERENT_ROWS
            and (rows == values[start - again[start] :][: len(rows)]).all()
        ):
            found.append(Unfit(start, end + 1, "repeated_rows", _AGAIN))
    near = (again > 1) & (again <= _NEAR_ROWS)
    for one in found:
        near[one.start : one.end] = False
    packets = runs(near, _PACKET_ROWS)
    # A coarse sensor repeats single rows, too.
    if sum(end - start for start, end in packets) >= _MOSTLY * np.count_nonzero(near):
        found += [Unfit(start, end, "repeated_rows", _AGAIN) for start, end in packets]
    return found


def _doubled(repeated: BoolArray, out: BoolArray) -> list[Unfit]:
    """Single rows that are the one before, over and over. repeated, out: as of `_standing_still`."""
    whole = repeated.all(axis=0) & ~out[1:]
    places = np.flatnonzero(whole) + 1
    others = len(whole) - len(places)
    if not _DOUBLED_ROWS <= len(places) <= _DOUBLED_MOST * len(whole):
        return []
    by_chance = np.prod((np.count_nonzero(repeated, axis=1) - len(places)) / others) * others
    if by_chance > _CHANCE_SHARE * len(places):
        return []
    near = np.diff(places) <= _DOUBLED_STEP
    beside = np.append(near, False) | np.append(False, near)
    if np.count_nonzero(beside) < _DOUBLED_ROWS:
        return []
    return [Unfit(place, place + 1, "repeated_rows", _AGAIN) for place in places[beside].tolist()]


def _on_a_line(values: FloatArray, out: BoolArray, least: int) -> list[Unfit]:
    """Where all channels go on in a straight line for at least so many rows, as no sensor's do: its noise does not."""
    straight = ~out[1:-1]
    every = 1 + len(values) // _LEAST_ROWS
    for column in values.T:
        bend = np.abs(column[2:] - 2.0 * column[1:-1] + column[:-2])
        straight &= bend <= _LINE_SHARE * median_of(bend[::every])
        if not runs(straight, least):
            return []
    return [
        Unfit(start, end + 2, "filled_rows", "all channels go on in a straight line, as what was lost is filled in")
        for start, end in runs(straight, least)
        if np.count_nonzero(values[end + 1] != values[start]) >= _LINE_CHANNELS
    ]


def _noisy(values: FloatArray, rate_hz: float) -> list[Unfit]:
    """Where an instrument jumps to and fro from row to row for long, which no limb does."""
    width = max(10, round(_NOISE_S * rate_hz))
    count = (len(values) - 2) // width
    bad = np.zeros(max(count, 0), dtype=np.bool_)
    for columns, limit in zip(checks.INSTRUMENTS.values(), _NOISE, strict=True):
        steps = np.diff(values[: count * width + 2, columns], axis=0)
        if not len(steps) or np.abs(steps).max() < limit:
            continue
        power = (steps[:-1] ** 2).reshape(count, -1).sum(axis=1)
        back = -(steps[:-1] * steps[1:]).reshape(count, -1).sum(axis=1)
        # White noise comes back by half of each step.
        bad |= (power > 6 * width * limit**2) & (back > _BACK_SHARE * power)
    out = np.zeros(len(values), dtype=np.bool_)
    # Noise begins and ends within a part, and now and then a part of it is less noisy.
    for start, end in joined_runs(_long_runs(bad), 2 * _NOISE_PARTS):
        out[max(0, start - 1) * width : (end + 1) * width] = True
    return [Unfit(start, end, "noisy", "its readings jump to and fro from row to row") for start, end in runs(out)]


def _long_runs(bad: BoolArray) -> BoolArray:
    """Those parts (K,) that are bad with so many beside them."""
    out = np.zeros(len(bad), dtype=np.bool_)
    for start, end in runs(bad, _NOISE_PARTS):
        out[start:end] = True
    return out


def note_unfit(notes: Notes, found: Sequence[Unfit], time_s: FloatArray) -> None:
    """Say which rows were not used; many stretches of one kind in one line."""
    for code in dict.fromkeys(one.code for one in found):
        mask = np.zeros(len(time_s), dtype=np.bool_)
        own = [one for one in found if one.code == code]
        for one in own:
            mask[one.start : one.end] = True
        step_s = usual_step(time_s) if len(time_s) > 1 else 1.0
        spans = [(float(time_s[a]), float(time_s[b - 1])) for a, b in joined_runs(mask, _ONE_STRETCH_S / step_s)]
        why = own[0].why
        if len(spans) > _NAMED:
            first_s, last_s, lost_s = spans[0][0], spans[-1][1], float(mask.sum()) * step_s
            text = f"not used in {len(spans)} stretches from {first_s:.1f} to {last_s:.1f} s, {lost_s:.1f} s together, "
            notes.add(code, f"{text}where {why}", lost_s, first_s, last_s)
            continue
        for start_s, end_s in spans:
            why = next(one.why for one in own if time_s[one.end - 1] >= start_s)
            notes.add(
                code, f"not used from {start_s:.1f} to {end_s:.1f} s, where {why}", end_s - start_s, start_s, end_s
            )
