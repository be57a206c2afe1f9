"""The stages of a file on a stream: align, orient, keep headings, calibrate, angles. Rows go in, angles come out."""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from imu_shoulder.align import Align
from imu_shoulder.angles.joint import ArmAngles, arm_angles
from imu_shoulder.calibrate.calibration import calibrate
from imu_shoulder.calibrate.model import Calibration
from imu_shoulder.calibrate.pose import Pose, find_pose
from imu_shoulder.live.attitudes import LiveOrient, from_rows, in_rows
from imu_shoulder.live.headings import QUIET_S, LiveHeading, keep_headings
from imu_shoulder.live.params import LiveParams
from imu_shoulder.live.rows import Rows
from imu_shoulder.model import SIDES, BoolArray, Event, FloatArray, SensorStream, Side, Track
from imu_shoulder.orient.attitude import Attitude

# Of one sensor in a row of attitudes.
_COLUMNS = 8


@dataclass(frozen=True, slots=True)
class NewRows:
    """What one push brought: rows of the common grid, and the arms' angles on them once there is a calibration."""

    time_s: FloatArray
    arms: Mapping[Side, ArmAngles]
    seen: Mapping[Side, BoolArray]
    clipped: Mapping[Side, BoolArray]


class LiveFlow:
    """Everything from samples to angles."""

    def __init__(self, rates_hz: Mapping[str, float], params: LiveParams) -> None:
        self._params = params
        self._align = Align(params.flow.align, rates_hz)
        self.rate_hz = self._align.rate_hz
        self._orient = LiveOrient(list(rates_hz), self.rate_hz, params.flow.orient)
        self._ring = Rows(1 + _COLUMNS * len(rates_hz))
        self._fixed: FloatArray = np.empty((0, 1 + _COLUMNS * len(rates_hz)))
        self._headings: dict[Side, LiveHeading] = {}
        self.pose: Pose | None = None
        self.calibration: Calibration | None = None
        self.grid_s: float | None = None
        self._block = (-1, -np.inf)
        self.faced_anew = False

    @property
    def newest_s(self) -> float | None:
        return self._align.newest_s

    def push(self, chunk: Mapping[str, SensorStream], block: int, sides: Collection[Side]) -> NewRows:
        """block: number of the set or movement that goes on, -1 between them. sides: whose angles are wanted.

        Sets faced_anew where it became known which way the person faces in this block: `since` gives its rows anew.
        """
        self.faced_anew = False
        aligned = self._align.push(chunk)
        time_s = aligned.time_s
        if not len(time_s):
            return NewRows(time_s, {}, {}, {})
        self.grid_s = float(time_s[-1])
        attitudes = self._orient.push(time_s, aligned.tracks)
        if not attitudes:
            return NewRows(time_s, {}, {}, {})
        self._ring.append(in_rows(attitudes, time_s))
        self._ring.drop_before(self.grid_s - self._params.keep_s)
        if block != self._block[0]:
            self._block = (block, float(time_s[0]))
        for heading in self._headings.values():
            self._look(heading)
        kept = keep_headings([h for side, h in self._headings.items() if side in sides], time_s, attitudes)
        return self._angles(time_s, kept, aligned.tracks)

    def since(self, start_s: float, sides: Collection[Side]) -> NewRows | None:
        """The rows from start_s on as they are seen now; None where that is too long ago."""
        time_s, raw = self._orient.raw_since(start_s)
        if not len(time_s) or time_s[0] > start_s + 1.5 / self.rate_hz:
            return None
        table = self._ring.since(float(time_s[0]))
        attitudes = from_rows(table, self._orient.biases)
        kept = keep_headings([h for side, h in self._headings.items() if side in sides], time_s, attitudes)
        return self._angles(time_s, kept, {track.placement: track for track in raw})

    def raw_since(self, start_s: float) -> tuple[FloatArray, list[Track]]:
        """The last seconds of the common grid, before any filter."""
        return self._orient.raw_since(start_s)

    def take_pose(self, event: Event) -> None:
        """Start from a stillness. Raises CalibrationError if it cannot be used."""
        time_s, parts = self._orient.start()
        pose = find_pose(time_s, parts, [event], None, self._params.flow.calibrate)
        self._ring = Rows(self._fixed.shape[1])
        self._fixed = self._fixed[:0]
        self._ring.append(in_rows(parts, time_s))
        self.pose = pose
        self._headings = {}
        for side in SIDES:
            if any(f"{side}_{part}" in pose.earth_from_sensor for part in ("wrist", "upper_arm")):
                worn = {p: a for p, a in parts.items() if p in pose.earth_from_sensor}
                heading = LiveHeading(side, worn, self.rate_hz, self._params.flow.heading)
                inside = (time_s >= event.onset_s) & (time_s <= event.end_s)
                rows = from_rows(self._ring.table[inside], self._orient.biases)
                heading.begin(time_s[inside], rows, (event.onset_s + event.end_s) / 2)
                self._headings[side] = heading
        self.keep(event)
        self.calibrate([event])

    def keep(self, event: Event) -> None:
        """Never forget the rows of this event: calibration needs them."""
        rows = self._ring.since(event.onset_s)
        rows = rows[rows[:, 0] <= event.end_s]
        known_s = self._fixed[-1, 0] if len(self._fixed) else -np.inf
        self._fixed = np.vstack([self._fixed, rows[rows[:, 0] > known_s]])

    def calibrate(self, events: Sequence[Event]) -> Calibration:
        """Calibrate by the events so far, and by what is remembered since."""
        assert self.pose is not None
        known_s = float(self._fixed[-1, 0])
        table = np.vstack([self._fixed, self._ring.since(known_s + 0.5 / self.rate_hz)])
        attitudes = from_rows(table, self._orient.biases)
        kept = keep_headings(list(self._headings.values()), table[:, 0], attitudes)
        self.calibration = calibrate(table[:, 0], self.rate_hz, kept, events, self.pose)
        return self.calibration

    def attitudes_since(self, start_s: float) -> tuple[FloatArray, dict[str, Attitude]]:
        """Remembered attitudes, headings as the filters have them."""
        table = self._ring.since(start_s)
        return table[:, 0], from_rows(table, self._orient.biases)

    def _look(self, heading: LiveHeading) -> None:
        assert self.grid_s is not None
        if heading.due(self.grid_s, self._block[0]) and heading.is_quiet(
            self.attitudes_since(self.grid_s - QUIET_S)[1]
        ):
            time_s, attitudes = self.attitudes_since(heading.wants_from(self.grid_s))
            self.faced_anew |= heading.look(time_s, attitudes, *self._block)

    def _angles(
        self, time_s: FloatArray, kept: Mapping[Side, Mapping[str, Attitude]], tracks: Mapping[str, Track]
    ) -> NewRows:
        arms, seen, clipped = {}, {}, {}
        for side, own in kept.items():
            arm = None if self.calibration is None else self.calibration.arms.get(side)
            if arm is None:
                continue
            arms[side] = arm_angles(arm, own, self.rate_hz, self._params.flow.angles)
            worn = [tracks[s.placement] for s in (arm.upper_arm, arm.wrist) if s is not None]
            seen[side] = np.all([track.valid for track in worn], axis=0)
            clipped[side] = np.any([track.clipped for track in worn], axis=0)
        return NewRows(time_s, arms, seen, clipped)
