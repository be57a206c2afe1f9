"""Joint angles of one arm from attitudes and a calibration. Every angle is defined in docs/coordinates.md.

All geometry is done on the right arm: a left arm's axes are mirrored in the sagittal plane first.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from functools import lru_cache
from math import cos, radians, sin

import numpy as np

from imu_shoulder.angles.scapula import ScapulaParams
from imu_shoulder.angles.skin import BENT_RAD, SPAN_S, SkinShare, estimate_skin_share
from imu_shoulder.angles.straight import Shown, StraightLine, StraightParams, handed_over, raised_of, straight_line
from imu_shoulder.angles.trunk import facing_axes, trunk_angles, up_in_trunk
from imu_shoulder.arrays import BLOCK_ROWS
from imu_shoulder.calibrate.model import (
    SKIN_SHARE,
    SKIN_SHARE_SD,
    ArmCalibration,
    SegmentAxes,
    SensorCalibration,
    dot,
    segment_axes,
    twist_rad,
    unswung,
)
from imu_shoulder.frames import clipped, cross, inverse_quat, isb_from_axes, rotated, side_sign, sin_cos, wrap_rad
from imu_shoulder.model import UPPER_ARM, WRIST, FloatArray, IntArray, Side
from imu_shoulder.orient.attitude import Attitude
from imu_shoulder.spill import PART_ROWS, let_go, parts, room, spilled

# Columns of angles.parquet, per side, with a standard deviation each.
ANGLE_COLUMNS = (
    *("elevation_deg", "elevation_gravity_deg", "plane_deg", "rotation_deg", "elbow_deg", "forearm_deg"),
    *("thumb_up_deg", "forearm_elevation_deg", "trunk_lean_deg", "trunk_turn_deg", "scapula_up_deg"),
)
# The ISB thoracohumeral triple of the upper-arm sensor, ill-defined near its singular ends.
ISB_COLUMNS = ("isb_plane_deg", "isb_elevation_deg", "isb_axial_deg")
# Those that can be had alone.
TURNS = ("elbow", "rotation", "forearm")
# Part of rotation_deg's standard deviation that is from skin and from the hand's turn.
STRAIGHT_SD = "rotation_straight_sd_deg"
# Behind the name of an angle's column: its standard deviation.
SD = "_sd"


@dataclass(frozen=True, slots=True)
class AngleParams:
    """Where an angle is defined, and when the forearm tells the humeral rotation.

    plane_from_deg, plane_to_deg: elevation between which the plane of elevation is given.
    leant_deg: where the arm is measured about gravity, a trunk that is seen to lean further is not upright.
    forearm_from_deg: below this elbow flexion the forearm pointer is not used, from forearm_full_deg on it alone is.
    anchored_from_deg, anchored_full_deg: the same where elbow bends anchor the rotation of a straight elbow: it is then
    as good as a pointer at 30 deg, where an error of the heading between the two sensors turns the pointer by twice.
    carrying_deg: elbow carrying angle of people in the mean: see `_carried`.
    skin_share: share of the humeral rotation that the skin under the upper-arm sensor passes on, where the recording
    itself does not tell or estimate_skin is off; skin_share_sd: its standard deviation.

    Sources. plane_from_deg, plane_to_deg, leant_deg, forearm_from_deg, forearm_full_deg, anchored_from_deg,
    anchored_full_deg: ours; carrying_deg: n = 400 (Int J Morphol 2018 36:135-139); skin_share, skin_share_sd: skin
    hides up to half (Warner and Heller 2025, doi 10.1016/j.jbiomech.2025.112893).
    """

    plane_from_deg: float = 15.0
    plane_to_deg: float = 165.0
    leant_deg: float = 30.0
    forearm_from_deg: float = 15.0
    forearm_full_deg: float = 25.0
    anchored_from_deg: float = 25.0
    anchored_full_deg: float = 45.0
    carrying_deg: float = 11.9
    skin_share: float = SKIN_SHARE
    skin_share_sd: float = SKIN_SHARE_SD
    estimate_skin: bool = True
    straight: StraightParams = field(default_factory=StraightParams)
    scapula: ScapulaParams = field(default_factory=ScapulaParams)


# The hidden column with the standard deviation of the body's direction.
HEADING_SD = "heading_sd_deg"


@dataclass(frozen=True, slots=True)
class ArmAngles:
    """Joint angles of one arm on the common grid, degrees, NaN where undefined or not seen.

    angles, sd: column name -> (M,), the angle and its standard deviation. elevation_reference: "gravity" or "trunk", of
    elevation_deg and what goes with it; elevation_gravity_deg is about gravity always.
    hidden: further columns without one: ISB_COLUMNS, STRAIGHT_SD, and those for measures.
    rotation_from_forearm: (M,) share of the forearm pointer in rotation_deg, 0 upper-arm sensor to 1 forearm.
    scapula_reference: what the shoulder blade is measured against, "trunk" or "gravity"; empty where it was not seen.
    """

    side: Side
    elevation_reference: str
    angles: Mapping[str, FloatArray]
    rotation_from_forearm: FloatArray
    skin: SkinShare
    sd: Mapping[str, FloatArray] = field(default_factory=dict)
    hidden: Mapping[str, FloatArray] = field(default_factory=dict)
    scapula_reference: str = ""

    @property
    def columns(self) -> dict[str, FloatArray]:
        """All of them by name, an angle's standard deviation under the angle's name with _sd behind it."""
        return {**self.angles, **self.hidden, **{f"{name}{SD}": values for name, values in self.sd.items()}}

    def reference_of(self, rows: slice) -> str:
        """What elevation_deg is measured about on the rows; empty where it is not known on any of them."""
        elevation = self.angles.get("elevation_deg")
        seen = elevation is not None and bool(np.isfinite(elevation[rows]).any())
        return self.elevation_reference if seen else ""

    def not_told(self, rows: slice) -> bool:
        """Whether the trunk was upright on none of the rows, so that about gravity the joint cannot be told."""
        against = self.angles.get("elevation_gravity_deg")
        seen = against is not None and bool(np.isfinite(against[rows]).any())
        return self.elevation_reference == "gravity" and seen and not self.reference_of(rows)


def arm_angles(
    calibration: ArmCalibration, attitudes: Mapping[str, Attitude], skin: SkinShare, params: AngleParams
) -> ArmAngles:
    """Angles (M,) of one arm, row by row. Rows that a needed sensor did not see are NaN. skin: see `skin_of`."""
    count = len(next(iter(attitudes.values())).valid)
    line = _line(calibration, skin, params)
    table: dict[str, FloatArray] = {}
    for rows in parts(count, BLOCK_ROWS):
        part = _columns(calibration, attitudes, rows, line, params)
        if rows == slice(0, count):
            table = part
            break
        if not rows.start:
            table = dict(zip(part, room((len(part), count)), strict=True))
        for name, values in part.items():
            table[name][rows] = values
        if not rows.stop % PART_ROWS:
            let_go()
    from_forearm = table.pop("rotation_from_forearm", np.full(count, np.nan))
    angles = {name: table.pop(name) for name in ANGLE_COLUMNS if name in table}
    table[HEADING_SD] = _heading_sd_deg(calibration, attitudes, count)
    reference = "trunk" if calibration.about_trunk else "gravity"
    return ArmAngles(calibration.side, reference, angles, from_forearm, skin, hidden=table)


def turn_deg(
    name: str, calibration: ArmCalibration, attitudes: Mapping[str, Attitude], skin: SkinShare, params: AngleParams
) -> FloatArray | None:
    """Of what `arm_angles` gives, one of TURNS (M,) alone, None where it has none: a glance at it needs no more."""
    count = len(next(iter(attitudes.values())).valid)
    line = _line(calibration, skin, params)
    return _columns(calibration, attitudes, slice(0, count), line, params, only=name).get(f"{name}_deg")


def _heading_sd_deg(calibration: ArmCalibration, attitudes: Mapping[str, Attitude], count: int) -> FloatArray:
    """How well it is known which way the body faces beside the arm (M,), NaN where it was not kept.

    By the sensor on the trunk, else by how the arm came back to where it was.
    """
    limb = calibration.upper_arm or calibration.wrist
    if calibration.trunk is not None:
        sd_rad = attitudes[calibration.trunk.placement].apart_sd_rad
    else:
        sd_rad = None if limb is None else attitudes[limb.placement].heading_sd_rad
    return np.full(count, np.nan) if sd_rad is None else spilled(np.degrees(sd_rad))


def skin_of(
    calibration: ArmCalibration, attitudes: Mapping[str, Attitude], rate_hz: float, params: AngleParams
) -> SkinShare:
    """What these rows tell of the skin under the upper-arm sensor; the usual share where they do not."""
    usual = SkinShare(params.skin_share, params.skin_share_sd, 0.0)
    if not params.estimate_skin:
        return usual
    count = len(next(iter(attitudes.values())).valid)
    return _told_skin_share(calibration, attitudes, rate_hz, count) or usual


def _told_skin_share(
    calibration: ArmCalibration, attitudes: Mapping[str, Attitude], rate_hz: float, count: int
) -> SkinShare | None:
    """What the recording itself tells of the skin, if it is long enough and both sensors are worn."""
    upper, wrist = calibration.upper_arm, calibration.wrist
    if upper is None or wrist is None or not calibration.joined or count <= SPAN_S * rate_hz:
        return None
    elbow = np.empty(count)
    for rows in parts(count, BLOCK_ROWS):
        quats = _quats(attitudes, rows)
        humerus, forearm = (segment_axes(own, quats[own.placement], calibration.side).y for own in (upper, wrist))
        elbow[rows] = _elbow_rad(humerus, forearm)
    # With a straighter elbow the pointer is not asked for.
    bent = np.flatnonzero(elbow > BENT_RAD)
    sensor, pointer = np.full((2, count), np.nan)
    for block in parts(len(bent), BLOCK_ROWS):
        own_rows = bent[block]
        upper_axes, forearm_axes = _limbs(calibration, _quats(attitudes, own_rows))
        sensor[own_rows] = twist_rad(unswung(upper_axes.y, upper_axes.x))
        pointer[own_rows] = twist_rad(unswung(upper_axes.y, -forearm_axes.y))
    seen = np.isfinite(elbow)
    return estimate_skin_share(sensor[seen], pointer[seen], elbow[seen], rate_hz)


def _segments(calibration: ArmCalibration, quats: Mapping[str, FloatArray]) -> dict[str, SegmentAxes]:
    """Axes of what is worn of "trunk", "upper_arm" and "wrist", in components of the body as it stood in the pose.

    quats: (N, 4) earth from sensor, by placement.
    """
    worn = {"trunk": calibration.trunk, UPPER_ARM: calibration.upper_arm, WRIST: calibration.wrist}
    return {
        name: segment_axes(sensor, quats[sensor.placement], calibration.side)
        for name, sensor in worn.items()
        if sensor is not None
    }


def _quats(attitudes: Mapping[str, Attitude], rows: slice | IntArray) -> dict[str, FloatArray]:
    return {placement: attitude.quat_earth_from_sensor.T[:, rows].T for placement, attitude in attitudes.items()}


def _limbs(calibration: ArmCalibration, quats: Mapping[str, FloatArray]) -> tuple[SegmentAxes, SegmentAxes]:
    """Upper arm and forearm, both worn, as seen from the trunk as far as that is known."""
    segments = _segments(calibration, quats)
    humerus, forearm = segments[UPPER_ARM], segments[WRIST]
    if calibration.trunk is None:
        return humerus, forearm
    body = (segments["trunk"] if calibration.trunk_joined else facing_axes(segments["trunk"])).frame
    return humerus.seen_from(body), forearm.seen_from(body)


# A live page asks for it thirty times a second.
@lru_cache(maxsize=16)
def _line(calibration: ArmCalibration, skin: SkinShare, params: AngleParams) -> StraightLine:
    """How rotation follows from the sensors where the elbow is straight."""
    if not calibration.anchors:
        return straight_line(skin.share, skin.sd, None, params.straight)
    anchors = calibration.anchors
    quats = {p: np.array([a.quat_earth_from_sensor[p] for a in anchors]) for p in anchors[0].quat_earth_from_sensor}
    humerus, forearm = _limbs(calibration, quats)
    sensor_rad = twist_rad(unswung(humerus.y, humerus.x))
    bends = np.array([a.elbow_axis is not None for a in anchors])
    assert calibration.upper_arm is not None
    quat_segment_from_sensor = inverse_quat(calibration.upper_arm.quat_sensor_from_segment)
    axes = np.array([anchor.elbow_axis for anchor in anchors if anchor.elbow_axis is not None])
    forward, _, right = rotated(quat_segment_from_sensor[None], axes).T
    # A turn keeps its sense about the left-right line in the mirror, and no other.
    rotation = np.zeros(len(anchors))
    rotation[bends] = sensor_rad[bends] + np.arctan2(-forward * side_sign(calibration.side), right)
    x, y = (unswung(humerus.y, axis) for axis in (forearm.x, forearm.y))
    turn_rad = _forearm_turn_rad(x, cross(x, y), *sin_cos(rotation))
    shown = Shown(sensor_rad, raised_of(humerus.y[1]), rotation, turn_rad, bends)
    return straight_line(skin.share, skin.sd, shown, params.straight)


def _columns(
    calibration: ArmCalibration,
    attitudes: Mapping[str, Attitude],
    rows: slice,
    line: StraightLine,
    params: AngleParams,
    *,
    only: str = "",
) -> dict[str, FloatArray]:
    """Every column of the given rows (N,), in degrees but for directions and shares.

    only: which of TURNS is asked for. What it does not need may be missing then.
    """
    segments = _segments(calibration, _quats(attitudes, rows))
    trunk, humerus, forearm = (segments.get(name) for name in ("trunk", UPPER_ARM, WRIST))
    out: dict[str, FloatArray] = {}
    if trunk is not None and not only:
        out |= trunk_angles(trunk) | up_in_trunk(trunk)
    # The direction of a lean may not be known; the trunk's turn about the vertical is.
    facing = facing_axes(trunk).frame if trunk is not None and not calibration.trunk_joined else None
    faced = forearm if forearm is None or facing is None else forearm.seen_from(facing)
    if forearm is not None and faced is not None and not only:
        out["forearm_elevation_deg"] = np.degrees(tilt_rad(forearm))
        out |= _direction("forearm", faced)
        if calibration.wrist is not None and calibration.wrist.forward_known:
            out["thumb_up_deg"] = np.degrees(np.arcsin(clipped(forearm.x[1], -1, 1)))
    if humerus is None or calibration.upper_arm is None:
        return out
    if trunk is not None and calibration.trunk_joined:
        if not only:
            out["elevation_gravity_deg"] = np.degrees(tilt_rad(humerus))
        frame = trunk.frame
        humerus = humerus.seen_from(frame)
        forearm = None if forearm is None else forearm.seen_from(frame)
    elbow = None if forearm is None else _elbow_rad(humerus.y, forearm.y)
    if facing is not None:
        humerus = humerus.seen_from(facing)
        forearm = faced
    if not only:
        out = {**out, **_of_upper_arm(calibration.upper_arm, humerus, params), **out}
    raised = raised_of(humerus.y[1])
    rotation, variance = line.of_sensor(twist_rad(unswung(humerus.y, humerus.x)), raised)
    # 0 where the upper arm is seen, NaN where it is not.
    from_forearm = 0.0 * raised
    if forearm is not None and elbow is not None and calibration.joined:
        axis, x = unswung(humerus.y, forearm.y), unswung(humerus.y, forearm.x)
        seen = np.isfinite(elbow)
        share = np.zeros_like(elbow)
        if calibration.anchors:
            share = handed_over(elbow, params.anchored_from_deg, params.anchored_full_deg)
        elif calibration.points:
            share = handed_over(elbow, params.forearm_from_deg, params.forearm_full_deg)
        # The forearm's Z axis is worked out once.
        z = cross(x, axis)
        turn = _forearm_turn_rad(x, z, *sin_cos(rotation))
        heard, heard_variance = line.corrected(rotation, variance, turn, raised)
        sine, cosine = _mixed(heard, -axis, share)
        of_sensor = 1.0 - share
        variance = np.where(seen, heard_variance * of_sensor * of_sensor, variance)
        from_forearm = np.where(seen, share, from_forearm)
        # Where the pointer has no share it changes nothing.
        rotation = np.arctan2(sine, cosine, out=np.where(seen, heard, rotation), where=share > 0)
        if calibration.forward_known and only in ("", "elbow"):
            carried = _carried(axis, z, sine, cosine, params.carrying_deg)
            # Where the trunk was not seen, nothing tells how the forearm is turned.
            elbow = np.where(np.isnan(carried), elbow, carried)
        if calibration.forward_known and only in ("", "forearm"):
            out["forearm_deg"] = np.degrees(_forearm_turn_rad(x, z, sine, cosine))
        out["elbow_deg"] = np.degrees(elbow)
    out["rotation_deg"] = np.degrees(wrap_rad(rotation))
    if only:
        return out
    out[STRAIGHT_SD] = np.degrees(np.sqrt(variance))
    out["rotation_from_forearm"] = from_forearm
    return out


def _of_upper_arm(sensor: SensorCalibration, humerus: SegmentAxes, params: AngleParams) -> dict[str, FloatArray]:
    """What its axes alone show (N,)."""
    out = _direction("upper_arm", humerus)
    isb_deg = np.degrees(isb_from_axes(humerus.x, humerus.y))
    plane, elevation = isb_deg[0], -isb_deg[1]
    out |= {"elevation_deg": elevation, "elevation_gravity_deg": elevation.copy(), "isb_elevation_deg": isb_deg[1]}
    if sensor.forward_known:
        out |= dict(zip(ISB_COLUMNS, isb_deg, strict=True))
        defined = (elevation >= params.plane_from_deg) & (elevation <= params.plane_to_deg)
        out["plane_deg"] = np.where(defined, plane, np.nan)
    return out


def _direction(name: str, segment: SegmentAxes) -> dict[str, FloatArray]:
    """Where a segment points, down its bone: a unit vector (N,) per axis."""
    return {f"{name}_{axis}": values for axis, values in zip("xyz", -segment.y, strict=True)}


def tilt_rad(segment: SegmentAxes) -> FloatArray:
    """How far (N,) a segment is from hanging straight down."""
    return np.asarray(np.arccos(clipped(segment.y[1], -1, 1)))


def _elbow_rad(humerus: FloatArray, forearm: FloatArray) -> FloatArray:
    """Angle (N,) between long axes (3, N)."""
    return np.arccos(clipped(dot(humerus, forearm), -1, 1))


def _mixed(rotation_rad: FloatArray, pointer: FloatArray, share: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Sine and cosine (N,), of any length, of the rotation between rotation_rad and the twist of pointer (3, N)."""
    x, _, z = pointer
    of_pointer = share / np.maximum(np.sqrt(x * x + z * z), 1e-9)
    sine, cosine = sin_cos(rotation_rad)
    left = 1 - share
    return left * sine + of_pointer * z, left * cosine + of_pointer * x


