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
    well that sensor's segment comes back to the posture; infinite where the pair says nothing of it.
    """

    earlier: IntArray
    later: IntArray
    turn_rad: FloatArray
    sd_rad: FloatArray

    def until(self, moment: int) -> Links:
        """The pairs whose later moment is no later than this one."""
        stop = int(np.searchsorted(self.later, moment, side="right"))
        return Links(self.earlier[:stop], self.later[:stop], self.turn_rad[:stop], self.sd_rad[:stop])


def find_links(moments: QuietMoments, block: IntArray, reference: int, params: HeadingParams) -> Links:
    """Pairs that show the same posture to gravity in every sensor, and may be one.

    Within a block any posture may come back, from block to block the neutral one alone. The trunk is linked on its own
    wherever it is as upright as in the pose: its forward is the body's by definition.
    """
    sensors = len(moments.earth_from_sensor)
    limbs = sensors - moments.with_trunk
    returning = np.full(sensors, params.return_rad)
    resting = np.array([params.rest_rad] * limbs + [params.return_rad] * moments.with_trunk)
    trunk_only = np.array([np.inf] * limbs + [params.return_rad] * moments.with_trunk)
    quats = [quat_from_rotation(sensor) for sensor in moments.earth_from_sensor]
    ups = [sensor.inv().apply(Z_AXIS) for sensor in moments.earth_from_sensor]
    neutral = _alike(ups, reference, params.neutral_rad)
    upright = _alike(ups[-1:], reference, params.neutral_rad) & moments.with_trunk
    pairs: list[tuple[int, int, FloatArray]] = []
    for later in range(1, len(moments.time_s)):
        if upright[later] and not neutral[later] and reference < later:
            pairs.append((reference, later, trunk_only))
        near = (block[:later] == block[later]) & (block[later] >= 0)
        alike = _alike([up[: later + 1] for up in ups], later, params.same_posture_rad)[:later]
        # Gravity alone cannot tell postures that differ by a turn about the vertical; drift turns far less.
        candidates = np.flatnonzero(alike & near)[-4 * params.links :]
        turned = np.abs(_turns(quats, candidates, np.full(len(candidates), later))[:, :limbs]).max(axis=1, initial=0.0)
        # Only the latest ones of a set: over many reps a change of posture could pass for a slow drift.
        same = candidates[turned < params.same_heading_rad][-params.links :]
        pairs += [(int(k), later, returning) for k in same]
        # From set to set the latest ones, and the first of all: it carries the link to the calibration.
        rests = np.flatnonzero(neutral[:later] & neutral[later] & ~near)
        chosen = dict.fromkeys([*rests[:1].tolist(), *rests[-params.links :].tolist()])
        pairs += [(k, later, resting) for k in chosen]
    earlier = np.array([pair[0] for pair in pairs], dtype=np.intp)
    later_ = np.array([pair[1] for pair in pairs], dtype=np.intp)
    sd = np.array([pair[2] for pair in pairs]).reshape(-1, sensors)
    return Links(earlier, later_, _turns(quats, earlier, later_), sd)


def _alike(ups: list[FloatArray], moment: int, within_rad: float) -> BoolArray:
    """Moments that show gravity the posture of the given one, in every sensor."""
    return np.asarray(np.all([up @ up[moment] > np.cos(within_rad) for up in ups], axis=0))


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
