"""Attitudes from a stream: one filter per sensor, its gyroscope's and accelerometer's zero from each stillness."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from functools import cached_property
from typing import Any

import numpy as np
import vqf

from imu_shoulder.arrays import bridged
from imu_shoulder.frames import rotated
from imu_shoulder.model import BoolArray, FloatArray, Track
from imu_shoulder.orient.attitude import Attitude, OrientParams, ahead_s, settings_of, turned_back
from imu_shoulder.orient.bias import (
    BiasTrack,
    StillPieces,
    StillWindow,
    agreeing,
    calm,
    is_still_since,
    most_usual,
    track_bias,
)
from imu_shoulder.orient.offset import accelerometer_offset
from imu_shoulder.rows import Rows

# Stillness is looked for in the raw samples of the last LOOK_S; a filter starts on those of the last START_S.
LOOK_S = 12.0
START_S = 40.0
# Longer stillness is taken in pieces.
LONGEST_S = 8.0
# So many windows are joined to one bias, and so many pieces say what is usual; older ones say nothing more.
WINDOWS = 60
PIECES = 120
# A gap is bridged for the filter's eyes when it ends; of a longer one only this much.
GAP_S = 5.0
# Of each sensor in a raw row, behind the time.
_ACC, _GYR, _VALID, _CLIPPED, _WIDTH = slice(0, 3), slice(3, 6), 6, 7, 8


class OrientStream:
    """Push tracks of all sensors, get their attitude rows. Before `start` rows are only kept.

    The same filter as afterwards, forwards only: a bias from stillness serves from the row at which it is known.
    """

    def __init__(
        self, placements: Sequence[str], rate_hz: float, params: OrientParams, own_hz: Sequence[float] = ()
    ) -> None:
        """own_hz: each sensor's rate, where the rows' is another."""
        self._rate_hz = rate_hz
        early_s = np.array([ahead_s(rate_hz, own) for own in own_hz])
        self._ahead_s = early_s if early_s.any() else None
        self._placements = tuple(placements)
        self._sensors = [_Sensor(placement, rate_hz, params) for placement in placements]
        self._raw = Rows(1 + _WIDTH * len(placements))
        self._pushed = 0
        self._started = False
        # What is taken off accelerations and rates of each sensor (S, 1, 3), as the latest look has it.
        self._offsets = self._offsets_now()

    @property
    def biases(self) -> dict[str, BiasTrack]:
        return {sensor.placement: sensor.bias for sensor in self._sensors}

    def push(self, time_s: FloatArray, tracks: Mapping[str, Track]) -> Filtered:
        """The rows with their attitudes: none before the start, NaN in gaps."""
        rows = np.empty((len(time_s), 1 + _WIDTH * len(self._sensors)))
        rows[:, 0] = time_s
        for k, sensor in enumerate(self._sensors):
            track, own = tracks[sensor.placement], rows[:, 1 + _WIDTH * k :]
            own[:, _ACC], own[:, _GYR] = track.acc_m_s2, track.gyr_rad_s
            own[:, _VALID], own[:, _CLIPPED] = track.valid, track.clipped
        self._raw.append(rows)
        self._pushed += len(rows)
        if len(rows):
            self._raw.drop_before(float(time_s[-1]) - START_S)
        return self._filtered(rows)

    def look(self) -> None:
        """Take in the stillness that ended or that has lasted long. What it says serves from the next row on."""
        newest_s = float(self._raw.time_s[-1]) if len(self._raw) else 0.0
        tracks = _tracks(self._placements, self._raw.since(newest_s - LOOK_S))
        for sensor, track in zip(self._sensors, tracks, strict=True):
            sensor.look(track, self._pushed, closing=False)
        self._offsets = self._offsets_now()

    def raw_since(self, start_s: float) -> tuple[FloatArray, list[Track]]:
        """The raw rows that are still kept."""
        rows = self._raw.since(start_s)
        return rows[:, 0], _tracks(self._placements, rows)

    def start(self) -> tuple[FloatArray, dict[str, Attitude], dict[str, Track]]:
        """Start the filters on the rows that are kept; a stillness that still goes on counts."""
        rows = self._raw.table.copy()
        for sensor, track in zip(self._sensors, _tracks(self._placements, rows), strict=True):
            sensor.start(track, self._pushed)
        self._offsets = self._offsets_now()
        self._started = True
        found = self._filtered(rows)
        return found.time_s, found.attitudes, found.tracks

    def _offsets_now(self) -> tuple[FloatArray, FloatArray]:
        acc, turning = ([s.offset_m_s2 for s in self._sensors], [s.offset_rad_s for s in self._sensors])
        return np.array(acc)[:, None, :], np.array(turning)[:, None, :]

    def _filtered(self, rows: FloatArray) -> Filtered:
        """All sensors' rows lie behind each other but in the filters themselves: it is the calls that cost."""
        biases = tuple(sensor.bias for sensor in self._sensors)
        if not self._started:
            return Filtered(self._placements, biases, rows)
        count, sensors = len(rows), len(self._sensors)
        table = np.ascontiguousarray(rows[:, 1:].reshape(count, sensors, _WIDTH).transpose(1, 0, 2))
        valid = table[:, :, _VALID] > 0
        acc, turning = (table[:, :, own] - off for own, off in zip((_ACC, _GYR), self._offsets, strict=True))
        whole = np.asarray(valid.all(axis=1)).tolist()
        quat = np.concatenate(
            [sensor.quat(turning[k], acc[k], valid[k], whole=whole[k]) for k, sensor in enumerate(self._sensors)]
        )
        turned = turning.reshape(-1, 3)
        if self._ahead_s is not None:
            quat = turned_back(quat.T, turned.T, self._ahead_s.repeat(count)).T
        rate = rotated(quat, turned).T
        return Filtered(
            self._placements, biases, rows, quat.reshape(sensors, count, 4), rate.reshape(3, sensors, count)
        )


