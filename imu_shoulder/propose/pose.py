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
from imu_shoulder.frames import apart_rad
from imu_shoulder.model import WRIST, Aligned, Event, FloatArray, Proposal, on_arm
from imu_shoulder.propose.arms import Arm, mean_up, tilt_deg
from imu_shoulder.propose.repeats import Chain, Excursion
from imu_shoulder.segment.proposing import ProposeParams, StartParams

# Looked for in turn: people who sway are not as still, and sensors that are noisy less so.
STILL = (
    StillParams(min_s=3.0),
    StillParams(min_s=2.0),
    StillParams(min_s=2.5, max_rate_deg_s=10.0, max_shake_m_s2=0.8, max_tilt_deg=7.0),
)


@dataclass(frozen=True, slots=True)
class Start:
    """What a session begins with. movements: recognised ones. pose: None where none can be told."""

    pose: Proposal | None
    movements: tuple[Proposal, ...]


@dataclass(frozen=True, slots=True)
class _Tilts:
    """How far an arm's sensors are tilted against a stillness, in degrees: of each sensor, the wrist's first, in every
    stay (S, K), and in the mean over every stretch of strides (S, W). uneven: as of RepeatParams."""

    arm: Arm
    stays: FloatArray
    strides: FloatArray
    params: StartParams
    uneven: float


def find_start(
    aligned: Aligned, arms: Sequence[Arm], sets: Sequence[Event], least_s: float, params: ProposeParams
) -> Start:
    """The pose with what is recognised of calibration movements.

    sets: marked ones. In them there is no pose, and who marks sets and stands still before the first of them stands in
    one, where nothing says otherwise. least_s: no pose is shorter.
    """
    best: tuple[float, Start] | None = None
    for windows in _stillnesses(aligned, arms, params.start.stays_s) if arms else ():
        for start_s, end_s in windows:
            if _inside_exercise(start_s, end_s, arms, sets):
                continue
            weight, movements = _evidence(start_s, end_s, arms, params)
            before_sets = sets and end_s <= min(own.onset_s for own in sets)
            if weight == 0 and before_sets and end_s - start_s >= params.start.alone_s:
                weight = params.start.of_standing - 1e-4 * start_s
            if movements:
                # The arms set out for the first movement while they still sway.
                end_s = min(end_s, movements[0].start_s)
            if weight > 0 and end_s - start_s >= least_s and (best is None or weight > best[0]):
                pose = Proposal("neutral_pose", start_s, end_s, probability=1 - 0.5 ** (1 + weight))
                best = weight, Start(pose, movements)
        if best is not None and _right_before(best[1], params.start.settles_s):
            break
    return Start(None, ()) if best is None else best[1]


def _right_before(start: Start, settles_s: float) -> bool:
    """Whether the movements follow on the pose, so that nothing stiller is looked for."""
    if start.pose is None or len(start.movements) < 2:
        return False
    return start.pose.end_s > start.movements[0].start_s - settles_s


def _stillnesses(aligned: Aligned, arms: Sequence[Arm], stays_s: float) -> Iterator[list[tuple[float, float]]]:
    """Begin and end of what may be a pose, by one way of looking after the other."""
    for params in STILL:
        yield common_still_windows(aligned.time_s, aligned.tracks.values(), params)
    spans = [(-np.inf, np.inf)]
    for arm in arms:
        stays = list(zip(arm.stays.start_s.tolist(), arm.stays.end_s.tolist(), strict=True))
        both = [(max(one[0], other[0]), min(one[1], other[1])) for one in spans for other in stays]
        spans = [own for own in both if own[1] - own[0] >= stays_s]
    yield spans


def _inside_exercise(start_s: float, end_s: float, arms: Sequence[Arm], sets: Sequence[Event]) -> bool:
    """Whether it lies between the first and the last excursion of a chain: in a hold, or in a rest between two reps."""
    at_s = (start_s + end_s) / 2
    marked = any(own.onset_s < end_s and start_s < own.end_s for own in sets)
    return marked or any(chain.start_s < at_s < chain.end_s for arm in arms for chain in arm.chains)


