"""From chains of each arm to the sets that are proposed: which arms did them together, and what drill it was."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from imu_shoulder.angles.joint import ArmAngles
from imu_shoulder.drills import Drill
from imu_shoulder.model import Aligned, Event, FloatArray, Proposal, Side
from imu_shoulder.propose.arms import Arm
from imu_shoulder.propose.fit import Fit, fit, likelihoods, turned
from imu_shoulder.propose.regular import Regularity, regularity
from imu_shoulder.propose.repeats import Chain
from imu_shoulder.segment.model import rows_between
from imu_shoulder.segment.proposing import ProposeParams


@dataclass(frozen=True, slots=True)
class Stretch:
    """Chains at one time. by_side: of each arm that does them. regular: how even the leading one is."""

    by_side: Mapping[Side, Chain]
    regular: Regularity
    params: ProposeParams

    @property
    def start_s(self) -> float:
        return min(chain.start_s for chain in self.by_side.values())

    @property
    def end_s(self) -> float:
        return max(chain.end_s for chain in self.by_side.values())

    @property
    def lead(self) -> Chain:
        return self.by_side[_leading(self.by_side)]

    @property
    def moving(self) -> dict[Side, Chain]:
        """Without what sways with the other arm, or holds and sinks: that does nothing of its own."""
        return {
            side: own for side, own in self.by_side.items() if own.way_rad > self.params.sway_share * self.lead.way_rad
        }

    @property
    def in_step(self) -> bool:
        """Whether both arms do as many reps: what one does the other does too, however badly its sensors show it."""
        reps = [chain.reps for chain in self.moving.values()]
        return len(reps) == 2 and abs(reps[0] - reps[1]) <= 1

    @property
    def may_count(self) -> bool:
        """Whether it is even enough to be counted, if all else speaks for it."""
        most = self.regular.drill_chance(self.lead.reps, 0.0, self.params.even, in_order=1.0)
        return most >= self.params.least_probability

    @property
    def doubt(self) -> str:
        """A rest that would part two sets of another pace."""
        long_s = float(self.lead.pauses_s.max(initial=0.0))
        return f"one or two sets: a rest of {long_s:.0f} s in it" if long_s >= self.params.repeats.set_rest_s else ""

    @property
    def span_s(self) -> tuple[float, float]:
        """As a mark: with a moment before and after the movement."""
        return self.start_s - self.params.margin_s, self.end_s + self.params.margin_s

    @property
    def event(self) -> Event:
        """As a set of no known drill."""
        side = "both" if len(self.moving) == 2 else next(iter(self.moving))
        return Event(self.span_s[0], self.span_s[1] - self.span_s[0], "set", None, side)


def _leading(by_side: Mapping[Side, Chain]) -> Side:
    """The arm that does most."""
    return max(by_side, key=lambda side: _does(by_side[side]))


def _does(chain: Chain) -> float:
    return len(chain.excursions) * chain.way_rad


def stretches(arms: Sequence[Arm], taken: Sequence[Proposal], params: ProposeParams) -> list[Stretch]:
    """Chains outside of what is taken, those of both arms at one time together, in time order."""
    free: list[tuple[Side, Chain]] = []
    for arm in arms:
        for chain in arm.exercise:
            middle_s = (chain.start_s + chain.end_s) / 2
            if not any(own.start_s - 1.0 < middle_s < own.end_s + 1.0 for own in taken):
                rest = _after(arm, chain, taken)
                if len(rest.excursions) > 1:
                    free.append((arm.side, rest))
    found: list[dict[Side, Chain]] = []
    for side, chain in sorted(free, key=lambda pair: _does(pair[1]), reverse=True):
        # The lesser one must lie within the other: a long row of odd movements beside a set is none of it.
        shared = [
            (_shared(chain, *own.values()), k)
            for k, own in enumerate(found)
            if side not in own and _together(chain, next(iter(own.values())), params)
        ]
        share, k = max(shared, default=(0.0, 0))
        if share > params.both_share:
            found[k][side] = chain
        else:
            found.append({side: chain})
    recording_s = max(arm.stays.end_s[-1] for arm in arms) - min(arm.stays.start_s[0] for arm in arms) if arms else 1.0
    by_side = {arm.side: arm for arm in arms}
    out = []
    for own in found:
        side = _leading(own)
        lead = own[side]
        filled = (lead.end_s - lead.start_s) / recording_s
        out.append(Stretch(own, regularity(by_side[side], lead, filled), params))
    return sorted(out, key=lambda own: own.start_s)


def _after(arm: Arm, chain: Chain, taken: Sequence[Proposal]) -> Chain:
    """The chain without those excursions at its beginning that are taken already, such as a last forward raise."""
    middle_s = (chain.start_s + chain.end_s) / 2
    until_s = max((own.end_s for own in taken if own.start_s < middle_s), default=-np.inf)
    if until_s <= chain.start_s + 1.0:
        return chain
    kept = [k for k, own in enumerate(chain.excursions) if arm.stays.end_s[own.first] > until_s - 1.0]
    if not kept:
        return replace(chain, excursions=())
    first = kept[0]
    return replace(
        chain,
        excursions=chain.excursions[first:],
        start_s=float(arm.stays.end_s[chain.excursions[first].first]),
        pauses_s=chain.pauses_s[first:],
        durations_s=chain.durations_s[first:],
        swapped=False,
    )


def _shared(chain: Chain, lead: Chain) -> float:
    """The share of a chain in which the other arm's goes on."""
    return (min(chain.end_s, lead.end_s) - max(chain.start_s, lead.start_s)) / (chain.end_s - chain.start_s)