class Filtered:
    """Some rows of a stream: time_s (n,), and by placement their tracks and attitudes.

    attitudes: none before the filters were started.
    """

    def __init__(
        self,
        placements: tuple[str, ...],
        biases: tuple[BiasTrack, ...],
        rows: FloatArray,
        quat: FloatArray | None = None,
        rate_rad_s: FloatArray | None = None,
    ) -> None:
        """rows: (n, C) as in the table of raw rows. quat: (S, n, 4), rate_rad_s: (3, S, n), as of Attitude."""
        self._placements, self._biases, self._rows = placements, biases, rows
        self._quat, self._rate_rad_s = quat, rate_rad_s
        self.time_s: FloatArray = rows[:, 0]

    @cached_property
    def tracks(self) -> dict[str, Track]:
        return {track.placement: track for track in _tracks(self._placements, self._rows)}

    @cached_property
    def attitudes(self) -> dict[str, Attitude]:
        if self._quat is None or self._rate_rad_s is None:
            return {}
        valid = self._rows[:, 1 + _VALID :: _WIDTH].T > 0
        return {
            placement: Attitude(placement, self._quat[k], self._rate_rad_s[:, k].T, valid[k], self._biases[k])
            for k, placement in enumerate(self._placements)
        }

    @classmethod
    def joined(cls, parts: Sequence[Filtered]) -> Filtered:
        """One behind the other; the biases are those of the last. All with attitudes, or none."""
        last = parts[-1]
        if len(parts) == 1:
            return last
        rows = np.concatenate([own._rows for own in parts])
        if last._quat is None:
            return cls(last._placements, last._biases, rows)
        quats, rates = ([getattr(own, name) for own in parts] for name in ("_quat", "_rate_rad_s"))
        quat, rate_rad_s = np.concatenate(quats, axis=1), np.concatenate(rates, axis=2)
        return cls(last._placements, last._biases, rows, quat, rate_rad_s)


def _tracks(placements: Sequence[str], rows: FloatArray) -> list[Track]:
    out = []
    for k, placement in enumerate(placements):
        own = rows[:, 1 + _WIDTH * k : 1 + _WIDTH * (k + 1)]
        out.append(Track(placement, own[:, _ACC], own[:, _GYR], own[:, _VALID] > 0, own[:, _CLIPPED] > 0))
    return out


