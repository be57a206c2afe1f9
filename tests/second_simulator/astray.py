"""Joints that are not where the drill wants them, by any size: what a person who errs does in a whole rep or a part."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from second_simulator.body import arm_channels, humerus_from_forearm, thorax_from_humerus
from second_simulator.people import Posture
from second_simulator.quat import product, turned

JOINTS = ("elevation", "plane", "rotation", "elbow", "forearm")
# The trunk's: backward, away from the working arm, and round its own length to the side of that arm.
TRUNK = ("back", "away", "round")
PLACES = ("before", "whole", "staying", "rebound", "other_arm")


@dataclass(frozen=True, slots=True)
class Astray:
    """One joint that goes astray in a rep.

    joint: of the working arm, or `thumb` (its side above the level), or of the trunk; the trunk leaves with the lift
    and comes back with the lowering, whatever the place. goal_deg: where it is; of the trunk, how far it goes.
    place: `before` the rep; `whole`: before it and at every station; a station's name; `staying`: more and more of it
    while the last station is held; `rebound`: out of that hold and back, twice; `other_arm`: the arm that is held up.
    counts_from: a place (`before` or a station) whose posture goal_deg is added to.
    """

    joint: str
    goal_deg: float
    place: str = "whole"
    counts_from: str | None = None

    def __post_init__(self) -> None:
        if self.joint not in (*JOINTS, *TRUNK, "thumb"):
            raise ValueError(f"expected one of {', '.join((*JOINTS, *TRUNK, 'thumb'))}, came {self.joint!r}")

    @property
    def of_trunk(self) -> bool:
        return self.joint in TRUNK

    def applied(self, to: Posture, known: Mapping[str, Posture], carrying_deg: float = 0.0) -> Posture:
        """The posture with the joint astray. known: postures by place, to count from."""
        if self.joint == "thumb":
            return with_thumb(to, self.goal_deg, carrying_deg)
        base = 0.0 if self.counts_from is None else getattr(known[self.counts_from], self.joint)
        out = replace(to, **{self.joint: base + self.goal_deg})
        if self.joint == "plane" and to.elevation > 45.0:
            # Who raises the arm elsewhere still holds the hand as before.
            out = replace(out, rotation=to.rotation - (out.plane - to.plane))
        return out


def with_thumb(to: Posture, up_deg: float, carrying_deg: float) -> Posture:
    """The thumb side this far above the level, as far as that goes; turned by the whole arm, the hand doing a third.

    The arm turns in until the thumb is there, or as low as it comes; out where it is to point higher.
    """
    way = 1.0 if up_deg < _thumb_up_deg(to, carrying_deg) else -1.0
    best, least = to, np.inf
    for turn in range(221):
        out = replace(to, rotation=to.rotation - way * turn * 2 / 3, forearm=to.forearm + way * turn / 3)
        missed = abs(_thumb_up_deg(out, carrying_deg) - up_deg)
        if missed < least:
            best, least = out, missed
        if missed <= 0.5:
            break
    return best


def _thumb_up_deg(posture: Posture, carrying_deg: float) -> float:
    channels = {name: np.array([value]) for name, value in arm_channels(posture).items()}
    humerus = thorax_from_humerus(channels["u"], channels["v"], channels["rotation"], "right")
    forearm = product(humerus, humerus_from_forearm(channels["elbow"], channels["forearm"], carrying_deg, "right"))
    return float(np.degrees(np.arcsin(np.clip(turned(forearm, np.array([[1.0], [0.0], [0.0]]))[1, 0], -1.0, 1.0))))


def led_astray(
    before: Posture, stations: Sequence[tuple[str, Posture]], wrong: Sequence[Astray], carrying_deg: float
) -> list[tuple[str, Posture]]:
    """The stations of a rep that sets out from `before`, each with what is astray in it."""
    known, out = {"before": before}, []
    for name, wanted in stations:
        posture = wanted
        for one in wrong:
            if not one.of_trunk and one.place in (name, "whole"):
                posture = one.applied(posture, known, carrying_deg)
        known[name] = posture
        out.append((name, posture))
    return out


def set_out_astray(before: Posture, wrong: Sequence[Astray]) -> Posture:
    for one in wrong:
        if not one.of_trunk and one.place in ("before", "whole"):
            before = one.applied(before, {})
    return before
