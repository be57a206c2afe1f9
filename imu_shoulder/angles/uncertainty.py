"""A standard deviation for every angle and sample, carried from what is known to be uncertain.

Each source of error is pushed a little through the very same angle computation, on a thinned grid; the responses,
times the sources' standard deviations, add up in squares. Headings carry the time since their last correction.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from math import hypot

import numpy as np
from scipy.spatial.transform import Rotation

from imu_shoulder.angles.joint import STRAIGHT_SD, AngleParams, ArmAngles, arm_angles
from imu_shoulder.angles.lean import UPRIGHT, off_upright
from imu_shoulder.angles.skin import SkinShare
from imu_shoulder.calibrate.calibration import TURNING_SD_DEG, TURNING_WEIGHT
from imu_shoulder.calibrate.model import ArmCalibration, SensorCalibration, segment_axes, unswung
from imu_shoulder.frames import (
    EARTH_FROM_STANDING,
    X_AXIS,
    Z_AXIS,
    clipped,
    heading_rotation,
    left_factor,
    quat_from_rotation,
    rotation_from_quat,
    wrap_deg,
)
from imu_shoulder.model import STERNUM, FloatArray, IntArray
from imu_shoulder.orient.attitude import Attitude
from imu_shoulder.spill import let_go, spilled

# The response is smooth; two rows a second are enough to know it.
THINNED_HZ = 2.0
PUSH_RAD = float(np.radians(0.5))


@dataclass(frozen=True, slots=True)
class UncertaintyParams:
    """Standard deviations in degrees, per source.

    Of an error that lies to one side, such as a bend, the figure is that whose 1.96-fold bounds it in 95 % of people.

    inclination_deg: of the filter. zero_offset_deg: tilt from an accelerometer's zero offset.
    pose_out_deg, pose_forward_deg: of the upper arm from hanging straight in the pose; the forearm hangs with it.
    elbow_pose_deg: of the elbow from straight in it; elbow_stop_deg: the same with elbow bends.
    forearm_pose_deg: of the forearm's turn about itself in the pose, against the upper arm.
    azimuth_deg: of the upper arm's turn about itself in it; bend_axis_deg: the same where elbow bends show it;
    forearm_azimuth_deg: by how much it turns the forearm with it, which they do not show.
    muscle_deg: by how much the muscle under the upper-arm sensor tilts it with the arm raised to 120 deg, either way.
    carrying_deg: what is left of the elbow's carrying angle, whose part in the flexion grows as the forearm turns.
    carrying_goes_deg: by how much less than hanging the forearm points aside at an elbow bent to 90 deg, where the
    carrying angle goes as the elbow bends.
    forward_deg: of the body's forward direction from forward raises; bends_forward_deg: from elbow bends alone.
    reused_apart_deg: of the heading between the arm's two sensors, where it is from an earlier recording's calibration.
    standing_lean_deg: of a trunk that stands and that no sensor joins to the arm. any_lean_deg: of one of which nobody
    said how it is: 1.96-fold, from upright to lying. lying_deg: of one that lies or bends over, from just how it would
    be asked to, and so from level.
    trunk_pose_deg: of the trunk's lean in the pose. trunk_azimuth_deg: at least, of the heading between trunk and arm,
    from tilting together. What is ours is explained in docs/design_choices.md.

    Sources. inclination_deg: VQF offline in the BROAD benchmark, 30 trials; zero_offset_deg: 20 mg are 1.1 deg (data
    sheets, from memory), of which still moments take some off; elbow_stop_deg: elbows stop at 0.6 +- 3.1 deg (Boone and
    Azen 1979, from memory), and not everyone goes that far; carrying_deg: ours, of it 4.1 deg between people (n = 400,
    Int J Morphol 2018 36:135-139); trunk_pose_deg: one person's repeats (Donaldson et al. 2021, ISBS Proceedings
    39:58); muscle_deg: up to 4 deg of elevation (PMC3327809); carrying_goes_deg: common practice, that the forearm of a
    fully bent elbow lies on the arm, half of what it is of people; pose_out_deg, pose_forward_deg,
    elbow_pose_deg, forearm_pose_deg, forearm_azimuth_deg, azimuth_deg, bend_axis_deg, forward_deg,
    bends_forward_deg, reused_apart_deg, standing_lean_deg, any_lean_deg, lying_deg, trunk_azimuth_deg: ours.
    """

    inclination_deg: float = 0.53
    zero_offset_deg: float = 0.85
    pose_out_deg: float = 3.0
    pose_forward_deg: float = 2.0
    elbow_pose_deg: float = 4.2
    elbow_stop_deg: float = 3.0
    forearm_pose_deg: float = 5.5
    forearm_azimuth_deg: float = 5.0
    azimuth_deg: float = 10.0
    bend_axis_deg: float = 3.0
    muscle_deg: float = 2.0
    carrying_deg: float = 8.0
    carrying_goes_deg: float = 4.7
    forward_deg: float = 4.0
    bends_forward_deg: float = 8.0
    reused_apart_deg: float = 8.0
    standing_lean_deg: float = 3.0
    any_lean_deg: float = 105.0 / 1.96
    lying_deg: float = 15.0
    trunk_pose_deg: float = 1.9
    trunk_azimuth_deg: float = 2.0

    @property
    def tilt_deg(self) -> float:
        """Of one sensor's tilt, at any time."""
        return hypot(self.inclination_deg, self.zero_offset_deg)


