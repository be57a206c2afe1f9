"""From chains of each arm to the sets that are proposed: which arms did them together, and what drill it was."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from imu_shoulder.angles.joint import ArmAngles
from imu_shoulder.drills import Drill
from imu_shoulder.frames import wrap_deg
from imu_shoulder.model import Aligned, Event, FloatArray, Side
from imu_shoulder.propose.arms import Arm
from imu_shoulder.propose.fit import ALIKE, Fit, fit, likelihoods
from imu_shoulder.propose.proposal import Proposal
from imu_shoulder.propose.repeats import Chain

# Chains of the two arms are one set where they share so much of the shorter one.
SHARED = 0.5
# A set is marked so much before its first movement and after its last one.
MARGIN_S = 0.8
# A recording that begins or ends so soon before or after a set was cut to it.
CUT_S = 6.0
# The arm hangs for a moment this near to a set, and a body that turned did so by more than an arm hangs turned.
BESIDE_S, HANGING_DEG, TURNED_DEG = 8.0, 25.0, 40.0
# A movement that is none of the known drills is exercise where it comes so often, in such even time, to the same place.
FEWEST_UNKNOWN, EVEN, ALIKE_TOPS = 6, 0.2, 0.35
# What is uneven by so much more or less is as likely as not by this in the exponent.
SCATTER = 0.03


@dataclass(frozen=True, slots=True)
class Stretch:
    """Chains at one time. by_side: of each arm that does them."""

    by_side: Mapping[Side, Chain]

    @property
    def start_s(self) -> float:
        return min(chain.start_s for chain in self.by_side.values())

    @property
    def end_s(self) -> float:
        return max(chain.end_s for chain in self.by_side.values())

    @property
    def lead(self) -> Chain:
        return max(self.by_side.values(), key=lambda chain: len(chain.excursions) * chain.way_rad)

    @property
    def span_s(self) -> tuple[float, float]:
        """As a mark: with a moment before and after the movement."""
        return self.start_s - MARGIN_S, self.end_s + MARGIN_S

    @property
    def event(self) -> Event:
        """As a set of no known drill."""
        side = "both" if len(self.by_side) == 2 else next(iter(self.by_side))
        return Event(self.span_s[0], self.span_s[1] - self.span_s[0], "set", None, side)


def stretches(arms: Sequence[Arm], taken: Sequence[Proposal]) -> list[Stretch]:
    """Chains outside of what is taken, those of both arms at one time together, in time order."""
    free: list[tuple[Side, Chain]] = []
    for arm in arms:
        for chain in arm.exercise:
            middle_s = (chain.start_s + chain.end_s) / 2
            if not any(own.start_s - 1.0 < middle_s < own.end_s + 1.0 for own in taken):
                free.append((arm.side, chain))
    out: list[Stretch] = []
    for side, chain in sorted(free, key=lambda pair: pair[1].start_s):
        together = next((own for own in out if side not in own.by_side and _shared(own.lead, chain) > SHARED), None)
        if together is not None:
            out[out.index(together)] = Stretch({**together.by_side, side: chain})
        else:
            out.append(Stretch({side: chain}))
    return sorted(out, key=lambda own: own.start_s)


def _shared(one: Chain, other: Chain) -> float:
    shared_s = min(one.end_s, other.end_s) - max(one.start_s, other.start_s)
    return shared_s / min(one.end_s - one.start_s, other.end_s - other.start_s)


def cut_to_recording(own: Stretch, first_s: float, last_s: float) -> Stretch:
    """The stretch up to the recording's ends where they are near: such a recording was cut to its set."""
    begins = own.start_s - first_s < CUT_S
    ends = last_s - own.end_s < CUT_S
    by_side = {
        side: replace(
            chain,
            start_s=first_s + MARGIN_S if begins else chain.start_s,
            end_s=last_s - MARGIN_S if ends else chain.end_s,
        )
        for side, chain in own.by_side.items()
    }
    return Stretch(by_side)


