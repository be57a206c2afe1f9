"""The steps of calibration: each says at once whether it was good, or what to do again and why."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from imu_shoulder.align.stillness import StillParams, common_still_windows, still_windows
from imu_shoulder.calibrate.anchors import ELEVATED_RAD, bend_rad
from imu_shoulder.calibrate.model import ArmCalibration, Calibration
from imu_shoulder.calibrate.pose import Pose
from imu_shoulder.frames import Z_AXIS, rotation_from_quat
from imu_shoulder.live.params import LiveParams
from imu_shoulder.model import UPPER_ARM, WRIST, Event, FloatArray, Side, Track, limb_words, on_arm
from imu_shoulder.orient.attitude import Attitude
from imu_shoulder.segment.turning import excursions

EVENT_TYPES = {
    "pose": "neutral_pose",
    "bends": "elbow_bends",
    "raises": "forward_raises",
    "high": "bends_at_shoulder_height",
}
# The command that begins each, by what a recording calls it.
COMMANDS = {trial_type: f"calibrate_{step}" for step, trial_type in EVENT_TYPES.items()}
# A bend or a raise swings the segment by at least this.
SWING_DEG = 40.0
# Back where it hangs, within this, for REST_S: the step is over.
HANGING_DEG = 25.0
REST_S = 0.6
# An upper arm is up from here on.
UP_RAD = ELEVATED_RAD["bends_at_shoulder_height"][0]
# An upper arm that swings by more in the bends is no still upper arm.
UPPER_ARM_DEG = 35.0
# Movements that are off their common axis or direction by more do not tell where the body faces.
OFF_AXIS_DEG = 20.0


@dataclass(frozen=True, slots=True)
class Verdict:
    """good: the step served. because: what to do otherwise. progress: 0 to 1. event: the stretch that was used."""

    progress: float
    good: bool | None = None
    because: str = ""
    event: Event | None = None


def watch_pose(time_s: FloatArray, tracks: Sequence[Track], since_s: float, params: LiveParams) -> Verdict:
    """Whether all sensors that are heard have been still together for pose_s; until then how far that is."""
    rows = time_s >= since_s
    now_s = float(time_s[-1]) if rows.any() else since_s
    near = [
        Track(t.placement, t.acc_m_s2[rows], t.gyr_rad_s[rows], t.valid[rows], t.clipped[rows])
        for t in tracks
        if t.valid[rows].any()
    ]
    if not near:
        return Verdict(0.0)
    windows = common_still_windows(time_s[rows], near, StillParams(min_s=0.5))
    current = windows[-1] if windows and windows[-1][1] > now_s - 0.5 else None
    lasted_s = 0.0 if current is None else current[1] - current[0]
    if current is not None and lasted_s >= params.pose_s:
        return Verdict(1.0, True, event=Event(current[0], lasted_s, "neutral_pose"))
    progress = min(lasted_s / params.pose_s, 1.0)
    if now_s - since_s < params.step_s or current is not None:
        return Verdict(progress)
    return Verdict(progress, False, f"{_restless(time_s[rows], near)} moves; stand still for {params.pose_s:g} seconds")


def _restless(time_s: FloatArray, tracks: Sequence[Track]) -> str:
    """The limb that was still for the shortest time."""
    quiet = {
        t.placement: sum(b - a for a, b in still_windows(time_s, t.acc_m_s2, t.gyr_rad_s, StillParams(min_s=0.5)))
        for t in tracks
    }
    return f"the {limb_words(min(quiet, key=lambda p: quiet[p]))}"


def watch_movement(
    step: str,
    event: Event,
    time_s: FloatArray,
    attitudes: Mapping[str, Attitude],
    pose: Pose,
    calibration: Calibration,
    params: LiveParams,
    *,
    ended: bool,
) -> Verdict:
    """What a movement showed so far. time_s, attitudes: of the step. calibration: with what the step showed until now.

    ended: the athlete goes on to the next step, so that what was seen must do.
    """
    asked = params.asked(step)
    part = WRIST if step == "bends" else UPPER_ARM
    counts: dict[Side, int] = {}
    hanging = True
    for side, arm in calibration.arms.items():
        own = next((p for p in (on_arm(side, part), on_arm(side, WRIST)) if p in pose.earth_from_sensor), None)
        if own is None or (step == "high" and not arm.shows_bends):
            continue
        swing = swing_deg(own, attitudes, pose)
        counted = bent_up_deg(arm, attitudes) if step == "high" else swing
        counts[side] = 0 if not len(counted) else len(excursions(counted, SWING_DEG))
        late = swing[-round(REST_S * len(swing) / max(event.duration_s, 1e-9)) :] if len(swing) else swing
        hanging &= bool(len(late)) and bool((late < HANGING_DEG).all())
    if not counts:
        return Verdict(1.0, True, "no sensor worn shows this step", event)
    progress = min(min(counts.values()) / asked, 1.0)
    if (progress < 1.0 or not hanging) and not ended:
        late_s = event.duration_s
        if late_s > 2.5 * params.step_s or (late_s > params.step_s and not any(counts.values())):
            return Verdict(progress, False, _too_few(step, counts, asked))
        return Verdict(progress)
    if not any(counts.values()):
        return Verdict(progress, False, _too_few(step, counts, asked))
    wrong = _wrong(step, counts, attitudes, pose, calibration)
    return Verdict(1.0, not wrong, wrong, event)


def swing_deg(placement: str, attitudes: Mapping[str, Attitude], pose: Pose) -> FloatArray:
    """How far (n,) the segment's long axis is from where it hung, over the rows that were seen."""
    attitude = attitudes[placement]
    if not attitude.valid.any():
        return np.empty(0)
    axis = pose.earth_from_sensor[placement].inv().apply(Z_AXIS)
    up = rotation_from_quat(attitude.quat_earth_from_sensor[attitude.valid]).apply(axis)[:, 2]
    return np.asarray(np.degrees(np.arccos(np.clip(up, -1.0, 1.0))))