# An arm that hung out by a degree in the pose seems to point this much to the side in a forward raise: one over the
# sine of its elevation, averaged over the raise.
RAISED_ASIDE = 1.2

# The elevation at which it is stated how far a muscle tilts its sensor.
MUSCLE_RAD = float(np.radians(120.0))

# What a lean of the trunk changes of an arm that is measured about gravity.
LEANING = ("elevation_deg", "plane_deg", "rotation_deg")

# What a push does to every angle of a budget, in its order, and behind them to both parts of bend_deg: degrees
# (C + 2, count) per degree pushed.
Response = FloatArray


def angle_sd(
    arm: ArmAngles,
    calibration: ArmCalibration,
    attitudes: Mapping[str, Attitude],
    rate_hz: float,
    stance: IntArray,
    angle_params: AngleParams,
    params: UncertaintyParams,
) -> dict[str, FloatArray]:
    """Column name -> (M,) standard deviation in degrees, NaN where the angle itself is; not of the shoulder blade.

    stance: (M,), as asked_stance. elevation_deg, plane_deg and rotation_deg are the joint's: about gravity they take in
    how the trunk may lean.
    """
    step = max(1, round(rate_hz / THINNED_HZ))
    thin: dict[str, Attitude] = {}
    for placement, attitude in attitudes.items():
        thin[placement] = attitude.at(slice(None, None, step))
        let_go()
    budget = _Budget(calibration, thin, arm.skin, angle_params, params)
    facing = budget.add_headings()
    budget.add_seats(facing)
    if not calibration.about_trunk and calibration.upper_arm is not None:
        budget.add_lean(_lean_sd_deg(arm, stance, angle_params, params)[::step])
    budget.add_straight()
    budget.add_elbow()
    spreads = zip(budget.names, np.sqrt(budget.variance), strict=True)
    return {name: spilled(_on_every_row(thin_sd, step, arm.angles[name])) for name, thin_sd in spreads}


def _on_every_row(thin: FloatArray, step: int, angle: FloatArray) -> FloatArray:
    """Values (M,) on the straight lines between those of every step-th row, the last of which is held; NaN where the
    angle (M,) is.
    """
    rise = np.append(np.diff(thin), 0.0)
    between = rise[:, None] * (np.arange(step) / step)
    between += thin[:, None]
    values: FloatArray = between.ravel()[: len(angle)]
    values[np.isnan(angle)] = np.nan
    return values


def _lean_sd_deg(arm: ArmAngles, stance: IntArray, angle_params: AngleParams, params: UncertaintyParams) -> FloatArray:
    """(M,) how far the trunk may lean, in each of two directions, without that the arm's angles know."""
    asked = np.where(stance == UPRIGHT, params.standing_lean_deg, params.any_lean_deg)
    lean = arm.angles.get("trunk_lean_deg")
    if lean is not None:
        # How far from the pose, whence the arm's angles count as well, is seen then, and not which way.
        asked = np.where(np.isfinite(lean), lean / np.sqrt(2.0), asked)
    return np.where(off_upright(arm, stance, angle_params.leant_deg), params.lying_deg, asked)


