"""The neutral pose and the calibration movements of a recording in which nobody marked them.

A stillness is no neutral pose by itself: the top of a held rep is as still. It is proposed where something says that
the arms hang in it: they swing about it in walking, or the elbows bend and the arms rise from it as they do for a
calibration, or both segments of an arm rise from it together and it is where the arm rests besides.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import product

import numpy as np

from imu_shoulder.align import StillParams, common_still_windows
from imu_shoulder.model import Aligned
from imu_shoulder.propose.arms import Arm, strides, tilt_deg, up_in
from imu_shoulder.propose.proposal import Proposal
from imu_shoulder.propose.repeats import Chain

LEAST_STILL_S = (3.0, 2.0)
# A limb hangs as it did where it is within this.
HANGS_DEG = 16.0
# Elbows bend by so much over an upper arm that stays within the second; straight arms rise between these.
BEND_DEG, QUIET_DEG = 55.0, 35.0
RAISE_DEG = (50.0, 130.0)
# Calibration movements come soon one after the other, and are few.
SOON_S = 20.0
MOST_MOVEMENTS = 7
# Both segments rise together where the lesser way is this share of the larger one. Skin hides more of a turn.
TOGETHER = 0.85
# A stretch that is not part of an exercise rests at the pose for this share at least, where only a raise speaks for it.
RESTS_SHARE = 0.25
# The pose is marked this much inside the stillness.
INSIDE_S = 0.2


@dataclass(frozen=True, slots=True)
class _Still:
    start_s: float
    end_s: float


@dataclass(frozen=True, slots=True)
class Start:
    """What a session begins with. movements: recognised ones. pose: None where none can be told."""

    pose: Proposal | None
    movements: tuple[Proposal, ...]


def find_start(aligned: Aligned, arms: Sequence[Arm]) -> Start:
    """The pose with what is recognised of calibration movements."""
    if not arms:
        return Start(None, ())
    best: tuple[float, Start] | None = None
    for least_s in LEAST_STILL_S:
        params = StillParams(min_s=least_s)
        for start_s, end_s in common_still_windows(aligned.time_s, aligned.tracks.values(), params):
            still = _Still(start_s, end_s)
            if _inside_exercise(still, arms):
                continue
            weight, movements = _evidence(still, arms)
            if weight > 0 and (best is None or weight > best[0]):
                side = None
                probability = 1 - 0.5 ** (1 + weight)
                pose = Proposal(
                    "neutral_pose",
                    start_s + INSIDE_S,
                    end_s - INSIDE_S,
                    side,
                    probability=probability,
                )
                best = weight, Start(pose, movements)
        if best is not None:
            return best[1]
    return Start(None, ())


def _inside_exercise(still: _Still, arms: Sequence[Arm]) -> bool:
    """Whether it lies between the first and the last excursion of a chain: in a hold, or in a rest between two reps."""
    middle_s = (still.start_s + still.end_s) / 2
    return any(chain.start_s < middle_s < chain.end_s for arm in arms for chain in arm.chains)


def _evidence(still: _Still, arms: Sequence[Arm]) -> tuple[float, tuple[Proposal, ...]]:
    """How much speaks for arms that hang, 0 for nothing or where something speaks against it."""
    movements = _movements(still, arms)
    weight = 2.0 * len(movements)
    for arm in arms:
        swings = [_hangs_in_walking(still, arm, chain) for chain in arm.chains if strides(chain)]
        if len(swings) > 2:
            share = float(np.mean(swings))
            if share < 0.3 and not movements:
                return 0.0, ()
            weight += 2.0 * share
        if any(_rises_from(still, arm, chain) for chain in arm.exercise) and _rests_share(still, arm) >= RESTS_SHARE:
            weight += 0.5
    # Later ones are as good; the first is what people mean.
    return (weight - 1e-4 * still.start_s, movements) if weight > 0.4 else (0.0, ())


def _tilts_deg(still: _Still, arm: Arm, start_s: float, end_s: float) -> list[float]:
    """How far each sensor of the arm is tilted against the stillness over a stretch, the wrist's first."""
    return [
        tilt_deg(up_in(own, still.start_s, still.end_s), up_in(own, start_s, end_s)) for own in arm.motions.values()
    ]


