"""Quiet moments: when every sensor of an arm hardly turns, what attitude it has, and what happened in between."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from itertools import pairwise
from math import radians

import numpy as np
from scipy.spatial.transform import Rotation

from imu_shoulder.arrays import runs
from imu_shoulder.filters import moving_mean
from imu_shoulder.frames import rotation_from_quat
from imu_shoulder.model import BoolArray, FloatArray, IntArray
from imu_shoulder.orient.attitude import Attitude
from imu_shoulder.orient.bias import cut
from imu_shoulder.orient.shared import SharedParams, bias_sd_rad_s, shared_headings
from imu_shoulder.spill import let_go


@dataclass(frozen=True, slots=True)
class HeadingParams:
    """Standard deviations of what is assumed, and what counts as a quiet moment and as the same posture.

    quiet_rad_s: turning slower than this is quiet for anybody, for who stands less still as slow as in `pose_share`
    of the pose; faster than move_rad_s is a movement; min_quiet_s: shortest quiet moment, longest_s: longer ones
    are cut. same_posture_rad: gravity within this angle in every sensor of the arm, and headings within
    same_heading_rad; neutral_rad: gravity likewise for the neutral posture, known by its hanging. return_rad: how
    well people come back to a posture within a set, rest_rad: from set to set; relaxed_rad: how differently an arm
    hangs by itself from how it hangs when a pose is asked; start_rad: how far the hanging arm of a set's start may
    be turned from the neutral pose. sway_rad: how far they wander in one stay; step_rad: what a heading drifts
    beside its rate in between; bias_rad_s: of the gyroscope's bias about the vertical where stillness did not show
    it. travel_rad: a limb that turned this much further than from one posture to the next went to and fro, as in
    walking. turn_rad: how far at most someone may turn meanwhile, round about: who walked may face any way;
    stay_rad: otherwise. From travel_rad to three times as much the one goes over into the other.
    unseen_rad: how far a heading may be off after samples that are missing, at most; after a short gap it is its
    duration times move_rad_s and `bridged` of the speed beside it, less by the square of its share of bridged_s, in
    which a limb's speed may leave the line between the gap's ends. Beyond lost_rad no posture from before is known by
    its heading. links: how many earlier moments of a posture each is compared with. shared: how turning that two
    sensors share is weighed. first_turn_rad: of the heading between two sensors as their first turning together shows
    it. surprising: where what they show of each other later is so many times as far off as expected, they drift by
    more than their stillness told. turn_kind_rad: of such a heading, by what skin and the other joints do alike in all
    reps of a set. own_share, own_drift_rad_s: how much of a drift is another one in each set, as a share and at most;
    the rest is the same in all. faster: where the limbs' sensors drift so many times as fast in the sets as stillness
    told, that is believed; told_as_sets: stillness counts as so many sets of one sensor; shown_s: a set shows it whose
    moments lie so far from its middle, by root mean square.

    Sources. quiet_rad_s, pose_share, move_rad_s, min_quiet_s, longest_s, same_posture_rad, same_heading_rad,
    neutral_rad, return_rad, rest_rad, relaxed_rad, start_rad, step_rad, sway_rad, bias_rad_s, turn_rad, stay_rad,
    unseen_rad, bridged, bridged_s, lost_rad, travel_rad, links, first_turn_rad, surprising, turn_kind_rad, own_share,
    own_drift_rad_s, faster, shown_s, told_as_sets: ours.
    """

    quiet_rad_s: float = radians(5.0)
    pose_share: float = 0.9
    move_rad_s: float = radians(12.0)
    min_quiet_s: float = 0.4
    longest_s: float = 3.0
    same_posture_rad: float = radians(12.0)
    same_heading_rad: float = radians(20.0)
    neutral_rad: float = radians(25.0)
    return_rad: float = radians(1.8)
    rest_rad: float = radians(6.0)
    relaxed_rad: float = radians(20.0)
    start_rad: float = radians(20.0)
    step_rad: float = radians(0.1)
    sway_rad: float = radians(0.5)
    bias_rad_s: float = radians(0.4)
    turn_rad: float = radians(180.0)
    stay_rad: float = radians(1.0)
    unseen_rad: float = radians(20.0)
    bridged: float = 0.25
    bridged_s: float = 0.5
    lost_rad: float = radians(5.0)
    travel_rad: float = radians(60.0)
    links: int = 6
    first_turn_rad: float = radians(5.0)
    surprising: float = 2.5
    turn_kind_rad: float = radians(6.0)
    own_share: float = 0.8
    own_drift_rad_s: float = radians(0.1)
    faster: float = 1.25
    shown_s: float = 8.0
    told_as_sets: float = 2.0
    shared: SharedParams = field(default_factory=SharedParams)


@dataclass(frozen=True, slots=True)
class JointTurn:
    """Between moments `before` and `before + 1` the first two sensors turned as one about a level axis.

    heading_rad: by how much the second one's earth frame must be turned to show it as the first one's does.
    sd_rad: its standard deviation.
    """

    before: int
    heading_rad: float
    sd_rad: float


@dataclass(frozen=True, slots=True)
class QuietMoments:
    """Moments in which every sensor of an arm is quiet: middle times (K,), and per sensor its mean attitude.

    roamed_rad: (K,) how far a limb turned to and fro on the way from the moment before, as in walking. stay: (K,)
    another one after each movement.
    lost: (K, S) how often each sensor was lost from sight before, unseen_rad2: (K, S) variance of its heading from all
    samples that are missing before. drift_rad_s: (S,) standard deviation of the bias about the vertical. joint_turns:
    what the movements between them say of the first two sensors' common heading. with_trunk: the last sensor is on the
    trunk, whose forward direction is the body's by definition. sway_rad: how far the person wanders in one stay.
    """

    time_s: FloatArray
    earth_from_sensor: Sequence[Rotation]
    roamed_rad: FloatArray
    stay: IntArray
    lost: IntArray
    unseen_rad2: FloatArray
    drift_rad_s: FloatArray
    joint_turns: Sequence[JointTurn] = ()
    with_trunk: bool = False
    sway_rad: float = radians(0.5)

    def until(self, count: int) -> QuietMoments:
        """The first `count` moments, and what happened between them."""
        return replace(
            self,
            time_s=self.time_s[:count],
            earth_from_sensor=[sensor[:count] for sensor in self.earth_from_sensor],
            roamed_rad=self.roamed_rad[:count],
            stay=self.stay[:count],
            lost=self.lost[:count],
            unseen_rad2=self.unseen_rad2[:count],
            joint_turns=[turn for turn in self.joint_turns if turn.before + 1 < count],
        )

    def followed(self, sensor: int, travel_rad: float) -> IntArray:
        """Number (K,) of the stretch within which the sensor's heading did nothing but drift and turn as it showed:
        another one after each walk, on which a limb roamed by more than travel_rad.
        """
        return np.asarray(np.cumsum(self.roamed_rad > travel_rad) + self.lost[:, sensor])


def quiet_for(in_pose: Sequence[Attitude], rate_hz: float, params: HeadingParams) -> float:
    """How fast, rad/s, is quiet for a person who stood like this in the pose: nobody stands stiller in a set."""
    usual = float(np.quantile(_speed(in_pose, rate_hz), params.pose_share))
    return min(max(usual, params.quiet_rad_s), params.move_rad_s)


def quiet_moments(
    time_s: FloatArray,
    free: BoolArray,
    rate_hz: float,
    limbs: Sequence[Attitude],
    trunk: Attitude | None,
    params: HeadingParams,
    quiet_rad_s: float,
) -> QuietMoments:
    """Moments at which all of the given sensors are quiet at once; long stillness is cut into several.

    free: (N,) where the person may walk about, outside sets and calibration movements. quiet_rad_s: of `quiet_for`.
    """
    let_go()
    attitudes = [*limbs, *([] if trunk is None else [trunk])]
    speed = _speed(attitudes, rate_hz)
    quiet = speed < quiet_rad_s
    spans: list[tuple[int, int]] = []
    for first, last in runs(quiet):
        spans += cut(first, last, int((last - first) / (params.longest_s * rate_hz)))
    spans = [(a, b) for a, b in spans if b - a >= params.min_quiet_s * rate_hz]
    middle = np.array([(time_s[a] + time_s[b - 1]) / 2 for a, b in spans])
    means = [_means(attitude.quat_earth_from_sensor, spans) for attitude in attitudes]
    let_go()
    joint_turns = _joint_turns(limbs, spans, rate_hz, params.shared) if len(limbs) > 1 else ()
    begins = np.array([first for first, _ in spans], dtype=np.intp)
    gaps = [_gaps(attitude, rate_hz, params) for attitude in attitudes]
    lost = np.stack([np.searchsorted(first[sd > params.lost_rad], begins) for first, sd in gaps], axis=1)
    unseen = np.stack([_total(sd**2, np.searchsorted(first, begins)) for first, sd in gaps], axis=1)
    roamed = roamed_rad(limbs, spans, free, rate_hz)
    moving = np.cumsum(speed > params.move_rad_s)
    stay = np.cumsum(
        [False, *(moving[begin] > moving[end - 1] for (_, end), (begin, _) in pairwise(spans))][: len(spans)]
    )
    drift = np.array([_drift_sd(attitude, params) for attitude in attitudes])
    sway_rad = params.sway_rad * quiet_rad_s / params.quiet_rad_s
    return QuietMoments(middle, means, roamed, stay, lost, unseen, drift, joint_turns, trunk is not None, sway_rad)


def _gaps(attitude: Attitude, rate_hz: float, params: HeadingParams) -> tuple[IntArray, FloatArray]:
    """First row (G,) of each gap, and how far the heading may be off after it (G,), by how long and how fast it was."""
    spans = np.array(runs(~attitude.valid), dtype=np.intp).reshape(-1, 2)
    if not len(spans):
        return spans[:, 0], np.zeros(0)
    speed = np.sqrt(np.nan_to_num(attitude.rate_earth_rad_s**2).sum(axis=1))
    edges = np.clip(np.column_stack([spans[:, 0] - 1, spans[:, 1]]), 0, len(speed) - 1)
    lasts_s = (spans[:, 1] - spans[:, 0]) / rate_hz
    off = lasts_s * (params.move_rad_s + params.bridged * speed[edges].max(axis=1))
    # A limb's speed hardly leaves the line between the ends of a gap that is shorter than a stroke.
    off *= np.minimum(lasts_s / params.bridged_s, 1.0) ** 2
    return spans[:, 0], np.minimum(off, params.unseen_rad)


def _total(values: FloatArray, counts: IntArray) -> FloatArray:
    """Sums (K,) of the first so many values (G,)."""
    return np.concatenate([[0.0], np.cumsum(values)])[counts]


def _drift_sd(attitude: Attitude, params: HeadingParams) -> float:
    """How far the gyroscope's bias about the vertical may be off."""
    if not len(attitude.bias.row):
        return params.bias_rad_s
    return min(attitude.bias.usual_sd_rad_s, params.bias_rad_s)