def _evidence(
    start_s: float, end_s: float, arms: Sequence[Arm], params: ProposeParams
) -> tuple[float, tuple[Proposal, ...]]:
    """How much speaks for arms that hang in a stillness, 0 for nothing or where something speaks against it."""
    tilts = [_tilts(arm, start_s, end_s, params) for arm in arms]
    movements = _movements(end_s, tilts)
    weight = (0.0, params.start.of_bends, params.start.of_movements)[min(len(movements), 2)]
    for own in tilts:
        if own.strides.shape[1] > 2:
            share = float(np.mean(own.strides.max(axis=0) < params.start.hangs_deg))
            if share < 0.3 and not movements:
                return 0.0, ()
            weight += 2.0 * (share >= 0.5)
        if any(_rises(own, chain) for chain in own.arm.exercise) and _rests_share(own) >= params.start.rests_share:
            weight += 0.5
    # Others are as good; people mean the one right before the movements, and the first where there are none.
    weight -= 1e-4 * (start_s if not movements else max(movements[0].start_s - end_s, 0.0))
    return (weight, movements) if weight > 0.4 else (0.0, ())


def _tilts(arm: Arm, start_s: float, end_s: float, params: ProposeParams) -> _Tilts:
    there = mean_up(arm, start_s, end_s)[:, None]
    spans = np.array([[chain.start_s, chain.end_s] for chain in arm.walked]).reshape(-1, 2)
    in_stays = tilt_deg(there, mean_up(arm, arm.stays.start_s, arm.stays.end_s))
    in_strides = tilt_deg(there, mean_up(arm, spans[:, 0], spans[:, 1]))
    return _Tilts(arm, in_stays, in_strides, params.start, params.repeats.uneven)


def _rises(own: _Tilts, chain: Chain) -> bool:
    """Whether both segments of the arm rise together from the stillness."""
    bases, tops = (
        np.median(own.stays[:, [getattr(e, name) for e in chain.excursions]], axis=1) for name in ("first", "far")
    )
    together = len(tops) > 1 and tops.min() >= own.params.together * tops.max()
    return bool(bases.max() < 1.5 * own.params.hangs_deg and together and own.params.raise_low_deg <= tops.min())


def _rests_share(own: _Tilts) -> float:
    """The share of the time outside all chains in which the arm is as in the stillness."""
    stays = own.arm.stays
    lasts_s = stays.end_s - stays.start_s
    free = lasts_s > 0.5
    for chain in own.arm.chains:
        free &= ~((chain.start_s < stays.start_s) & (stays.start_s < chain.end_s))
    as_there = own.stays.max(axis=0) < own.params.hangs_deg
    return float(lasts_s[free & as_there].sum() / max(lasts_s[free].sum(), 1e-9))


def _movements(from_s: float, tilts: Sequence[_Tilts]) -> tuple[Proposal, ...]:
    """Elbow bends, several where they are alone, forward raises, and bends at shoulder height, in this order soon after
    a time, by every arm that wears sensors."""
    # An upper arm shows no bend of the elbow. In the pose the arms may still come to rest.
    params = tilts[0].params
    seeing = [own for own in tilts if on_arm(own.arm.side, WRIST) in own.arm.motions]
    bends = _each(seeing, lambda own, until_s: _spans(own, from_s, from_s - params.settles_s, until_s, _is_bend))
    if bends is None:
        return ()
    bends_s = max(own.end_s for own in bends)
    raises = _each(tilts, lambda own, until_s: _spans(own, bends_s, bends_s - params.overlap_s, until_s, _is_raise))
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
            min(own.start_s for own in spans) - params.margin_s,
            max(own.end_s for own in spans) + params.margin_s,
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
    until_s = max((own.end_s + tilts[0].params.settles_s for own in told.values() if own is not None), default=np.inf)
    spans = [told.get(own.arm.side) or find(own, until_s) for own in tilts]
    return None if None in spans else [own for own in spans if own is not None]


def _alone(own: _Tilts, span: _Span) -> bool:
    """Whether there are several, and no exercise goes on with the same."""
    within = [c for c in own.arm.chains if c.start_s < span.end_s and span.start_s < c.end_s]
    return span.count > 1 and all(len(chain.excursions) <= own.params.most_movements for chain in within)


