"""From an arm's set to its judged reps: what the measures look at, then measure, then assess."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from math import inf

import numpy as np

from imu_shoulder.angles.joint import ArmAngles
from imu_shoulder.angles.skin import SkinShare
from imu_shoulder.assess.fault import JudgeParams
from imu_shoulder.assess.judge import JudgedRep, judge_rep, judge_set, usual_start_deg
from imu_shoulder.calibrate.model import ArmCalibration
from imu_shoulder.measure.reps import measure_rep, measure_reps, set_data
from imu_shoulder.model import SIDES, Aligned, BoolArray, FloatArray, Side, Track, limbs_of
from imu_shoulder.segment.model import ArmSet, Rep
from imu_shoulder.segment.unguided import counting_track

# What one arm's measures look at of the other, in a set that both arms do together.
OF_THE_OTHER_ARM = ("elevation_deg", "plane_deg")


@dataclass(frozen=True, slots=True)
class Seen:
    """The rows (M,) that an arm's set lies in: its columns, where all its sensors saw it, and where one was clipped.

    other: the other arm's angles, where both do the set together.
    """

    time_s: FloatArray
    rate_hz: float
    columns: Mapping[str, FloatArray]
    seen: BoolArray
    clipped: BoolArray
    other: Mapping[str, FloatArray] | None = None

    @property
    def all_columns(self) -> dict[str, FloatArray]:
        other = {} if self.other is None else self.other
        return {**self.columns, **{f"other_{name}": other[name] for name in OF_THE_OTHER_ARM if name in other}}


def seen_by(
    calibration: ArmCalibration | None, tracks: Mapping[str, Track], side: Side, count: int
) -> tuple[BoolArray, BoolArray]:
    """Rows (count,) that both of an arm's sensors saw, and rows in which one was clipped.

    Without a calibration, of the sensor that its reps are counted by.
    """
    seen, clipped = np.ones(count, dtype=bool), np.zeros(count, dtype=bool)
    if calibration is None:
        used = [counting_track(tracks, side)]
    else:
        used = [tracks[own.placement] for own in (calibration.upper_arm, calibration.wrist) if own is not None]
    for track in used:
        seen &= track.valid
        clipped |= track.clipped
    return seen, clipped


def judge_arm_set(arm_set: ArmSet, seen: Seen, params: JudgeParams, slipped_s: float = inf) -> tuple[JudgedRep, ...]:
    """All reps of a set that is over."""
    own = set_data(arm_set, seen.time_s, seen.rate_hz, seen.all_columns, seen.seen, seen.clipped)
    return judge_set(measure_reps(own, arm_set.reps), params, slipped_s)


def judge_next_rep(
    arm_set: ArmSet,
    seen: Seen,
    rep: Rep,
    number: int,
    before: Sequence[Rep],
    params: JudgeParams,
    slipped_s: float = inf,
) -> JudgedRep:
    """One more rep of a set that goes on, by what was seen of the set so far.

    before: the reps before it, as they were found when they ended.
    """
    own = set_data(arm_set, seen.time_s, seen.rate_hz, seen.all_columns, seen.seen, seen.clipped)
    return judge_rep(measure_rep(own, rep, number), usual_start_deg([*before, rep]), params, slipped_s)


def without_angles(aligned: Aligned) -> dict[Side, ArmAngles]:
    """Each arm that wears a sensor, without a pose: nothing is known of its angles."""
    unknown = np.full(len(aligned.time_s), np.nan)
    worn = [side for side in SIDES if any(placement in aligned.tracks for placement in limbs_of(side))]
    return {side: ArmAngles(side, "gravity", {}, unknown, SkinShare(1.0, 0.0, 0.0)) for side in worn}