def roamed_rad(
    limbs: Sequence[Attitude], spans: Sequence[tuple[int, int]], free: BoolArray, rate_hz: float
) -> FloatArray:
    """How much further (K,) than to its new attitude a limb turned since the span before, while the person was free.

    An arm that hangs and turns shows an arm sensor the same as a body that turns. Who turns to face elsewhere takes
    steps, and then the arms swing; who takes up another posture moves the arm there and no further.
    """
    if not spans:
        return np.zeros(0)
    left, reached = (
        np.array([(end - 1, begin) for (_, end), (begin, _) in pairwise(spans)], dtype=np.intp).reshape(-1, 2).T
    )
    to_and_fro = np.zeros(len(left))
    for limb in limbs:
        rate, quat = limb.rate_earth_rad_s.T, limb.quat_earth_from_sensor
        path = np.cumsum(np.where(free & limb.valid, np.sqrt((rate * rate).sum(axis=0)), 0.0)) / rate_hz
        # Where one of the two was not seen, the limb is taken to have come back.
        apart = np.nan_to_num(2 * np.arccos(np.minimum(np.abs((quat[left] * quat[reached]).sum(axis=1)), 1.0)))
        to_and_fro = np.maximum(to_and_fro, path[reached - 1] - path[left] - apart)
    return np.concatenate([[0.0], to_and_fro])