class _Sensor:
    """One sensor's filter, and the stillness its gyroscope bias comes from."""

    def __init__(self, placement: str, rate_hz: float, params: OrientParams) -> None:
        self.placement = placement
        self._rate_hz, self._params = rate_hz, params
        # Every slow even turning so far: mean rate and how long; the one that agrees best with all is the usual one.
        self._pieces: list[tuple[FloatArray, float]] = []
        self._piece_row = -1
        # Up to which row all that was still was taken in.
        self._settled = 0
        self._usual: FloatArray | None = None
        self._windows: list[StillWindow] = []
        self._used: list[int] = []
        self.bias = track_bias([], rate_hz, params.stillness)
        self.offset_rad_s: FloatArray = np.zeros(3)
        self.offset_m_s2: FloatArray = np.zeros(3)
        self._filter: vqf.VQF | None = None
        # Rates, acceleration and valid of rows that ended in a gap.
        self._waiting: FloatArray = np.empty((0, 7))

    def look(self, track: Track, pushed: int, *, closing: bool) -> None:
        """Take in the stillness that ended, or that has lasted long; `closing`: any.

        track: the newest rows of `pushed` in all.
        """
        before, stillness = pushed - len(track.valid), self._params.stillness
        # What goes on may still change.
        settled = pushed if closing else pushed - 0.1 * self._rate_hz
        since, self._settled = self._settled, int(settled)
        if not closing and not is_still_since(track, since - before, self._rate_hz, stillness):
            return
        found = StillPieces(track, self._rate_hz, stillness)
        for mean, first, last in found.slow:
            if first + before >= self._piece_row and last + before <= settled:
                self._pieces, self._usual = [*self._pieces[1 - PIECES :], (mean, float(last - first))], None
                self._piece_row = last + before
        if not found.slow:
            return
        if self._usual is None and self._pieces:
            self._usual = most_usual(self._pieces)
        usual = found.slow[0][0] if self._usual is None else self._usual
        for first, last in found.spans(usual):
            self._take(first + before, last + before, settled, found, before)
        used = agreeing(self._windows, usual, stillness)
        if [w.first for w in used] == self._used:
            return
        self._used = [w.first for w in used]
        self.bias = track_bias(used, self._rate_hz, stillness, afterwards=False)
        self.offset_rad_s = self.bias.bias_rad_s[-1] if used else np.zeros(3)
        self.offset_m_s2 = accelerometer_offset(calm(used, stillness), self._params.offset)

    def _take(self, first: int, last: int, settled: float, found: StillPieces, before: int) -> None:
        """A stillness that goes on is taken in as it grows, in place of the shorter one that was known of it.

        first, last: its half-open rows. before: how many rows there were before those that `found` is of.
        """
        longest = LONGEST_S * self._rate_hz
        over = last <= settled
        known = [own for own in self._windows if own.last > first]
        if not known or known[0].first >= first - found.width // 2:
            grown = not known or last - first > sum(own.last - own.first for own in known)
            if not grown or not (over or last - first >= longest):
                return
            rest = self._windows[: len(self._windows) - len(known)]
        else:
            # The beginning is no longer in sight: only what came since.
            rest, first = self._windows, known[-1].last
            if last - first < (found.width if over else longest):
                return
        window = replace(found.window(first - before, last - before), first=first, last=last)
        self._windows = [*rest[1 - WINDOWS :], window]

    def start(self, track: Track, pushed: int) -> None:
        if not self._windows:
            self.look(track, pushed, closing=True)
        self._filter = vqf.VQF(1.0 / self._rate_hz, **settings_of(self._params, self.bias))
        self._waiting = self._waiting[:0]

    def quat(self, turning: FloatArray, acc: FloatArray, valid: BoolArray, *, whole: bool) -> FloatArray:
        """Attitudes (n, 4) of rows whose rates (n, 3) have the offset taken off. whole: all of them are valid."""
        assert self._filter is not None
        if whole and not len(self._waiting):
            return np.asarray(self._filter.updateBatch(turning, acc)["quat6D"]) if len(valid) else np.empty((0, 4))
        # A gap is fed once its end is known, as a straight line.
        quat = np.full((len(valid), 4), np.nan)
        rows = np.vstack([self._waiting, np.column_stack([turning, acc, valid])])
        seen = rows[:, 6] > 0
        ready = int(np.flatnonzero(seen)[-1]) + 1 if seen.any() else 0
        self._waiting = rows[ready:][-round(GAP_S * self._rate_hz) :].copy()
        if ready:
            fed, seen = rows[:ready], seen[:ready]
            found = self._filter.updateBatch(bridged(fed[:, :3], seen), bridged(fed[:, 3:6], seen))["quat6D"]
            mine = max(ready - (len(rows) - len(valid)), 0)
            quat[:mine] = found[ready - mine :]
        quat[~valid] = np.nan
        return quat

    def __getstate__(self) -> dict[str, Any]:
        """The filter is compiled code: its settings and state go instead."""
        state = dict(self.__dict__)
        if self._filter is not None:
            state["_filter"] = (self._filter.params, self._filter.state)
        return state

    def __setstate__(self, state: dict[str, Any]) -> None:
        self.__dict__.update(state)
        if self._filter is not None:
            settings, kept = state["_filter"]
            self._filter = _restored(1.0 / self._rate_hz, settings, kept)


def _restored(step_s: float, settings: Mapping[str, Any], state: Mapping[str, Any]) -> vqf.VQF:
    filter_ = vqf.VQF(step_s, **settings)
    filter_.state = state
    return filter_
