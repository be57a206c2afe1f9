"""The calibration as a file: written with every analysis, and reused for a later recording of the same mounting.

What lasts from one recording to the next is how each sensor sits on its segment. Headings do not: each recording's
earth frames begin anew, so the later recording's own neutral pose says where they point.
"""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from math import degrees, isfinite, radians
from pathlib import Path
from types import MappingProxyType
from typing import Any

import numpy as np
from scipy.spatial.transform import Rotation

from imu_shoulder.calibrate.model import Anchor, ArmCalibration, Calibration, SensorCalibration
from imu_shoulder.calibrate.pose import Pose
from imu_shoulder.checked import read_json
from imu_shoulder.errors import CalibrationError
from imu_shoulder.files import write_text
from imu_shoulder.findings import KINDS
from imu_shoulder.frames import (
    EARTH_FROM_STANDING,
    X_AXIS,
    Z_AXIS,
    heading_rotation,
    quat_from_rotation,
    rotation_from_quat,
    wrap_rad,
)
from imu_shoulder.model import SIDES, STERNUM, UPPER_ARM, WRIST, Finding, FloatArray, Recording, Side, on_arm
from imu_shoulder.one_run import CALIBRATION, require_one_run
from imu_shoulder.orient.attitude import Attitude
from imu_shoulder.parameters import require_same

SCHEMA = 1
# Parameters that do not move where a sensor is found to sit: of the stages after it, and those of a comparison.
NOT_OF_THE_SEAT = (
    *("angles", "uncertainty", "segment", "judge", "mounting", "stream"),
    *("afterwards", "orient.method"),
)
# A pose is repeated to a few degrees; more than this is another mounting or another pose.
MOST_APART_DEG = 10.0
FRAMES = {
    "sensor": "the axes of the sensor's own columns",
    "segment": "ISB: X forward, Y up the bone, Z right, in the neutral pose; both sides right-handed",
    "earth": "z up, heading arbitrary: each sensor's own, of this recording only",
    "body": "X forward, Y up, Z right of the person as in the neutral pose",
    "quat_body_from_sensor": "scalar first; as quat_sensor_from_segment",
    "elbow_axis": "unit vector in components of the upper-arm sensor; none where the elbow was not bent",
    "quat_sensor_from_segment": "scalar first; takes a vector's segment components to its sensor components",
}


@dataclass(frozen=True, slots=True)
class StoredSensor:
    """One sensor's seat. quat_sensor_from_segment: (4,) scalar first. up_in_sensor: (3,) the vertical in the pose.

    body_from_segment_rad: heading of the body's forward direction less that of the segment's X axis in the pose;
    forward_known: whether a movement showed it.
    """

    placement: str
    quat_sensor_from_segment: FloatArray
    up_in_sensor: FloatArray
    body_from_segment_rad: float
    forward_known: bool
    residual_deg: Mapping[str, float]


@dataclass(frozen=True, slots=True)
class StoredArm:
    """What an earlier recording knew of one arm; sensors by placement, the sternum's included if it was worn.

    anchors: their attitudes are those of body from sensor, which last where earth frames do not.
    """

    side: Side
    sensors: Mapping[str, StoredSensor]
    joined: bool
    pointer_sd_deg: float | None
    trunk_joined: bool
    anchors: tuple[Anchor, ...] = ()


@dataclass(frozen=True, slots=True)
class StoredCalibration:
    """A calibration file in memory. source: name and start of the recording it was measured in.

    changed: the parameters other than the built-in ones it was worked out with, as `parameters.changed` has them.
    """

    source: str
    arms: Mapping[Side, StoredArm]
    changed: Mapping[str, Any] = field(default_factory=dict)


