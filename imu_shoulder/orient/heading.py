"""Heading kept over a session without a magnetometer: limbs come back to where they were.

A 6-axis filter's heading drifts, and a person turns between sets. What is known: while the limb is quiet it does not
turn by itself; between two quiet moments the heading error grows by bias times time; and where a quiet moment shows
the posture of an earlier one, it most likely is that posture again, heading included. These three are weighed
against each other by robust least squares over the quiet moments. A real change of posture disagrees with the
second and third, is outvoted, and stays in the angles.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import pairwise
from math import pi, radians

import numpy as np
from scipy import sparse
from scipy.sparse.linalg import splu
from scipy.spatial.transform import Rotation

from imu_shoulder.frames import Z_AXIS, rotation_from_quat, wrap_rad
from imu_shoulder.model import BoolArray, FloatArray, IntArray
from imu_shoulder.orient.attitude import Attitude
from imu_shoulder.orient.bias import runs
from imu_shoulder.orient.shared import shared_heading

# A live correction comes in over this long, while the limb is quiet.
EASE_S = 0.3
# Tukey's constant for 95 % efficiency: links further out than this many standard deviations have no say.
TUKEY = 4.685


@dataclass(frozen=True, slots=True)
class HeadingParams:
    """Standard deviations of what is assumed, and what counts as a quiet moment and as the same posture.

    quiet_rad_s: turning slower than this is quiet. same_posture_rad: gravity within this angle in every sensor of the
    arm; neutral_rad: likewise for the neutral posture, known by its hanging. return_rad: how well people come back
    to a posture within a set, rest_rad: from set to set; step_rad: net turn by sway from one moment to the next;
    joint_turn_rad: of a heading shared in movement; drift_rad_s: uncertainty of the bias about the vertical;
    least_turn_rad, turn_rad: how far at least and at most someone may turn between sets. links: how many earlier
    moments of a posture each is compared with.
    """

    quiet_rad_s: float = radians(5.0)
    min_quiet_s: float = 0.4
    longest_s: float = 3.0
    same_posture_rad: float = radians(12.0)
    neutral_rad: float = radians(25.0)
    return_rad: float = radians(2.5)
    rest_rad: float = radians(6.0)
    step_rad: float = radians(0.5)
    joint_turn_rad: float = radians(2.5)
    drift_rad_s: float = radians(0.08)
    turn_rad: float = radians(60.0)
    least_turn_rad: float = radians(3.0)
    links: int = 4


@dataclass(frozen=True, slots=True)
class JointTurn:
    """Between moments `before` and `before + 1` the first two sensors turned as one about a level axis.

    heading_rad: by how much the second one's earth frame must be turned to show it as the first one's does.
    """

    before: int
    heading_rad: float


@dataclass(frozen=True, slots=True)
class QuietMoments:
    """Moments in which every sensor of an arm is quiet: middle times (K,), and per sensor its mean attitude.

    joint_turns: what the movements between them say of the first two sensors' common heading. with_trunk: the last
    sensor is on the trunk, whose forward direction is the body's by definition.
    """

    time_s: FloatArray
    earth_from_sensor: Sequence[Rotation]
    joint_turns: Sequence[JointTurn] = ()
    with_trunk: bool = False

    def until(self, count: int) -> QuietMoments:
        """The first `count` moments."""
        return replace(
            self, time_s=self.time_s[:count], earth_from_sensor=[sensor[:count] for sensor in self.earth_from_sensor]
        )

    def same_posture(self, moment: int, within_rad: float, *, of: slice = slice(None)) -> BoolArray:
        """Moments (K,) that show gravity the posture of the given one, in every sensor, or in some of them."""
        ups = [sensor.inv().apply(Z_AXIS) for sensor in self.earth_from_sensor[of]]
        return np.asarray(np.all([up @ up[moment] > np.cos(within_rad) for up in ups], axis=0))


@dataclass(frozen=True, slots=True)
class HeadingTrack:
    """What to take off a sensor's heading: knots (K,) in s, correction and its standard deviation in rad.

    apart_sd_rad: standard deviation of the correction's difference from the first sensor's: the sensors of an arm
    are surer of each other than of where the body faces.
    """

    time_s: FloatArray
    correction_rad: FloatArray
    sd_rad: FloatArray
    apart_sd_rad: FloatArray

    def at(self, time_s: FloatArray) -> FloatArray:
        """Correction (N,) at any times; straight between knots, so that no rep holds a jump."""
        return np.interp(time_s, self.time_s, self.correction_rad)

    def known_at(self, time_s: FloatArray) -> FloatArray:
        """Correction (N,) as a live stream knows it: the last knot's, taken up over EASE_S from its moment on."""
        times = np.concatenate([self.time_s, self.time_s + EASE_S])
        values = np.concatenate([[self.correction_rad[0]], self.correction_rad[:-1], self.correction_rad])
        order = np.argsort(times, kind="stable")
        return np.asarray(np.interp(time_s, times[order], values[order]))


