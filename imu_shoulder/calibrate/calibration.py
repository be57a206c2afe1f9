"""Sensor-to-segment calibration: gravity in the neutral pose gives the long axes, movements give forward."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np
from scipy.spatial.transform import Rotation

from imu_shoulder.calibrate.functional import HeadingFix, forward_heading, shared_heading
from imu_shoulder.calibrate.model import ArmCalibration, Calibration, SensorCalibration
from imu_shoulder.errors import CalibrationError
from imu_shoulder.frames import (
    EARTH_FROM_STANDING,
    Y_AXIS,
    Z_AXIS,
    heading_rotation,
    quat_from_rotation,
    rotation_from_quat,
)
from imu_shoulder.model import SIDES, BoolArray, Event, FloatArray, Side
from imu_shoulder.orient.attitude import Attitude


@dataclass(frozen=True, slots=True)
class CalibrateParams:
    """Limits of a usable pose.

    max_sway_deg: largest standard deviation of a sensor's attitude inside the pose; more is a moving pose.
    """

    min_pose_s: float = 1.5
    max_sway_deg: float = 3.0


@dataclass(frozen=True, slots=True)
class _Pose:
    """Attitudes averaged over the pose, by placement, and how far each swayed."""

    start_s: float
    end_s: float
    marked: bool
    earth_from_sensor: Mapping[str, Rotation] = field(default_factory=dict)
    sway_deg: Mapping[str, float] = field(default_factory=dict)


def calibrate(
    time_s: FloatArray,
    rate_hz: float,
    attitudes: Mapping[str, Attitude],
    events: Sequence[Event],
    still_s: Sequence[tuple[float, float]],
    params: CalibrateParams,
) -> Calibration:
    """Calibrate every sensor that saw the neutral pose.

    still_s: stretches of stillness of all sensors together, used when no neutral_pose is marked.
    Raises CalibrationError when there is no pose, or when it moves.
    """
    pose = _find_pose(time_s, attitudes, events, still_s, params)
    arms = {
        side: _calibrate_arm(side, time_s, rate_hz, attitudes, events, pose)
        for side in SIDES
        if any(f"{side}_{part}" in pose.earth_from_sensor for part in ("wrist", "upper_arm"))
    }
    trunk = None
    if "sternum" in pose.earth_from_sensor:
        trunk = _seat("sternum", pose, 0.0, {})
    return Calibration((pose.start_s, pose.end_s), pose.marked, arms, trunk)


def _find_pose(
    time_s: FloatArray,
    attitudes: Mapping[str, Attitude],
    events: Sequence[Event],
    still_s: Sequence[tuple[float, float]],
    params: CalibrateParams,
) -> _Pose:
    marked = [(e.onset_s, e.end_s) for e in events if e.trial_type == "neutral_pose"]
    candidates = marked or [s for s in still_s if s[1] - s[0] >= params.min_pose_s][:1]
    if not candidates:
        raise CalibrationError(
            f"a neutral pose (arms hanging, still for {params.min_pose_s:g} s or more)",
            "none is marked and no such stillness was found",
            "stand still with the arms hanging before the first set and record again, or mark it in events.tsv",
        )
    for start_s, end_s in candidates[:-1]:
        try:
            return _measure_pose(time_s, attitudes, start_s, end_s, bool(marked), params)
        except CalibrationError:
            continue  # a later pose may be better; the last one speaks for all
    return _measure_pose(time_s, attitudes, *candidates[-1], bool(marked), params)


def _measure_pose(
    time_s: FloatArray,
    attitudes: Mapping[str, Attitude],
    start_s: float,
    end_s: float,
    marked: bool,
    params: CalibrateParams,
) -> _Pose:
    if end_s - start_s < params.min_pose_s:
        raise CalibrationError(
            f"a neutral pose of {params.min_pose_s:g} s or more",
            f"the marked one lasts {end_s - start_s:g} s",
            "mark a longer one",
        )
    inside = (time_s >= start_s) & (time_s <= end_s)
    means: dict[str, Rotation] = {}
    sways: dict[str, float] = {}
    for placement, attitude in attitudes.items():
        rows = inside & attitude.valid
        if np.count_nonzero(rows) < 3:
            continue
        earth_from_sensor = rotation_from_quat(attitude.quat_earth_from_sensor[rows])
        mean = earth_from_sensor.mean()
        # The sway that matters is that of the inclination: a slow turn of the heading is not a moving limb.
        up, mean_up = earth_from_sensor.inv().apply(Z_AXIS), mean.inv().apply(Z_AXIS)
        sway = float(np.degrees(np.sqrt(np.mean(np.arccos(np.clip(up @ mean_up, -1.0, 1.0)) ** 2))))
        if sway > params.max_sway_deg:
            raise CalibrationError(
                f"a still neutral pose (sway under {params.max_sway_deg:g} deg)",
                f"{placement} moves by {sway:.1f} deg between {start_s:g} and {end_s:g} s",
                "mark the stretch in which the person stands still",
            )
        means[placement], sways[placement] = mean, sway
    if not means:
        raise CalibrationError(
            "sensor data inside the neutral pose",
            f"no sensor has any between {start_s:g} and {end_s:g} s",
            "mark a pose inside the recording",
        )
    return _Pose(start_s, end_s, marked, means, sways)


def _seat(placement: str, pose: _Pose, heading_rad: float, residual_deg: Mapping[str, float]) -> SensorCalibration:
    """The sensor's place on its segment, given where forward is: in the pose the segment stands upright."""
    earth_from_sensor = pose.earth_from_sensor[placement]
    earth_from_segment = heading_rotation(heading_rad) * EARTH_FROM_STANDING
    # Gravity alone decides the long axis, so the heading's error cannot tilt it.
    sensor_from_segment = earth_from_sensor.inv() * earth_from_segment
    return SensorCalibration(
        placement,
        quat_from_rotation(sensor_from_segment),
        heading_rad,
        {"pose_sway": pose.sway_deg[placement], **residual_deg},
    )


