"""Headings kept together while a stream runs: at each new quiet moment `track_heading` over the moments so far."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
from scipy.spatial.transform import Rotation

from imu_shoulder.frames import wrap_rad
from imu_shoulder.model import STERNUM, FloatArray, Side, limbs_of
from imu_shoulder.orient.attitude import Attitude, all_turned
from imu_shoulder.orient.heading import track_heading
from imu_shoulder.orient.moments import HeadingParams, QuietMoments, quiet_for, quiet_moments
from imu_shoulder.spill import spilled

# A quiet moment is looked at when every sensor has been quiet for so long.
QUIET_S = 0.6
# A correction comes in over this long, while the limb is quiet.
EASE_S = 0.3
# What is quiet this shortly before a block belongs to it.
AROUND_BLOCK_S = 1.0
# The stretch between two moments is looked at for common turning, if it is no longer than this.
LONGEST_S = 60.0
# So many moments are weighed against each other; the pose always is.
MOMENTS = 200
# Two arms that differ by more than so many standard deviations are at odds on how the body turned.
AT_ODDS = 2.5
# Of the corrections, those of the calibration and the newest can be asked for.
FIRST_KNOWN, LAST_KNOWN = 100, 300


@dataclass(frozen=True, slots=True)
class _Known:
    """From when on which moment was the newest; standard deviations (2, S, 1) of its corrections and of their
    differences from the first sensor's; and of how fast either drifts (2, S, 1)."""

    from_s: float
    moment_s: float
    sds: FloatArray
    drifts_rad_s: FloatArray

    def at(self, time_s: FloatArray) -> FloatArray:
        """Both standard deviations (2, S, M) of all sensors."""
        return np.asarray(np.hypot(self.sds, self.drifts_rad_s * np.maximum(time_s - self.moment_s, 0.0)))


def _known_of(from_s: float, moment_s: float, sds: FloatArray, drift_rad_s: FloatArray) -> _Known:
    """sds: (2, S). drift_rad_s: (S,)."""
    beside = np.hypot(drift_rad_s[:1], drift_rad_s)
    beside[:1] = 0.0
    return _Known(from_s, moment_s, sds[:, :, None], np.array([drift_rad_s, beside])[:, :, None])