def quiet_moments(
    time_s: FloatArray, rate_hz: float, limbs: Sequence[Attitude], trunk: Attitude | None, params: HeadingParams
) -> QuietMoments:
    """Moments at which all of the given sensors are quiet at once; long stillness is cut into several."""
    attitudes = [*limbs, *([] if trunk is None else [trunk])]
    width = max(1, round(0.2 * rate_hz))
    quiet = np.ones(len(time_s), dtype=bool)
    for attitude in attitudes:
        rate = np.where(attitude.valid[:, None], attitude.rate_earth_rad_s, np.inf)
        quiet &= _mean_over(rate, width) < params.quiet_rad_s
    spans: list[tuple[int, int]] = []
    for first, last in runs(quiet):
        pieces = max(1, int((last - first) / (params.longest_s * rate_hz)))
        edges = np.linspace(first, last, pieces + 1).round().astype(int)
        spans += [(int(a), int(b)) for a, b in pairwise(edges)]
    spans = [(a, b) for a, b in spans if b - a >= params.min_quiet_s * rate_hz]
    middle = np.array([(time_s[a] + time_s[b - 1]) / 2 for a, b in spans])
    means = [_means(attitude.quat_earth_from_sensor, spans) for attitude in attitudes]
    joint_turns = _joint_turns(limbs, spans, rate_hz) if len(limbs) > 1 else ()
    return QuietMoments(middle, means, joint_turns, trunk is not None)


def _joint_turns(attitudes: Sequence[Attitude], spans: Sequence[tuple[int, int]], rate_hz: float) -> list[JointTurn]:
    """With the elbow kept, straight or bent, both segments turn about one axis; where it is level, it shows headings.

    Skin hides a part of the upper arm's turning about the bone, but not the bone's direction.
    """
    first, second = (attitude.rate_earth_rad_s for attitude in attitudes[:2])
    out = []
    for k, ((_, begin), (end, _)) in enumerate(pairwise(spans)):
        fix = shared_heading(first[begin:end], second[begin:end], rate_hz, least_strength=0.97)
        if fix is not None:
            out.append(JointTurn(k, fix.heading_rad))
    return out


def track_heading(
    moments: QuietMoments, block: IntArray, reference: int, params: HeadingParams, *, afterwards: bool = True
) -> tuple[HeadingTrack, ...]:
    """Heading correction of every sensor in `moments`, in their order.

    block: (K,) number of the set or calibration movement a moment lies in, -1 outside. Inside a block the person keeps
    facing the same way, and any posture may come back. reference: a moment in the neutral pose; its posture is the
    only one that is taken for the same again in another block.
    afterwards: every moment counts; otherwise each correction uses moments up to its own only (live).
    """
    count, sensors = len(moments.time_s), len(moments.earth_from_sensor)
    steady = (block[1:] == block[:-1]) & (block[1:] >= 0)
    links = _links(moments, block, reference, params)
    turns = moments.joint_turns
    if afterwards:
        found = _solve(moments, steady, links, turns, params)
    else:
        parts = np.zeros((3, sensors, count))
        for k in range(count):
            known = [link for link in links if link.later <= k]
            turned = [turn for turn in turns if turn.before < k]
            parts[:, :, k] = np.stack(_solve(moments.until(k + 1), steady[:k], known, turned, params))[:, :, -1]
        found = (parts[0], parts[1], parts[2])
    value, sd, apart = found
    return tuple(HeadingTrack(moments.time_s, value[s], sd[s], apart[s]) for s in range(sensors))


