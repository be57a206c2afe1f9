"""The neutral pose and the calibration movements of a recording in which nobody marked them.

A stillness is no neutral pose by itself: the top of a held rep is as still. It is proposed where something says that
the arms hang in it: they swing about it in walking, or the elbows bend and the arms rise from it as they do for a
calibration, or both segments of an arm rise from it together and it is where the arm rests besides.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np

from imu_shoulder.align import StillParams, common_still_windows
from imu_shoulder.model import Aligned, Event, FloatArray, Proposal
from imu_shoulder.propose.arms import Arm, mean_up, strides, tilt_deg
from imu_shoulder.propose.repeats import UNEVEN, Chain

# Looked for in turn: people who sway are not as still.
STILL = (
    StillParams(min_s=3.0),
    StillParams(min_s=2.0),
    StillParams(min_s=2.5, max_rate_deg_s=10.0, max_shake_m_s2=0.8, max_tilt_deg=7.0),
)
# What the calibration movements after it weigh; strides of both arms weigh as much.
OF_MOVEMENTS, OF_BENDS = 4.5, 1.5
# And a stillness of so many seconds before marked sets, where nothing else speaks.
OF_STANDING, ALONE_S = 0.2, 3.0
# A limb hangs as it did where it is within this.
HANGS_DEG = 16.0
# Elbows bend by so much over an upper arm that stays within the second; straight arms rise between these.
BEND_DEG, QUIET_DEG = 55.0, 35.0
RAISE_DEG = (50.0, 130.0)
# Calibration movements come soon one after the other, and are few.
SOON_S = 20.0
MOST_MOVEMENTS = 7
BETWEEN_S, LONGEST_MOVEMENT_S = 5.0, 10.0
# The first may begin so much before the stillness ends, any other before the one before it does.
SETTLES_S, OVERLAP_S = 2.0, 0.1
# Around the first and the last of them.
MARGIN_S = 0.4
# Both segments rise together where the lesser way is this share of the larger one. Skin hides more of a turn.
TOGETHER = 0.85
# A stretch that is not part of an exercise rests at the pose for this share at least, where only a raise speaks for it.
RESTS_SHARE = 0.25


@dataclass(frozen=True, slots=True)
class Start:
    """What a session begins with. movements: recognised ones. pose: None where none can be told."""

    pose: Proposal | None
    movements: tuple[Proposal, ...]


@dataclass(frozen=True, slots=True)
class _Tilts:
    """How far an arm's sensors are tilted against a stillness, in degrees: of each sensor, the wrist's first, in every
    stay (S, K), and in the mean over every stretch of strides (S, W)."""

    arm: Arm
    stays: FloatArray
    strides: FloatArray


def find_start(aligned: Aligned, arms: Sequence[Arm], sets: Sequence[Event] = ()) -> Start:
    """The pose with what is recognised of calibration movements.

    sets: marked ones. In them there is no pose, and who marks sets and stands still before the first of them stands in
    one, where nothing says otherwise.
    """
    best: tuple[float, Start] | None = None
    for params in STILL if arms else ():
        for start_s, end_s in common_still_windows(aligned.time_s, aligned.tracks.values(), params):
            if _inside_exercise(start_s, end_s, arms, sets):
                continue
            weight, movements = _evidence(start_s, end_s, arms)
            if weight == 0 and sets and end_s <= min(own.onset_s for own in sets) and end_s - start_s >= ALONE_S:
                weight = OF_STANDING - 1e-4 * start_s
            if weight > 0 and (best is None or weight > best[0]):
                if movements:
                    # The arms set out for the first movement while they still sway.
                    end_s = min(end_s, movements[0].start_s)
                pose = Proposal("neutral_pose", start_s, end_s, probability=1 - 0.5 ** (1 + weight))
                best = weight, Start(pose, movements)
        if best is not None and len(best[1].movements) > 1:
            break
    return Start(None, ()) if best is None else best[1]


def _inside_exercise(start_s: float, end_s: float, arms: Sequence[Arm], sets: Sequence[Event]) -> bool:
    """Whether it lies between the first and the last excursion of a chain: in a hold, or in a rest between two reps."""
    at_s = (start_s + end_s) / 2
    marked = any(own.onset_s < end_s and start_s < own.end_s for own in sets)
    return marked or any(chain.start_s < at_s < chain.end_s for arm in arms for chain in arm.chains)


def _evidence(start_s: float, end_s: float, arms: Sequence[Arm]) -> tuple[float, tuple[Proposal, ...]]:
    """How much speaks for arms that hang in a stillness, 0 for nothing or where something speaks against it."""
    tilts = [_tilts(arm, start_s, end_s) for arm in arms]
    movements = _movements(end_s, tilts)
    weight = {0: 0.0, 1: OF_BENDS, 2: OF_MOVEMENTS}[len(movements)]
    for own in tilts:
        if own.strides.shape[1] > 2:
            share = float(np.mean(own.strides.max(axis=0) < HANGS_DEG))
            if share < 0.3 and not movements:
                return 0.0, ()
            weight += 2.0 * (share >= 0.5)
        if any(_rises(own, chain) for chain in own.arm.exercise) and _rests_share(own) >= RESTS_SHARE:
            weight += 0.5
    # Later ones are as good; the first is what people mean.
    return (weight - 1e-4 * start_s, movements) if weight > 0.4 else (0.0, ())


def _tilts(arm: Arm, start_s: float, end_s: float) -> _Tilts:
    there = mean_up(arm, start_s, end_s)[:, None]
    walked = [chain for chain in arm.chains if strides(chain)]
    spans = np.array([[chain.start_s, chain.end_s] for chain in walked]).reshape(-1, 2)
    in_stays = tilt_deg(there, mean_up(arm, arm.stays.start_s, arm.stays.end_s))
    return _Tilts(arm, in_stays, tilt_deg(there, mean_up(arm, spans[:, 0], spans[:, 1])))


def _rises(own: _Tilts, chain: Chain) -> bool:
    """Whether both segments of the arm rise together from the stillness."""
    bases, tops = (
        np.median(own.stays[:, [getattr(e, name) for e in chain.excursions]], axis=1) for name in ("first", "far")
    )
    together = len(tops) > 1 and tops.min() >= TOGETHER * tops.max()
    return bool(bases.max() < 1.5 * HANGS_DEG and together and RAISE_DEG[0] <= tops.min())


def _rests_share(own: _Tilts) -> float:
    """The share of the time outside all chains in which the arm is as in the stillness."""
    stays = own.arm.stays
    lasts_s = stays.end_s - stays.start_s
    free = lasts_s > 0.5
    for chain in own.arm.chains:
        free &= ~((chain.start_s < stays.start_s) & (stays.start_s < chain.end_s))
    as_there = own.stays.max(axis=0) < HANGS_DEG
    return float(lasts_s[free & as_there].sum() / max(lasts_s[free].sum(), 1e-9))


def _movements(from_s: float, tilts: Sequence[_Tilts]) -> tuple[Proposal, ...]:
    """Elbow bends, several where they are alone, and forward raises, in this order soon after a time, by every arm that
    wears sensors."""
    # In the pose the arms may still come to rest.
    bends = [_spans(own, from_s, from_s - SETTLES_S, _is_bend) for own in tilts]
    if any(own is None for own in bends):
        return ()
    bends_end_s = max(own[1] for own in bends if own is not None)
    raises = [_spans(own, bends_end_s, bends_end_s - OVERLAP_S, _is_raise) for own in tilts]
    each = [("elbow_bends", bends), ("forward_raises", raises)]
    if any(own is None for own in raises):
        each = each[:1] if all(_alone(own, span) for own, span in zip(tilts, bends, strict=True)) else []
    found = []
    for kind, spans in each:
        known = [own for own in spans if own is not None]
        start_s, end_s = min(own[0] for own in known), max(own[1] for own in known)
        side = "both" if len(tilts) > 1 else tilts[0].arm.side
        reps = max(own[2] for own in known)
        found.append(Proposal(kind, start_s - MARGIN_S, end_s + MARGIN_S, side, probability=0.95, reps=reps))
    return tuple(found)


def _alone(own: _Tilts, span: tuple[float, float, int] | None) -> bool:
    """Whether there are several, and no exercise goes on with the same."""
    if span is None or span[2] < 2:
        return False
    within = [c for c in own.arm.chains if c.start_s < span[1] and span[0] < c.end_s]
    return all(len(chain.excursions) <= MOST_MOVEMENTS for chain in within)


def _spans(
    own: _Tilts, from_s: float, earliest_s: float, is_one: Callable[[FloatArray, FloatArray], bool]
) -> tuple[float, float, int] | None:
    """The first few excursions of one kind in a row soon after a time: begin, end and how many. None where there are
    none, or more than a calibration has. earliest_s: when the first may begin.

    By one sensor alone a bend looks like a raise: there several are asked of each.
    """
    start_s = end_s = from_s
    stays, lasts_s = own.arm.stays, list[float]()
    for one in own.arm.excursions:
        begins_s, took_s = float(stays.end_s[one.first]), stays.lasts_s(one)
        if begins_s < (end_s - OVERLAP_S if lasts_s else earliest_s) or took_s > LONGEST_MOVEMENT_S:
            continue
        if begins_s > end_s + (BETWEEN_S if lasts_s else SOON_S):
            break
        even = not lasts_s or took_s <= UNEVEN * float(np.median(lasts_s))
        if even and is_one(own.stays[:, one.first], own.stays[:, one.far]):
            start_s = start_s if lasts_s else begins_s
            end_s = float(stays.start_s[one.last])
            lasts_s.append(took_s)
    fewest = 1 if len(own.stays) > 1 else 2
    return (start_s, end_s, len(lasts_s)) if fewest <= len(lasts_s) <= MOST_MOVEMENTS else None


def _is_bend(base: FloatArray, top: FloatArray) -> bool:
    return bool(base.max() < 2 * HANGS_DEG and top[0] >= BEND_DEG and (top[1:] < QUIET_DEG).all())


def _is_raise(base: FloatArray, top: FloatArray) -> bool:
    return bool(base.max() < 2 * HANGS_DEG and (top >= RAISE_DEG[0]).all() and (top <= RAISE_DEG[1]).all())
