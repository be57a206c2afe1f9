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
from math import pi, radians
from typing import Any

import numpy as np
from scipy import sparse
from scipy.sparse.linalg import SuperLU, splu

from imu_shoulder.frames import wrap_rad
from imu_shoulder.model import BoolArray, FloatArray, IntArray
from imu_shoulder.orient.guess import FIRST_TURNS, first_guess, first_relaxed, gone_astray
from imu_shoulder.orient.links import Links, find_links
from imu_shoulder.orient.moments import HeadingParams, QuietMoments

# At how many moments the standard deviation is worked out.
SPREADS = 40
# Columns of the inverse worked out at once; for more, the linear algebra starts threads that cost more than they save.
COLUMNS = 16
# The normal equations are symmetric and positive definite: no pivoting.
SYMMETRIC: dict[str, Any] = {
    "permc_spec": "NATURAL",
    "diag_pivot_thresh": 0.0,
    "options": {"SymmetricMode": True},
}
# Links further out than this many standard deviations have no say. Tukey's usual 4.685 would still listen to a real
# change of posture of 8 deg.
TUKEY = 3.0
# By more than this at once no drift is let go, and not more often.
MOST_SURPRISE, SURPRISES = 4.0, 3
# Where the headings between the two sensors went so far from how they were at first, they may have drifted apart.
FOLLOWS_RAD = radians(15.0)
# Of a normal distribution: its median size in standard deviations.
MEDIAN_SD = 0.6745


@dataclass(frozen=True, slots=True)
class Drift:
    """How a sensor's heading goes on from each knot (K,) while its person faces one way: rate and its standard
    deviation, and that of its difference from the first sensor's, in rad/s.
    """

    rate_rad_s: FloatArray
    sd_rad_s: FloatArray
    apart_sd_rad_s: FloatArray


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
    drift: Drift

    def at(self, time_s: FloatArray) -> FloatArray:
        """Correction (N,) at any times; straight between knots, so that no rep holds a jump."""
        return np.interp(time_s, self.time_s, self.correction_rad)


def track_heading(
    moments: QuietMoments, block: IntArray, reference: int, params: HeadingParams
) -> tuple[HeadingTrack, ...]:
    """Heading correction of every sensor in `moments`, in their order.

    block: (K,) number of the set or calibration movement a moment lies in, -1 outside. Inside a block the person keeps
    facing the same way, and any posture may come back. reference: a moment in the neutral pose; outside blocks its
    posture is taken for the same again, while a set may have a start of its own.
    """
    sensors = len(moments.earth_from_sensor)
    links = find_links(moments, block, reference, params)
    surprise = 1.0
    found = _likelier(moments, block, links, params, surprise)
    drift_rad_s = _drift_shown(moments, block, found.value, params)
    if (drift_rad_s > params.faster * moments.drift_rad_s).any():
        moments = replace(moments, drift_rad_s=np.maximum(drift_rad_s, moments.drift_rad_s))
        found = _likelier(moments, block, links, params, surprise)
    for _ in range(SURPRISES - 1):
        if found.off < params.surprising:
            break
        # What both sensors showed of each other does not fit: they drift apart by more than their stillness told.
        surprise *= min(found.off, MOST_SURPRISE)
        found = _likelier(moments, block, links, params, surprise)
    sd, apart = found.sd, found.apart
    if found.off >= params.surprising:
        # No drift makes it fit: which of the sensors went astray, and when, is not known.
        limbs = np.arange(sensors)[:, None] < sensors - moments.with_trunk
        sd = np.hypot(sd, limbs * found.astray_rad)
        apart = np.hypot(apart, (np.arange(sensors)[:, None] > 0) * found.astray_rad)
    return tuple(HeadingTrack(moments.time_s, found.value[s], sd[s], apart[s], found.drift[s]) for s in range(sensors))


