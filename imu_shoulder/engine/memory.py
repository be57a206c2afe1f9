"""What a stream remembers of its last minutes: attitudes, accelerations and what was seen, in one table."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np

from imu_shoulder.model import FloatArray, Track
from imu_shoulder.orient.attitude import Attitude
from imu_shoulder.orient.bias import BiasTrack
from imu_shoulder.rows import Rows

# Of one sensor in a row, behind the time.
_QUAT, _RATE, _VALID, _ACC, _CLIPPED, _WIDTH = slice(0, 4), slice(4, 7), 7, slice(8, 11), 11, 12


class Memory:
    """Rows of all sensors, the newest keep_s seconds; and, for good, those of the calibration."""

    def __init__(self, placements: Sequence[str], keep_s: float) -> None:
        self._placements, self._keep_s = tuple(placements), keep_s
        self._rows = Rows(1 + _WIDTH * len(placements))
        self._fixed: FloatArray = np.empty((0, 1 + _WIDTH * len(placements)))

    def begin_anew(self) -> None:
        self._rows = Rows(self._fixed.shape[1])
        self._fixed = self._fixed[:0]

    def append(self, time_s: FloatArray, attitudes: Mapping[str, Attitude], tracks: Mapping[str, Track]) -> None:
        rows = np.empty((len(time_s), 1 + _WIDTH * len(self._placements)))
        rows[:, 0] = time_s
        for k, placement in enumerate(self._placements):
            attitude, track, own = attitudes[placement], tracks[placement], rows[:, 1 + _WIDTH * k :]
            own[:, _QUAT], own[:, _RATE] = attitude.quat_earth_from_sensor, attitude.rate_earth_rad_s
            own[:, _VALID], own[:, _ACC], own[:, _CLIPPED] = attitude.valid, track.acc_m_s2, track.clipped
        self._rows.append(rows)
        if len(rows):
            self._rows.drop_before(float(time_s[-1]) - self._keep_s)

    def since(self, start_s: float) -> FloatArray:
        """(n, C) the remembered rows from start_s on, a view."""
        return self._rows.since(start_s)

    def keep(self, start_s: float, end_s: float) -> None:
        """Never forget these rows."""
        rows = self._rows.since(start_s)
        self._fixed = np.vstack([self._fixed, self._after(rows[rows[:, 0] <= end_s])])

    def all_rows(self) -> FloatArray:
        """(n, C) the rows kept for good, then the newest ones."""
        return np.vstack([self._fixed, self._after(self._rows.since(-np.inf))])

    def _after(self, rows: FloatArray) -> FloatArray:
        """Those that come after the ones kept for good."""
        return rows[np.searchsorted(rows[:, 0], self._fixed[-1, 0], side="right") :] if len(self._fixed) else rows

    def attitudes(self, rows: FloatArray, biases: Mapping[str, BiasTrack]) -> dict[str, Attitude]:
        """The attitudes in some of the rows."""
        out = {}
        for k, placement in enumerate(self._placements):
            own = rows[:, 1 + _WIDTH * k :]
            out[placement] = Attitude(placement, own[:, _QUAT], own[:, _RATE], own[:, _VALID] > 0, biases[placement])
        return out

    def tracks(self, rows: FloatArray) -> dict[str, Track]:
        """The tracks in some of the rows; of the gyroscope the rate less its zero, in earth components, is kept."""
        out = {}
        for k, placement in enumerate(self._placements):
            own = rows[:, 1 + _WIDTH * k :]
            out[placement] = Track(placement, own[:, _ACC], own[:, _RATE], own[:, _VALID] > 0, own[:, _CLIPPED] > 0)
        return out