class KeptHeading:
    """The sensors of one arm, and the sternum's as this arm sees it. Starts at the pose."""

    def __init__(self, side: Side, attitudes: Mapping[str, Attitude], rate_hz: float, params: HeadingParams) -> None:
        self.side = side
        limbs = limbs_of(side)
        self.placements = [p for p in (*limbs, STERNUM) if p in attitudes]
        self._rate_hz, self._params = rate_hz, params
        self._moments: QuietMoments | None = None
        self._block: list[int] = []
        self._reference = 0
        self._quiet_rad_s = params.quiet_rad_s
        self._zero: FloatArray = np.zeros(len(self.placements))
        # When each correction began to be taken up, and the values before and after.
        self._known_s: list[float] = [-np.inf]
        self._values: list[FloatArray] = [self._zero]
        # How well the corrections are known, before and from the newest moment on.
        self._known = [_known_of(-np.inf, np.inf, np.array([self._zero] * 2), self._zero)] * 2
        self._ends_s = np.inf
        self._taken = False
        # When the person was busy with the pose, a movement or a set from, free from, and so on in turns.
        self._switched_s: list[float] = [-np.inf]

    def begin(self, time_s: FloatArray, attitudes: Mapping[str, Attitude], middle_s: float) -> None:
        """time_s, attitudes: of the pose, whose middle is at middle_s."""
        own = [attitudes[placement] for placement in self.placements]
        self._quiet_rad_s = quiet_for(own, self._rate_hz, self._params)
        moments = self._quiet(time_s, attitudes)
        self._known = [_known_of(-np.inf, middle_s, np.array([self._zero] * 2), moments.drift_rad_s)] * 2
        if len(moments.time_s):
            self._moments = replace(moments, joint_turns=())
            self._reference = int(np.abs(moments.time_s - middle_s).argmin())
            self._block = [0] * len(moments.time_s)

    @property
    def moments(self) -> QuietMoments | None:
        """The quiet moments so far, as the filters showed them; None before `begin` found any."""
        return self._moments

    def end_at(self, time_s: float) -> None:
        """From then on a sensor sits otherwise: moments after it are not compared."""
        self._ends_s = time_s
        moments = self._moments
        if moments is not None and moments.time_s[-1] > time_s:
            count = max(int(np.searchsorted(moments.time_s, time_s)), self._reference + 1)
            self._moments, self._block = moments.until(count), self._block[:count]
            # What was known meanwhile was known: the correction goes back from the newest one.
            self._solve(max(self._known_s[-1], float(moments.time_s[-1])))

    def due(self, now_s: float, block: int) -> bool:
        """Whether a quiet moment may be taken in; notes which block it is. block: as track_heading's."""
        if self._moments is None or now_s > self._ends_s:
            return False
        if (block >= 0) != (len(self._switched_s) % 2 == 1):
            self._switched_s.append(now_s)
            if len(self._switched_s) > LAST_KNOWN:
                del self._switched_s[1:3]
        return True

    def is_quiet(self, attitudes: Mapping[str, Attitude]) -> bool:
        """Whether every sensor hardly turned during these, the newest QUIET_S: a quick look before the thorough one."""
        rows = round(QUIET_S * self._rate_hz)
        for placement in self.placements:
            rate = attitudes[placement].rate_earth_rad_s[-rows:]
            if len(rate) < rows or not _calm(rate, self._quiet_rad_s):
                self._taken = False
                return False
        return True

    def wants_from(self, now_s: float) -> float:
        """From when on attitudes are needed for a look: from the last known moment, if that is not too long ago."""
        assert self._moments is not None
        return max(float(self._moments.time_s[-1]) - self._params.longest_s, now_s - LONGEST_S)

    def look(self, time_s: FloatArray, attitudes: Mapping[str, Attitude], block: int, block_s: float) -> bool:
        """Take in a new quiet moment, if there is one. Gives whether it is the first of its block, told below.

        time_s, attitudes: from wants_from on. block, block_s: as track_heading's, and when it began. Between two blocks
        the person may have turned round: what the first quiet moment of a block says holds from its beginning on.
        """
        moments, now_s = self._moments, float(time_s[-1])
        assert moments is not None
        # One moment of a quiet stretch is enough, unless it lasts.
        if self._taken and now_s - float(moments.time_s[-1]) < 2 * self._params.longest_s:
            return False
        found = self._quiet(time_s, attitudes)
        fresh = np.flatnonzero(found.time_s > moments.time_s[-1] + QUIET_S)
        if not len(fresh) or fresh[-1] != len(found.time_s) - 1:
            return False
        first = int(fresh[0])
        before = len(moments.time_s)
        # The moment before the first new one is the last known one found again, unless that is too long ago.
        shift = before - first
        # A block's own moments are those from shortly before it on, as in a finished recording.
        own_block = np.where(found.time_s[first:] >= block_s - AROUND_BLOCK_S, block, -1)
        stays = block >= 0 and self._block[-1] == block
        roamed_rad = found.roamed_rad[first:].copy()
        if not first:
            # What went on before is no longer in sight.
            roamed_rad[0] = 0.0 if stays else 3.0 * self._params.travel_rad
        stayed = found.stay[first - 1] if first else found.stay[0] - 1
        lost_before = found.lost[first - 1] if first else 0
        unseen_before = found.unseen_rad2[first - 1] if first else 0.0
        turns = [replace(t, before=t.before + shift) for t in found.joint_turns if t.before >= first - 1]
        self._moments = replace(
            moments,
            time_s=np.concatenate([moments.time_s, found.time_s[first:]]),
            earth_from_sensor=[
                Rotation.concatenate([old, new[first:]])
                for old, new in zip(moments.earth_from_sensor, found.earth_from_sensor, strict=True)
            ],
            roamed_rad=np.concatenate([moments.roamed_rad, roamed_rad]),
            stay=np.concatenate([moments.stay, moments.stay[-1] + found.stay[first:] - stayed]),
            lost=np.concatenate([moments.lost, moments.lost[-1] + found.lost[first:] - lost_before]),
            unseen_rad2=np.concatenate(
                [moments.unseen_rad2, moments.unseen_rad2[-1] + found.unseen_rad2[first:] - unseen_before]
            ),
            drift_rad_s=found.drift_rad_s,
            joint_turns=(*moments.joint_turns, *turns),
        )
        is_first = block >= 0 and not stays
        self._block += own_block.tolist()
        self._taken = True
        self._forget()
        self._solve(max(self._known_s[-1], block_s - EASE_S) if is_first else now_s)
        return is_first

    def corrections(self, time_s: FloatArray) -> FloatArray:
        """(S, N): what to take off each sensor's heading, taken up over EASE_S from when it was known."""
        if not len(time_s) or time_s[0] - self._known_s[-1] >= EASE_S:
            return self._values[-1].repeat(len(time_s)).reshape(-1, len(time_s))
        place = np.maximum(np.searchsorted(self._known_s, time_s, side="right") - 1, 0)
        since = np.array(self._known_s)[place]
        values = np.array(self._values)
        share = np.clip((time_s - since) / EASE_S, 0.0, 1.0)
        after, before = values[place], values[np.maximum(place - 1, 0)]
        return np.asarray((before + share[:, None] * (after - before)).T)

    def _quiet(self, time_s: FloatArray, attitudes: Mapping[str, Attitude]) -> QuietMoments:
        own = [attitudes[p] for p in self.placements]
        trunk = own.pop() if self.placements[-1] == STERNUM else None
        free = np.searchsorted(self._switched_s, time_s, side="right") % 2 == 0
        return quiet_moments(time_s, free, self._rate_hz, own, trunk, self._params, self._quiet_rad_s)

    def _forget(self) -> None:
        """Keep the pose and the newest moments."""
        moments = self._moments
        assert moments is not None
        count = len(moments.time_s)
        if count <= MOMENTS:
            return
        keep = np.concatenate([[self._reference], np.arange(count - MOMENTS + 1, count)])
        place = {int(old): new for new, old in enumerate(keep)}
        turns = [t for t in moments.joint_turns if t.before in place and place.get(t.before + 1) == place[t.before] + 1]
        roamed_rad = moments.roamed_rad[keep]
        # From the pose on whoever walked at any time may have turned.
        roamed_rad[1] = moments.roamed_rad[self._reference + 1 : keep[1] + 1].max()
        self._moments = replace(
            moments,
            time_s=moments.time_s[keep],
            earth_from_sensor=[sensor[keep] for sensor in moments.earth_from_sensor],
            roamed_rad=roamed_rad,
            stay=moments.stay[keep],
            lost=moments.lost[keep],
            unseen_rad2=moments.unseen_rad2[keep],
            joint_turns=tuple(replace(t, before=place[t.before]) for t in turns),
        )
        self._block = [self._block[k] for k in keep]
        self._reference = 0

    def _solve(self, known_s: float) -> None:
        assert self._moments is not None
        block = np.array(self._block, dtype=np.intp)
        tracks = track_heading(self._moments, block, self._reference, self._params)
        value = np.array([track.correction_rad[-1] - track.correction_rad[self._reference] for track in tracks])
        # The short way round: what is taken up gradually must not sweep through a whole circle.
        value = self._values[-1] + wrap_rad(value - self._values[-1])
        self._known_s.append(known_s)
        self._values.append(value)
        if len(self._known_s) > FIRST_KNOWN + LAST_KNOWN:
            del self._known_s[FIRST_KNOWN], self._values[FIRST_KNOWN]
        sds = np.array([[track.sd_rad[-1], track.apart_sd_rad[-1]] for track in tracks]).T
        newest_s, drift_rad_s = float(self._moments.time_s[-1]), self._moments.drift_rad_s
        self._known = [self._known[1], _known_of(known_s, newest_s, sds, drift_rad_s)]

    def sds(self, time_s: FloatArray) -> FloatArray:
        """(2, S, N): how well the headings of the sensors were known then, each against the body and against the first
        sensor's. Since the newest moment they drift as the bias is unsure."""
        before, newest = self._known
        if not len(time_s) or time_s[0] >= newest.from_s:
            return newest.at(time_s)
        return np.where(time_s >= newest.from_s, newest.at(time_s), before.at(time_s))