def _carried(y: FloatArray, z: FloatArray, sine: FloatArray, cosine: FloatArray, carrying_deg: float) -> FloatArray:
    """Angle of the elbow (N,) with the carrying angle in it; sine, cosine as of _forearm_turn_rad.

    y, z: (3, N) the forearm's axes with the humerus' swing undone.

    In the pose both long axes are upright, while the forearm's bone points outward by the carrying angle. As the
    forearm turns about its bone, the axis that hung upright turns about it as well, forward or back by the sine of the
    turn. So the bone is compared with where it would be in a straight elbow, which is less far out the more it bends.
    """
    carrying_rad = radians(carrying_deg)
    aside = sin(carrying_rad)
    bone = cos(carrying_rad) * y - aside * z
    straight = aside * clipped(y[1], 0.0, 1.0)
    level = straight / np.maximum(np.hypot(sine, cosine), 1e-9)
    along = level * (sine * bone[0] - cosine * bone[2]) + np.sqrt(1.0 - straight * straight) * bone[1]
    return np.asarray(np.arccos(clipped(along, -1, 1)))


def _forearm_turn_rad(x: FloatArray, z: FloatArray, sine: FloatArray, cosine: FloatArray) -> FloatArray:
    """Forearm rotation (N,), pronation positive: ISB's third elbow angle (Z-X'-Y''), 0 thumb forward, not supinated.

    x, z: (3, N) the forearm's axes with the humerus' swing undone. The humerus frame is the long axis with the rotation
    of the given sine and cosine, not the sensor's own turning.
    """
    # Z components in the humerus frame, which is turned by -rotation about Y.
    return np.asarray(np.arctan2(sine * x[0] - cosine * x[2], cosine * z[2] - sine * z[0]))