def bent_up_deg(arm: ArmCalibration, attitudes: Mapping[str, Attitude]) -> FloatArray:
    """How far (n,) the elbow is bent where the upper arm is up, 0 where it is not, over the rows that were seen."""
    elevated, bend = bend_rad(arm, attitudes)
    return np.asarray(np.degrees(np.where(elevated > UP_RAD, bend, 0.0)))


def _too_few(step: str, counts: Mapping[Side, int], asked: int) -> str:
    least = min(counts, key=lambda side: counts[side])
    what = "raises" if step == "raises" else "bends"
    return f"{counts[least]} of {asked} {what} of the {least} arm were seen"


def _wrong(
    step: str, counts: Mapping[Side, int], attitudes: Mapping[str, Attitude], pose: Pose, calibration: Calibration
) -> str:
    name = EVENT_TYPES[step]
    for side, arm in calibration.arms.items():
        if not counts.get(side):
            continue
        if step == "high":
            if name not in arm.used:
                return f"the {side} elbow was not seen bending at shoulder height; keep the upper arm up meanwhile"
            continue
        upper = on_arm(side, UPPER_ARM)
        if step == "bends" and upper in pose.earth_from_sensor:
            swing = swing_deg(upper, attitudes, pose)
            if len(swing) and float(np.percentile(swing, 90)) > UPPER_ARM_DEG:
                return f"the {side} upper arm moved along; keep it at your side"
        residuals = [s.residual_deg.get(name, 0.0) for s in (arm.upper_arm, arm.wrist) if s is not None]
        if max(residuals, default=0.0) > OFF_AXIS_DEG:
            way = "bend it the same way each time" if step == "bends" else "raise it straight forward each time"
            return f"the {side} arm went different ways; {way}"
    return ""


def on_limb(side: Side, attitudes: Mapping[str, Attitude], pose: Pose) -> bool | None:
    """Whether wrist and upper-arm sensor sit as named: in the bends the forearm swings, the upper arm does not."""
    swings = []
    for part in (WRIST, UPPER_ARM):
        placement = on_arm(side, part)
        if placement not in pose.earth_from_sensor:
            return None
        swing = swing_deg(placement, attitudes, pose)
        if not len(swing):
            return None
        swings.append(float(np.percentile(swing, 95)))
    return None if max(swings) < SWING_DEG else swings[0] > swings[1]
