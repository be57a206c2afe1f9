"""How even a movement that comes back is: what tells exercise from what people do all day."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from imu_shoulder.frames import apart_rad, quat_from_rotation
from imu_shoulder.propose.arms import Arm
from imu_shoulder.propose.repeats import Chain
from imu_shoulder.segment.proposing import EvenParams

# Shares of the way at which the ways there and back are held against each other.
LEVELS = (0.35, 0.6, 0.8)
# Rounds until the share of exercise stays.
ROUNDS = 30


@dataclass(frozen=True, slots=True)
class Regularity:
    """lasts, periods: scatter of how long the excursions last, and of the time from one to the next, as shares of their
    mean. unlike: how far they miss the same top, looped: how far the way back lies from the way there, as shares of the
    way. filled: the share of the recording that they take. strayed: stays between them that belong to none, for each.
    rep_s: how long one usually lasts.
    """

    lasts: float
    periods: float
    unlike: float
    looped: float
    filled: float
    strayed: float
    rep_s: float

    def drill_chance(self, reps: int, off: float, params: EvenParams, *, in_order: float) -> float:
        """How likely what fits a known drill, off by so much, was done as exercise. in_order: the share of its reps
        that visit several stations in their order."""
        if reps < params.fewest_reps:
            return 0.0
        return _chance(self._score(reps, off, params) + params.stations_weight * in_order)

    def unknown_chance(self, reps: int, off: float, params: EvenParams) -> float:
        """How likely a movement that is none of the known drills is exercise. off: of a drill as likely as none."""
        if self.filled >= params.filled_share and reps >= params.filled_reps:
            return params.filled_chance
        return _chance(self._score(reps, off, params)) if reps >= params.fewest_reps else 0.0

    def _score(self, reps: int, off: float, params: EvenParams) -> float:
        """Log odds."""
        score = params.sure - off - params.few_weight * max(params.enough_reps - reps, 0)
        score -= params.quick_weight * max(params.slow_s - self.rep_s, 0.0)
        score -= params.lasts_weight * self.lasts + params.periods_weight * self.periods
        score -= params.unlike_weight * self.unlike + params.loop_weight * self.looped
        # More strays than reps tell no more.
        return score - params.strayed_weight * min(self.strayed, 1.0)


def _chance(score: float) -> float:
    return float(1 / (1 + np.exp(-score)))


def regularity(arm: Arm, chain: Chain, filled: float) -> Regularity:
    """filled: the share of the recording that the chain takes."""
    begins_s = np.array([arm.stays.end_s[own.first] for own in chain.excursions])
    periods_s = np.diff(begins_s)
    lasts = float(chain.durations_s.std() / chain.durations_s.mean())
    periods = float(periods_s.std() / periods_s.mean()) if len(periods_s) > 1 else 0.0
    strayed = chain.skipped / len(chain.excursions)
    rep_s = float(np.median(chain.durations_s))
    return Regularity(lasts, periods, chain.unlike, looped(arm, chain), filled, strayed, rep_s)


def looped(arm: Arm, chain: Chain) -> float:
    """How far the way back lies from the way there, as a share of the way, in the median of a chain: exercise goes back
    as it came, and much else in a day does not."""
    lead = next(iter(arm.motions.values()))
    quats = quat_from_rotation(lead.earth_from_sensor)
    stays, apart = arm.stays, []
    for own in chain.excursions:
        first, last = np.searchsorted(lead.time_s, [stays.end_s[own.first], stays.start_s[own.last]])
        path = quats[first : last + 1]
        if len(path) < 5:
            continue
        gone = apart_rad(path, path[0])
        way = float(gone.max())
        for level in LEVELS:
            over = np.flatnonzero(gone >= level * way)
            apart.append(float(apart_rad(path[over[0]], path[over[-1]])) / way)
    return float(np.median(apart)) if apart else 1.0


def among(chances: Sequence[float], params: EvenParams) -> list[float]:
    """How likely each movement of a recording is exercise, beside the others.

    chances: of each by itself, as if one in two were exercise. The share that is exercise is what the chances say
    themselves (empirical Bayes, by expectation and maximisation): where much comes back and little of it is even, some
    of it is even by chance, and one of many that are even by themselves is none.
    """
    odds = np.array([own / (1 - own) for own in np.clip(chances, 0.0, 1 - 1e-9)])
    likely = np.asarray(chances, dtype=float)
    for _ in range(ROUNDS):
        share = (likely.sum() + params.other) / (len(likely) + 2 * params.other)
        likely = odds * share / (odds * share + 1 - share)
    return [float(own) for own in likely]
