"""Attitudes from a stream: one filter per sensor, its gyroscope bias from each stillness as it ends."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

import numpy as np
import vqf

from imu_shoulder.live.rows import Rows
from imu_shoulder.model import FloatArray, Track
from imu_shoulder.orient.attitude import Attitude, OrientParams, attitude_of, bridged, settings_of
from imu_shoulder.orient.bias import BiasTrack, StillWindow, still_windows, track_bias

# Stillness is looked for this often, in the raw samples of the last LOOK_S.
EVERY_S = 0.5
LOOK_S = 12.0
# Longer stillness is taken in pieces.
LONGEST_S = 8.0
# So many windows are joined to one bias; older ones say nothing more.
WINDOWS = 60
# A gap is bridged for the filter's eyes when it ends; of a longer one only this much.
GAP_S = 5.0
# time, acc, gyr, valid, clipped
_ACC, _GYR, _VALID, _CLIPPED = slice(1, 4), slice(4, 7), 7, 8


class LiveOrient:
    """Push tracks of one sensor, get its attitude rows. Before `start` rows are only kept.

    The same filter as `orient_causally`: a bias from stillness serves from the row at which it is known.
    """

    def __init__(self, placement: str, rate_hz: float, params: OrientParams) -> None:
        self.placement = placement
        self._rate_hz, self._params = rate_hz, params
        self._raw = Rows(9)
        self._pushed = 0
        self._windows: list[StillWindow] = []
        self._bias = track_bias([], rate_hz, params.stillness)
        self._filter: vqf.VQF | None = None
        self._waiting: FloatArray = np.empty((0, 9))
        self._looked = 0

    @property
    def bias_known(self) -> bool:
        return bool(self._windows)

    @property
    def bias(self) -> BiasTrack:
        return self._bias

    def push(self, time_s: FloatArray, track: Track) -> Attitude:
        """The rows' attitudes; NaN before the start and in gaps."""
        rows = np.column_stack([time_s, track.acc_m_s2, track.gyr_rad_s, track.valid, track.clipped])
        self._raw.append(rows)
        self._pushed += len(rows)
        if len(time_s):
            self._raw.drop_before(float(time_s[-1]) - LOOK_S)
        if self._pushed - self._looked >= EVERY_S * self._rate_hz:
            self._looked = self._pushed
            self._look(closing=False)
        return self._filtered(rows)

    def tracks_since(self, start_s: float) -> tuple[FloatArray, Track]:
        """The raw rows that are still kept."""
        return _track(self.placement, self._raw.since(start_s))

    def start(self) -> Attitude:
        """Start the filter on the rows that are kept; a stillness that still goes on counts. Gives their attitudes."""
        if not self._windows:
            self._look(closing=True)
        self._filter = vqf.VQF(1.0 / self._rate_hz, **settings_of(self._params, self._bias))
        return self._filtered(self._raw.table.copy())

    def _look(self, closing: bool) -> None:
        """Take in the stillness that ended, or that has lasted long; `closing`: any."""
        _, track = _track(self.placement, self._raw.table)
        found = still_windows(track, self._rate_hz, self._params.stillness)
        before = self._pushed - len(track.valid)
        for window in found:
            first, last = window.first + before, window.last + before
            known = self._windows[-1].last if self._windows else -1
            if first < known:
                continue
            ended = last < self._pushed - 0.1 * self._rate_hz
            if not (closing or ended or last - first >= LONGEST_S * self._rate_hz):
                continue
            self._take(replace(window, first=first, last=last))

    def _take(self, window: StillWindow) -> None:
        if self._windows:
            # Slower turning than sway passes for stillness: it does not agree with the bias so far.
            off = np.abs(window.mean_rate_rad_s - self._bias.bias_rad_s[-1]).max()
            if off > self._params.stillness.max_rate_rad_s:
                return
        self._windows = [*self._windows[-WINDOWS + 1 :], window]
        self._bias = track_bias(self._windows, self._rate_hz, self._params.stillness, afterwards=False)

    def _filtered(self, rows: FloatArray) -> Attitude:
        quat = np.full((len(rows), 4), np.nan)
        gyr = rows[:, _GYR] - (self._bias.bias_rad_s[-1] if self._windows else 0.0)
        _, track = _track(self.placement, rows)
        if self._filter is None or not len(rows):
            unseen = replace(track, valid=np.zeros(len(rows), dtype=bool))
            return attitude_of(unseen, quat, gyr, self._bias)
        # A gap is fed once its end is known, as a straight line.
        waiting = np.vstack([self._waiting, rows]) if len(self._waiting) else rows
        valid = waiting[:, _VALID] > 0
        ready = int(np.flatnonzero(valid)[-1]) + 1 if valid.any() else 0
        self._waiting = waiting[ready:][-round(GAP_S * self._rate_hz) :].copy()
        if ready:
            fed, seen = waiting[:ready], valid[:ready]
            off = self._bias.bias_rad_s[-1] if self._windows else np.zeros(3)
            turning = np.ascontiguousarray(bridged(fed[:, _GYR], seen) - off)
            found = self._filter.updateBatch(turning, bridged(fed[:, _ACC], seen))["quat6D"]
            mine = ready - (len(waiting) - len(rows))
            quat[: max(mine, 0)] = found[ready - max(mine, 0) :]
        return attitude_of(track, quat, gyr, self._bias)


def _track(placement: str, rows: FloatArray) -> tuple[FloatArray, Track]:
    return rows[:, 0], Track(placement, rows[:, _ACC], rows[:, _GYR], rows[:, _VALID] > 0, rows[:, _CLIPPED] > 0)


def in_rows(attitudes: Mapping[str, Attitude], time_s: FloatArray) -> FloatArray:
    """Attitudes as one table: time, then quaternion, rate and valid of each sensor, in the mapping's order."""
    parts = [time_s[:, None]]
    for attitude in attitudes.values():
        valid = attitude.valid[:, None].astype(np.float64)
        parts += [attitude.quat_earth_from_sensor, attitude.rate_earth_rad_s, valid]
    return np.hstack(parts)


def from_rows(table: FloatArray, biases: Mapping[str, BiasTrack]) -> dict[str, Attitude]:
    """The attitudes that `in_rows` put there. biases: of the sensors, in the same order."""
    out = {}
    for k, (placement, bias) in enumerate(biases.items()):
        first = 1 + 8 * k
        quat, rate, valid = table[:, first : first + 4], table[:, first + 4 : first + 7], table[:, first + 7] > 0
        out[placement] = Attitude(placement, quat, rate, valid, bias)
    return out