def _drift_shown(moments: QuietMoments, block: IntArray, value: FloatArray, params: HeadingParams) -> FloatArray:
    """How fast each sensor (S,) drifts, rad/s, by what the arm's sensors did in the sets in which postures came back.

    value: (S, K) corrections. A sensor of a kind drifts like another: a gyroscope that gravity disturbs shows it in
    movement, and not in the one posture in which the person stands still. What its stillness told counts as
    `told_as_sets` of one sensor.
    """
    limbs = len(value) - moments.with_trunk
    shown, sets = 0.0, 0.0
    for number in np.unique(block[block >= 0]):
        own = np.flatnonzero(block == number)
        since_s = moments.time_s[own] - moments.time_s[own].mean()
        spread_s = float(np.sqrt(np.mean(since_s**2)))
        if spread_s < params.shown_s:
            continue
        rate_rad_s = (value[:limbs, own] * since_s).mean(axis=1) / spread_s**2
        stays = len(np.unique(moments.stay[own]))
        missed_rad2 = (moments.unseen_rad2[own[-1]] - moments.unseen_rad2[own[0]])[:limbs]
        noise = (params.return_rad**2 / stays + missed_rad2) / spread_s**2
        shown += float(np.maximum(rate_rad_s**2 - noise, 0.0).sum())
        sets += limbs
    told = params.told_as_sets
    return np.asarray(np.sqrt((told * moments.drift_rad_s**2 + shown) / (told + sets)))


class _Equations:
    """Weighted equations, each a few factors on unknowns, collected as arrays."""

    def __init__(self, unknowns: int) -> None:
        self.unknowns = unknowns
        self._count = 0
        self._place: list[IntArray] = []
        self._column: list[IntArray] = []
        self._factor: list[FloatArray] = []
        self.target: list[FloatArray] = []
        self.sigma: list[FloatArray] = []
        self.robust: list[BoolArray] = []

    def add(
        self,
        terms: Sequence[tuple[IntArray, FloatArray | float]],
        target: FloatArray | float,
        sigma: FloatArray | float,
        *,
        robust: bool = False,
    ) -> None:
        """sum of factor * unknown[column] = target, for n equations at once; columns are (n,)."""
        size = len(terms[0][0])
        rows = np.arange(self._count, self._count + size)
        for column, factor in terms:
            self._place.append(rows)
            self._column.append(column)
            self._factor.append(np.broadcast_to(np.asarray(factor, dtype=np.float64), (size,)))
        self.target.append(np.broadcast_to(np.asarray(target, dtype=np.float64), (size,)))
        self.sigma.append(np.broadcast_to(np.asarray(sigma, dtype=np.float64), (size,)))
        self.robust.append(np.full(size, robust))
        self._count += size

    def matrix(self) -> sparse.csr_array:
        entries = (np.concatenate(self._factor), (np.concatenate(self._place), np.concatenate(self._column)))
        return sparse.csr_array(entries, shape=(self._count, self.unknowns))


@dataclass(frozen=True, slots=True)
class _Found:
    """value, sd, apart: (S, K) corrections, their standard deviations, and those of their difference from the first
    sensor's; drift: of each sensor. off: how many times as far as expected the headings between the two sensors are
    from the solution, in the middle of them, astray_rad: and how far. cost: half the squares of all that does not fit,
    in standard deviations, of what lost its say as much as it may cost.
    """

    value: FloatArray
    sd: FloatArray
    apart: FloatArray
    drift: Sequence[Drift]
    off: float
    astray_rad: float
    cost: float


def _likelier(moments: QuietMoments, block: IntArray, links: Links, params: HeadingParams, surprise: float) -> _Found:
    """The better of two solutions: what does not fit from the start has no say, and may have been right.

    One starts from sensors that hardly drift; where what they showed of each other went astray together, another one
    starts from a second sensor that drifted by just that.
    """
    found = _solve(moments, block, links, params, surprise)
    if np.abs(gone_astray(moments.joint_turns)).max(initial=0.0) < FOLLOWS_RAD:
        return found
    other = _solve(moments, block, links, params, surprise, follows=True)
    return other if other.cost < found.cost else found


