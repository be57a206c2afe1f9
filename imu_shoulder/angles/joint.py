"""Joint angles of one arm from attitudes and a calibration. Every angle is defined in docs/coordinates.md.

All geometry is done on the right arm: a left arm's axes are mirrored in the sagittal plane first.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np

from imu_shoulder.angles.scapula import ScapulaParams
from imu_shoulder.angles.skin import SkinShare, estimate_skin_share
from imu_shoulder.angles.trunk import trunk_angles, up_in_trunk
from imu_shoulder.calibrate.model import ArmCalibration, SegmentAxes, segment_axes
from imu_shoulder.frames import Y_AXIS, isb_from_axes, wrap_rad
from imu_shoulder.model import BoolArray, FloatArray, Side
from imu_shoulder.orient.attitude import Attitude

# Columns of angles.parquet, per side.
ANGLE_COLUMNS = (
    *("elevation_deg", "plane_deg", "rotation_deg", "elbow_deg", "forearm_deg", "thumb_up_deg"),
    *("forearm_elevation_deg", "trunk_lean_deg", "trunk_turn_deg", "scapula_up_deg"),
)


@dataclass(frozen=True, slots=True)
class AngleParams:
    """Where an angle is defined, and when the forearm tells the humeral rotation.

    forearm_from_deg: below this elbow flexion the forearm pointer is not used, from forearm_full_deg on it alone is.
    skin_share: share of the humeral rotation that the skin under the upper-arm sensor passes on, with its standard
    deviation, where the recording itself does not tell or estimate_skin is off (skin hides up to half of it: Warner &
    Heller 2025, doi 10.1016/j.jbiomech.2025.112893).
    """

    plane_from_deg: float = 15.0
    plane_to_deg: float = 165.0
    forearm_from_deg: float = 15.0
    forearm_full_deg: float = 25.0
    skin_share: float = 0.7
    skin_share_sd: float = 0.12
    estimate_skin: bool = True
    scapula: ScapulaParams = field(default_factory=ScapulaParams)


@dataclass(frozen=True, slots=True)
class ArmAngles:
    """Joint angles of one arm on the common grid, degrees, NaN where undefined or not seen.

    angles, sd: column name -> (M,), the angle and its standard deviation. elevation_reference: "gravity" or "trunk".
    isb_deg: (M, 3) the ISB thoracohumeral triple of the upper-arm sensor, ill-defined near its singular ends.
    hidden: further columns for measures, such as elevation_gravity_deg, that are not written out.
    rotation_from_forearm: (M,) share of the forearm pointer in rotation_deg, 0 upper-arm sensor to 1 forearm.
    scapula_reference: what the shoulder blade is measured against, "trunk" or "gravity"; empty where it was not seen.
    """

    side: Side
    elevation_reference: str
    angles: Mapping[str, FloatArray]
    rotation_from_forearm: FloatArray
    skin: SkinShare
    isb_deg: FloatArray | None = None
    sd: Mapping[str, FloatArray] = field(default_factory=dict)
    hidden: Mapping[str, FloatArray] = field(default_factory=dict)
    scapula_reference: str = ""


def arm_angles(
    calibration: ArmCalibration, attitudes: Mapping[str, Attitude], rate_hz: float, params: AngleParams
) -> ArmAngles:
    """Angles (M,) of one arm. Rows that a needed sensor did not see are NaN."""
    count = len(next(iter(attitudes.values())).valid)
    seen = {p: attitudes[p].valid for p in attitudes}
    nowhere = np.zeros(count, dtype=bool)
    upper, wrist, trunk = calibration.upper_arm, calibration.wrist, calibration.trunk
    seen_upper = seen[upper.placement] if upper else nowhere
    seen_wrist = seen[wrist.placement] if wrist else nowhere
    out: dict[str, FloatArray] = {}
    hidden: dict[str, FloatArray] = {}
    pointer_share = np.full(count, np.nan)
    skin = SkinShare(params.skin_share, params.skin_share_sd, 0.0)
    isb, reference = None, "gravity"
    trunk_axes = None
    if trunk is not None:
        trunk_axes = segment_axes(trunk, attitudes["sternum"], seen["sternum"], calibration.side)
        out |= {name: spread(values, seen["sternum"]) for name, values in trunk_angles(trunk_axes).items()}
        hidden |= {name: spread(values, seen["sternum"]) for name, values in up_in_trunk(trunk_axes).items()}

    if upper is not None:
        humerus = segment_axes(upper, attitudes[upper.placement], seen_upper, calibration.side)
        by_gravity = np.degrees(np.arccos(np.clip(humerus.y[:, 1], -1, 1)))
        hidden["elevation_gravity_deg"] = spread(by_gravity, seen_upper)
        if trunk_axes is not None and calibration.trunk_joined:
            reference = "trunk"
            humerus = humerus.at(seen["sternum"][seen_upper])
            seen_upper = seen_upper & seen["sternum"]
            humerus = humerus.seen_from(trunk_axes.at(seen_upper[seen["sternum"]]))
        elevation = np.degrees(np.arccos(np.clip(humerus.y[:, 1], -1, 1)))
        out["elevation_deg"] = spread(elevation, seen_upper)
        hidden |= _direction("upper_arm", humerus, seen_upper)
        if calibration.forward_known:
            plane = np.degrees(np.arctan2(-humerus.y[:, 0], -humerus.y[:, 2]))
            defined = (elevation >= params.plane_from_deg) & (elevation <= params.plane_to_deg)
            out["plane_deg"] = spread(np.where(defined, plane, np.nan), seen_upper)
        pointer_share[seen_upper] = 0.0
        isb = np.full((count, 3), np.nan)
        isb[seen_upper] = np.degrees(isb_from_axes(humerus.x, humerus.y))
        twist = unswung(humerus.y, humerus.x)
        sensor_rotation = np.arctan2(twist[:, 2], twist[:, 0])

    if wrist is not None:
        forearm = segment_axes(wrist, attitudes[wrist.placement], seen_wrist, calibration.side)
        pointing_up = np.degrees(np.arccos(np.clip(forearm.y[:, 1], -1, 1)))
        out["forearm_elevation_deg"] = spread(pointing_up, seen_wrist)
        hidden |= _direction("forearm", forearm, seen_wrist)
        if calibration.forward_known:
            out["thumb_up_deg"] = spread(np.degrees(np.arcsin(np.clip(forearm.x[:, 1], -1, 1))), seen_wrist)

    if upper is not None and wrist is not None and calibration.joined:
        both = seen_upper & seen_wrist
        forearm = forearm.at(both[seen_wrist])
        if reference == "trunk" and trunk_axes is not None:
            forearm = forearm.seen_from(trunk_axes.at(both[seen["sternum"]]))
        mine = both[seen_upper]
        elbow, pointer = _pointer(humerus.at(mine), forearm)
        if params.estimate_skin:
            skin = estimate_skin_share(sensor_rotation[mine], pointer, elbow, rate_hz) or skin
        share = _handed_over(elbow, params)
        from_sensor = sensor_rotation[mine] / skin.share
        mixed = np.angle((1 - share) * np.exp(1j * from_sensor) + share * np.exp(1j * pointer))
        rotation = sensor_rotation / skin.share
        rotation[mine] = mixed
        out["elbow_deg"] = spread(np.degrees(elbow), both)
        out["rotation_deg"] = spread(np.degrees(wrap_rad(rotation)), seen_upper)
        pointer_share[both] = share
        if calibration.forward_known:
            out["forearm_deg"] = spread(np.degrees(_forearm_turn(humerus.at(mine), forearm, mixed)), both)
    elif upper is not None:
        out["rotation_deg"] = spread(np.degrees(wrap_rad(sensor_rotation / skin.share)), seen_upper)
    return ArmAngles(calibration.side, reference, out, pointer_share, skin, isb, hidden=hidden)


def _direction(name: str, segment: SegmentAxes, rows: BoolArray) -> dict[str, FloatArray]:
    """Where a segment points, down its bone: a unit vector (M,) per axis, NaN where not seen."""
    return {f"{name}_{axis}": spread(-segment.y[:, k], rows) for k, axis in enumerate("xyz")}


def unswung(long_axis: FloatArray, vector: FloatArray) -> FloatArray:
    """vector (N, 3) with the shortest rotation from Y, up the hanging bone, to long_axis (N, 3) undone.

    What is left of a segment's X axis then shows its twist about the bone. Singular straight overhead, where every
    swing is as short as any other.
    """
    middle = long_axis + Y_AXIS
    along = np.sum(middle * vector, axis=1) / np.maximum(1.0 + long_axis[:, 1], 1e-9)
    return np.asarray(vector - middle * along[:, None] + Y_AXIS * (2.0 * np.sum(long_axis * vector, axis=1))[:, None])


def _pointer(humerus: SegmentAxes, forearm: SegmentAxes) -> tuple[FloatArray, FloatArray]:
    """Elbow flexion and humeral rotation (rad) from the two long axes, for right-arm axes.

    The forearm pointer: with a bent elbow, where the forearm points round the humerus is the humeral rotation. It
    needs long axes only, which skin hardly disturbs; the upper-arm sensor's own rotation is what skin hides.
    """
    elbow = np.arccos(np.clip(np.sum(humerus.y * forearm.y, axis=1), -1, 1))
    pointer = unswung(humerus.y, -forearm.y)
    return elbow, np.arctan2(pointer[:, 2], pointer[:, 0])


def _handed_over(elbow_rad: FloatArray, params: AngleParams) -> FloatArray:
    """Share (N,) of the pointer: 0 with a straight elbow, 1 with a bent one, smooth between."""
    low, high = np.radians(params.forearm_from_deg), np.radians(params.forearm_full_deg)
    ramp = np.clip((elbow_rad - low) / (high - low), 0.0, 1.0)
    return np.asarray(ramp * ramp * (3 - 2 * ramp))


def _forearm_turn(humerus: SegmentAxes, forearm: SegmentAxes, rotation_rad: FloatArray) -> FloatArray:
    """Forearm rotation (N,), pronation positive: the third angle of ISB's Z-X'-Y'' elbow sequence.

    The humerus frame is the long axis with the given rotation, not the sensor's own turning.
    """
    x, z = unswung(humerus.y, forearm.x), unswung(humerus.y, forearm.z)
    sine, cosine = np.sin(rotation_rad), np.cos(rotation_rad)
    # Z components in the humerus frame, which is turned by -rotation about Y.
    return np.asarray(np.arctan2(sine * x[:, 0] - cosine * x[:, 2], cosine * z[:, 2] - sine * z[:, 0]))


def spread(values: FloatArray, rows: BoolArray) -> FloatArray:
    """Values of some rows in a full-length array, NaN elsewhere."""
    out = np.full(len(rows), np.nan)
    out[rows] = values
    return out
