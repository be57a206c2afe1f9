"""The neutral pose: where it is, whether it is still, and the attitudes in it."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from types import MappingProxyType

import numpy as np
from scipy.spatial.transform import Rotation

from imu_shoulder.errors import CalibrationError
from imu_shoulder.frames import Z_AXIS, rotation_from_quat
from imu_shoulder.model import BoolArray, Event, FloatArray, Track
from imu_shoulder.orient.attitude import Attitude

# Expected, came, do.
NO_POSE = (
    "a neutral pose (standing still with the arms hanging for 3 s)",
    "none is marked and no such stillness was found",
    "stand still with the arms hanging before the first set and record again, or mark it in events.tsv",
)


@dataclass(frozen=True, slots=True)
class CalibrateParams:
    """Limits of a usable pose.

    min_pose_s: shortest pose.
    max_sway_deg: largest standard deviation of a sensor's attitude inside the pose; more is a moving pose.

    Sources. min_pose_s, max_sway_deg: ours.
    """

    min_pose_s: float = 1.5
    max_sway_deg: float = 3.0


@dataclass(frozen=True, slots=True)
class Pose:
    """Attitudes averaged over the pose, by placement, and how far each swayed."""

    start_s: float
    end_s: float
    marked: bool
    earth_from_sensor: Mapping[str, Rotation] = field(default_factory=dict)
    sway_deg: Mapping[str, float] = field(default_factory=dict)


def find_pose(
    time_s: FloatArray,
    attitudes: Mapping[str, Attitude],
    events: Sequence[Event],
    proposed: Event | None,
    params: CalibrateParams,
    tracks: Mapping[str, Track] = MappingProxyType({}),
) -> Pose:
    """The first usable neutral pose: a marked one, or the proposed one where none is marked.

    tracks: what the attitudes come from, where it is known: what clips does not show whether the limb moved.
    Raises CalibrationError when there is no pose, or when every marked one moves.
    """
    marked = [event for event in events if event.trial_type == "neutral_pose"]
    candidates = marked or ([] if proposed is None else [proposed])
    if not candidates:
        raise CalibrationError(*NO_POSE)
    for event in candidates[:-1]:
        try:
            return _measure_pose(time_s, attitudes, event, bool(marked), params, tracks)
        except CalibrationError:
            continue  # a later pose may be better; the last one speaks for all
    return _measure_pose(time_s, attitudes, candidates[-1], bool(marked), params, tracks)


def _measure_pose(
    time_s: FloatArray,
    attitudes: Mapping[str, Attitude],
    event: Event,
    marked: bool,
    params: CalibrateParams,
    tracks: Mapping[str, Track],
) -> Pose:
    start_s, end_s = event.onset_s, event.end_s
    if end_s - start_s < params.min_pose_s:
        raise CalibrationError(
            f"a neutral pose of {params.min_pose_s:g} s or more",
            f"the marked one lasts {end_s - start_s:g} s",
            "mark a longer one",
        )
    inside = (time_s >= start_s) & (time_s <= end_s)
    means: dict[str, Rotation] = {}
    sways: dict[str, float] = {}
    moving: tuple[float, str, str] | None = None
    for placement, attitude in attitudes.items():
        rows = inside & attitude.valid
        if np.count_nonzero(rows) < 3:
            continue
        earth_from_sensor = rotation_from_quat(attitude.quat_earth_from_sensor[rows])
        mean = earth_from_sensor.mean()
        # The sway that matters is that of the inclination: a slow turn of the heading is not a moving limb.
        up, mean_up = earth_from_sensor.inv().apply(Z_AXIS), mean.inv().apply(Z_AXIS)
        sway = float(np.degrees(np.sqrt(np.mean(np.arccos(np.clip(up @ mean_up, -1.0, 1.0)) ** 2))))
        if sway > params.max_sway_deg and (moving is None or sway > moving[0]):
            moving = sway, placement, _moved(time_s[rows], up, params.max_sway_deg)
        means[placement], sways[placement] = mean, sway
    if moving is not None:
        if _clipped_near(time_s, tracks.get(moving[1]), event):
            raise CalibrationError(
                "a sensor that does not clip in the neutral pose and near it",
                f"{moving[1]} reaches the end of its range there and seems to move by {moving[2]} of the one from "
                f"{start_s:g} to {end_s:g} s",
                "set a wider range of its gyroscope and accelerometer, and record again",
            )
        raise CalibrationError(
            f"a still neutral pose (sway under {params.max_sway_deg:g} deg)",
            f"{moving[1]} moves by {moving[2]} of the one from {start_s:g} to {end_s:g} s",
            "mark the stretch in which the person stands still",
        )
    if not means:
        raise CalibrationError(
            "sensor data inside the neutral pose",
            f"no sensor has any between {start_s:g} and {end_s:g} s",
            "mark a pose inside the recording",
        )
    return Pose(start_s, end_s, marked, means, sways)


def _clipped_near(time_s: FloatArray, track: Track | None, pose: Event) -> bool:
    """Whether a sensor clipped in the pose or as long before or after, which shows in its attitude in there, too."""
    near = (time_s >= pose.onset_s - pose.duration_s) & (time_s <= pose.end_s + pose.duration_s)
    return track is not None and bool(track.clipped[near].any())


def _moved(time_s: FloatArray, up: FloatArray, limit_deg: float) -> str:
    """How far a sensor turned and when, of its times (K,) and the vertical in its frame (K, 3): away from how it was
    held for most of the time."""
    held = np.median(up, axis=0)
    away_deg = np.degrees(np.arccos(np.clip(up @ held / max(float(np.linalg.norm(held)), 1e-9), -1.0, 1.0)))
    most_deg = float(away_deg.max())
    # A part of the largest turn, so that a slow drift has a beginning, too.
    out = np.flatnonzero(away_deg > max(limit_deg, 0.2 * most_deg))
    first_s, last_s = (time_s[out[0]], time_s[out[-1]]) if len(out) else (time_s[0], time_s[-1])
    return f"{most_deg:.0f} deg from {first_s:.1f} to {last_s:.1f} s"


def rows_of(time_s: FloatArray, events: Sequence[Event], trial_type: str) -> BoolArray:
    """Rows (N,) inside any event of this trial type; time_s goes up."""
    inside = np.zeros(len(time_s), dtype=bool)
    for event in events:
        if event.trial_type == trial_type:
            first, last = np.searchsorted(time_s, event.onset_s), np.searchsorted(time_s, event.end_s, side="right")
            inside[first:last] = True
    return inside
