"""The flow: a recording goes in, sets and angles come out. Commands and the live page call this, nothing else."""

from __future__ import annotations

from collections.abc import Callable, Collection, Mapping, Sequence
from dataclasses import replace
from math import inf

import numpy as np

from imu_shoulder.align import align_recording, propose_neutral_pose
from imu_shoulder.analysis import AnalysedSet, Analysis, Params
from imu_shoulder.angles.joint import ArmAngles, arm_angles
from imu_shoulder.angles.lean import asked_stance, off_upright, upright_only
from imu_shoulder.angles.plausible import implausible_angles
from imu_shoulder.angles.scapula import scapula_tilt, up_from_pose
from imu_shoulder.angles.uncertainty import angle_sd
from imu_shoulder.assess.judge import judge_set
from imu_shoulder.calibrate.calibration import calibrate
from imu_shoulder.calibrate.model import ArmCalibration
from imu_shoulder.calibrate.mounting import check_mounting
from imu_shoulder.calibrate.pose import Pose, find_pose
from imu_shoulder.calibrate.slip import find_slips, slip_findings
from imu_shoulder.calibrate.store import StoredCalibration, reuse
from imu_shoulder.drills import Drill, load_shipped
from imu_shoulder.measure.scapula import excess
from imu_shoulder.model import SIDES, Aligned, BoolArray, Event, FloatArray, IntArray, Recording, Side, Track
from imu_shoulder.orient.attitude import Attitude, orient_afterwards, orient_causally, turned
from imu_shoulder.orient.heading import track_heading
from imu_shoulder.orient.moments import QuietMoments, quiet_moments
from imu_shoulder.segment.model import ArmSet
from imu_shoulder.segment.sets import segment_set
from imu_shoulder.segment.unguided import marked_set, unguided_sets

# What one arm's measures look at of the other, in a set that both arms do together.
OF_THE_OTHER_ARM = ("elevation_deg", "plane_deg")

Progress = Callable[[str], None]


def analyse(
    recording: Recording,
    params: Params | None = None,
    drills: Mapping[str, Drill] | None = None,
    progress: Progress = lambda stage: None,
    asked: Mapping[int, Mapping[Side, Drill]] | None = None,
    apart: Collection[str] = (),
    stored: StoredCalibration | None = None,
) -> Analysis:
    """Run every stage over a finished recording.

    drills: the user's own drills by id, looked at before the shipped ones. progress: told each stage's name.
    asked: what a plan asks of a set, by its number among the set events (from 1) and arm, in place of the drill's own.
    apart: drill names of set events that are no drill, such as range tests: no set is made of them.
    stored: an earlier recording's calibration, for the arms that have no calibration movements in this one.
    Raises ShoulderError when the recording, a drill or the calibration cannot be used.
    """
    params = params or Params()
    named = {e.drill for e in recording.events if e.trial_type == "set" and e.drill is not None} - set(apart)
    known = {name: drills[name] if drills and name in drills else load_shipped(name) for name in sorted(named)}
    progress("align")
    aligned = align_recording(recording, params.align)
    progress("orient")
    orient = orient_afterwards if params.afterwards else orient_causally
    attitudes = {
        placement: orient(track, aligned.rate_hz, params.orient) for placement, track in aligned.tracks.items()
    }
    progress("calibrate")
    marked = any(event.trial_type == "neutral_pose" for event in recording.events)
    proposed = None if marked else propose_neutral_pose(aligned)
    pose = find_pose(aligned.time_s, attitudes, recording.events, proposed, params.calibrate)
    moments = arm_moments(aligned, attitudes, recording.events, params)
    slips = find_slips(aligned.time_s, aligned.rate_hz, attitudes, moments, recording.events, pose, params.slip)
    slipped_s = {
        side: min((slip.time_s for slip in slips if slip.placement.startswith(side)), default=inf) for side in SIDES
    }
    kept = {
        side: keep_heading(aligned, attitudes, side, own, recording.events, pose, params, slipped_s[side])
        for side, own in moments.items()
    }
    seated = {side: _until(slipped_s[side], aligned, own) for side, own in kept.items()}
    calibration = calibrate(aligned.time_s, aligned.rate_hz, seated, recording.events, pose)
    calibration = calibration if stored is None else reuse(stored, calibration, pose)
    progress("angles")
    stance = asked_stance(aligned.time_s, recording.events, known)
    arms = {}
    for side, arm in calibration.arms.items():
        found = arm_angles(arm, kept[side], aligned.rate_hz, params.angles)
        sd = angle_sd(found, arm, kept[side], aligned.rate_hz, stance, params.angles, params.uncertainty)
        found = _with_scapula(replace(found, sd=sd), attitudes, pose, aligned.rate_hz, params)
        arms[side] = upright_only(found, off_upright(found, stance, params.angles.leant_deg))
    progress("sets")
    arm_sets = _find_sets(recording.events, known, asked or {}, apart, aligned, arms, pose, params)
    arms = {side: _with_excess(arm, arm_sets, aligned) for side, arm in arms.items()}
    numbers = [arm_set.number for arm_set in arm_sets]
    analysed = [
        _judge(
            arm_set,
            aligned,
            calibration.arms[arm_set.side],
            arms,
            slipped_s[arm_set.side],
            params,
            together=numbers.count(arm_set.number) > 1,
        )
        for arm_set in arm_sets
    ]
    mounting = check_mounting(
        aligned.time_s, aligned.rate_hz, aligned.tracks, attitudes, recording.events, known, params.mounting
    )
    spans = {side: [own.rows for own in arm_sets if own.side == side] for side in arms}
    implausible = implausible_angles(arms, spans, aligned.time_s, aligned.rate_hz)
    findings = (*mounting, *slip_findings(slips), *implausible)
    return Analysis(
        recording, params, aligned, attitudes, calibration, arms, tuple(analysed), findings, frozenset(apart)
    )