def _hangs_in_walking(still: _Still, arm: Arm, chain: Chain) -> bool:
    return max(_tilts_deg(still, arm, chain.start_s, chain.end_s)) < HANGS_DEG


def _at(still: _Still, arm: Arm, stay: int) -> list[float]:
    return _tilts_deg(still, arm, float(arm.stays.start_s[stay]), float(arm.stays.end_s[stay]) + 0.05)


def _ends_deg(still: _Still, arm: Arm, chain: Chain) -> tuple[list[float], list[float]]:
    """The tilts of each sensor where a chain's excursions set out and where they are furthest, in the median."""
    bases = np.array([_at(still, arm, own.first) for own in chain.excursions])
    tops = np.array([_at(still, arm, own.far) for own in chain.excursions])
    return np.median(bases, axis=0).tolist(), np.median(tops, axis=0).tolist()


def _rises_from(still: _Still, arm: Arm, chain: Chain) -> bool:
    bases, tops = _ends_deg(still, arm, chain)
    together = len(tops) > 1 and min(tops) >= TOGETHER * max(tops)
    return max(bases) < 1.5 * HANGS_DEG and together and RAISE_DEG[0] <= min(tops)


def _rests_share(still: _Still, arm: Arm) -> float:
    """The share of the time outside all chains in which the arm is as in the stillness."""
    stays = arm.stays
    free = [
        k
        for k in range(len(stays.start_s))
        if stays.end_s[k] - stays.start_s[k] > 0.5
        and not any(chain.start_s < stays.start_s[k] < chain.end_s for chain in arm.chains)
    ]
    if not free:
        return 0.0
    lasts = np.array([stays.end_s[k] - stays.start_s[k] for k in free])
    as_there = np.array([max(_at(still, arm, k)) < HANGS_DEG for k in free])
    return float((lasts * as_there).sum() / lasts.sum())


def _movements(still: _Still, arms: Sequence[Arm]) -> tuple[Proposal, ...]:
    """Elbow bends and forward raises in this order soon after the stillness, by every arm that wears sensors."""
    each = [_of_arm(still, arm) for arm in arms]
    if any(own is None for own in each):
        return ()
    found = []
    for k, kind in enumerate(("elbow_bends", "forward_raises")):
        chains = [own[k] for own in each if own is not None]
        start_s, end_s = min(c.start_s for c in chains), max(c.end_s for c in chains)
        side = "both" if len(arms) > 1 else arms[0].side
        reps = max(len(c.excursions) for c in chains)
        found.append(Proposal(kind, start_s - 0.5, end_s + 0.4, side, probability=0.95, reps=reps))
    return tuple(found)


def _of_arm(still: _Still, arm: Arm) -> tuple[Chain, Chain] | None:
    """The chain of bends and that of raises."""
    few = [chain for chain in arm.exercise if len(chain.excursions) <= MOST_MOVEMENTS]
    for bends, raises in product(few, few):
        soon = -1.0 < bends.start_s - still.end_s < SOON_S and -1.0 < raises.start_s - bends.end_s < SOON_S
        if soon and _bends(still, arm, bends) and _raises(still, arm, raises):
            return bends, raises
    return None


def _bends(still: _Still, arm: Arm, chain: Chain) -> bool:
    bases, tops = _ends_deg(still, arm, chain)
    quiet = all(own < QUIET_DEG for own in tops[1:])
    return max(bases) < 2 * HANGS_DEG and tops[0] >= BEND_DEG and quiet


def _raises(still: _Still, arm: Arm, chain: Chain) -> bool:
    bases, tops = _ends_deg(still, arm, chain)
    return max(bases) < 2 * HANGS_DEG and all(RAISE_DEG[0] <= own <= RAISE_DEG[1] for own in tops)
