"""Movements that come back: where an arm leaves a posture, goes to another, and returns, again and again.

The posture of one sensor is cut into stays, moments in which it turns round or rests. An excursion goes from a stay to
the first later one that is the same posture again, over what is furthest between. A chain is a row of excursions from
one posture to one other. Nothing about the mounting, the tempo, holds or how many stations lie between is assumed.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from statistics import median

import numpy as np

from imu_shoulder.filters import low_passed
from imu_shoulder.frames import apart_rad, inverse_quat, left_factor, quat_from_rotation
from imu_shoulder.model import FloatArray
from imu_shoulder.segment.free_motion import Motion
from imu_shoulder.segment.proposing import RepeatParams


@dataclass(frozen=True, slots=True)
class Stays:
    """start_s, end_s (K,): of each stay. postures: of each sensor of the arm, quaternions (K, 4), scalar first."""

    start_s: FloatArray
    end_s: FloatArray
    postures: tuple[FloatArray, ...]

    def apart_rad(self, one: int, first: int, last: int) -> FloatArray:
        """How far the stays [first, last) are from one, by the sensor that is furthest."""
        return np.asarray(np.max([apart_rad(own[first:last], own[one]) for own in self.postures], axis=0))

    def lasts_s(self, own: Excursion) -> float:
        return float(self.start_s[own.last] - self.end_s[own.first])


@dataclass(frozen=True, slots=True)
class Excursion:
    """first, far, last: stays. way_rad: from the first to the furthest."""

    first: int
    far: int
    last: int
    way_rad: float


@dataclass(frozen=True, slots=True)
class Chain:
    """Excursions in a row from one posture to one other, in time order.

    start_s, end_s: without rests at the ends. pauses_s: between them. way_rad: the usual way. unlike: how far they miss
    the same top, as a share of the way. skipped: stays between them that belong to none. swapped: whether they are
    those of an arm that sets out from the other posture, one more.
    """

    excursions: tuple[Excursion, ...]
    start_s: float
    end_s: float
    pauses_s: FloatArray
    durations_s: FloatArray
    way_rad: float
    unlike: float
    skipped: int
    swapped: bool

    @property
    def reps(self) -> int:
        """From the posture that the arm is in before and after them."""
        return len(self.excursions) + self.swapped


def find_stays(motions: Sequence[Motion], params: RepeatParams) -> Stays:
    """The stays of an arm, in time order. motions: of its sensors, the one that moves most first."""
    lead = motions[0]
    quats = [quat_from_rotation(own.earth_from_sensor) for own in motions]
    speed = np.max([_speed_rad_s(own, params.low_pass_hz) for own in motions], axis=0)
    rows = np.flatnonzero((speed[1:-1] <= speed[:-2]) & (speed[1:-1] < speed[2:])) + 1
    rows = np.concatenate([[0], rows, [len(speed) - 1]])
    spans: list[list[int]] = [[int(rows[0])] * 3]  # first, last, slowest
    for row in rows[1:].tolist():
        first, _, slowest = spans[-1]
        apart = max(float(apart_rad(own[row], own[slowest])) for own in quats)
        if apart <= params.stay_rad:
            spans[-1] = [first, row, row if speed[row] < speed[slowest] else slowest]
        else:
            spans.append([row, row, row])
    at = np.array(spans)
    return Stays(lead.time_s[at[:, 0]], lead.time_s[at[:, 1]], tuple(own[at[:, 2]] for own in quats))


def _speed_rad_s(motion: Motion, low_pass_hz: float) -> FloatArray:
    rotation = motion.earth_from_sensor
    turn = (rotation[:-1].inv() * rotation[1:]).as_rotvec() * motion.rate_hz
    turn = low_passed(turn, low_pass_hz, motion.rate_hz, min(15, len(turn) - 1), ends="constant")
    return np.asarray(np.linalg.norm(turn, axis=1))


def find_excursions(stays: Stays, params: RepeatParams) -> list[Excursion | None]:
    """From each stay the excursion that sets out there; None where nothing comes back."""
    count = len(stays.start_s)
    out: list[Excursion | None] = []
    for one in range(count):
        limit = int(np.searchsorted(stays.start_s, stays.end_s[one] + params.longest_rep_s))
        apart = stays.apart_rad(one, one + 1, limit)
        furthest = np.maximum.accumulate(apart) if len(apart) else apart
        back = np.flatnonzero((furthest >= params.least_arc_rad) & (apart <= params.back_share * furthest))
        if not len(back):
            out.append(None)
            continue
        last = int(back[0])
        while last + 1 < len(apart) and apart[last + 1] < apart[last]:
            last += 1
        far = int(np.argmax(apart[: int(back[0]) + 1]))
        out.append(Excursion(one, one + 1 + far, one + 1 + last, float(apart[far])))
    return out


def find_chains(stays: Stays, found: Sequence[Excursion | None], params: RepeatParams) -> list[Chain]:
    """The chains of at least two excursions, none of them over another, in time order. found: from each stay."""
    successors = {own.first: _successors(stays, found, own, params) for own in found if own is not None}
    grown = [
        _without_odd_ends(stays, _grow(stays, successors, own, params), params) for own in found if own is not None
    ]
    ranked = sorted((own for own in grown if len(own) > 1), key=lambda own: _worth(stays, own), reverse=True)
    out: list[Chain] = []
    for own in ranked:
        first_s, last_s = stays.end_s[own[0].first], stays.start_s[own[-1].last]
        if all(last_s <= other.start_s or first_s >= other.end_s for other in out):
            out.append(_chain(stays, own, params))
    return sorted(out, key=lambda chain: chain.start_s)


def _worth(stays: Stays, own: Sequence[Excursion]) -> float:
    """Long chains of long ways, and even ones: the ways of a chain over two sets grow or shrink on it."""
    lasts_s = np.array([stays.lasts_s(excursion) for excursion in own])
    ways_rad = np.array([excursion.way_rad for excursion in own])
    uneven = lasts_s.std() / lasts_s.mean() + ways_rad.std() / ways_rad.mean()
    return float(ways_rad.sum() * np.exp(-uneven))


def _grow(
    stays: Stays,
    successors: Mapping[int, Sequence[tuple[float, Excursion]]],
    begin: Excursion,
    params: RepeatParams,
) -> list[Excursion]:
    """The chain that sets out with one excursion, each like the one before, after no longer rest than parts sets."""
    out, lasts_s, pauses_s = [begin], [stays.lasts_s(begin)], list[float]()
    odd = 0
    while True:
        longest_s = max(params.set_rest_s, params.usual_pauses * median(pauses_s) if pauses_s else 0.0)
        usual_s = median(lasts_s[-params.neighbours :])
        nearby = [
            (pause_s, own)
            for pause_s, own in successors[out[-1].first]
            if pause_s <= longest_s and usual_s / params.odd_short <= stays.lasts_s(own) <= usual_s * params.odd_long
        ]
        fitting = [
            pair for pair in nearby if usual_s / params.uneven <= stays.lasts_s(pair[1]) <= usual_s * params.uneven
        ]
        if not fitting and odd:
            # One of another tempo is a rep done otherwise where the usual ones go on after it, and no more than that.
            return out[:-odd]
        if not nearby:
            return out
        odd = 0 if fitting else 1
        pause_s, following = (fitting or nearby)[0]
        pauses_s.append(pause_s)
        lasts_s.append(stays.lasts_s(following))
        out.append(following)


def _without_odd_ends(stays: Stays, own: Sequence[Excursion], params: RepeatParams) -> Sequence[Excursion]:
    """The chain without what is of another tempo or way than its neighbours at its two ends: another movement, or a
    rest."""

    def fits(end: Excursion, beside: Sequence[Excursion]) -> bool:
        lasts = stays.lasts_s(end) / median(stays.lasts_s(excursion) for excursion in beside)
        ways = end.way_rad / median(excursion.way_rad for excursion in beside)
        return all(1 / params.uneven <= ratio <= params.uneven for ratio in (lasts, ways))

    while len(own) > 2 and not fits(own[0], own[1 : 1 + params.neighbours]):
        own = own[1:]
    while len(own) > 2 and not fits(own[-1], own[-1 - params.neighbours : -1]):
        own = own[:-1]
    return own


def _successors(
    stays: Stays, found: Sequence[Excursion | None], before: Excursion, params: RepeatParams
) -> list[tuple[float, Excursion]]:
    """The excursions that may come next, from the same posture to the same one, each with the pause before it."""
    here = before.last
    fitting = []
    for k, apart in enumerate(
        stays.apart_rad(before.first, here, min(here + params.most_between, len(found))).tolist()
    ):
        own = found[here + k]
        near = apart <= params.back_share * before.way_rad + params.alike_rad
        if own is None or not near or own.way_rad > params.most_way * before.way_rad:
            continue
        if _misses_rad(stays, own, before) <= params.alike_share * before.way_rad + params.alike_rad:
            fitting.append((float(stays.end_s[own.first] - stays.start_s[here]), own))
    return fitting


def _misses_rad(stays: Stays, own: Excursion, like: Excursion) -> float:
    """How far an excursion stays from where another one is furthest, as turns from where each sets out. Several
    stations may be about as far off, so that the furthest one is now this and now that."""
    missed = []
    for posture in stays.postures:
        turn = left_factor(inverse_quat(posture[like.first])) @ posture[like.far]
        aimed = left_factor(posture[own.first]) @ turn
        missed.append(apart_rad(posture[own.first + 1 : own.last + 1], aimed))
    return float(np.min(np.max(missed, axis=0)))


def _chain(stays: Stays, own: Sequence[Excursion], params: RepeatParams) -> Chain:
    """With the half excursions before and after it, which tell the two ends apart: a set sets out from where the arm
    is before it and after it."""
    first, last = (np.array([getattr(e, name) for e in own]) for name in ("first", "last"))
    pauses_s = stays.end_s[first[1:]] - stays.start_s[last[:-1]]
    way_rad = float(np.median([e.way_rad for e in own]))
    middle = own[len(own) // 2]
    unlike = float(np.sqrt(np.mean([_misses_rad(stays, e, middle) ** 2 for e in own]))) / way_rad
    durations_s = stays.start_s[last] - stays.end_s[first]
    within_s = params.half_share * float(np.median(durations_s))
    near_rad = params.alike_share * way_rad + params.alike_rad / 2
    before = _far_beside(stays, own[0].first, own[0].far, -1, within_s, near_rad)
    after = _far_beside(stays, own[-1].last, own[-1].far, 1, within_s, near_rad)
    swapped = before is not None and after is not None
    return Chain(
        tuple(own),
        float(stays.end_s[before if swapped and before is not None else own[0].first]),
        float(stays.start_s[after if swapped and after is not None else own[-1].last]),
        pauses_s,
        durations_s,
        way_rad,
        unlike,
        int((first[1:] - last[:-1]).sum()),
        swapped,
    )


def _far_beside(stays: Stays, end: int, far: int, way: int, within_s: float, near_rad: float) -> int | None:
    """The stay before (way -1) or after (1) the end of a chain in which the arm is where the chain is furthest."""
    k = end + way
    while 0 <= k < len(stays.start_s):
        apart_s = stays.end_s[end] - stays.end_s[k] if way < 0 else stays.start_s[k] - stays.start_s[end]
        if apart_s > within_s:
            return None
        if float(stays.apart_rad(far, k, k + 1)[0]) <= near_rad:
            return k
        k += way
    return None