def calibration_document(
    recording: Recording,
    calibration: Calibration,
    time_s: FloatArray,
    attitudes: Mapping[str, Attitude],
    findings: Sequence[Finding],
    changed: Mapping[str, Any] = MappingProxyType({}),
) -> dict[str, Any]:
    """The contents of calibration.json. attitudes: by placement, as the filter gave them, at time_s (M,).

    changed: the parameters other than the built-in ones, as JSON has them.
    """
    inside = (time_s >= calibration.pose_s[0]) & (time_s <= calibration.pose_s[1])
    arms = {}
    for side, arm in calibration.arms.items():
        sensors = [sensor for sensor in (arm.upper_arm, arm.wrist, arm.trunk) if sensor is not None]
        names = [sensor.placement for sensor in sensors]
        arms[side] = {
            "used": list(arm.used),
            "forward_known": arm.forward_known,
            "joined": arm.joined,
            "pointer_sd_deg": arm.pointer_sd_deg,
            "trunk_joined": arm.trunk_joined,
            "sensors": {sensor.placement: _sensor(sensor, attitudes[sensor.placement], inside) for sensor in sensors},
            "anchors": [_anchor(anchor, {sensor.placement: sensor for sensor in sensors}) for anchor in arm.anchors],
            "spoilt_by": [f.text for f in findings if KINDS[f.code].spoils_calibration and f.placement in names],
        }
    return {
        "schema": SCHEMA,
        "recording": {"name": recording.name, "athlete": recording.athlete, "start": recording.start},
        "units": {"angles": "deg", "times": "s of the recording's clock", "up_in_sensor": "unit vector"},
        "frames": FRAMES,
        "pose_s": list(calibration.pose_s),
        "pose_was_marked": calibration.pose_was_marked,
        "parameters_changed": dict(changed),
        "arms": arms,
    }


def _sensor(sensor: SensorCalibration, attitude: Attitude, inside: np.ndarray) -> dict[str, Any]:
    mean = rotation_from_quat(attitude.quat_earth_from_sensor[inside & attitude.valid]).mean()
    segment_heading = _heading_of_x(mean.apply(rotation_from_quat(sensor.quat_sensor_from_segment).apply(X_AXIS)))
    return {
        "quat_sensor_from_segment": [float(value) for value in sensor.quat_sensor_from_segment],
        "up_in_sensor": [float(value) for value in mean.inv().apply(Z_AXIS)],
        "body_heading_deg": degrees(sensor.body_heading_rad),
        "forward_known": sensor.forward_known,
        "body_from_segment_deg": degrees(float(wrap_rad(sensor.body_heading_rad - segment_heading))),
        "residual_deg": {name: float(value) for name, value in sensor.residual_deg.items()},
    }


def _anchor(anchor: Anchor, sensors: Mapping[str, SensorCalibration]) -> dict[str, Any]:
    quats = {
        placement: _quat(_earth_from_body(sensors[placement]).inv(), quat)
        for placement, quat in anchor.quat_earth_from_sensor.items()
    }
    return {
        "kind": anchor.kind,
        "quat_body_from_sensor": {placement: [float(v) for v in quat] for placement, quat in quats.items()},
        "elbow_axis": None if anchor.elbow_axis is None else [float(v) for v in anchor.elbow_axis],
    }


def _earth_from_body(sensor: SensorCalibration) -> Rotation:
    return heading_rotation(sensor.body_heading_rad) * EARTH_FROM_STANDING


def _quat(first: Rotation, quat: FloatArray) -> FloatArray:
    return quat_from_rotation(first * rotation_from_quat(quat))


def _heading_of_x(x_axis: FloatArray) -> float:
    return float(np.arctan2(x_axis[1], x_axis[0]))


def write_calibration(document: Mapping[str, Any], path: Path) -> None:
    write_text(path, json.dumps(document, indent=1, ensure_ascii=False) + "\n")


