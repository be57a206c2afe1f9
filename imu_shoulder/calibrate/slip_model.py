"""What counts as a slip of a strap, and a slip that was found."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from math import radians

import numpy as np

from imu_shoulder.model import FloatArray


@dataclass(frozen=True, slots=True)
class SlipParams:
    """What counts as a slip. Evidence is a log-likelihood ratio.

    least_rad: smallest lasting turn that is said. least_evidence: of the quick and the lasting turn together; the quick
    one counts for no more than that, since people turn a hand quickly too, and is never enough alone. least_of_each:
    least evidence of either by itself. suspect_evidence: as much on both arms at once was the person. sure_evidence:
    with less, a stream waits for lasting_s, in which later moments may contradict.
    hand_rad: a quick turn of more says nothing of a strap: people turn a hand so to scratch, or to reach.
    pulse_s: how long a quick turn may last, each tried; windows: over so many times as long the limb's own turning is
    told from it; alone: it is this many times what the neighbour shows at the time; pulse_least_rad: smallest one
    looked at; pulse_sd_rad: how well it is measured while the limb is quiet; beside: so many times what the limb does
    beside the turn may be a part of it; pulse_clear: at least so many standard deviations of both together.
    stay_rad: a sensor that lies otherwise by less than this from one quiet moment to the next did not move.
    set_rad, rest_rad: how well people come back to a posture within a set, and from set to set, as standard deviations
    per axis. like_rad: gravity this near may be the same posture in another set. links: so many earlier moments of a
    posture are compared with. cap: a posture so many standard deviations away counts as not seen before.
    lasting_s: what was turned back within this time, about as long as a rep with its hold, was a movement. both_s: what
    both arms show within so little time was the person, as straps give way one by one.

    Sources. least_rad, least_evidence, least_of_each, suspect_evidence, sure_evidence, hand_rad, pulse_s, windows,
    alone, pulse_least_rad, pulse_sd_rad, beside, pulse_clear, stay_rad, set_rad, rest_rad, like_rad, links, cap,
    lasting_s, both_s: ours.
    """

    least_rad: float = radians(10.0)
    least_evidence: float = 7.5
    least_of_each: float = 3.5
    suspect_evidence: float = 5.5
    sure_evidence: float = 9.0
    hand_rad: float = radians(45.0)
    pulse_s: tuple[float, ...] = (0.3, 0.5)
    windows: float = 2.0
    alone: float = 1.5
    pulse_least_rad: float = radians(9.0)
    pulse_sd_rad: float = radians(3.0)
    beside: float = 1.75
    pulse_clear: float = 1.5
    stay_rad: float = radians(4.0)
    set_rad: float = radians(4.0)
    rest_rad: float = radians(7.0)
    like_rad: float = radians(35.0)
    links: int = 12
    cap: float = 2.5
    lasting_s: float = 10.0
    both_s: float = 1.0


@dataclass(frozen=True, slots=True)
class Slip:
    """One sensor's turn on its strap: turn_rad (3,) is a rotation vector in the sensor's axes before the slip.

    time_s: when it began. evidence: log-likelihood ratio of a slip to none, of_each: the lesser of those of the
    quick and of the lasting turn.
    """

    placement: str
    time_s: float
    turn_rad: FloatArray
    evidence: float
    of_each: float

    def stands(self, others: Iterable[Slip], params: SlipParams) -> bool:
        """Whether it is said. others: all that were suspected."""
        enough = self.evidence > params.least_evidence and self.of_each > params.least_of_each
        return enough and not self.is_of_both(others, params)

    def is_of_both(self, others: Iterable[Slip], params: SlipParams) -> bool:
        """Whether one of the others is on the other arm, at the same moment."""
        side = self.placement.split("_")[0]
        return any(
            not other.placement.startswith(side) and abs(other.time_s - self.time_s) < params.both_s for other in others
        )

    @property
    def angle_deg(self) -> float:
        return float(np.degrees(np.linalg.norm(self.turn_rad)))
