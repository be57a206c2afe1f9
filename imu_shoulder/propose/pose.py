"""The neutral pose and the calibration movements of a recording in which nobody marked them.

A stillness is no neutral pose by itself: the top of a held rep is as still. It is proposed where something says that
the arms hang in it: they swing about it in walking, or the elbows bend and the arms rise from it as they do for a
calibration, or both segments of an arm rise from it together and it is where the arm rests besides.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass

import numpy as np

from imu_shoulder.align import StillParams, common_still_windows
from imu_shoulder.calibrate.pose import CalibrateParams
from imu_shoulder.frames import apart_rad
from imu_shoulder.model import WRIST, Aligned, Event, FloatArray, Proposal, on_arm
from imu_shoulder.propose.arms import Arm, mean_up, strides, tilt_deg
from imu_shoulder.propose.repeats import UNEVEN, Chain, Excursion

# Looked for in turn: people who sway are not as still, and sensors that are noisy less so.
STILL = (
    StillParams(min_s=3.0),
    StillParams(min_s=2.0),
    StillParams(min_s=2.5, max_rate_deg_s=10.0, max_shake_m_s2=0.8, max_tilt_deg=7.0),
)
# What the calibration movements after it weigh: more than all else together.
OF_MOVEMENTS, OF_BENDS = 6.0, 1.5
# And a stillness of so many seconds before marked sets, where nothing else speaks.
OF_STANDING, ALONE_S = 0.2, 3.0
# A limb hangs as it did where it is within this.
HANGS_DEG = 16.0
# Elbows bend by so much over an upper arm that stays within the second; straight arms rise between these.
BEND_DEG, QUIET_DEG = 55.0, 35.0
RAISE_DEG = (50.0, 130.0)
# Calibration movements come soon one after the other, and are few. Those of a longer row are an exercise.
SOON_S = 20.0
MOST_MOVEMENTS, FEWEST_IN_EXERCISE = 7, 3
BETWEEN_S, LONGEST_MOVEMENT_S = 5.0, 10.0
# Arms that are held up for bends are down again after this.
LONGEST_HIGH_S = 60.0
# Where nobody is as still as that: arms that stay within what is one posture for so long.
STAYS_S = 2.0
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


def find_start(
    aligned: Aligned, arms: Sequence[Arm], sets: Sequence[Event] = (), least_s: float = CalibrateParams().min_pose_s
) -> Start:
    """The pose with what is recognised of calibration movements.

    sets: marked ones. In them there is no pose, and who marks sets and stands still before the first of them stands in
    one, where nothing says otherwise. least_s: no pose is shorter.
    """
    best: tuple[float, Start] | None = None
    for windows in _stillnesses(aligned, arms) if arms else ():
        for start_s, end_s in windows:
            if _inside_exercise(start_s, end_s, arms, sets):
                continue
            weight, movements = _evidence(start_s, end_s, arms)
            if weight == 0 and sets and end_s <= min(own.onset_s for own in sets) and end_s - start_s >= ALONE_S:
                weight = OF_STANDING - 1e-4 * start_s
            if movements:
                # The arms set out for the first movement while they still sway.
                end_s = min(end_s, movements[0].start_s)
            if weight > 0 and end_s - start_s >= least_s and (best is None or weight > best[0]):
                pose = Proposal("neutral_pose", start_s, end_s, probability=1 - 0.5 ** (1 + weight))
                best = weight, Start(pose, movements)
        if best is not None and _right_before(best[1]):
            break
    return Start(None, ()) if best is None else best[1]


def _right_before(start: Start) -> bool:
    """Whether the movements follow on the pose, so that nothing stiller is looked for."""
    if start.pose is None or len(start.movements) < 2:
        return False
    return start.pose.end_s > start.movements[0].start_s - SETTLES_S


def _stillnesses(aligned: Aligned, arms: Sequence[Arm]) -> Iterator[list[tuple[float, float]]]:
    """Begin and end of what may be a pose, by one way of looking after the other."""
    for params in STILL:
        yield common_still_windows(aligned.time_s, aligned.tracks.values(), params)
    spans = [(-np.inf, np.inf)]
    for arm in arms:
        stays = list(zip(arm.stays.start_s.tolist(), arm.stays.end_s.tolist(), strict=True))
        both = [(max(one[0], other[0]), min(one[1], other[1])) for one in spans for other in stays]
        spans = [own for own in both if own[1] - own[0] >= STAYS_S]
    yield spans


def _inside_exercise(start_s: float, end_s: float, arms: Sequence[Arm], sets: Sequence[Event]) -> bool:
    """Whether it lies between the first and the last excursion of a chain: in a hold, or in a rest between two reps."""
    at_s = (start_s + end_s) / 2
    marked = any(own.onset_s < end_s and start_s < own.end_s for own in sets)
    return marked or any(chain.start_s < at_s < chain.end_s for arm in arms for chain in arm.chains)


def _evidence(start_s: float, end_s: float, arms: Sequence[Arm]) -> tuple[float, tuple[Proposal, ...]]:
    """How much speaks for arms that hang in a stillness, 0 for nothing or where something speaks against it."""
    tilts = [_tilts(arm, start_s, end_s) for arm in arms]
    movements = _movements(end_s, tilts)
    weight = (0.0, OF_BENDS, OF_MOVEMENTS)[min(len(movements), 2)]
    for own in tilts:
        if own.strides.shape[1] > 2:
            share = float(np.mean(own.strides.max(axis=0) < HANGS_DEG))
            if share < 0.3 and not movements:
                return 0.0, ()
            weight += 2.0 * (share >= 0.5)
        if any(_rises(own, chain) for chain in own.arm.exercise) and _rests_share(own) >= RESTS_SHARE:
            weight += 0.5
    # Others are as good; people mean the one right before the movements, and the first where there are none.
    weight -= 1e-4 * (start_s if not movements else max(movements[0].start_s - end_s, 0.0))
    return (weight, movements) if weight > 0.4 else (0.0, ())


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
    """Elbow bends, several where they are alone, forward raises, and bends at shoulder height, in this order soon after
    a time, by every arm that wears sensors."""
    # An upper arm shows no bend of the elbow. In the pose the arms may still come to rest.
    seeing = [own for own in tilts if on_arm(own.arm.side, WRIST) in own.arm.motions]
    bends = _each(seeing, lambda own, until_s: _spans(own, from_s, from_s - SETTLES_S, until_s, _is_bend))
    if bends is None:
        return ()
    bends_s = max(own.end_s for own in bends)
    raises = _each(tilts, lambda own, until_s: _spans(own, bends_s, bends_s - OVERLAP_S, until_s, _is_raise))
    alone = all(_alone(own, span) for own, span in zip(seeing, bends, strict=True))
    if all(len(own.stays) == 1 for own in tilts) and not (alone and (raises or min(own.count for own in bends) > 2)):
        # Nearly every exercise bends a lone sensor's limb now and then.
        return ()
    found = [("elbow_bends", bends)]
    if raises is not None:
        found.append(("forward_raises", raises))
        raises_s = max(own.end_s for own in raises)
        # By one sensor alone they look like a raise with a hold.
        high = _each([own for own in tilts if len(own.stays) > 1], lambda own, until_s: _high_bends(own, raises_s))
        found += [] if high is None else [("bends_at_shoulder_height", high)]
    elif not alone:
        return ()
    side = "both" if len(tilts) > 1 else tilts[0].arm.side
    return tuple(
        Proposal(
            kind,
            min(own.start_s for own in spans) - MARGIN_S,
            max(own.end_s for own in spans) + MARGIN_S,
            side,
            probability=0.95,
            reps=max(own.count for own in spans),
        )
        for kind, spans in found
    )


@dataclass(frozen=True, slots=True)
class _Span:
    """Movements of one kind that one arm does in a row: begin, end and how many."""

    start_s: float
    end_s: float
    count: int


def _each(tilts: Sequence[_Tilts], find: Callable[[_Tilts, float], _Span | None]) -> list[_Span] | None:
    """What each arm does; None where one does nothing of it. find: with the time at which it is over by the latest.

    By one sensor alone a bend looks like a raise: an arm that wears two tells when one becomes the other.
    """
    told = {own.arm.side: find(own, np.inf) for own in tilts if len(own.stays) > 1}
    if not tilts or None in told.values():
        return None
    until_s = max((own.end_s + SETTLES_S for own in told.values() if own is not None), default=np.inf)
    spans = [told.get(own.arm.side) or find(own, until_s) for own in tilts]
    return None if None in spans else [own for own in spans if own is not None]


def _alone(own: _Tilts, span: _Span) -> bool:
    """Whether there are several, and no exercise goes on with the same."""
    within = [c for c in own.arm.chains if c.start_s < span.end_s and span.start_s < c.end_s]
    return span.count > 1 and all(len(chain.excursions) <= MOST_MOVEMENTS for chain in within)


def _spans(
    own: _Tilts,
    from_s: float,
    earliest_s: float,
    until_s: float,
    is_one: Callable[[FloatArray, FloatArray], bool],
) -> _Span | None:
    """The first few excursions of one kind in a row soon after a time. None where there are none, or more than a
    calibration has. earliest_s: when the first may begin. until_s: when the last is over."""
    stays, out = own.arm.stays, list[tuple[float, float]]()
    for one in own.arm.excursions:
        begins_s, ends_s = float(stays.end_s[one.first]), float(stays.start_s[one.last])
        if begins_s < (out[-1][1] - OVERLAP_S if out else earliest_s) or ends_s - begins_s > LONGEST_MOVEMENT_S:
            continue
        if begins_s > (out[-1][1] + BETWEEN_S if out else from_s + SOON_S) or ends_s > until_s:
            break
        if is_one(own.stays[:, one.first], own.stays[:, one.far]):
            if out and _exercise_begins(own.arm, out, begins_s):
                break
            # A movement before it may end in the same posture and be taken in: the limb sets out at the last of them.
            same = [e for e in own.arm.excursions if (e.far, e.last) == (one.far, one.last)]
            sets_out = [e.first for e in same if is_one(own.stays[:, e.first], own.stays[:, e.far])]
            out.append((float(stays.end_s[max(sets_out)]), ends_s))
    if is_one is _is_raise and len(out) > MOST_MOVEMENTS:
        # Reps of a raise that follow are even with them, after a longer time.
        out = out[: 1 + int(np.argmax(np.diff([begins_s for begins_s, _ in out])[:MOST_MOVEMENTS]))]
    fewest = 1 if len(own.stays) > 1 else 2
    return _Span(out[0][0], out[-1][1], len(out)) if fewest <= len(out) <= MOST_MOVEMENTS else None


def _exercise_begins(arm: Arm, before: Sequence[tuple[float, float]], begins_s: float) -> bool:
    """Whether a row of another tempo sets out, or one of more than a calibration has, that those before are no part
    of."""
    for chain in arm.chains:
        lasts = len(chain.excursions)
        if (
            before[0][0] + OVERLAP_S < chain.start_s <= begins_s + OVERLAP_S < chain.end_s
            and lasts >= FEWEST_IN_EXERCISE
        ):
            ratio = float(np.median(chain.durations_s) / np.median([end_s - start_s for start_s, end_s in before]))
            apart = sum(start_s + OVERLAP_S < chain.start_s for start_s, _ in before)
            return lasts + apart > MOST_MOVEMENTS or not 1 / UNEVEN <= ratio <= UNEVEN
    return False


def _high_bends(own: _Tilts, from_s: float) -> _Span | None:
    """A raise of the arm soon after a time in which the elbow bends several times while the upper arm stays up."""
    stays, hangs = own.arm.stays, own.stays.max(axis=0) < 2 * HANGS_DEG
    for one in own.arm.excursions:
        begins_s = float(stays.end_s[one.first])
        if begins_s > from_s + SOON_S:
            return None
        if begins_s < from_s - OVERLAP_S or not hangs[one.first]:
            continue
        count, last = 0, one.first
        for bend in own.arm.excursions:
            if last <= bend.first and bend.last <= one.last and _is_high_bend(own, bend):
                count, last = count + 1, bend.last
        down = last + np.flatnonzero(hangs[last:])
        if 2 <= count <= MOST_MOVEMENTS and len(down) and stays.start_s[down[0]] < begins_s + LONGEST_HIGH_S:
            return _Span(begins_s, float(stays.start_s[down[0]]), count)
    return None


def _is_high_bend(own: _Tilts, bend: Excursion) -> bool:
    wrist, upper_arm = (
        np.degrees(apart_rad(posture[bend.first], posture[bend.far])) for posture in own.arm.stays.postures
    )
    up = np.append(own.stays[:, bend.first], own.stays[1:, bend.far])
    raised = bool((up >= RAISE_DEG[0]).all() and (up <= RAISE_DEG[1]).all())
    return raised and bool(wrist >= BEND_DEG and upper_arm < QUIET_DEG)


def _is_bend(base: FloatArray, top: FloatArray) -> bool:
    return bool(base.max() < 2 * HANGS_DEG and top[0] >= BEND_DEG and (top[1:] < QUIET_DEG).all())


def _is_raise(base: FloatArray, top: FloatArray) -> bool:
    return bool(base.max() < 2 * HANGS_DEG and (top >= RAISE_DEG[0]).all() and (top <= RAISE_DEG[1]).all())
