"""How even a movement that comes back is: what tells exercise from what people do all day.

The weights are ours, set on simulated sessions and days of persons that no table reports, and on open recordings.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from imu_shoulder.frames import apart_rad, quat_from_rotation
from imu_shoulder.propose.arms import Arm
from imu_shoulder.propose.fit import NONE_OFF
from imu_shoulder.propose.repeats import Chain

# Shares of the way at which the ways there and back are held against each other.
LEVELS = (0.35, 0.6, 0.8)
# Fewer are no set.
FEWEST_REPS = 3
# Log odds of a movement of a drill that nothing is off: of a row of this many reps; each less, and each second that a
# rep is quicker than this, counts against it.
SURE, ENOUGH, FEW_WEIGHT = 9.2, 8, 0.8
SLOW_S, QUICK_WEIGHT = 2.4, 2.0
# What each share of the scatter of durations, of periods and of tops, and of a way back that is another, weighs.
LASTS_WEIGHT, PERIODS_WEIGHT, UNLIKE_WEIGHT, LOOP_WEIGHT = 11.0, 3.5, 10.0, 15.0
# Stays that are no part of any rep, for each: exercise has none, what people do all day has. More tell no more.
STRAYED_WEIGHT, MOST_STRAYED = 1.5, 1.0
# Several stations in their order are no chance, and a way through them is never as even.
STATIONS_WEIGHT = 4.0
# A recording of which so much is one movement that comes so often was made of it, whatever it is.
FILLED, FILLED_REPS, FILLED_CHANCE = 0.55, 4, 0.95
# Movements, exercise and other, that every recording is taken to have beside its own; and rounds until the share stays.
PRIOR, ROUNDS = (1.0, 1.0), 30


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

    def drill_chance(self, reps: int, off: float, *, stations: bool) -> float:
        """How likely what fits a known drill, off by so much, was done as exercise. stations: whether it has some."""
        return _chance(self._score(reps, off) + STATIONS_WEIGHT * stations) if reps >= FEWEST_REPS else 0.0

    def unknown_chance(self, reps: int) -> float:
        """How likely a movement that is none of the known drills is exercise."""
        if self.filled >= FILLED and reps >= FILLED_REPS:
            return FILLED_CHANCE
        return _chance(self._score(reps, NONE_OFF)) if reps >= FEWEST_REPS else 0.0

    def _score(self, reps: int, off: float) -> float:
        """Log odds."""
        score = SURE - off - FEW_WEIGHT * max(ENOUGH - reps, 0) - QUICK_WEIGHT * max(SLOW_S - self.rep_s, 0.0)
        score -= LASTS_WEIGHT * self.lasts + PERIODS_WEIGHT * self.periods
        score -= UNLIKE_WEIGHT * self.unlike + LOOP_WEIGHT * self.looped
        return score - STRAYED_WEIGHT * min(self.strayed, MOST_STRAYED)


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


def among(chances: Sequence[float]) -> list[float]:
    """How likely each movement of a recording is exercise, beside the others.

    chances: of each by itself, as if one in two were exercise. The share that is exercise is what the chances say
    themselves (empirical Bayes, by expectation and maximisation): where much comes back and little of it is even, some
    of it is even by chance, and one of many that are even by themselves is none.
    """
    odds = np.array([own / (1 - own) for own in np.clip(chances, 0.0, 1 - 1e-9)])
    likely = np.asarray(chances, dtype=float)
    for _ in range(ROUNDS):
        share = (likely.sum() + PRIOR[0]) / (len(likely) + sum(PRIOR))
        likely = odds * share / (odds * share + 1 - share)
    return [float(own) for own in likely]
