"""Pairs of quiet moments that show the same posture, and how far headings turned between them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from imu_shoulder.frames import Z_AXIS, quat_from_rotation, wrap_rad
from imu_shoulder.model import BoolArray, FloatArray, IntArray
from imu_shoulder.orient.moments import HeadingParams, QuietMoments


@dataclass(frozen=True, slots=True)
class Links:
    """L pairs in the order of their later moment.

    earlier, later: (L,) moments. turn_rad: (L, S) how far each sensor's heading turned between them. sd_rad: (L, S) how
    well that sensor's segment comes back to the posture; infinite where the pair says nothing of it. relaxed: (L, S) 1
    where the turn holds the difference of an arm that hangs by itself from one that was asked to, -1 the other way.
    """

    earlier: IntArray
    later: IntArray
    turn_rad: FloatArray
    sd_rad: FloatArray
    relaxed: FloatArray


def find_links(moments: QuietMoments, block: IntArray, reference: int, params: HeadingParams) -> Links:
    """Pairs that show the same posture to gravity in every sensor, and may be one.

    Within a block any posture may come back, between blocks the neutral one alone. The trunk is linked on its own
    wherever it is as upright as in the pose: its forward is the body's by definition.
    """
    sensors = len(moments.earth_from_sensor)
    limbs = sensors - moments.with_trunk
    returning = np.full(sensors, params.return_rad)
    rested, started = (
        np.array([limb_rad] * limbs + [params.return_rad] * moments.with_trunk)
        # An arm that hangs turned turns all its sensors.
        for limb_rad in (params.rest_rad, np.sqrt(limbs) * params.start_rad)
    )
    trunk_only = np.array([np.inf] * limbs + [params.return_rad] * moments.with_trunk)
    quats = [quat_from_rotation(sensor) for sensor in moments.earth_from_sensor]
    ups = [sensor.inv().apply(Z_AXIS) for sensor in moments.earth_from_sensor]
    neutral = _alike(ups, reference, params.neutral_rad)
    resting = neutral & ((block < 0) | (block == block[reference]))
    upright = _alike(ups[-1:], reference, params.neutral_rad) & moments.with_trunk

    later, earlier = _within_block(moments, _alike_in_blocks(ups, block, params), quats[:limbs], params)
    # Who stays but turns further than sway and drift explain does turn: that is for the angles to show.
    apart_s = moments.time_s[later] - moments.time_s[earlier]
    explained_rad = 2.0 * np.hypot(moments.sway_rad, apart_s[:, None] * moments.drift_rad_s)
    stayed = moments.stay[later] == moments.stay[earlier]
    turned = stayed[:, None] & (np.abs(_turns(quats, earlier, later)) > explained_rad)
    returned = np.where(turned, np.inf, returning)

    rest_later, rest_earlier = _between_rests(np.flatnonzero(resting), block, params.links)
    # All moments of a stay show one way of hanging, and all links of a stay hold its own.
    pairs, pair, many = np.unique(
        np.column_stack([moments.stay[rest_later], moments.stay[rest_earlier]]),
        axis=0,
        return_inverse=True,
        return_counts=True,
    )
    _, of_stay, compared = np.unique(pairs[:, 0], return_inverse=True, return_counts=True)
    times = (many * (1.0 + compared[of_stay]) / 2.0)[pair.ravel()]
    # Who hangs an arm otherwise hangs it turned as well, and the hand more so.
    tilt_rad = np.stack([_tilts(up, rest_earlier, rest_later) for up in ups], axis=1)
    rested = np.hypot(rested, (1.0 + np.arange(sensors)) * tilt_rad) * np.sqrt(times)[:, None]
    rested[:, limbs:] = params.return_rad

    # The arm hangs in a set's first quiet moment, but maybe turned: thumb along the plane of the raise.
    after = np.arange(len(block)) > reference
    hanging = np.flatnonzero(neutral & ~resting & after)
    start_later = hanging[np.unique(block[hanging], return_index=True)[1]]
    trunk_later = np.setdiff1d(np.flatnonzero(upright & ~resting & after), start_later)

    kinds = [(trunk_later, trunk_only), (later, returned), (rest_later, rested), (start_later, started)]
    all_later = np.concatenate([own for own, _ in kinds])
    all_earlier = np.concatenate(
        [np.full_like(trunk_later, reference), earlier, rest_earlier, np.full_like(start_later, reference)]
    )
    sd = np.concatenate([np.broadcast_to(own, (len(k), sensors)) for k, own in kinds])
    # Who stands in the pose before it is marked, or after, hangs as in the pose.
    asked = (block == block[reference]) | (moments.stay == moments.stay[reference])
    hangs = np.repeat([False, False, True, False], [len(own) for own, _ in kinds])
    relaxed = np.zeros(sd.shape)
    relaxed[:, :limbs] = (hangs * (asked[all_earlier].astype(float) - asked[all_later]))[:, None]
    order = np.argsort(all_later, kind="stable")
    all_later, all_earlier = all_later[order], all_earlier[order]
    return Links(all_earlier, all_later, _turns(quats, all_earlier, all_later), sd[order], relaxed[order])


def _alike_in_blocks(ups: list[FloatArray], block: IntArray, params: HeadingParams) -> tuple[IntArray, IntArray]:
    """Later and earlier moments of one block that show gravity the same posture, in the order of the later ones.

    Block by block: a table of all moments would grow as the square of the recording.
    """
    later, earlier = [np.empty(0, dtype=np.intp)], [np.empty(0, dtype=np.intp)]
    for number in np.unique(block[block >= 0]):
        inside = np.flatnonzero(block == number)
        alike = np.all([up[inside] @ up[inside].T > np.cos(params.same_posture_rad) for up in ups], axis=0)
        a, b = np.nonzero(np.tril(alike, -1))
        later.append(inside[a])
        earlier.append(inside[b])
    all_later = np.concatenate(later)
    order = np.argsort(all_later, kind="stable")
    return all_later[order], np.concatenate(earlier)[order]


def _between_rests(resting: IntArray, block: IntArray, most: int) -> tuple[IntArray, IntArray]:
    """Later and earlier of the resting moments (R,), not both of one block: of each the latest so many before it, and
    the first of all, which carries the link to the calibration.
    """
    inside = block[resting] >= 0
    free = resting[~inside]
    # All that rest in a block do so in that of the pose.
    before = np.where(inside, np.cumsum(~inside), np.arange(len(resting)))
    place = before[:, None] - np.arange(most + 1, 0, -1)
    place[:, 0] = np.where(before > most, 0, -1)
    which, column = np.nonzero(place >= 0)
    chosen = place[which, column]
    earlier = resting[chosen]
    own = inside[which]
    earlier[own] = free[chosen[own]]
    return resting[which], earlier


def _within_block(
    moments: QuietMoments, alike: tuple[IntArray, IntArray], limbs: Sequence[FloatArray], params: HeadingParams
) -> tuple[IntArray, IntArray]:
    """Later and earlier moments of a posture that came back or was kept; alike: those of which gravity says so.

    Gravity alone cannot tell postures that differ by a turn about the vertical; drift turns far less, and a sensor that
    was not seen in between cannot tell at all. Over many reps a change of posture could pass for a slow drift, so only
    the latest ones count; within one stay a slow turn is drift, and ever earlier ones count as well.
    limbs: (K, 4) attitudes of each limb's sensor.
    """

    def counting(later: IntArray, earlier: IntArray, most: int) -> BoolArray:
        steps = later - earlier
        spread = (moments.stay[later] == moments.stay[earlier]) & (steps & (steps - 1) == 0)
        return np.asarray(_latest(later, most) | spread)

    later, earlier = alike
    kept = counting(later, earlier, 4 * params.links)
    later, earlier = later[kept], earlier[kept]
    seen = moments.lost[earlier, : len(limbs)] == moments.lost[later, : len(limbs)]
    turned = np.where(seen, np.abs(_turns(limbs, earlier, later)), 0.0).max(axis=1, initial=0.0)
    kept = turned < params.same_heading_rad
    later, earlier = later[kept], earlier[kept]
    kept = counting(later, earlier, params.links)
    return later[kept], earlier[kept]


def _latest(later: IntArray, most: int) -> BoolArray:
    """Which pairs (L,), in the order of the later moment, are among the last so many with the same later moment."""
    from_last: IntArray = np.searchsorted(later, later, side="right") - np.arange(len(later))
    return np.asarray(from_last <= most)


def _alike(ups: list[FloatArray], moment: int, within_rad: float) -> BoolArray:
    """Moments that show gravity the posture of the given one, in every sensor."""
    return np.asarray(np.all([up @ up[moment] > np.cos(within_rad) for up in ups], axis=0))


def _tilts(up: FloatArray, earlier: IntArray, later: IntArray) -> FloatArray:
    """Angle (L,) between what gravity showed of the two moments; up: (K, 3)."""
    return np.asarray(np.arccos(np.clip(np.add.reduce(up[earlier] * up[later], axis=1), -1.0, 1.0)))


def _turns(quats: Sequence[FloatArray], earlier: IntArray, later: IntArray) -> FloatArray:
    """Heading (L, S) from the earlier to the later attitude of each sensor; quats: (K, 4) each, scalar first.

    The vertical part of later * inverse(earlier), written out: this is asked for very many pairs.
    """
    out = np.zeros((len(earlier), len(quats)))
    for s, quat in enumerate(quats):
        ew, ex, ey, ez = quat[earlier].T
        lw, lx, ly, lz = quat[later].T
        out[:, s] = 2 * np.arctan2(ly * ex - lx * ey + lz * ew - lw * ez, lw * ew + lx * ex + ly * ey + lz * ez)
    return wrap_rad(out)