@dataclass(frozen=True, slots=True)
class _Link:
    """Two moments of the same posture, how far each sensor's heading (S,) turned between them, and how sure that is.

    sd_rad: (S,) how well that sensor's segment comes back to the posture.
    """

    earlier: int
    later: int
    turn_rad: FloatArray
    sd_rad: FloatArray


def _links(moments: QuietMoments, block: IntArray, reference: int, params: HeadingParams) -> list[_Link]:
    """Pairs of moments that show the same posture to gravity in every sensor, and may be one.

    The trunk is linked on its own wherever it is as upright as in the pose: its forward is the body's by definition.
    """
    limbs = len(moments.earth_from_sensor) - moments.with_trunk
    rest_sd = np.array([params.rest_rad] * limbs + [params.return_rad] * moments.with_trunk)
    trunk_sd = np.array([np.inf] * limbs + [params.return_rad] * moments.with_trunk)
    neutral = moments.same_posture(reference, params.neutral_rad)
    upright = np.zeros(len(neutral), dtype=bool)
    if moments.with_trunk:
        upright = moments.same_posture(reference, params.neutral_rad, of=slice(-1, None))
    out = []
    for later in range(1, len(moments.time_s)):
        if upright[later] and later != reference and not neutral[later]:
            first, second = sorted((reference, later))
            out += _compare(moments, np.array([first]), second, [trunk_sd])
        alike = moments.same_posture(later, params.same_posture_rad)[:later]
        comparable = (block[:later] == block[later]) & (block[later] >= 0)
        before = np.flatnonzero((alike & comparable) | (neutral[:later] & neutral[later]))
        if not len(before):
            continue
        # The latest ones, and the first of all: it carries the link to the calibration.
        chosen = np.unique(np.concatenate([before[:1], before[-params.links :]]))
        near = (block[chosen] == block[later]) & (block[later] >= 0)
        return_sd = np.full(len(rest_sd), params.return_rad)
        out += _compare(moments, chosen, later, [return_sd if same else rest_sd for same in near])
    return out


def _compare(moments: QuietMoments, earlier: IntArray, later: int, sds: Sequence[FloatArray]) -> list[_Link]:
    """Links of one moment to some earlier ones, with the headings' differences."""
    turns = []
    for sensor in moments.earth_from_sensor:
        turn = (sensor[later] * sensor[earlier].inv()).as_quat()
        turns.append(wrap_rad(2 * np.arctan2(turn[:, 2], turn[:, 3])))
    by_link = np.stack(turns, axis=1)
    return [_Link(int(e), later, turn, sd) for e, turn, sd in zip(earlier, by_link, sds, strict=True)]


def _turn_sd(moments: QuietMoments, params: HeadingParams) -> FloatArray:
    """How far (K - 1,) the person may have turned between moments: no further than the first sensor's heading did."""
    turns = (moments.earth_from_sensor[0][1:] * moments.earth_from_sensor[0][:-1].inv()).as_quat()
    turned = np.abs(wrap_rad(2 * np.arctan2(turns[:, 2], turns[:, 3])))
    return np.clip(turned, params.least_turn_rad, params.turn_rad)