def _spans(
    own: _Tilts,
    from_s: float,
    earliest_s: float,
    until_s: float,
    is_one: Callable[[FloatArray, FloatArray, StartParams], bool],
) -> _Span | None:
    """The first few excursions of one kind in a row soon after a time. None where there are none, or more than a
    calibration has. earliest_s: when the first may begin. until_s: when the last is over."""
    params, stays, out = own.params, own.arm.stays, list[tuple[float, float]]()
    for one in own.arm.excursions:
        begins_s, ends_s = float(stays.end_s[one.first]), float(stays.start_s[one.last])
        if (
            begins_s < (out[-1][1] - params.overlap_s if out else earliest_s)
            or ends_s - begins_s > params.longest_movement_s
        ):
            continue
        if begins_s > (out[-1][1] + params.between_s if out else from_s + params.soon_s) or ends_s > until_s:
            break
        if is_one(own.stays[:, one.first], own.stays[:, one.far], params):
            if out and _exercise_begins(own, out, begins_s):
                break
            # A movement before it may end in the same posture and be taken in: the limb sets out at the last of them.
            same = [e for e in own.arm.excursions if (e.far, e.last) == (one.far, one.last)]
            sets_out = [e.first for e in same if is_one(own.stays[:, e.first], own.stays[:, e.far], params)]
            out.append((float(stays.end_s[max(sets_out)]), ends_s))
    if is_one is _is_raise and len(out) > params.most_movements:
        # Reps of a raise that follow are even with them, after a longer time.
        out = out[: 1 + int(np.argmax(np.diff([begins_s for begins_s, _ in out])[: params.most_movements]))]
    fewest = 1 if len(own.stays) > 1 else 2
    return _Span(out[0][0], out[-1][1], len(out)) if fewest <= len(out) <= params.most_movements else None


def _exercise_begins(own: _Tilts, before: Sequence[tuple[float, float]], begins_s: float) -> bool:
    """Whether a row of another tempo sets out, or one of more than a calibration has, that those before are no part
    of."""
    for chain in own.arm.chains:
        lasts = len(chain.excursions)
        if (
            before[0][0] + own.params.overlap_s < chain.start_s <= begins_s + own.params.overlap_s < chain.end_s
            and lasts >= own.params.fewest_in_exercise
        ):
            ratio = float(np.median(chain.durations_s) / np.median([end_s - start_s for start_s, end_s in before]))
            apart = sum(start_s + own.params.overlap_s < chain.start_s for start_s, _ in before)
            return lasts + apart > own.params.most_movements or not 1 / own.uneven <= ratio <= own.uneven
    return False


def _high_bends(own: _Tilts, from_s: float) -> _Span | None:
    """A raise of the arm soon after a time in which the elbow bends several times while the upper arm stays up."""
    stays, hangs = own.arm.stays, own.stays.max(axis=0) < 2 * own.params.hangs_deg
    for one in own.arm.excursions:
        begins_s = float(stays.end_s[one.first])
        if begins_s > from_s + own.params.soon_s:
            return None
        if begins_s < from_s - own.params.overlap_s or not hangs[one.first]:
            continue
        count, last = 0, one.first
        for bend in own.arm.excursions:
            if last <= bend.first and bend.last <= one.last and _is_high_bend(own, bend):
                count, last = count + 1, bend.last
        down = last + np.flatnonzero(hangs[last:])
        if (
            2 <= count <= own.params.most_movements
            and len(down)
            and stays.start_s[down[0]] < begins_s + own.params.longest_high_s
        ):
            return _Span(begins_s, float(stays.start_s[down[0]]), count)
    return None


def _is_high_bend(own: _Tilts, bend: Excursion) -> bool:
    wrist, upper_arm = (
        np.degrees(apart_rad(posture[bend.first], posture[bend.far])) for posture in own.arm.stays.postures
    )
    up = np.append(own.stays[:, bend.first], own.stays[1:, bend.far])
    raised = bool((up >= own.params.raise_low_deg).all() and (up <= own.params.raise_high_deg).all())
    return raised and bool(wrist >= own.params.bend_deg and upper_arm < own.params.quiet_deg)


def _is_bend(base: FloatArray, top: FloatArray, params: StartParams) -> bool:
    bent = top[0] >= params.bend_deg and (top[1:] < params.quiet_deg).all()
    return bool(base.max() < 2 * params.hangs_deg and bent)


def _is_raise(base: FloatArray, top: FloatArray, params: StartParams) -> bool:
    raised = (top >= params.raise_low_deg).all() and (top <= params.raise_high_deg).all()
    return bool(base.max() < 2 * params.hangs_deg and raised)
