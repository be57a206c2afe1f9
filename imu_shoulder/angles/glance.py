"""One angle right now, for a page that shows it with every push: less than all angles of an arm cost."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from math import degrees, nan

from imu_shoulder.angles.joint import TURNS, AngleParams, arm_angles, tilt_rad, turn_deg
from imu_shoulder.angles.skin import SkinShare
from imu_shoulder.calibrate.model import ArmCalibration, segment_axes
from imu_shoulder.orient.attitude import Attitude


def newest_deg(
    name: str,
    calibration: ArmCalibration,
    attitudes: Mapping[str, Attitude],
    kept: Callable[[], Mapping[str, Attitude]],
    skin: SkinShare,
    params: AngleParams,
) -> float:
    """One angle, as "elevation", in the last row alone, NaN where it is not known.

    attitudes: headings as the filters have them, which is enough for an angle about gravity. kept: gives those of which
    `arm_angles` has all.
    """
    about_gravity = {} if calibration.about_trunk else {"elevation": calibration.upper_arm}
    sensor = {**about_gravity, "forearm_elevation": calibration.wrist}.get(name)
    if sensor is not None:
        quat = attitudes[sensor.placement].quat_earth_from_sensor[-1:]
        return degrees(float(tilt_rad(segment_axes(sensor, quat, calibration.side))[0]))
    if name in TURNS:
        values = turn_deg(name, calibration, kept(), skin, params)
    else:
        values = arm_angles(calibration, kept(), skin, params).angles.get(f"{name}_deg")
    return nan if values is None else float(values[-1])