def rows_of(time_s: FloatArray, events: Sequence[Event], trial_type: str) -> BoolArray:
    """Rows (N,) inside any event of this trial type."""
    inside = np.zeros(len(time_s), dtype=bool)
    for event in events:
        if event.trial_type == trial_type:
            inside |= (time_s >= event.onset_s) & (time_s <= event.end_s)
    return inside


def _calibrate_arm(
    side: Side,
    time_s: FloatArray,
    rate_hz: float,
    attitudes: Mapping[str, Attitude],
    events: Sequence[Event],
    pose: _Pose,
) -> ArmCalibration:
    wrist, upper = f"{side}_wrist", f"{side}_upper_arm"
    raises, bends = (rows_of(time_s, events, kind) for kind in ("forward_raises", "elbow_bends"))

    def forward(placement: str, rows: BoolArray) -> HeadingFix | None:
        if placement not in pose.earth_from_sensor or not rows.any():
            return None
        attitude = attitudes[placement]
        seen = rows & attitude.valid
        in_sensor = pose.earth_from_sensor[placement].inv().apply(Z_AXIS)
        up = rotation_from_quat(attitude.quat_earth_from_sensor[seen]).apply(in_sensor)[:, 2] if seen.any() else None
        return None if up is None else forward_heading(attitude.rate_earth_rad_s[seen], up, rate_hz)

    fixes = {
        (placement, kind): fix
        for placement, kind, rows in (
            (wrist, "elbow_bends", bends),
            (wrist, "forward_raises", raises),
            (upper, "forward_raises", raises),
        )
        if (fix := forward(placement, rows)) is not None
    }
    offset = None  # heading of the wrist's earth frame in the upper arm's
    if wrist in pose.earth_from_sensor and upper in pose.earth_from_sensor:
        where = raises if raises.any() else rows_of(time_s, events, "set")
        offset = shared_heading(attitudes[upper].rate_earth_rad_s, attitudes[wrist].rate_earth_rad_s, where)

    # One forward direction for the arm, in the wrist's earth frame where there is one: bends and raises agree on it.
    base = wrist if wrist in pose.earth_from_sensor else upper
    shift = offset.heading_rad if offset is not None else 0.0
    directions = []
    for (placement, _), fix in fixes.items():
        if placement == base:
            directions.append((fix.heading_rad, fix.residual_deg))
        elif offset is not None:
            directions.append((fix.heading_rad - shift, fix.residual_deg))
    weights = np.array([1.0 / (1.0 + residual) ** 2 for _, residual in directions])
    # A weighted circular mean; no direction at all leaves forward at 0, said by forward_known.
    heading = float(np.angle(np.sum(weights * np.exp(1j * np.array([d for d, _ in directions]))) or 1.0))

    seated = {}
    for placement in (wrist, upper):
        if placement in pose.earth_from_sensor:
            own = heading if placement == base else heading + shift
            residual = {kind: fix.residual_deg for (where_, kind), fix in fixes.items() if where_ == placement}
            seated[placement] = _seat(placement, pose, own, residual)
    used = ["neutral_pose", *(kind for kind in ("elbow_bends", "forward_raises") if any(k == kind for _, k in fixes))]
    if offset is not None and not raises.any():
        used.append("the sets themselves")
    return ArmCalibration(side, seated.get(upper), seated.get(wrist), tuple(used), bool(directions), offset is not None)


def long_axis_in_sensor(calibration: SensorCalibration) -> FloatArray:
    """The segment's Y axis (3,), up the bone, in sensor components."""
    return np.asarray(rotation_from_quat(calibration.quat_sensor_from_segment).apply(Y_AXIS))