class _Budget:
    """Variance (C, count) of the angles `names` on the thinned grid, added up source by source."""

    def __init__(
        self,
        calibration: ArmCalibration,
        thin: Mapping[str, Attitude],
        skin: SkinShare,
        settings: AngleParams,
        params: UncertaintyParams,
    ) -> None:
        self._calibration, self._thin, self._skin = calibration, thin, skin
        self._settings, self._params = settings, params
        # Worked out anew: what a stream showed may be from before the calibration or the skin was known as now.
        found = arm_angles(calibration, thin, skin, settings)
        self.names = tuple(found.angles)
        self._base = np.array([*found.angles.values()])
        self._straight_deg = found.hidden.get(STRAIGHT_SD)
        self.count = len(next(iter(thin.values())).valid)
        self.variance = np.full(self._base.shape, params.tilt_deg**2)
        # Of the bend along where it points, and across.
        self._bend_deg = np.nan_to_num(self._bend_of(calibration))
        self._bend_variance = np.full((2, self.count), params.tilt_deg**2)
        self._along = self._bend_deg / np.maximum(np.hypot(*self._bend_deg), 1e-9)

    def _bend_of(self, calibration: ArmCalibration) -> FloatArray:
        upper, wrist = calibration.upper_arm, calibration.wrist
        if upper is None or wrist is None:
            return np.zeros((2, self.count))
        return _bend_deg(upper, wrist, {p: attitude.quat_earth_from_sensor for p, attitude in self._thin.items()})

    def response(
        self, moved: ArmCalibration, attitudes: Mapping[str, Attitude] | None = None, *, bends: bool = False
    ) -> Response:
        """What a push does. bends: it moves one segment against the other, and so the bend between them."""
        pushed = arm_angles(moved, attitudes or self._thin, self._skin, self._settings).angles
        change = np.zeros((len(self.names) + 2, self.count))
        change[:-2] = wrap_deg(np.array([pushed[name] for name in self.names]) - self._base)
        if bends:
            change[-2:] = self._bend_of(moved) - self._bend_deg
        change[np.isnan(change)] = 0.0
        return np.asarray(change / np.degrees(PUSH_RAD))

    def add(self, sd_deg: FloatArray | float, *parts: Response) -> None:
        """One source of error, which does all of these at once."""
        off = sum(parts[1:], parts[0]) * sd_deg
        self.variance += off[:-2] ** 2
        x, z = off[-2:]
        if x.any() or z.any():
            along_x, along_z = self._along
            self._bend_variance[0] += (x * along_x + z * along_z) ** 2
            self._bend_variance[1] += (z * along_x - x * along_z) ** 2

    def add_headings(self) -> Response:
        """Where the body faces, and how the sensors' headings agree. Returns what a turn of the body's forward does."""
        calibration, params = self._calibration, self._params
        upper, wrist, trunk = calibration.upper_arm, calibration.wrist, calibration.trunk
        drift = self.response(replace(calibration, upper_arm=upper and _faced(upper), wrist=wrist and _faced(wrist)))
        facing, forward_deg = drift, params.bends_forward_deg
        if "forward_raises" in calibration.used:
            forward_deg = params.forward_deg
        if not calibration.forward_known:
            # What stands in for forward turns the seats with it: it is the zero of the forearm pointer alone.
            stand_in = [sensor and _forward(sensor) for sensor in (upper, wrist, trunk)]
            facing = self.response(replace(calibration, upper_arm=stand_in[0], wrist=stand_in[1], trunk=stand_in[2]))
            if calibration.pointer_sd_deg is not None:
                # Its zero is the upper arm's, whose turn in the pose is off for both.
                forward_deg = hypot(calibration.pointer_sd_deg, params.azimuth_deg)
        if upper is not None and wrist is not None:
            apart = _heading_sd_deg(self._thin[wrist.placement].apart_sd_rad, self.count)
            if calibration.apart_sd_deg is not None:
                # Seen in the sets, where it is used: what drifted since the pose is in it already.
                apart = np.maximum(apart, calibration.apart_sd_deg)
            elif "forward_raises" not in calibration.used and calibration.joined:
                apart = np.hypot(apart, params.reused_apart_deg)
            self.add(apart, self.response(replace(calibration, wrist=_faced(wrist)), bends=True))
        if trunk is not None:
            # Where the trunk's lean is not told about the arm's axes, the way it faces still is.
            apart = _heading_sd_deg(self._thin[STERNUM].apart_sd_rad, self.count)
            joined_deg = max(params.trunk_azimuth_deg, calibration.trunk_sd_deg or 0.0)
            self.add(np.hypot(apart, joined_deg), self.response(replace(calibration, trunk=_faced(trunk))))
            if calibration.forward_known and calibration.trunk_joined:
                # Seen from the trunk, an error of the body's forward direction is one of the trunk's.
                facing = self.response(replace(calibration, trunk=_tilted(trunk, "Y")))
        else:
            limb = upper or wrist
            assert limb is not None
            self.add(_heading_sd_deg(self._thin[limb.placement].heading_sd_rad, self.count), drift)
        self.add(forward_deg, facing)
        return facing

    def add_seats(self, facing: Response) -> None:
        """How every sensor sits on its segment, as the pose and the movements showed it."""
        calibration, params = self._calibration, self._params
        upper, wrist, trunk = calibration.upper_arm, calibration.wrist, calibration.trunk
        if trunk is not None:
            for axis in "XZ":
                push = self.response(replace(calibration, trunk=_tilted(trunk, axis)))
                self.add(np.hypot(params.trunk_pose_deg, params.tilt_deg), push)
        of_upper, of_wrist = ({axis: np.zeros_like(facing) for axis in "XYZ"} for _ in range(2))
        if upper is not None:
            tilts = {axis: replace(calibration, upper_arm=_tilted(upper, axis)) for axis in "XYZ"}
            of_upper = {axis: self.response(tilted, bends=axis != "Y") for axis, tilted in tilts.items()}
        if wrist is not None:
            tilts = {axis: replace(calibration, wrist=_tilted(wrist, axis)) for axis in "XYZ"}
            of_wrist = {axis: self.response(tilted, bends=axis != "Y") for axis, tilted in tilts.items()}
        for push in (of_upper["X"], of_upper["Z"], of_wrist["X"], of_wrist["Z"]):
            self.add(params.tilt_deg, push)

        # Both segments hang with the arm. Where its turning was seen, that has the say in part.
        turning = TURNING_WEIGHT if upper is not None and "turning" in upper.residual_deg else 0.0
        raised = RAISED_ASIDE if "forward_raises" in calibration.used else 0.0
        self.add(params.pose_out_deg, (1 - turning) * (of_upper["X"] + of_wrist["X"]), raised * facing)
        self.add(params.pose_forward_deg, (1 - turning) * of_upper["Z"], of_wrist["Z"])
        self.add(turning * TURNING_SD_DEG, of_upper["X"], of_wrist["X"])
        self.add(turning * TURNING_SD_DEG, of_upper["Z"])

        bends = "elbow_bends" in calibration.used
        # A turn in the pose reaches the sensor through the skin, and is divided by the share like any other.
        self.add(params.bend_axis_deg if bends else params.azimuth_deg * self._skin.share, of_upper["Y"])
        self.add(hypot(params.forearm_pose_deg, params.forearm_azimuth_deg), of_wrist["Y"])
        self.add(params.elbow_stop_deg if bends else params.elbow_pose_deg, of_wrist["Z"])
        muscle_deg = params.muscle_deg * self._away("elevation_deg") / (1 - np.cos(MUSCLE_RAD))
        self.add(muscle_deg, of_upper["X"])
        self.add(muscle_deg, of_upper["Z"])
        self.add(params.carrying_goes_deg * self._away("elbow_deg"), of_wrist["X"])

    def _away(self, name: str) -> FloatArray:
        """One less the cosine of an angle (count,): 0 for a hanging or straight arm; 0 where it is not known."""
        if name not in self.names:
            return np.zeros(self.count)
        return np.asarray(1 - np.cos(np.radians(np.nan_to_num(self._base[self.names.index(name)]))))

    def add_elbow(self) -> None:
        """The elbow's angle is the length of its bend, which is never negative."""
        if "elbow_deg" not in self.names:
            return
        along, across = self._bend_variance
        length = np.hypot(*self._bend_deg)
        variance = length_variance(length, along, across)
        if "forearm_deg" in self.names:
            # Mean square of the sine of a turn that is itself not known well, normally distributed.
            place = self.names.index("forearm_deg")
            turn_rad = np.radians(np.nan_to_num(self._base[place]))
            turn_variance = np.radians(1.0) ** 2 * self.variance[place]
            variance += self._params.carrying_deg**2 * (1 - np.cos(2 * turn_rad) * np.exp(-2 * turn_variance)) / 2
        self.variance[self.names.index("elbow_deg")] = variance

    def add_straight(self) -> None:
        """What skin and hand leave open of the rotation where the elbow is straight, and so of the forearm's turn."""
        if self._straight_deg is None:
            return
        for name in ("rotation_deg", "forearm_deg"):
            if name in self.names:
                self.variance[self.names.index(name)] += np.nan_to_num(self._straight_deg) ** 2

    def add_lean(self, sd_deg: FloatArray) -> None:
        """How the trunk leans (count,), where the arm is measured about gravity."""
        for axis in (X_AXIS, Z_AXIS):
            leant = {
                sensor.placement: _leant(sensor, self._thin[sensor.placement], axis)
                for sensor in (self._calibration.upper_arm, self._calibration.wrist)
                if sensor is not None
            }
            push = self.response(self._calibration, attitudes={**self._thin, **leant})
            for name in LEANING:
                if name in self.names:
                    place = self.names.index(name)
                    self.variance[place] += (push[place] * sd_deg) ** 2