def _solve(
    moments: QuietMoments,
    block: IntArray,
    links: Links,
    params: HeadingParams,
    surprise: float,
    *,
    follows: bool = False,
) -> _Found:
    """Robust least squares for the corrections. surprise: so many times as far the sensors may drift as is known.
    follows: the second sensor is first taken to have drifted as the headings between the two went.

    Unknowns per sensor: the correction at each moment, one drift rate per set, the usual one, and how the arm hangs by
    itself; per set, what its headings between the two sensors have in common. Where the person may turn, the sensors of
    an arm turn together. Links far out lose their say (Tukey's biweight).
    """
    count, sensors = len(moments.time_s), len(moments.earth_from_sensor)
    steady = (block[1:] == block[:-1]) & (block[1:] >= 0)
    _, stretch = np.unique(np.where(steady, block[1:], -1), return_inverse=True)
    stretches = int(stretch.max(initial=0)) + 1
    between = sensors * (count + stretches)
    hanging = between + 1
    apart = hanging + sensors
    # The two sensors' frames differ by one unknown heading at the start; what changes of it is drift.
    turns = moments.joint_turns
    before = np.array([turn.before for turn in turns], dtype=np.intp)
    heading = np.array([turn.heading_rad for turn in turns])
    turn_sd_rad = np.array([turn.sd_rad for turn in turns])
    # What skin and the other joints do in one movement they do in each of its kind; outside of blocks each is another.
    _, kind = np.unique(
        np.where(steady[before] & (block[before] >= 0), block[before], -1 - before), return_inverse=True
    )
    usual = apart + int(kind.max(initial=-1)) + 1
    equations = _Equations(usual + sensors)
    lasts_s, k = np.diff(moments.time_s), np.arange(count - 1)
    may_turn = np.clip((moments.roamed_rad[1:] / params.travel_rad - 1.0) / 2.0, 0.0, 1.0)
    loose = ~steady & (may_turn > 0)
    turn_sd = params.stay_rad + may_turn * _turn_sd(moments, params)
    step_sd = np.where(steady, params.step_rad, turn_sd)
    unseen = np.diff(moments.lost, axis=0) > 0
    missed_rad2 = np.diff(moments.unseen_rad2, axis=0)
    # What is left of a bias is mostly the same in each set, the more so where stillness told little of it.
    own_rad_s = np.minimum(params.own_share * moments.drift_rad_s, params.own_drift_rad_s)
    shared_rad_s = np.sqrt(moments.drift_rad_s**2 - own_rad_s**2)
    for s in range(sensors):
        x, rate = s * count, sensors * count + s * stretches
        equations.add([(np.array([x]), 1.0)], 0.0, radians(0.1))
        equations.add([(np.array([usual + s]), 1.0)], 0.0, surprise * shared_rad_s[s])
        less_usual: list[tuple[IntArray, FloatArray | float]] = [(np.full(stretches, usual + s), -1.0)]
        equations.add([(rate + np.arange(stretches), 1.0), *less_usual], 0.0, surprise * own_rad_s[s])
        step: list[tuple[IntArray, FloatArray | float]] = [(x + k, -1.0), (x + k + 1, 1.0), (rate + stretch, -lasts_s)]
        equations.add(step, 0.0, np.sqrt(step_sd**2 + missed_rad2[:, s]))
        if s:
            # Whatever the person turned by, the first sensor turned by as well.
            alike = loose & ~unseen[:, s] & ~unseen[:, 0]
            base = sensors * count
            same: list[tuple[IntArray, FloatArray | float]] = [(k, 1.0), (k + 1, -1.0), (base + stretch, lasts_s)]
            terms = [
                (c[alike], np.broadcast_to(np.asarray(f, dtype=float), alike.shape)[alike]) for c, f in (*step, *same)
            ]
            missed = (missed_rad2[:, s] + missed_rad2[:, 0])[alike]
            equations.add(terms, 0.0, np.sqrt((2 * params.step_rad) ** 2 + missed))
        seen = np.isfinite(links.sd_rad[:, s])
        h = np.full(int(seen.sum()), hanging + s)
        ends = [(x + links.earlier[seen], -1.0), (x + links.later[seen], 1.0), (h, links.relaxed[seen, s])]
        # What turns the upper arm turns the forearm with it.
        upper: list[tuple[IntArray, FloatArray | float]] = [(np.array([hanging]), -1.0)] if s else []
        equations.add([(np.array([hanging + s]), 1.0), *upper], 0.0, params.relaxed_rad)
        equations.add(ends, links.turn_rad[seen, s], links.sd_rad[seen, s], robust=True)
    if len(turns):
        halves = [(before, 0.5), (before + 1, 0.5), (count + before, -0.5), (count + before + 1, -0.5)]
        of_kind = [(np.full(len(turns), between), 1.0), (apart + kind, 1.0)]
        equations.add([*halves, *of_kind], heading, turn_sd_rad, robust=True)
        equations.add([(np.arange(apart, usual), 1.0)], 0.0, params.turn_kind_rad)
    # Where they drift by more than was thought, it counts from how it was at first.
    surprised = (surprise > 1.0 or follows) and len(turns) > 0
    middle = float(np.angle(np.sum(np.exp(1j * heading[: FIRST_TURNS if surprised else None])))) if len(turns) else 0.0
    equations.add([(np.array([between]), 1.0)], middle, params.first_turn_rad if surprise > 1.0 else pi)

    matrix = equations.matrix()
    order = _order(matrix)
    matrix = matrix[:, order]
    across = sparse.csr_array(matrix.T)
    weighted = across.copy()
    target, sigma = np.concatenate(equations.target), np.concatenate(equations.sigma)
    robust = np.concatenate(equations.robust)
    solution = np.zeros(equations.unknowns)
    for s in range(sensors):
        followed = moments.followed(s, params.travel_rad)
        solution[hanging + s] = own = first_relaxed(followed, links, s)
        guess = first_guess(followed, links, s, own)
        # The sensors of an arm are never a whole circle apart; least squares alone would leave them so.
        guess += 2 * pi * np.round((solution[:count] - guess) / (2 * pi)) if s else 0.0
        if s == 1 and follows:
            guess -= np.interp(np.arange(count), before + 0.5, gone_astray(moments.joint_turns))
        solution[s * count : (s + 1) * count] = guess
    solution[between] = middle
    for step_number in range(8):
        residual = wrap_rad(target - matrix @ solution[order])
        # The first pass opens the gate wider, so that a drift is followed before it is judged.
        gate = TUKEY * (1.3 * surprise if step_number == 0 else surprise ** (1.0 / 2**step_number))
        out = residual / sigma / gate
        say = np.where(robust, np.where(np.abs(out) < 1.0, 1.0 - out**2, 0.0), 1.0) / sigma
        np.multiply(across.data, (say**2)[across.indices], out=weighted.data)
        products = weighted @ matrix
        # Symmetric: its rows are its columns.
        normal = splu(sparse.csc_matrix((products.data, products.indices, products.indptr)), **SYMMETRIC)
        change = normal.solve(weighted @ residual)
        solution[order] += change
        if step_number > 1 and np.abs(change).max() < radians(0.05):
            break
    value = solution[: sensors * count].reshape(sensors, count)
    off_sds = wrap_rad(target - matrix @ solution[order]) / sigma
    lost = TUKEY**2 / 6 * (1.0 - np.maximum(1.0 - (off_sds / TUKEY) ** 2, 0.0) ** 3)
    cost = float(np.where(robust, lost, off_sds**2 / 2).sum())
    off = astray_rad = 0.0
    if len(turns) >= FIRST_TURNS:
        said = (value[0] - value[1])[[before, before + 1]].mean(axis=0) + solution[between]
        left_rad = np.abs(wrap_rad(heading - said))
        astray_rad = float(np.median(left_rad))
        off = float(np.median(left_rad / np.hypot(turn_sd_rad, params.turn_kind_rad)))
    place = np.argsort(order)
    # A block with a single moment showed no drift of its own: what is usual holds there.
    shown_in = np.full(count, -1)
    shown_in[1:][steady] = shown_in[:-1][steady] = stretch[steady]
    sensor = np.arange(sensors)[:, None]
    columns = np.where(shown_in >= 0, sensors * count + sensor * stretches + shown_in, usual + sensor)
    untold_rad_s = np.where(shown_in >= 0, 0.0, surprise * own_rad_s[:, None])
    drift = _drifts(normal, place, columns, solution, untold_rad_s)
    return _Found(value, *_spreads(normal, place, count, sensors), drift, off / MEDIAN_SD, astray_rad, cost)