def read_calibration(path: Path) -> StoredCalibration:
    """A calibration file. Raises CalibrationError for one that cannot be read, of another schema, or spoilt, and
    RecordingError for one among results of another run."""
    document = read_json(path, f"a {CALIBRATION} of an earlier analysis", CalibrationError, "check the path")
    schema = document.get("schema")
    if schema != SCHEMA:
        raise CalibrationError(
            f"a calibration file of schema {SCHEMA}",
            f"{path.name} has {schema!r}",
            "analyse the earlier recording again with this version",
        )
    try:
        arms = {side: _stored_arm(side, document["arms"][side]) for side in SIDES if side in document["arms"]}
        source = f"{document['recording']['name']} of {document['recording']['start']}"
        changed = dict(document.get("parameters_changed", {}))
        if not all(isinstance(one, dict) for one in changed.values()):
            raise ValueError("parameters_changed holds other than tables")
        for arm in arms:
            list(document["arms"][arm].get("spoilt_by", []))
    except (KeyError, TypeError, ValueError, AttributeError) as error:
        raise CalibrationError(
            f"a complete {CALIBRATION}",
            f"{path.name} is damaged ({type(error).__name__}: {error})",
            "analyse the earlier recording again",
        ) from error
    for side in arms:
        spoilt = "; ".join(str(text).rstrip(".") for text in document["arms"][side].get("spoilt_by", []))
        if spoilt:
            raise CalibrationError(
                "a calibration whose sensors sat right and stayed in place",
                f"in {source} this was found: {spoilt}",
                "use the calibration of another recording, or record the movements again",
            )
    require_one_run(path.parent)
    return StoredCalibration(source, arms, changed)


def require_same_parameters(stored: StoredCalibration, changed: Mapping[str, Any]) -> None:
    """Raises CalibrationError where other parameters may have put the sensors elsewhere on their segments.

    changed: of the recording that is to take the calibration, as `parameters.changed` has them.
    """
    require_same(changed, stored.changed, f"the calibration of {stored.source}", CalibrationError, NOT_OF_THE_SEAT)


def _stored_arm(side: Side, table: Mapping[str, Any]) -> StoredArm:
    flags = {name: table[name] for name in ("forward_known", "joined", "trunk_joined")}
    if not all(isinstance(flag, bool) for flag in flags.values()):
        raise ValueError(f"true or false expected in arms.{side}")
    # Files of earlier versions say it of the arm alone, and know no zero of the pointer.
    arm_knows, pointer_sd = flags.pop("forward_known"), table.get("pointer_sd_deg")
    if pointer_sd is not None and not (isinstance(pointer_sd, (int, float)) and isfinite(pointer_sd)):
        raise ValueError(f"a finite pointer_sd_deg or none expected in arms.{side}")
    sensors = {name: _stored_sensor(name, found, arm_knows) for name, found in table["sensors"].items()}
    # Nor do they know of anchors.
    anchors = tuple(_stored_anchor(side, anchor, sensors) for anchor in table.get("anchors", []))
    pointer_sd_deg = None if pointer_sd is None else float(pointer_sd)
    return StoredArm(side, sensors, pointer_sd_deg=pointer_sd_deg, anchors=anchors, **flags)


def _stored_anchor(side: Side, table: Mapping[str, Any], sensors: Mapping[str, StoredSensor]) -> Anchor:
    quats = {
        str(placement): _unit(values, 4, f"an anchor of {placement}")
        for placement, values in table["quat_body_from_sensor"].items()
    }
    if set(quats) != set(sensors):
        raise ValueError(f"anchors of all sensors expected in arms.{side}")
    axis = table["elbow_axis"]
    return Anchor(str(table["kind"]), quats, None if axis is None else _unit(axis, 3, f"an elbow axis in arms.{side}"))


def _unit(values: Any, count: int, of: str) -> FloatArray:
    found = np.array(values, dtype=np.float64)
    if found.shape != (count,) or not abs(np.linalg.norm(found) - 1.0) < 1e-3:
        raise ValueError(f"{count} numbers of norm 1 expected for {of}")
    return found