def length_variance(length: FloatArray, along: FloatArray, across: FloatArray) -> FloatArray:
    """Mean square of how far the length of a vector (N,) in a plane is off, from its variances along it and across.

    Where it is long, an error across it hardly counts; where there is none of it, as much as one along it. The mean
    length of a vector that is off is told by the mean and the variance of its square, to second order.
    """
    square = length**2 + along + across
    spread = 2 * (along**2 + across**2) + 4 * length**2 * along
    mean = np.sqrt(square) * (1 - spread / (8 * square**2))
    return np.asarray(square + length**2 - 2 * length * mean)


def _tilted(sensor: SensorCalibration, axis: str) -> SensorCalibration:
    seat = rotation_from_quat(sensor.quat_sensor_from_segment) * Rotation.from_euler(axis, PUSH_RAD)
    return replace(sensor, quat_sensor_from_segment=quat_from_rotation(seat))


def _leant(sensor: SensorCalibration, attitude: Attitude, axis: FloatArray) -> Attitude:
    """The attitude of a limb that leans with the body about one of its axes, as it stood in the pose."""
    earth_from_body = heading_rotation(sensor.body_heading_rad) * EARTH_FROM_STANDING
    lean = quat_from_rotation(Rotation.from_rotvec(PUSH_RAD * earth_from_body.apply(axis)))
    return replace(attitude, quat_earth_from_sensor=(left_factor(lean) @ attitude.quat_earth_from_sensor.T).T)


