"""How a sensor lies to its neighbour on the arm in quiet moments, and what speaks for its having turned in between.

Where the neighbour shows a posture it had shown before, so should the sensor, as well as people come back to one. The
heading between the two sensors drifts by a rate that is learnt, so over a long time only gravity counts. A lasting turn
is weighed against none by how likely the later moments are given the earlier ones, and the earlier ones given the later
ones: a range that has become wider is no slip.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from imu_shoulder.calibrate.slip_model import SlipParams
from imu_shoulder.calibrate.slip_pulses import Pulse
from imu_shoulder.frames import rotation_from_quat
from imu_shoulder.model import BoolArray, Event, FloatArray, IntArray, Side
from imu_shoulder.spill import parts

# Returns further out than this many standard deviations teach nothing about the drift.
OUTLIER = 2.5
# So many pairs of moments are looked at at a time.
MOST_PAIRS = 1_000_000
# The fitted turn settles within so many rounds.
ROUNDS = 4


def without_repeats(
    time_s: FloatArray, quats: Sequence[FloatArray], params: SlipParams
) -> tuple[FloatArray, list[FloatArray]]:
    """Quiet moments (K,) in a row in which no sensor lies otherwise, as one: their mean times, and quaternions (K, 4)
    per sensor.
    """
    moved = np.zeros(len(time_s) - 1, dtype=bool)
    near = [np.sum(quat[1:] * quat[:-1], axis=1) for quat in quats]
    for cosine in near:
        moved |= np.abs(cosine) < np.cos(params.stay_rad / 2)
    first = np.flatnonzero(np.concatenate([[True], moved]))
    means = []
    for quat, cosine in zip(quats, near, strict=True):
        # A quaternion and its negative are the same attitude: each is taken on the side of the one before it.
        side = np.cumprod(np.concatenate([[1.0], np.where(cosine < 0, -1.0, 1.0)]))
        total = np.add.reduceat(quat * side[:, None], first)
        means.append(total / np.linalg.norm(total, axis=1, keepdims=True))
    return np.add.reduceat(time_s, first) / np.diff(first, append=len(time_s)), means


def blocks(time_s: FloatArray, events: Sequence[Event], side: Side) -> IntArray:
    """Number of the arm's event that each moment lies in; negative outside, a number of its own for each break."""
    block = np.full(len(time_s), -1, dtype=np.intp)
    for number, event in enumerate(events):
        block[time_s > event.end_s] = -2 - number
        if event.side in (side, "both", None):
            block[(time_s >= event.onset_s) & (time_s <= event.end_s)] = number
    return block