def keep_headings(
    headings: Sequence[KeptHeading],
    time_s: FloatArray,
    attitudes: Mapping[str, Attitude],
    posed_s: float,
    *,
    with_sd: bool = True,
) -> dict[Side, dict[str, Attitude]]:
    """Each arm's attitudes with their headings as known at each time. posed_s: end of the pose.

    with_sd: with how well they are known, too.
    """
    if not headings:
        return {}
    corrections = [heading.corrections(time_s) for heading in headings]
    worn = [attitudes[placement] for heading in headings for placement in heading.placements]
    sds = np.concatenate([heading.sds(time_s) for heading in headings], axis=1) if with_sd else None
    found = iter(all_turned(worn, np.concatenate(corrections), sds))
    kept = {heading.side: {placement: next(found) for placement in heading.placements} for heading in headings}
    return held_together(kept, time_s, posed_s) if with_sd else kept


def held_together(
    kept: dict[Side, dict[str, Attitude]], time_s: FloatArray, posed_s: float
) -> dict[Side, dict[str, Attitude]]:
    """Both arms are on one body: where they say that it turned differently, neither knows, and their sd says so.

    time_s: (M,). With a sensor on the trunk both follow that one. Beside their own sd they may drift apart as their
    gyroscopes' biases are unsure.
    """
    if len(kept) < 2 or any(STERNUM in own for own in kept.values()):
        return kept
    first, second = (next(iter(own.values())) for own in kept.values())
    if first.turned_rad is None or second.turned_rad is None:
        return kept
    assert first.heading_sd_rad is not None
    assert second.heading_sd_rad is not None
    drift_rad = np.hypot(first.bias.usual_sd_rad_s, second.bias.usual_sd_rad_s) * np.maximum(time_s - posed_s, 0.0)
    apart_rad = np.abs(wrap_rad(first.turned_rad - second.turned_rad))
    expected = np.sqrt(first.heading_sd_rad**2 + second.heading_sd_rad**2 + drift_rad**2)
    at_odds = apart_rad > AT_ODDS * expected
    if not at_odds.any():
        return kept
    doubt_rad = np.where(at_odds, apart_rad, 0.0)
    return {
        side: {
            placement: attitude
            if attitude.heading_sd_rad is None
            else replace(attitude, heading_sd_rad=spilled(np.hypot(attitude.heading_sd_rad, doubt_rad)))
            for placement, attitude in own.items()
        }
        for side, own in kept.items()
    }


def _calm(rate: FloatArray, limit_rad_s: float) -> bool:
    """Whether the means of thirds of (N, 3) are all small: a shake is quicker than what is judged here."""
    third = len(rate) // 3
    means = rate[: 3 * third].reshape(3, third, 3).mean(axis=1)
    return bool(((means * means).sum(axis=1) < limit_rad_s**2).all())