def _find_sets(
    events: Sequence[Event],
    drills: Mapping[str, Drill],
    asked: Mapping[int, Mapping[Side, Drill]],
    apart: Collection[str],
    aligned: Aligned,
    arms: Mapping[Side, ArmAngles],
    pose: Pose,
    params: Params,
) -> list[ArmSet]:
    """The marked sets; where none is marked, every stretch of exercise after the pose."""
    marked = [event for event in events if event.trial_type == "set"]
    time_s, rate_hz = aligned.time_s, aligned.rate_hz
    found: list[ArmSet] = []
    for number, event in enumerate(marked, start=1):
        if event.drill in apart:
            continue
        own = asked.get(number, {})
        drill = next(iter(own.values()), None if event.drill is None else drills[event.drill])
        guided = () if drill is None else segment_set(number, event, drill, time_s, rate_hz, arms, params.segment)
        # The two arms may be asked for different counts.
        found += [replace(arm_set, drill=own.get(arm_set.side, drill)) for arm_set in guided]
        # An arm whose sensors do not show the drill's angles is still counted.
        for side in arms:
            if event.side in (side, "both", None) and side not in {arm_set.side for arm_set in guided}:
                track, span_s = _counting_track(aligned, side), (event.onset_s, event.end_s)
                found.append(marked_set(number, own.get(side, drill), side, track, time_s, rate_hz, span_s))
    if not marked:
        for side in arms:
            span_s = (pose.end_s, float(time_s[-1]))
            found += unguided_sets(len(found) + 1, side, _counting_track(aligned, side), time_s, rate_hz, span_s)
    return found


def _counting_track(aligned: Aligned, side: Side) -> Track:
    """The sensor that moves most in any exercise of this arm."""
    wrist = aligned.tracks.get(f"{side}_wrist")
    return wrist if wrist is not None else aligned.tracks[f"{side}_upper_arm"]


def row_blocks(time_s: FloatArray, events: Sequence[Event]) -> IntArray:
    """Number (N,) of the event a row lies in, with a second before and after it, -1 outside."""
    block = np.full(len(time_s), -1, dtype=np.intp)
    for number, event in enumerate(events):
        first, last = np.searchsorted(time_s, [event.onset_s - 1.0, event.end_s + 1.0])
        block[first:last] = number
    return block


def arm_moments(
    aligned: Aligned, attitudes: Mapping[str, Attitude], events: Sequence[Event], params: Params
) -> dict[Side, QuietMoments]:
    """Quiet moments of each arm that wears a sensor: of its upper-arm, wrist and breastbone sensors, in that order."""
    free = row_blocks(aligned.time_s, events) < 0
    trunk = attitudes.get("sternum")
    limbs = {side: _limbs(attitudes, side) for side in SIDES}
    return {
        side: quiet_moments(aligned.time_s, free, aligned.rate_hz, own, trunk, params.heading)
        for side, own in limbs.items()
        if own
    }


def _limbs(attitudes: Mapping[str, Attitude], side: Side) -> list[Attitude]:
    return [attitudes[p] for p in (f"{side}_upper_arm", f"{side}_wrist") if p in attitudes]


