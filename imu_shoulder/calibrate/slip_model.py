"""What counts as a slip of a strap, and a slip that was found."""

from __future__ import annotations

from dataclasses import dataclass
from math import radians

import numpy as np

from imu_shoulder.model import FloatArray


@dataclass(frozen=True, slots=True)
class SlipParams:
    """What counts as a slip. Evidence is a log-likelihood ratio.

    least_rad: smallest lasting turn that is said. least_evidence: of the quick and the lasting turn together;
    pulse_most: of which the quick one counts for no more, since people turn a hand quickly too. sure_evidence: with
    less, a stream waits until it is found once more, as later moments may contradict.
    pulse_s: how long a quick turn may last, each tried; windows: over so many times as long the limb's own turning is
    told from it; alone: it is this many times what the neighbour shows at the time; pulse_least_rad: smallest one
    looked at; pulse_sd_rad: how well it is measured while the limb is quiet; pulse_clear: at least so many of these
    standard deviations, and of what the limb's own movement adds to them.
    stay_rad, stay_s: a sensor that turned by less in less time between two quiet moments did not move between them.
    set_rad, rest_rad, other_rad: how well people come back to a posture within a set, to hanging from set to set, and
    to any other posture from set to set, as standard deviations of someone unknown; known_as: how many of the athlete's
    own returns weigh as much as that.
    neutral_rad: gravity within this angle of the neutral pose is hanging; like_rad: gravity this near may be the same
    posture in another set. links: so many earlier moments of a posture are compared with. cap: a posture so many
    standard deviations away counts as not seen before. lasting_s: what was turned back within this time, about as long
    as a rep with its hold, was a movement.

    Sources. least_rad, least_evidence, sure_evidence, pulse_most, pulse_s, windows, alone, pulse_least_rad,
    pulse_sd_rad, pulse_clear, stay_rad, stay_s, set_rad, rest_rad, other_rad, known_as, neutral_rad, like_rad, links,
    cap, lasting_s: ours.
    """

    least_rad: float = radians(10.0)
    least_evidence: float = 6.0
    sure_evidence: float = 9.0
    pulse_most: float = 6.0
    pulse_s: tuple[float, ...] = (0.3, 0.5)
    windows: float = 2.0
    alone: float = 1.5
    pulse_least_rad: float = radians(9.0)
    pulse_sd_rad: float = radians(3.0)
    pulse_clear: float = 1.5
    stay_rad: float = radians(4.0)
    stay_s: float = 7.0
    set_rad: float = radians(4.0)
    rest_rad: float = radians(7.0)
    other_rad: float = radians(10.0)
    known_as: float = 6.0
    neutral_rad: float = radians(20.0)
    like_rad: float = radians(35.0)
    links: int = 12
    cap: float = 2.5
    lasting_s: float = 10.0


@dataclass(frozen=True, slots=True)
class Slip:
    """One sensor's turn on its strap: turn_rad (3,) is a rotation vector in the sensor's axes before the slip.

    time_s: when it began. evidence: log-likelihood ratio of a slip to none.
    """

    placement: str
    time_s: float
    turn_rad: FloatArray
    evidence: float

    @property
    def angle_deg(self) -> float:
        return float(np.degrees(np.linalg.norm(self.turn_rad)))
