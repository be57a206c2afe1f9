"""The flow: a recording goes in, sets and angles come out. Commands and the live page call this, nothing else."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace

import numpy as np

from imu_shoulder.align import align_recording, propose_neutral_pose
from imu_shoulder.analysis import AnalysedSet, Analysis, Params
from imu_shoulder.angles.joint import ArmAngles, arm_angles
from imu_shoulder.angles.trunk import trunk_angles
from imu_shoulder.angles.uncertainty import angle_sd
from imu_shoulder.assess.judge import judge_set
from imu_shoulder.calibrate.calibration import calibrate
from imu_shoulder.calibrate.model import ArmCalibration
from imu_shoulder.calibrate.pose import find_pose
from imu_shoulder.drills import Drill, load_shipped
from imu_shoulder.model import SIDES, Aligned, BoolArray, Event, Recording, Side
from imu_shoulder.orient.attitude import Attitude, orient_afterwards, turned
from imu_shoulder.orient.heading import HeadingParams, quiet_moments, track_heading
from imu_shoulder.segment.model import ArmSet
from imu_shoulder.segment.sets import segment_set

Progress = Callable[[str], None]


def analyse(
    recording: Recording,
    params: Params | None = None,
    drills: Mapping[str, Drill] | None = None,
    progress: Progress = lambda stage: None,
) -> Analysis:
    """Run every stage over a finished recording.

    drills: the user's own drills by id, looked at before the shipped ones. progress: told each stage's name.
    Raises ShoulderError when the recording, a drill or the calibration cannot be used.
    """
    params = params or Params()
    named = {e.drill for e in recording.events if e.trial_type == "set" and e.drill is not None}
    known = {name: drills[name] if drills and name in drills else load_shipped(name) for name in sorted(named)}
    progress("align")
    aligned = align_recording(recording, params.align)
    progress("orient")
    attitudes = {
        placement: orient_afterwards(track, aligned.rate_hz, params.orient)
        for placement, track in aligned.tracks.items()
    }
    progress("calibrate")
    marked = any(event.trial_type == "neutral_pose" for event in recording.events)
    proposed = None if marked else propose_neutral_pose(aligned)
    pose = find_pose(aligned.time_s, attitudes, recording.events, proposed, params.calibrate)
    attitudes = keep_heading(aligned, attitudes, recording.events, (pose.start_s, pose.end_s), params.heading)
    calibration = calibrate(aligned.time_s, aligned.rate_hz, attitudes, recording.events, pose)
    progress("angles")
    trunk = {} if calibration.trunk is None else trunk_angles(calibration.trunk, attitudes["sternum"])
    arms = {}
    for side, arm in calibration.arms.items():
        found = arm_angles(arm, attitudes, params.angles, len(aligned.time_s))
        found = replace(found, angles={**found.angles, **trunk})
        sd = angle_sd(found, arm, attitudes, aligned.time_s, calibration.pose_s, params.uncertainty)
        arms[side] = replace(found, sd=sd)
    progress("sets")
    analysed = []
    for number, event in enumerate((e for e in recording.events if e.trial_type == "set"), start=1):
        if event.drill is None:
            continue
        arm_sets = segment_set(number, event, known[event.drill], aligned.time_s, aligned.rate_hz, arms, params.segment)
        analysed += [_judge(arm_set, aligned, calibration.arms[arm_set.side], arms, params) for arm_set in arm_sets]
    return Analysis(recording, params, aligned, attitudes, calibration, arms, tuple(analysed))


def keep_heading(
    aligned: Aligned,
    attitudes: Mapping[str, Attitude],
    events: Sequence[Event],
    pose_s: tuple[float, float],
    params: HeadingParams,
) -> dict[str, Attitude]:
    """The attitudes with each arm's headings kept where they were in the pose."""
    out = dict(attitudes)
    for side in SIDES:
        placements = [p for p in (f"{side}_upper_arm", f"{side}_wrist") if p in attitudes]
        moments = quiet_moments(aligned.time_s, aligned.rate_hz, [attitudes[p] for p in placements], params)
        if not placements or not len(moments.time_s):
            continue
        block = np.full(len(moments.time_s), -1, dtype=np.intp)
        for number, event in enumerate(events):
            block[(moments.time_s >= event.onset_s - 1.0) & (moments.time_s <= event.end_s + 1.0)] = number
        in_pose = int(np.abs(moments.time_s - sum(pose_s) / 2).argmin())
        neutral = moments.same_posture(in_pose, params.neutral_rad)
        tracks = track_heading(moments, block, neutral, params)
        for p, track in zip(placements, tracks, strict=True):
            out[p] = turned(attitudes[p], track.at(aligned.time_s) - track.correction_rad[in_pose])
    return out


def _judge(
    arm_set: ArmSet,
    aligned: Aligned,
    calibration: ArmCalibration,
    arms: Mapping[Side, ArmAngles],
    params: Params,
) -> AnalysedSet:
    seen: BoolArray = np.ones(len(aligned.time_s), dtype=bool)
    clipped = np.zeros(len(aligned.time_s), dtype=bool)
    for sensor in (calibration.upper_arm, calibration.wrist):
        if sensor is not None:
            seen &= aligned.tracks[sensor.placement].valid
            clipped |= aligned.tracks[sensor.placement].clipped
    judged = judge_set(arm_set, aligned.time_s, aligned.rate_hz, arms[arm_set.side].angles, seen, clipped, params.judge)
    return AnalysedSet(arm_set, judged)