def _solve(
    moments: QuietMoments,
    steady: BoolArray,
    links: Sequence[_Link],
    turns: Sequence[JointTurn],
    params: HeadingParams,
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Robust least squares for the corrections (S, K), their sd, and the sd of their difference from the first sensor.

    Unknowns per sensor: the correction at each moment and one drift rate. Where the person may turn, the sensors of
    an arm turn together. Links far out lose their say (Tukey's biweight).
    """
    count, sensors = len(moments.time_s), len(moments.earth_from_sensor)
    width = count + 1
    lasts_s = np.diff(moments.time_s)
    turn_sd = _turn_sd(moments, params)
    rows: list[tuple[dict[int, float], float, float, bool]] = []
    for s in range(sensors):
        base = s * width
        rows.append(({base: 1.0}, 0.0, radians(0.1), False))
        rows.append(({base + count: 1.0}, 0.0, params.drift_rad_s, False))
        for k in range(count - 1):
            step = {base + k: -1.0, base + k + 1: 1.0, base + count: -lasts_s[k]}
            rows.append((step, 0.0, params.step_rad if steady[k] else float(turn_sd[k]), False))
            if s and not steady[k]:
                first = {k: 1.0, k + 1: -1.0, count: lasts_s[k]}
                rows.append(({**step, **first}, 0.0, 2 * params.step_rad, False))
        rows += [
            ({base + link.earlier: -1.0, base + link.later: 1.0}, float(link.turn_rad[s]), float(link.sd_rad[s]), True)
            for link in links
            if np.isfinite(link.sd_rad[s])
        ]
    # The two sensors' frames differ by one unknown heading at the start; what changes of it is drift.
    between = sensors * width
    for turn in turns:
        half = {turn.before: 0.5, turn.before + 1: 0.5, width + turn.before: -0.5, width + turn.before + 1: -0.5}
        rows.append(({**half, between: 1.0}, turn.heading_rad, params.joint_turn_rad, True))
    rows.append(({between: 1.0}, 0.0, pi, False))
    where = [(place, column, factor) for place, row in enumerate(rows) for column, factor in row[0].items()]
    place, column, factor = np.array(where).T
    matrix = sparse.csr_array((factor, (place.astype(int), column.astype(int))), shape=(len(rows), between + 1))
    target, sigma = np.array([row[1] for row in rows]), np.array([row[2] for row in rows])
    is_link = np.array([row[3] for row in rows])
    guesses = [_first_guess(count, steady, links, s) for s in range(sensors)]
    start_between = float(np.angle(np.sum(np.exp(1j * np.array([turn.heading_rad for turn in turns])))))
    solution = np.concatenate([*guesses, [start_between if turns else 0.0]])
    for step_number in range(10):
        residual = wrap_rad(target - matrix @ solution)
        # The first passes open the gate wide, so that a drift is followed before it is judged.
        gate = TUKEY * (4.0, 2.0, 1.0)[min(step_number, 2)]
        apart = residual / sigma / gate
        robust = np.where(np.abs(apart) < 1.0, 1.0 - apart**2, 0.0)
        weighted = sparse.diags_array((np.where(is_link, robust, 1.0) / sigma) ** 2) @ matrix
        factors = splu(sparse.csc_matrix(weighted.T @ matrix))
        change = factors.solve(weighted.T @ residual)
        solution = solution + change
        if step_number > 3 and np.abs(change).max() < radians(0.05):
            break
    covariance = factors.solve(np.eye(between + 1))[:between, :between].reshape(sensors, width, sensors, width)
    value, spread, apart = (np.zeros((sensors, count)) for _ in range(3))
    places = np.arange(count)
    own = covariance[0, places, 0, places]
    for s in range(sensors):
        value[s] = solution[s * width : s * width + count]
        mine = covariance[s, places, s, places]
        spread[s] = np.sqrt(mine)
        apart[s] = np.sqrt(np.maximum(mine + own - 2 * covariance[s, places, 0, places], 0.0))
    return value, spread, apart


def _first_guess(count: int, steady: BoolArray, links: Sequence[_Link], sensor: int) -> FloatArray:
    """Corrections (K,) and a drift of 0: each moment as the last one, but where the person may have turned, as
    the median of its links says. Turns may add up to whole circles, which least squares alone cannot see.
    """
    to: dict[int, list[_Link]] = {}
    for link in links:
        if np.isfinite(link.sd_rad[sensor]):
            to.setdefault(link.later, []).append(link)
    guess = np.zeros(count + 1)
    for k in range(1, count):
        guess[k] = guess[k - 1]
        if not steady[k - 1] and k in to:
            said = np.array([guess[link.earlier] + link.turn_rad[sensor] - guess[k - 1] for link in to[k]])
            guess[k] += float(np.median(wrap_rad(said)))
    return guess


def _mean_over(rate: FloatArray, width: int) -> FloatArray:
    """Size (N,) of the mean of (N, 3) over `width` rows around each; infinite where a row is."""
    from scipy.ndimage import uniform_filter1d

    known = np.where(np.isfinite(rate), rate, 1e3)
    return np.asarray(np.linalg.norm(uniform_filter1d(known, width, axis=0, mode="nearest"), axis=1))


def _means(quat: FloatArray, spans: Sequence[tuple[int, int]]) -> Rotation:
    """Mean attitude of each span; all rows of a span are valid and close together."""
    if not spans:
        return Rotation.identity(0)
    means = []
    for first, last in spans:
        near = quat[first:last] * np.sign(quat[first:last] @ quat[first])[:, None]
        means.append(near.mean(axis=0))
    return rotation_from_quat(np.stack(means))
