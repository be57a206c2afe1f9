"""Upward rotation of the shoulder blade from a sensor on the acromion, the flat of the blade's tip; see docs/shrug.md.

Gravity alone is used: where "up" points in the acromion's sensor, against where it pointed in the neutral pose. That
needs no heading, so it does not drift. The trunk's own lean is taken off with the sternum sensor's "up", after the
azimuth between the two sensors is found from swaying together while the arm hangs. The axis is the one about which
the blade tilts as the arm rises.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
from scipy.spatial.transform import Rotation

from imu_shoulder.frames import Z_AXIS, wrap_rad
from imu_shoulder.model import FloatArray
from imu_shoulder.orient.attitude import Attitude

# Above this elevation the skin on the acromion no longer follows the bone. Karduna et al. 2001, bone pins,
# doi 10.1115/1.1351892 (from memory); docs/shrug.md has what else is published.
REACH_DEG = 120.0
# The azimuth between trunk and blade: while the arm hangs they sway as one. Changes over this long are compared.
SWAY_SPAN_S = 1.0
LEAST_SWAY_S = 10.0
LEAST_TOGETHER = 0.5
# The tilting axis: the arm is raised, and the body not lying (a blade never tilts so far).
RAISED_FROM_DEG = 40.0
LYING_DEG = 60.0
LEAST_ROWS = 20


@dataclass(frozen=True, slots=True)
class ScapulaParams:
    """Standard deviations in degrees, and what counts as a hanging arm.

    skin_deg: of the sensor on the skin against the bone at 100 deg of elevation, growing from nothing in the pose.
    lean_deg: of a trunk that no sensor sees, which may lean where a shrug is looked for: RMS of a set of which one rep
    in eight leans by 17 deg. share, share_sd: the blade's of the arm's elevation from 30 to 120 deg and how much
    people differ, to turn an error of elevation into one of upward rotation. hanging_deg: an arm raised by less hangs.
    largest_azimuth_deg: with a worse azimuth the sternum sensor is not used.

    Sources. skin_deg: mean differences up to 6 deg, 8.4 in extreme postures (van Andel et al. 2009, doi
    10.1016/j.gaitpost.2008.07.012), RMSE up to 6.0 deg (Warner et al. 2012, doi 10.1016/j.humov.2011.07.004); share,
    share_sd: median and spread of in-vivo bone data (docs/shrug.md); lean_deg, hanging_deg, largest_azimuth_deg: ours.
    """

    skin_deg: float = 6.0
    lean_deg: float = 6.0
    share: float = 0.315
    share_sd: float = 0.055
    hanging_deg: float = 15.0
    largest_azimuth_deg: float = 20.0


@dataclass(frozen=True, slots=True)
class ScapulaTilt:
    """Upward rotation of one shoulder blade from the neutral pose.

    up_deg, sd_deg: (M,), NaN where not seen. repeat_sd_deg: (M,) the part of sd_deg that differs from rep to rep,
    which is what a comparison of reps is up against. reference: what it is measured against.
    """

    reference: Literal["trunk", "gravity"]
    up_deg: FloatArray
    sd_deg: FloatArray
    repeat_sd_deg: FloatArray


def up_from_pose(attitude: Attitude, earth_from_sensor_in_pose: Rotation) -> FloatArray:
    """Where up points (M, 3) in a sensor whose Z axis was turned to point up in the pose. NaN where not valid."""
    level_from_sensor, _ = Rotation.align_vectors([Z_AXIS], [earth_from_sensor_in_pose.inv().apply(Z_AXIS)])
    w, x, y, z = attitude.quat_earth_from_sensor.T
    up = np.column_stack([2 * (x * z - w * y), 2 * (y * z + w * x), 1 - 2 * (x * x + y * y)])
    return np.asarray(up @ level_from_sensor.as_matrix().T)


@dataclass(frozen=True, slots=True)
class BladeSeat:
    """How the acromion's sensor lies to the body: the level axis (3,) about which the blade tilts upward.

    azimuth: turn about the vertical (rad) from the sternum's level frame to the acromion's with its standard deviation;
    None where no sternum sensor shows the lean.
    """

    axis: FloatArray
    azimuth: tuple[float, float] | None


def seat_blade(
    blade_up: FloatArray,
    trunk_up: FloatArray | None,
    elevation_deg: FloatArray,
    rate_hz: float,
    params: ScapulaParams,
) -> BladeSeat | None:
    """The seat from up_from_pose of the acromion (M, 3) and of the sternum, and the arm's elevation (M,).

    None where the arm was never raised.
    """
    azimuth = None if trunk_up is None else _azimuth(blade_up, trunk_up, elevation_deg, rate_hz, params)
    axis = _tilting_axis(blade_up, _rest(trunk_up, azimuth, len(blade_up)), elevation_deg)
    return None if axis is None else BladeSeat(axis, azimuth)


def _rest(trunk_up: FloatArray | None, azimuth: tuple[float, float] | None, count: int) -> FloatArray:
    """Where up (M, 3) would point in the acromion's sensor, did the blade not tilt on the trunk."""
    if trunk_up is None or azimuth is None:
        return np.broadcast_to(Z_AXIS, (count, 3))
    return np.asarray(Rotation.from_rotvec(azimuth[0] * Z_AXIS).apply(trunk_up))


