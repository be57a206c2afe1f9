"""What a heading was within sets and movements: a body turns between them, and faces one way in each."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from imu_shoulder.model import BoolArray, Event, FloatArray, IntArray
from imu_shoulder.orient.attitude import Attitude
from imu_shoulder.orient.heading import Drift, HeadingTrack
from imu_shoulder.orient.moments import HeadingParams, roamed_rad


@dataclass(frozen=True, slots=True)
class Knot:
    """At time_s the heading had gone this share of the way from quiet moment `before` to the one after it."""

    time_s: float
    before: int
    share: float = 0.0


def knots_of_events(moment_s: FloatArray, block: IntArray, events: Sequence[Event]) -> list[Knot]:
    """The begin and end of each event with quiet moments in it, alike the first and the last of these.

    moment_s, block: (K,) of the moments, and number of the event that each lies in, -1 outside.
    """
    knots = []
    for number in np.unique(block[block >= 0]):
        first, last = np.flatnonzero(block == number)[[0, -1]].tolist()
        if events[number].onset_s < moment_s[first]:
            knots.append(Knot(events[number].onset_s, first))
        if events[number].end_s > moment_s[last]:
            knots.append(Knot(events[number].end_s, last))
    return knots


def knots_in_passing(
    time_s: FloatArray,
    free: BoolArray,
    rate_hz: float,
    limbs: Sequence[Attitude],
    moment_s: FloatArray,
    events: Sequence[Event],
    params: HeadingParams,
) -> list[Knot]:
    """The begin and end of each event that has no quiet moment, as of a person who is never still in a set.

    Who faces elsewhere after it turned where the limbs roamed, before it or after it. time_s, free: (N,) rows, and
    whether the person may walk about then.
    """
    knots: list[Knot] = []
    for before, (since_s, until_s) in enumerate(pairwise(moment_s.tolist())):
        passed = sorted(
            (event.onset_s, event.end_s) for event in events if since_s < event.onset_s and event.end_s < until_s
        )
        if not passed:
            continue
        rows = np.searchsorted(time_s, [(since_s, since_s), *passed, (until_s, until_s)])
        roamed = roamed_rad(limbs, [(first, max(last, first + 1)) for first, last in rows.tolist()], free, rate_hz)[1:]
        # Less than this is a limb that takes up another posture; where it is never more, nothing is told.
        far = np.maximum(roamed - params.travel_rad, 0.0)
        far = far if far.any() else np.ones(len(roamed))
        shares = np.cumsum(far) / far.sum()
        for (onset_s, end_s), share in zip(passed, shares[:-1].tolist(), strict=True):
            knots += [Knot(onset_s, before, share), Knot(end_s, before, share)]
    return knots


def settled_at(track: HeadingTrack, knots: Sequence[Knot]) -> HeadingTrack:
    """The track with these knots too. A heading goes on drifting where no quiet moment shows it; where it is not known
    how fast, or when the body turned, the standard deviation says so.
    """
    before = np.array([knot.before for knot in knots], dtype=np.intp)
    after = np.minimum(before + 1, len(track.time_s) - 1)
    share = np.array([knot.share for knot in knots])
    knot_s = np.array([knot.time_s for knot in knots])
    drift = track.drift
    since_s, lasts_s = knot_s - track.time_s[before], track.time_s[after] - track.time_s[before]
    turn_rad = track.correction_rad[after] - track.correction_rad[before] - drift.rate_rad_s[before] * lasts_s
    correction_rad = track.correction_rad[before] + drift.rate_rad_s[before] * since_s + share * turn_rad
    # What a drift is off by is in the turn as well.
    unseen_s = np.abs(since_s - share * lasts_s)

    def between(sd_rad: FloatArray, drift_rad_s: FloatArray) -> FloatArray:
        known = (1 - share) * sd_rad[before] + share * sd_rad[after]
        return np.hypot(known, drift_rad_s[before] * unseen_s)

    sd_rad = np.hypot(between(track.sd_rad, drift.sd_rad_s), np.sqrt(share * (1 - share)) * turn_rad)
    order = np.argsort(np.concatenate([track.time_s, knot_s]), kind="stable")

    def ordered(of_moments: FloatArray, of_knots: FloatArray) -> FloatArray:
        return np.concatenate([of_moments, of_knots])[order]

    return HeadingTrack(
        ordered(track.time_s, knot_s),
        ordered(track.correction_rad, correction_rad),
        ordered(track.sd_rad, sd_rad),
        ordered(track.apart_sd_rad, between(track.apart_sd_rad, drift.apart_sd_rad_s)),
        Drift(*(ordered(own, own[before]) for own in (drift.rate_rad_s, drift.sd_rad_s, drift.apart_sd_rad_s))),
    )
