"""Joint angles of one arm from attitudes and a calibration. Every angle is defined in docs/coordinates.md.

All geometry is done on the right arm: a left arm's attitudes are mirrored in the sagittal plane first.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np
from scipy.spatial.transform import Rotation

from imu_shoulder.calibrate.model import ArmCalibration, segment_in_body
from imu_shoulder.frames import (
    X_AXIS,
    Y_AXIS,
    isb_thoracohumeral_rad,
)
from imu_shoulder.model import BoolArray, FloatArray, Side
from imu_shoulder.orient.attitude import Attitude

# Columns of angles.parquet, per side.
ANGLE_COLUMNS = (
    *("elevation_deg", "plane_deg", "rotation_deg", "elbow_deg", "forearm_deg", "thumb_up_deg"),
    *("forearm_elevation_deg", "trunk_lean_deg", "trunk_turn_deg"),
)


@dataclass(frozen=True, slots=True)
class AngleParams:
    """Where an angle is defined, and when the forearm tells the humeral rotation.

    forearm_from_deg: below this elbow flexion the forearm pointer is not used, from forearm_full_deg on it alone is.
    skin_share: share of the humeral rotation that the skin under the upper-arm sensor passes on.
    """

    plane_from_deg: float = 15.0
    plane_to_deg: float = 165.0
    forearm_from_deg: float = 15.0
    forearm_full_deg: float = 25.0
    skin_share: float = 0.7


@dataclass(frozen=True, slots=True)
class ArmAngles:
    """Joint angles of one arm on the common grid, degrees, NaN where undefined or not seen.

    angles, sd: column name -> (M,), the angle and its standard deviation. elevation_reference: "gravity" or "trunk".
    isb_deg: (M, 3) the ISB thoracohumeral triple of the upper-arm sensor, ill-defined near its singular ends.
    rotation_from_forearm: (M,) share of the forearm pointer in rotation_deg, 0 upper-arm sensor to 1 forearm.
    """

    side: Side
    elevation_reference: str
    angles: Mapping[str, FloatArray]
    rotation_from_forearm: FloatArray
    isb_deg: FloatArray | None = None
    sd: Mapping[str, FloatArray] = field(default_factory=dict)


def swing_to(long_axis: FloatArray) -> Rotation:
    """The shortest rotation that takes Y, up the hanging bone, to long_axis (N, 3). Singular straight overhead."""
    axis = np.cross(Y_AXIS, long_axis)
    sine = np.linalg.norm(axis, axis=-1)
    angle = np.arctan2(sine, long_axis[..., 1])
    # Straight up, every swing is as short as any other: forward is taken.
    unit = np.where(sine[..., None] > 1e-9, axis / np.maximum(sine, 1e-9)[..., None], np.array([0.0, 0.0, 1.0]))
    return Rotation.from_rotvec(unit * angle[..., None])


def arm_angles(
    calibration: ArmCalibration,
    attitudes: Mapping[str, Attitude],
    params: AngleParams,
    count: int,
) -> ArmAngles:
    """Angles (count,) of one arm. Rows that either needed sensor did not see are NaN."""
    side = calibration.side
    upper, wrist = calibration.upper_arm, calibration.wrist
    seen_upper = attitudes[upper.placement].valid if upper else np.zeros(count, dtype=bool)
    seen_wrist = attitudes[wrist.placement].valid if wrist else np.zeros(count, dtype=bool)
    out: dict[str, FloatArray] = {}
    pointer_share = np.full(count, np.nan)
    isb = None

    if upper is not None:
        humerus = segment_in_body(upper, attitudes[upper.placement], seen_upper, side)
        long_axis = humerus.apply(Y_AXIS)
        out["elevation_deg"] = _spread(np.degrees(np.arccos(np.clip(long_axis[:, 1], -1, 1))), seen_upper)
        if calibration.forward_known:
            plane = np.degrees(np.arctan2(-long_axis[:, 0], -long_axis[:, 2]))
            elevation = out["elevation_deg"][seen_upper]
            defined = (elevation >= params.plane_from_deg) & (elevation <= params.plane_to_deg)
            out["plane_deg"] = _spread(np.where(defined, plane, np.nan), seen_upper)
        twist = (swing_to(long_axis).inv() * humerus).apply(X_AXIS)
        sensor_rotation = np.arctan2(twist[:, 2], twist[:, 0]) / params.skin_share
        out["rotation_deg"] = _spread(np.degrees(sensor_rotation), seen_upper)
        pointer_share[seen_upper] = 0.0
        isb = np.full((count, 3), np.nan)
        isb[seen_upper] = np.degrees(isb_thoracohumeral_rad(humerus))

    if wrist is not None:
        forearm = segment_in_body(wrist, attitudes[wrist.placement], seen_wrist, side)
        pointing_up = forearm.apply(Y_AXIS)[:, 1]
        out["forearm_elevation_deg"] = _spread(np.degrees(np.arccos(np.clip(pointing_up, -1, 1))), seen_wrist)
        if calibration.forward_known:
            thumb = np.degrees(np.arcsin(np.clip(forearm.apply(X_AXIS)[:, 1], -1, 1)))
            out["thumb_up_deg"] = _spread(thumb, seen_wrist)

    if upper is not None and wrist is not None and calibration.joined:
        both = seen_upper & seen_wrist
        elbow, rotation, forearm_turn, share = _across_the_elbow(
            humerus[both[seen_upper]], forearm[both[seen_wrist]], np.radians(out["rotation_deg"][both]), params
        )
        out["elbow_deg"] = _spread(np.degrees(elbow), both)
        out["rotation_deg"][both] = np.degrees(rotation)
        pointer_share[both] = share
        if calibration.forward_known:
            out["forearm_deg"] = _spread(np.degrees(forearm_turn), both)
    return ArmAngles(side, "gravity", out, pointer_share, isb)


def _across_the_elbow(
    humerus: Rotation, forearm: Rotation, sensor_rotation: FloatArray, params: AngleParams
) -> tuple[FloatArray, FloatArray, FloatArray, FloatArray]:
    """Elbow flexion, humeral rotation, forearm rotation (rad) and the pointer's share, for right-arm attitudes.

    The forearm pointer: with a bent elbow, where the forearm points round the humerus is the humeral rotation. It
    needs long axes only, which skin hardly disturbs; the upper-arm sensor's own rotation is what skin hides.
    """
    upper_axis, fore_axis = humerus.apply(Y_AXIS), forearm.apply(Y_AXIS)
    elbow = np.arccos(np.clip(np.sum(upper_axis * fore_axis, axis=1), -1, 1))
    swing = swing_to(upper_axis)
    pointer = swing.inv().apply(-fore_axis)
    pointer_rotation = np.arctan2(pointer[:, 2], pointer[:, 0])
    low, high = np.radians(params.forearm_from_deg), np.radians(params.forearm_full_deg)
    ramp = np.clip((elbow - low) / (high - low), 0.0, 1.0)
    share = ramp * ramp * (3 - 2 * ramp)
    rotation = np.angle((1 - share) * np.exp(1j * sensor_rotation) + share * np.exp(1j * pointer_rotation))
    true_humerus = swing * Rotation.from_rotvec(-rotation[:, None] * Y_AXIS)
    _, _, forearm_turn = np.moveaxis((true_humerus.inv() * forearm).as_euler("ZXY"), -1, 0)
    return elbow, rotation, forearm_turn, share


def _spread(values: FloatArray, rows: BoolArray) -> FloatArray:
    """Values of some rows in a full-length array, NaN elsewhere."""
    out = np.full(len(rows), np.nan)
    out[rows] = values
    return out