def scapula_tilt(
    seat: BladeSeat,
    blade_up: FloatArray,
    trunk_up: FloatArray | None,
    elevation_deg: FloatArray,
    elevation_reference: str,
    inclination_deg: float,
    params: ScapulaParams,
) -> ScapulaTilt:
    """Upward rotation of the blade on rows (M, 3), (M, 3) and (M,) as of seat_blade.

    elevation_reference: "trunk" or "gravity", what elevation_deg is measured against. inclination_deg: standard
    deviation of one sensor's tilt.
    """
    tilt_deg = inclination_deg
    reference: Literal["trunk", "gravity"] = "gravity"
    by_gravity = elevation_reference == "gravity"
    lean_sd_deg = np.full(len(blade_up), params.lean_deg)
    # A lean that elevation holds too takes the blade's share of it along: at the same elevation less is left over.
    repeat_lean_sd_deg = lean_sd_deg * (np.hypot(1.0 - params.share, params.share_sd) if by_gravity else 1.0)
    rest = _rest(trunk_up, seat.azimuth, len(blade_up))
    if seat.azimuth is not None and trunk_up is not None:
        reference = "trunk"
        lean_deg = _tilt_deg(trunk_up)
        lean_sd_deg = seat.azimuth[1] * lean_deg
        if by_gravity:
            # The arm's elevation then holds the lean, and with it that much less or more of the blade's share.
            share = np.hypot(params.share, params.share_sd)
            lean_sd_deg = np.hypot(lean_sd_deg, share * lean_deg / np.sqrt(2.0))
        repeat_lean_sd_deg = lean_sd_deg
        tilt_deg *= np.sqrt(2.0)
    side = np.cross(Z_AXIS, seat.axis)
    up_rad = _roll_rad(blade_up, side) - _roll_rad(rest, side)
    up_deg = np.degrees(wrap_rad(up_rad))
    if reference == "gravity":
        up_deg = np.where(_tilt_deg(blade_up) < LYING_DEG, up_deg, np.nan)
    skin = params.skin_deg / 100.0 * np.abs(elevation_deg)
    sd_deg = np.hypot(np.hypot(tilt_deg, lean_sd_deg), skin)
    unseen = ~np.isfinite(up_deg)
    sd_deg, repeat = (np.where(unseen, np.nan, sd) for sd in (sd_deg, np.hypot(tilt_deg, repeat_lean_sd_deg)))
    return ScapulaTilt(reference, up_deg, sd_deg, repeat)


def _azimuth(
    blade_up: FloatArray, trunk_up: FloatArray, elevation_deg: FloatArray, rate_hz: float, params: ScapulaParams
) -> tuple[float, float] | None:
    """Turn about the vertical (rad) from the sternum's level frame to the acromion's, with its standard deviation.

    Least squares over the changes of both tilts while the arm hangs. None where they hardly swayed together.
    """
    span = max(1, round(SWAY_SPAN_S * rate_hz))
    if len(blade_up) <= span:
        return None
    blade, trunk = ((up[span:] - up[:-span])[:, :2] @ np.array([1.0, 1.0j]) for up in (blade_up, trunk_up))
    hanging = elevation_deg < params.hanging_deg
    rows = hanging[span:] & hanging[:-span] & np.isfinite(blade) & np.isfinite(trunk)
    blade, trunk = blade[rows], trunk[rows]
    # Neighbouring changes overlap; only every span-th is news.
    pieces = len(blade) / span
    power = float(np.sum(np.abs(trunk) ** 2))
    if pieces * SWAY_SPAN_S < LEAST_SWAY_S or power == 0.0:
        return None
    along = np.vdot(trunk, blade)
    angle = float(np.angle(along))
    left_over = np.imag(blade * np.exp(-1j * angle) * np.conj(trunk / np.maximum(np.abs(trunk), 1e-12)))
    sd = float(np.sqrt(np.mean(left_over**2) / (power / len(trunk) * pieces)))
    together = abs(along) > LEAST_TOGETHER * power
    return (angle, sd) if together and sd < np.radians(params.largest_azimuth_deg) else None


def _tilting_axis(blade_up: FloatArray, rest: FloatArray, elevation_deg: FloatArray) -> FloatArray | None:
    """The level axis (3,) about which the blade tilts upward as the arm rises."""
    raised = (elevation_deg > RAISED_FROM_DEG) & (elevation_deg < REACH_DEG)
    raised &= (_tilt_deg(blade_up) < LYING_DEG) & (_tilt_deg(rest) < LYING_DEG / 2)
    if np.count_nonzero(raised) < LEAST_ROWS:
        return None
    towards = np.nanmean((blade_up - rest)[raised], axis=0)
    # A turn about this axis takes Z towards where up goes.
    axis = np.array([-towards[1], towards[0], 0.0])
    return np.asarray(axis / np.linalg.norm(axis))


def _roll_rad(up: FloatArray, side: FloatArray) -> FloatArray:
    """Angle (M,) of up (M, 3) from the vertical, at right angles to the axis, positive with upward rotation."""
    return np.arctan2(-(up @ side), up[:, 2])


def _tilt_deg(up: FloatArray) -> FloatArray:
    return np.asarray(np.degrees(np.arccos(np.clip(up[:, 2], -1.0, 1.0))))