def _together(chain: Chain, lead: Chain, params: ProposeParams) -> bool:
    """Whether two arms do reps of one pace, or the lesser one is only swayed: what one arm does from one minute to the
    next, beside a set of the other, comes back too."""
    lasts = float(np.median(chain.durations_s) / np.median(lead.durations_s))
    swayed = chain.way_rad <= params.sway_share * lead.way_rad
    return swayed or 1 / params.repeats.odd_short <= lasts <= params.repeats.odd_short


def cut_to_recording(own: Stretch, first_s: float, last_s: float) -> Stretch:
    """The stretch up to the recording's ends where they are near: such a recording was cut to its set."""
    begins = own.start_s - first_s < own.params.cut_s
    ends = last_s - own.end_s < own.params.cut_s
    by_side = {
        side: replace(
            chain,
            start_s=first_s + own.params.margin_s if begins else chain.start_s,
            end_s=last_s - own.params.margin_s if ends else chain.end_s,
        )
        for side, chain in own.by_side.items()
    }
    return replace(own, by_side=by_side)


@dataclass(frozen=True, slots=True)
class Named:
    """A stretch with the drill that it is likeliest. told: its probability is that of the drill, if it is exercise at
    all. chance: that it is, by itself."""

    told: Proposal
    chance: float


def named(
    own: Stretch,
    drills: Sequence[Drill],
    priors: Mapping[str, float],
    aligned: Aligned,
    angles: Mapping[Side, ArmAngles],
) -> Named:
    """The stretch with the likeliest drill. angles: of each arm; without columns where there is no pose."""
    params, span_s = own.params, own.span_s
    angles = {side: _facing(arm, span_s, aligned.time_s, params) for side, arm in angles.items()}
    best: dict[str, Fit] = {}
    moving = own.moving
    choices = [moving] if len(moving) == 1 else [moving, *({s: c} for s, c in moving.items())]
    for drill in drills:
        for by_side in choices:
            counts = {side: chain.reps for side, chain in by_side.items()}
            found = fit(drill, span_s, counts, aligned.time_s, aligned.rate_hz, angles, params.fit, moving)
            # Both arms where both do it.
            if drill.id not in best or found.off < best[drill.id].off - 1.0:
                best[drill.id] = found
    shares = likelihoods(best.values(), priors, params.fit.none_off)
    ranked = sorted((name for name in shares if name is not None), key=lambda name: -shares[name])
    others = tuple((name, round(shares[name], 3)) for name in ranked if shares[name] > params.told_share)
    lead = own.lead
    if not ranked or shares[ranked[0]] < shares[None]:
        share = 1.0 - (shares[ranked[0]] if ranked else 0.0) / 2
        told = Proposal("set", *span_s, own.event.side, None, None, share, others, lead.reps, own.doubt)
        return Named(told, own.regular.unknown_chance(lead.reps, params.fit.none_off, params.even))
    name = ranked[0]
    found = best[name]
    alike = [other for other, share in others if other != name and share > params.alike_share * shares[name]]
    doubt = [f"one of {', '.join([name, *alike])}: the sensors do not tell them apart"] if alike else []
    sides = list(found.reps)
    told = Proposal(
        "set",
        *span_s,
        "both" if len(sides) == 2 or (own.in_step and found.drill.arms == "each") else sides[0],
        name,
        _direction(found.drill, sides, span_s, aligned.time_s, angles, params),
        sum(shares[other] for other in (name, *alike)),
        tuple(pair for pair in others if pair[0] != name),
        max(found.reps.values()),
        "; ".join([*doubt, *filter(None, [own.doubt])]),
    )
    return Named(told, own.regular.drill_chance(lead.reps, found.off, params.even, in_order=found.in_order))


def _direction(
    drill: Drill,
    sides: Sequence[Side],
    span_s: tuple[float, float],
    time_s: FloatArray,
    angles: Mapping[Side, ArmAngles],
    params: ProposeParams,
) -> str | None:
    """The direction that the arm goes in at the top, where the drill has several and the plane is known."""
    planes = []
    for side in sides:
        rows = rows_between(time_s, *span_s)
        arm = angles[side].angles
        if drill.directions and "plane_deg" in arm:
            raised = arm["elevation_deg"][rows] > params.raised_deg
            planes += [arm["plane_deg"][rows][raised]]
    seen = np.concatenate([plane[np.isfinite(plane)] for plane in planes]) if planes else np.empty(0)
    if not len(seen):
        return None
    plane = float(np.median(seen))
    off = {name: max(low - plane, plane - high, 0.0) for name, (low, high) in drill.directions.items()}
    nearest = min(off, key=lambda name: off[name])
    return nearest if off[nearest] < params.near_deg and nearest != drill.direction else None


def _facing(arm: ArmAngles, span_s: tuple[float, float], time_s: FloatArray, params: ProposeParams) -> ArmAngles:
    """The arm's angles as of a body that faces as its hanging arm says, where that is far from how the pose faced: who
    walks about without a sensor on the trunk may have turned. Its plane and rotation are off by the turn then."""
    if "rotation_deg" not in arm.angles or "plane_deg" not in arm.angles:
        return arm
    beside = np.zeros(len(time_s), dtype=bool)
    for at_s, before_s, after_s in ((span_s[0], params.beside_s, 2.0), (span_s[1], 2.0, params.beside_s)):
        beside |= (time_s > at_s - before_s) & (time_s < at_s + after_s)
    beside &= np.nan_to_num(arm.angles["elevation_gravity_deg"], nan=90.0) < params.hanging_deg
    turn = np.radians(arm.angles["rotation_deg"][beside])
    turn = turn[np.isfinite(turn)]
    if not len(turn):
        return arm
    turned_deg = float(np.degrees(np.arctan2(np.sin(turn).mean(), np.cos(turn).mean())))
    if abs(turned_deg) < params.turned_deg:
        return arm
    return turned(arm, turned_deg)
