"""How the sensors sit, as a stream knows it: calibration, skin and shoulder blade, and the angles they give."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import replace
from math import nan

import numpy as np
from scipy.spatial.transform import Rotation

from imu_shoulder.analysis import Params
from imu_shoulder.angles.glance import newest_deg
from imu_shoulder.angles.joint import ArmAngles, arm_angles, skin_of
from imu_shoulder.angles.scapula import BladeSeat, seat_blade
from imu_shoulder.angles.skin import SkinShare
from imu_shoulder.calibrate.model import Calibration
from imu_shoulder.calibrate.pose import Pose
from imu_shoulder.engine.blade import blade_columns, ups_from_pose
from imu_shoulder.frames import rotation_from_quat
from imu_shoulder.model import FloatArray, Side, Track
from imu_shoulder.orient.attitude import Attitude

# In a set, a calibration that turns no sensor on its segment by more is not taken up.
LEAST_RESEATED_RAD = float(np.radians(1.0))

Kept = Mapping[Side, Mapping[str, Attitude]]


# Told of all rows that have angles: time_s, tracks, attitudes, those of each arm with headings kept, the arms' angles,
# and the calibration by which.
Record = Callable[
    [FloatArray, Mapping[str, Track], Mapping[str, Attitude], Kept, Mapping[Side, ArmAngles], Calibration], None
]


class Seating:
    """take() what a calibration showed; then angles() of any rows."""

    def __init__(self, rate_hz: float, params: Params) -> None:
        self._rate_hz, self._params = rate_hz, params
        self.calibration: Calibration | None = None
        self._pose: Pose | None = None
        self._skin: dict[Side, SkinShare] = {}
        self._blades: dict[Side, BladeSeat | None] = {}

    def take(self, found: Calibration, kept: Kept, attitudes: Mapping[str, Attitude], pose: Pose) -> None:
        """kept, attitudes: of the rows that the calibration is from; what they do not show stays as it was."""
        self.calibration, self._pose = found, pose
        params = self._params.angles
        for side, arm in found.arms.items():
            self._skin[side] = skin_of(arm, kept[side], self._rate_hz, params)
            ups = ups_from_pose(side, attitudes, pose)
            if ups is not None and arm.upper_arm is not None:
                elevation_deg = arm_angles(arm, kept[side], self._skin[side], params).angles["elevation_deg"]
                seat = seat_blade(*ups, elevation_deg, self._rate_hz, params.scapula)
                self._blades[side] = seat or self._blades.get(side)

    def is_refined_by(self, found: Calibration) -> bool:
        """Whether it says by the same means, but otherwise, how a sensor sits. Angles that go on keep their meaning."""
        known = self.calibration
        if known is None or any(found.arms[side].used != arm.used for side, arm in known.arms.items()):
            return False
        before, after = _seats(known), _seats(found)
        return any((before[p].inv() * after[p]).magnitude() > LEAST_RESEATED_RAD for p in before)

    def angles(self, kept: Kept, attitudes: Mapping[str, Attitude]) -> dict[Side, ArmAngles]:
        """Of the arms that are calibrated. attitudes: of all sensors, as the filters have them, on the same rows."""
        if self.calibration is None:
            return {}
        arms = self.calibration.arms
        return {side: self._of_arm(side, own, attitudes) for side, own in kept.items() if side in arms}

    def glance(self, side: Side, name: str, attitudes: Mapping[str, Attitude], kept: Callable[[], Kept]) -> float:
        """As `newest_deg`. kept: gives that arm's attitudes with headings kept."""
        if self.calibration is None or side not in self.calibration.arms:
            return nan
        arm = self.calibration.arms[side]
        return newest_deg(name, arm, attitudes, lambda: kept()[side], self._skin[side], self._params.angles)

    def _of_arm(self, side: Side, kept: Mapping[str, Attitude], attitudes: Mapping[str, Attitude]) -> ArmAngles:
        assert self.calibration is not None
        assert self._pose is not None
        found = arm_angles(self.calibration.arms[side], kept, self._skin[side], self._params.angles)
        seat = self._blades.get(side)
        ups = None if seat is None else ups_from_pose(side, attitudes, self._pose)
        return found if ups is None else blade_columns(found, seat, ups, self._params)


def _seats(calibration: Calibration) -> dict[str, Rotation]:
    sensors = [sensor for arm in calibration.arms.values() for sensor in (arm.upper_arm, arm.wrist) if sensor]
    return {sensor.placement: rotation_from_quat(sensor.quat_sensor_from_segment) for sensor in sensors}


def before(slipped_s: float, time_s: FloatArray, attitudes: Mapping[str, Attitude]) -> dict[str, Attitude]:
    """The attitudes, valid only as long as the arm's sensors sit as they did in the pose."""
    rows = time_s < slipped_s
    return {placement: replace(own, valid=own.valid & rows) for placement, own in attitudes.items()}