def named(
    own: Stretch,
    drills: Sequence[Drill],
    priors: Mapping[str, float],
    aligned: Aligned,
    angles: Mapping[Side, ArmAngles],
) -> Proposal:
    """The stretch with the likeliest drill. angles: of each arm; without columns where there is no pose."""
    span_s = own.span_s
    angles = {side: _facing(arm, span_s, aligned.time_s) for side, arm in angles.items()}
    best: dict[str, Fit] = {}
    choices = [own.by_side] if len(own.by_side) == 1 else [own.by_side, *({s: c} for s, c in own.by_side.items())]
    for drill in drills:
        for by_side in choices:
            counts = {side: chain.reps for side, chain in by_side.items()}
            found = fit(drill, span_s, counts, aligned.time_s, aligned.rate_hz, angles, own.by_side)
            # Both arms where both do it.
            if drill.id not in best or found.off < best[drill.id].off - 1.0:
                best[drill.id] = found
    shares = likelihoods(best.values(), priors)
    ranked = sorted((name for name in shares if name is not None), key=lambda name: -shares[name])
    lead = own.lead
    if not ranked or shares[ranked[0]] < shares[None]:
        side = "both" if len(own.by_side) == 2 else next(iter(own.by_side))
        alternatives = tuple((name, round(shares[name], 3)) for name in ranked if shares[name] > 0.05)
        return Proposal("set", *span_s, side, None, None, _regular(lead), alternatives, lead.reps)
    name = ranked[0]
    sides = list(best[name].reps)
    alternatives = tuple((other, round(shares[other], 3)) for other in ranked[1:] if shares[other] > 0.05)
    alike = [other for other in ranked[1:] if shares[other] > ALIKE * shares[name] * 0.5]
    doubt = f"one of {', '.join([name, *alike])}: the sensors do not tell them apart" if alike else ""
    probability = sum(shares[other] for other in (name, *alike))
    return Proposal(
        "set",
        *span_s,
        "both" if len(sides) == 2 else sides[0],
        name,
        None,
        probability,
        alternatives,
        max(best[name].reps.values()),
        doubt,
    )


def _facing(arm: ArmAngles, span_s: tuple[float, float], time_s: FloatArray) -> ArmAngles:
    """The arm's angles as of a body that faces as its hanging arm says, where that is far from how the pose faced: who
    walks about without a sensor on the trunk may have turned. Its plane and rotation are off by the turn then."""
    if "rotation_deg" not in arm.angles or "plane_deg" not in arm.angles:
        return arm
    beside = np.zeros(len(time_s), dtype=bool)
    for at_s, before_s, after_s in ((span_s[0], BESIDE_S, 2.0), (span_s[1], 2.0, BESIDE_S)):
        beside |= (time_s > at_s - before_s) & (time_s < at_s + after_s)
    beside &= np.nan_to_num(arm.angles["elevation_gravity_deg"], nan=90.0) < HANGING_DEG
    turn = np.radians(arm.angles["rotation_deg"][beside])
    turn = turn[np.isfinite(turn)]
    if not len(turn):
        return arm
    turned_deg = float(np.degrees(np.arctan2(np.sin(turn).mean(), np.cos(turn).mean())))
    if abs(turned_deg) < TURNED_DEG:
        return arm
    shifted = {
        "plane_deg": wrap_deg(arm.angles["plane_deg"] + turned_deg),
        "rotation_deg": wrap_deg(arm.angles["rotation_deg"] - turned_deg),
    }
    return replace(arm, angles={**arm.angles, **shifted})


def _regular(chain: Chain) -> float:
    """How sure a movement that is no known drill is exercise, 0 to 1: it comes often, evenly, and to the same place."""
    if chain.reps < FEWEST_UNKNOWN:
        return 0.0
    even = float(chain.durations_s.std() / chain.durations_s.mean())
    return float(1 / (1 + np.exp(-min(EVEN - even, ALIKE_TOPS - chain.unlike) / SCATTER)))