def _drifts(
    normal: SuperLU, place: IntArray, columns: IntArray, solution: FloatArray, untold_rad_s: FloatArray
) -> list[Drift]:
    """columns: (S, K) unknown with each sensor's rate at each moment; untold_rad_s: (S, K) deviation beside it."""
    asked, which = np.unique(columns, return_inverse=True)
    which = which.reshape(columns.shape)
    unit = np.zeros((normal.shape[0], len(asked)))
    unit[place[asked], np.arange(len(asked))] = 1.0
    among = np.concatenate(
        [normal.solve(unit[:, k : k + COLUMNS])[place[asked]] for k in range(0, len(asked), COLUMNS)], axis=1
    )
    variance = among[which, which] + untold_rad_s**2
    apart = variance + variance[0] - 2 * among[which, which[0]]
    apart[0] = 0.0
    parts = solution[columns], np.sqrt(np.maximum(variance, 0.0)), np.sqrt(np.maximum(apart, 0.0))
    return [Drift(*own) for own in zip(*parts, strict=True)]


def _order(matrix: sparse.csr_array) -> IntArray:
    """An order of the unknowns in which the normal equations' factors fill in little; the same for each pass."""
    normal = sparse.csc_matrix(matrix.T @ matrix)
    return np.argsort(splu(normal, **(SYMMETRIC | {"permc_spec": "MMD_AT_PLUS_A"})).perm_c)