def _stored_sensor(placement: str, table: Mapping[str, Any], arm_knows: bool) -> StoredSensor:
    quat, up = _unit(table["quat_sensor_from_segment"], 4, placement), _unit(table["up_in_sensor"], 3, placement)
    offset_deg = float(table["body_from_segment_deg"])
    if not isfinite(offset_deg):
        raise ValueError(f"a finite body_from_segment_deg expected for {placement}")
    forward_known = table.get("forward_known", arm_knows)
    if not isinstance(forward_known, bool):
        raise ValueError(f"true or false expected as forward_known of {placement}")
    residual_deg = {str(name): float(value) for name, value in table["residual_deg"].items()}
    return StoredSensor(placement, quat, up, radians(offset_deg), forward_known, residual_deg)


def reuse(stored: StoredCalibration, calibration: Calibration, pose: Pose) -> Calibration:
    """The calibration with the stored seats on every arm that has no elbow bends or forward raises of its own.

    Raises CalibrationError where the stored placements are others than the worn ones, or where gravity in the pose
    says that a sensor sits otherwise.
    """
    arms = {}
    for side, arm in calibration.arms.items():
        own = [sensor.placement for sensor in (arm.upper_arm, arm.wrist, arm.trunk) if sensor is not None]
        kept = stored.arms[side].sensors if side in stored.arms else {}
        if set(own) != set(kept):
            raise CalibrationError(
                f"a calibration of the sensors worn on the {side} arm ({', '.join(sorted(own))})",
                f"that of {stored.source} has {', '.join(sorted(kept)) or 'none'}",
                "use one of the same sensors",
            )
        moved = not {"elbow_bends", "forward_raises"}.isdisjoint(arm.used)
        arms[side] = arm if moved else _reused(stored.source, stored.arms[side], arm, pose)
    return replace(calibration, arms=arms)


def _reused(source: str, stored: StoredArm, arm: ArmCalibration, pose: Pose) -> ArmCalibration:
    seated = {p: _reseated(source, sensor, pose) for p, sensor in stored.sensors.items()}
    return replace(
        arm,
        upper_arm=seated.get(on_arm(arm.side, UPPER_ARM)),
        wrist=seated.get(on_arm(arm.side, WRIST)),
        trunk=seated.get(STERNUM),
        used=("neutral_pose", f"the calibration of {source}"),
        joined=stored.joined,
        apart_sd_deg=None,
        pointer_sd_deg=stored.pointer_sd_deg,
        trunk_joined=stored.trunk_joined,
        anchors=tuple(
            replace(
                anchor,
                quat_earth_from_sensor={
                    p: _quat(_earth_from_body(seated[p]), quat) for p, quat in anchor.quat_earth_from_sensor.items()
                },
            )
            for anchor in stored.anchors
        ),
        trunk_sd_deg=None,
    )


def _reseated(source: str, stored: StoredSensor, pose: Pose) -> SensorCalibration:
    """The stored seat, facing as this recording's pose shows: the segment stands in it as it did in the earlier one."""
    earth_from_sensor = pose.earth_from_sensor[stored.placement]
    up = earth_from_sensor.inv().apply(Z_AXIS)
    apart_deg = degrees(float(np.arccos(np.clip(up @ stored.up_in_sensor, -1.0, 1.0))))
    if apart_deg > MOST_APART_DEG:
        raise CalibrationError(
            f"the sensors to sit as in {source}, within {MOST_APART_DEG:g} deg",
            f"gravity in the neutral pose shows {stored.placement} {apart_deg:.0f} deg away",
            "record elbow bends and forward raises with this mounting, and leave the earlier calibration out",
        )
    x_axis = earth_from_sensor.apply(rotation_from_quat(stored.quat_sensor_from_segment).apply(X_AXIS))
    residual = {
        **stored.residual_deg,
        "pose_sway": pose.sway_deg[stored.placement],
        "pose_from_earlier_pose": apart_deg,
    }
    heading = float(wrap_rad(_heading_of_x(x_axis) + stored.body_from_segment_rad))
    seat = stored.quat_sensor_from_segment
    return SensorCalibration(stored.placement, seat, heading, residual, stored.forward_known)