def _joint_turns(
    attitudes: Sequence[Attitude], spans: Sequence[tuple[int, int]], rate_hz: float, params: SharedParams
) -> list[JointTurn]:
    """With the elbow kept, straight or bent, both segments turn about one axis; where it is level, it shows headings.

    Skin hides a part of the upper arm's turning about the bone, but not the bone's direction.
    """
    first, second = (attitude.rate_earth_rad_s for attitude in attitudes[:2])
    bias = bias_sd_rad_s(attitudes[0].bias.sd_rad_s, attitudes[1].bias.sd_rad_s, params)
    between = [(begin, end) for (_, begin), (end, _) in pairwise(spans)]
    fixes = shared_headings(first, second, between, rate_hz, bias, params)
    return [JointTurn(k, fix.heading_rad, fix.sd_rad) for k, fix in enumerate(fixes) if fix is not None]


def _speed(attitudes: Sequence[Attitude], rate_hz: float) -> FloatArray:
    """Of the sensor that turns fastest (N,), over a fifth of a second around each row."""
    width = max(1, round(0.2 * rate_hz))
    return np.asarray(np.max([_mean_speed(attitude, width) for attitude in attitudes], axis=0))


def _mean_speed(attitude: Attitude, width: int) -> FloatArray:
    """Size (N,) of the mean rate over `width` rows around each; very large beside a row that is not valid."""
    known = np.where(attitude.valid, attitude.rate_earth_rad_s.T, 1e3)
    mean = moving_mean(known, width, axis=1, ends="constant")
    return np.asarray(np.sqrt((mean * mean).sum(axis=0)))


def _means(quat: FloatArray, spans: Sequence[tuple[int, int]]) -> Rotation:
    """Mean attitude of each span; all rows of a span are valid and close together."""
    if not spans:
        return Rotation.identity(0)
    let_go()
    first, last = np.array(spans).T
    ends = np.cumsum(last - first)
    starts = ends - (last - first)
    # Every row of every span, and the span it is in.
    span = np.repeat(np.arange(len(spans)), last - first)
    rows = np.arange(ends[-1]) + (first - starts)[span]
    inside = quat.T.take(rows, axis=1)
    sign = np.sign((inside * quat.T.take(first[span], axis=1)).sum(axis=0))
    # The sum serves as well as the mean: a Rotation brings it to length 1.
    return rotation_from_quat(np.add.reduceat(sign * inside, starts, axis=1).T)