def _forward(sensor: SensorCalibration) -> SensorCalibration:
    """Forward moved where a movement showed it; else what stands in for it moved, and the seat with it."""
    return _faced(sensor) if sensor.forward_known else _faced(_tilted(sensor, "Y"))


def _faced(sensor: SensorCalibration) -> SensorCalibration:
    return replace(sensor, body_heading_rad=sensor.body_heading_rad + PUSH_RAD)


def _heading_sd_deg(sd_rad: FloatArray | None, count: int) -> FloatArray:
    return np.full(count, 180.0) if sd_rad is None else np.degrees(sd_rad)


def _bend_deg(upper_arm: SensorCalibration, wrist: SensorCalibration, quats: Mapping[str, FloatArray]) -> FloatArray:
    """Which way and how far the forearm points aside from the upper arm's line (2, N): the elbow's angle is its length.

    The swing of the upper arm is undone. quats: (N, 4) earth from sensor, by placement.
    """
    humerus, forearm = (segment_axes(sensor, quats[sensor.placement], None).y for sensor in (upper_arm, wrist))
    x, cosine, z = unswung(humerus, forearm)
    angle_deg = np.degrees(np.arccos(clipped(cosine, -1, 1)))
    return np.asarray(angle_deg / np.maximum(np.hypot(x, z), 1e-9) * np.stack([x, z]))