def _spreads(normal: SuperLU, place: IntArray, count: int, sensors: int) -> tuple[FloatArray, FloatArray]:
    """Standard deviations (S, K) of the corrections, and of their differences from the first sensor's.

    normal: the normal equations' factors, place: of each unknown in them. Columns of the inverse, for some moments;
    between them the deviation hardly changes.
    """
    asked = np.unique(np.linspace(0, count - 1, min(count, SPREADS)).round().astype(np.intp))
    rows = place[(np.arange(sensors)[:, None] * count + asked).ravel()]
    unit = np.zeros((normal.shape[0], len(rows)))
    unit[rows, np.arange(len(rows))] = 1.0
    parts = [normal.solve(unit[:, k : k + COLUMNS])[rows] for k in range(0, len(rows), COLUMNS)]
    among = np.concatenate(parts, axis=1).reshape(sensors, len(asked), sensors, len(asked))
    places = np.arange(len(asked))
    variance = np.stack([among[s, places, s, places] for s in range(sensors)])
    with_first = np.stack([among[s, places, 0, places] for s in range(sensors)])
    apart = np.sqrt(np.maximum(variance + variance[0] - 2 * with_first, 0.0))
    everywhere = np.arange(count)
    between = [np.stack([np.interp(everywhere, asked, row) for row in rows_]) for rows_ in (np.sqrt(variance), apart)]
    return between[0], between[1]


def _turn_sd(moments: QuietMoments, params: HeadingParams) -> FloatArray:
    """How far (K - 1,) the person may have turned between moments: no further than the first sensor's heading did, but
    for what the arm may hang otherwise.
    """
    turns = (moments.earth_from_sensor[0][1:] * moments.earth_from_sensor[0][:-1].inv()).as_quat()
    turned = np.abs(wrap_rad(2 * np.arctan2(turns[:, 2], turns[:, 3])))
    return np.clip(np.hypot(turned, params.relaxed_rad), params.relaxed_rad, params.turn_rad)