def keep_heading(
    aligned: Aligned,
    attitudes: Mapping[str, Attitude],
    side: Side,
    moments: QuietMoments,
    events: Sequence[Event],
    pose: Pose,
    params: Params,
    slipped_s: float = inf,
) -> dict[str, Attitude]:
    """The attitudes of one arm and the sternum with their headings kept where they were in the pose.

    moments: the arm's. slipped_s: from when on a sensor of the arm sits otherwise than in the pose; postures after it
    are not compared.
    """
    worn = [*_limbs(attitudes, side), *(attitudes[p] for p in ("sternum",) if p in attitudes)]
    own = {attitude.placement: attitude for attitude in worn}
    moments = moments.until(int(np.searchsorted(moments.time_s, slipped_s)))
    if not len(moments.time_s):
        return own
    block = row_blocks(aligned.time_s, events)[np.searchsorted(aligned.time_s, moments.time_s)]
    in_pose = int(np.abs(moments.time_s - (pose.start_s + pose.end_s) / 2).argmin())
    tracks = track_heading(moments, block, in_pose, params.heading, afterwards=params.afterwards)
    out = {}
    for (placement, attitude), track in zip(own.items(), tracks, strict=True):
        correction = track.at(aligned.time_s) if params.afterwards else track.known_at(aligned.time_s)
        kept = turned(attitude, correction - track.correction_rad[in_pose])
        heading_sd, apart_sd = (
            np.interp(aligned.time_s, track.time_s, sd) for sd in (track.sd_rad, track.apart_sd_rad)
        )
        out[placement] = replace(kept, heading_sd_rad=heading_sd, apart_sd_rad=apart_sd)
    return out


def _until(slipped_s: float, aligned: Aligned, attitudes: Mapping[str, Attitude]) -> dict[str, Attitude]:
    """The attitudes, valid only as long as the arm's sensors sit as they did in the pose."""
    before = aligned.time_s < slipped_s
    return {placement: replace(own, valid=own.valid & before) for placement, own in attitudes.items()}


def _with_scapula(
    arm: ArmAngles, attitudes: Mapping[str, Attitude], pose: Pose, rate_hz: float, params: Params
) -> ArmAngles:
    """The arm with its shoulder blade's upward rotation, where a sensor sat on the acromion and the arm was raised."""
    placement, elevation_deg = f"{arm.side}_acromion", arm.angles.get("elevation_deg")
    if placement not in pose.earth_from_sensor or elevation_deg is None:
        return arm
    worn = [p for p in (placement, "sternum") if p in pose.earth_from_sensor]
    blade_up, *trunk_up = (up_from_pose(attitudes[p], pose.earth_from_sensor[p]) for p in worn)
    found = scapula_tilt(
        blade_up,
        trunk_up[0] if trunk_up else None,
        elevation_deg,
        rate_hz,
        arm.elevation_reference,
        params.uncertainty.inclination_deg,
        params.angles.scapula,
    )
    if found is None:
        return arm
    return replace(
        arm,
        angles={**arm.angles, "scapula_up_deg": found.up_deg},
        sd={**arm.sd, "scapula_up_deg": found.sd_deg},
        hidden={**arm.hidden, "scapula_repeat_sd_deg": found.repeat_sd_deg},
        scapula_reference=found.reference,
    )


def _with_excess(arm: ArmAngles, arm_sets: Sequence[ArmSet], aligned: Aligned) -> ArmAngles:
    """The arm with what its shoulder blade does beyond the athlete's own relation to the arm's elevation."""
    if not arm.scapula_reference:
        return arm
    elevation_deg, up_deg = arm.angles["elevation_deg"], arm.angles["scapula_up_deg"]
    repeat_sd_deg = arm.hidden["scapula_repeat_sd_deg"]
    over, sd = excess(arm.side, arm_sets, aligned.time_s, elevation_deg, up_deg, repeat_sd_deg)
    return replace(arm, hidden={**arm.hidden, "scapula_excess_deg": over, "scapula_excess_sd_deg": sd})


def _judge(
    arm_set: ArmSet,
    aligned: Aligned,
    calibration: ArmCalibration,
    arms: Mapping[Side, ArmAngles],
    slipped_s: float,
    params: Params,
    *,
    together: bool,
) -> AnalysedSet:
    seen: BoolArray = np.ones(len(aligned.time_s), dtype=bool)
    clipped = np.zeros(len(aligned.time_s), dtype=bool)
    for sensor in (calibration.upper_arm, calibration.wrist):
        if sensor is not None:
            seen &= aligned.tracks[sensor.placement].valid
            clipped |= aligned.tracks[sensor.placement].clipped
    columns = {**arms[arm_set.side].angles, **arms[arm_set.side].hidden}
    other = next((arm for side, arm in arms.items() if side != arm_set.side), None)
    if other is not None and together:
        columns |= {f"other_{name}": other.angles[name] for name in OF_THE_OTHER_ARM if name in other.angles}
    judged = judge_set(arm_set, aligned.time_s, aligned.rate_hz, columns, seen, clipped, params.judge, slipped_s)
    return AnalysedSet(arm_set, judged)