class Postures:
    """Pairs of quiet moments in which a sensor's neighbour shows the same posture."""

    def __init__(
        self,
        time_s: FloatArray,
        quats: Sequence[FloatArray],
        block: IntArray,
        drift_rad_s: float,
        params: SlipParams,
    ) -> None:
        """time_s, block: (K,). quats: quat_earth_from_sensor (K, 4) of the sensor and of its neighbour.

        block: see `blocks`. drift_rad_s: standard deviation of how fast the heading between the two may drift.
        """
        self._time_s, self._block, self._params = time_s, block, params
        own, neighbour = (rotation_from_quat(quat).as_matrix() for quat in quats)
        up = [own[:, 2], neighbour[:, 2]]
        pairs = [self._pairs(up, rows) for rows in parts(len(time_s), max(1, MOST_PAIRS // max(1, len(time_s))))]
        self._later, self._earlier, self._within, sd, apart = (np.concatenate(own) for own in zip(*pairs, strict=True))
        later, earlier = self._later, self._earlier
        self._first = np.searchsorted(later, np.arange(len(time_s) + 1))
        turn = _turned_alone(own, neighbour, later, earlier)
        vertical, ago_s = up[0][earlier], time_s[later] - time_s[earlier]
        # A slip is one of the last returns to each posture at most.
        last = np.diff(later, append=-1) != 0
        rate, rate_sd = _drift(_dot(turn, vertical)[last], ago_s[last], sd[last], drift_rad_s)
        turn -= (rate * ago_s)[:, None] * vertical
        # A normal distribution of each pair's turn: its inverse covariance, and its size at the top. The drift's
        # variance is added along the vertical (Sherman and Morrison's formula).
        drifted = (rate_sd * ago_s) ** 2
        share = drifted / (sd**2 + drifted)
        along = share[:, None, None] * vertical[:, :, None] * vertical[:, None]
        self._inverse = (np.eye(3) - along) / sd[:, None, None] ** 2
        self._top = np.exp(-(apart**2) / 2) * np.sqrt(1.0 - share) / sd**3
        self._pull = np.einsum("pij,pj->pi", self._inverse, turn)
        self._cost = _dot(self._pull, turn)

    def _pairs(
        self, up: Sequence[FloatArray], rows: slice
    ) -> tuple[IntArray, IntArray, BoolArray, FloatArray, FloatArray]:
        """Of the later moments `rows`: the number of the later and of the earlier one, whether they are within one
        event, by how much people come back to a posture then, and by how many times that the neighbour's are apart.

        up: (K, 3) of the sensor and of its neighbour.
        """
        block, params = self._block, self._params
        # All of these are [later, earlier].
        earlier = slice(0, rows.stop)
        within = (block[rows, None] == block[earlier]) & (block[rows, None] >= 0)
        like = up[0][rows] @ up[0][earlier].T > np.cos(params.like_rad)
        sd = np.where(within, params.set_rad, params.rest_rad)
        apart = np.arccos(np.clip(up[1][rows] @ up[1][earlier].T, -1.0, 1.0)) / sd
        able = (within | like) & (apart < params.cap) & np.tri(len(like), rows.stop, k=rows.start - 1, dtype=bool)
        # Of each moment's able pairs those with the latest earlier moments.
        able &= np.cumsum(able[:, ::-1], axis=1)[:, ::-1] <= params.links
        later, before = np.nonzero(able)
        return later + rows.start, before, within[able], sd[able], apart[able]

    def split(self, time_s: float) -> int:
        """Number of moments before time_s."""
        return int(np.searchsorted(self._time_s, time_s))

    def across(self, split: int) -> Across | None:
        """What the moments from number `split` on show against those before; None where nothing can be compared."""
        rows = np.arange(self._first[split], len(self._later))
        rows = rows[self._earlier[rows] < split]
        if not len(rows):
            return None
        ways = [_Way(moment[rows], self._block, self._within[rows]) for moment in (self._later, self._earlier)]
        unseen = float(np.exp(-(self._params.cap**2) / 2))
        return Across(self._inverse[rows], self._pull[rows], self._cost[rows], self._top[rows], unseen, ways)


class _Way:
    """Pairs by one of their two moments: sums over each moment's pairs, and how much each moment counts.

    What comes back from set to set is one habit per set, however often it is seen; within a set each return is one.
    """

    def __init__(self, moment: IntArray, block: IntArray, within: BoolArray) -> None:
        self._order = np.argsort(moment, kind="stable")
        moments, self._first, self.group = np.unique(moment[self._order], return_index=True, return_inverse=True)
        habit = ~np.logical_or.reduceat(within[self._order], self._first)
        _, number = np.unique(block[moments], return_inverse=True)
        of_set = np.bincount(number, habit)[number]
        self.counts = np.where(habit, 1.0 / np.maximum(of_set, 1.0), 1.0)

    def sums(self, values: FloatArray) -> FloatArray:
        """(P, ...) -> (moments, ...)."""
        return np.asarray(np.add.reduceat(values[self._order], self._first))


class Across:
    """Pairs (P,) of moments on both sides of a possible slip."""

    def __init__(
        self,
        inverse: FloatArray,
        pull: FloatArray,
        cost: FloatArray,
        top: FloatArray,
        unseen: float,
        ways: Sequence[_Way],
    ) -> None:
        """ways: by the later moment, in whose order the pairs are, and by the earlier one."""
        self._inverse, self._pull, self._cost, self._top = inverse.reshape(-1, 9), pull, cost, top
        self._ways = ways
        # However far a moment is from all others, it may be a posture not seen before.
        self._floor = [unseen * way.sums(top) for way in ways]
        none = self._likely(np.zeros((1, 3)))
        self._none = [way.sums(none) + floor[:, None] for way, floor in zip(ways, self._floor, strict=True)]

    def judge(self, pulses: Sequence[Pulse]) -> tuple[FloatArray, FloatArray]:
        """Evidence (C,) of a lasting turn that began with each pulse, and the turn (C, 3) that fits both best.

        The turn is fitted by expectation and maximisation: which earlier posture a later one repeats is not known.
        """
        quick = np.array([pulse.turn_rad for pulse in pulses])
        weight = np.array([pulse.sd_rad for pulse in pulses])[:, None] ** -2
        turns, later = quick, self._ways[0]
        for _ in range(ROUNDS):
            likely = self._likely(turns)
            share = (likely / (later.sums(likely) + self._floor[0][:, None])[later.group]).T
            known = (share @ self._inverse).reshape(-1, 3, 3) + weight[:, :, None] * np.eye(3)
            turns = np.linalg.solve(known, (share @ self._pull + weight * quick)[:, :, None])[:, :, 0]
        likely = self._likely(turns)
        evidence = [
            way.counts @ np.log((way.sums(likely) + floor[:, None]) / none)
            for way, floor, none in zip(self._ways, self._floor, self._none, strict=True)
        ]
        return np.minimum(*evidence) - np.sum((turns - quick) ** 2 * weight, axis=1) / 2, turns

    def _likely(self, turns_rad: FloatArray) -> FloatArray:
        """Density (P, C) of each pair if the sensor turned by one of turns_rad (C, 3) in between."""
        squares = (turns_rad[:, :, None] * turns_rad[:, None, :]).reshape(-1, 9)
        away = self._cost[:, None] - 2 * self._pull @ turns_rad.T + self._inverse @ squares.T
        return np.asarray(self._top[:, None] * np.exp(-away / 2))


def _turned_alone(own: FloatArray, neighbour: FloatArray, later: IntArray, earlier: IntArray) -> FloatArray:
    """Rotation vectors (P, 3) of how far a sensor turned on its own between two moments each, later and earlier (P,).

    own, neighbour: matrices earth_from_sensor (K, 3, 3), of which Rotation's own products take ten times as long. The
    body may have turned about the vertical in between; that is taken from the neighbour, so it holds where the
    neighbour shows the same posture.
    """
    (x, y), (later_x, later_y) = (np.moveaxis(neighbour[rows, :2], 1, 0) for rows in (earlier, later))
    heading = np.arctan2(_dot(later_y, x) - _dot(later_x, y), _dot(later_x, x) + _dot(later_y, y))
    cosine, sine = np.cos(heading)[:, None], np.sin(heading)[:, None]
    x, y, up = np.moveaxis(own[later], 1, 0)
    facing_alike = np.stack([cosine * x + sine * y, cosine * y - sine * x, up], axis=1)
    turn = np.moveaxis(own[earlier], 1, 2) @ facing_alike
    axis = np.stack(
        [turn[:, 2, 1] - turn[:, 1, 2], turn[:, 0, 2] - turn[:, 2, 0], turn[:, 1, 0] - turn[:, 0, 1]], axis=1
    )
    twice_sine = np.linalg.norm(axis, axis=1)
    angle = np.arctan2(twice_sine, np.trace(turn, axis1=1, axis2=2) - 1.0)
    return np.asarray(axis * (angle / np.maximum(twice_sine, 1e-12))[:, None])


def _drift(turn_rad: FloatArray, ago_s: FloatArray, sd_rad: FloatArray, drift_rad_s: float) -> tuple[float, float]:
    """Rate of the heading between the two sensors and its standard deviation, from turns (P,) about the vertical.

    Bayesian regression. sd_rad: (P,) of each turn.
    """
    rows = np.abs(turn_rad) < OUTLIER * np.hypot(sd_rad, drift_rad_s * ago_s)
    weight = ago_s[rows] / sd_rad[rows] ** 2
    precision = float(weight @ ago_s[rows]) + drift_rad_s**-2
    return float(weight @ turn_rad[rows]) / precision, precision**-0.5


def _dot(a: FloatArray, b: FloatArray) -> FloatArray:
    return np.asarray(np.sum(a * b, axis=1))
