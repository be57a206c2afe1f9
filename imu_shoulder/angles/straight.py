"""Rotation where the elbow is straight and the forearm does not point: what the upper-arm sensor's own turning says of
it, and what the forearm's does, each from where a bent elbow showed the rotation itself, weighed by their variances.

Skin hides a share of the turning from the upper-arm sensor, and turns a little with elevation. The hand is turned
against the upper arm by some degrees from one movement to another.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from imu_shoulder.frames import clipped, wrap_rad
from imu_shoulder.model import BoolArray, FloatArray

# So many standard deviations away a hand was turned on purpose.
FAR = 2.0


@dataclass(frozen=True, slots=True)
class StraightParams:
    """Standard deviations in degrees, between people, and so of what is unknown of one.

    hang_deg: turn of the upper arm in the neutral pose, from 0. skin_lift_deg: turn of the skin under the upper-arm
    sensor that comes with raising the arm to 90 deg; 5 as elevation drags at it, and as much for a share that is not
    the same over the whole turn. hand_deg: turn of the hand against the upper arm from the elbow bends to another
    movement, 8 between people about a common one that is not known; hand_again_deg: the same to a movement in the same
    posture. elbow_axis_deg: of the axis of elbow bends. See docs/design_choices.md.

    Sources. hang_deg, skin_lift_deg, hand_deg, hand_again_deg, elbow_axis_deg: ours.
    """

    hang_deg: float = 10.0
    skin_lift_deg: float = 7.0
    hand_deg: float = 10.0
    hand_again_deg: float = 4.0
    elbow_axis_deg: float = 4.0


@dataclass(frozen=True, slots=True)
class Shown:
    """What is known of an arm at its anchors (k,), in radians but for `raised_of` the elevation.

    sensor_rad: twist of the upper-arm sensor. rotation_rad: of the upper arm, where bends is true as the elbow's axis
    showed it, else as the neutral pose is meant; turn_rad: of the hand against it.
    """

    sensor_rad: FloatArray
    raised: FloatArray
    rotation_rad: FloatArray
    turn_rad: FloatArray
    bends: BoolArray


def raised_of(up: FloatArray) -> FloatArray:
    """How much of the effect of elevation there is, 0 hanging to 1 level; up: cosine of the elevation.

    Above level the shoulder blade turns under the arm as well, and hands are turned on purpose: it grows faster there.
    """
    return np.asarray(1.0 - up - np.minimum(up, 0.0))


def handed_over(elbow_rad: FloatArray, from_deg: float, full_deg: float) -> FloatArray:
    """Share (N,) of the forearm pointer: 0 with a straight elbow, 1 with a bent one, smooth between.

    With a bent elbow, where the forearm points round the humerus is the humeral rotation. It needs long axes only,
    which skin hardly disturbs; the upper-arm sensor's own rotation is what skin hides.
    """
    low, high = np.radians(from_deg), np.radians(full_deg)
    ramp = clipped((elbow_rad - low) / (high - low), 0.0, 1.0)
    return np.asarray(ramp * ramp * (3 - 2 * ramp))


@dataclass(frozen=True, slots=True)
class StraightLine:
    """rotation = mean @ (1, sensor_rad, raised), and the hand's turn = hand @ (1, raised), with covariances, radians.

    hand is None where nothing showed how the hand is turned, and the forearm then says nothing.
    """

    mean: FloatArray
    covariance: FloatArray
    hand: FloatArray | None = None
    hand_covariance: FloatArray = field(default_factory=lambda: np.zeros((2, 2)))
    hand_again_rad: float = 0.0

    def of_sensor(self, sensor_rad: FloatArray, raised: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Rotation by the upper-arm sensor and its variance, (N,) each."""
        terms = np.array([np.ones(len(raised)), sensor_rad, raised])
        return self.mean @ terms, _variance(self.covariance, terms)

    def corrected(
        self, rotation_rad: FloatArray, variance: FloatArray, turn_rad: FloatArray, raised: FloatArray
    ) -> tuple[FloatArray, FloatArray]:
        """The same with the forearm heard: turn_rad (N,) is how the hand would be turned, were rotation_rad right.

        A hand that would be turned by more than both may be off was turned: the more, the less is made of it.
        """
        if self.hand is None:
            return rotation_rad, variance
        terms = np.array([np.ones(len(raised)), raised])
        off = wrap_rad(turn_rad - self.hand @ terms)
        of_hand = self.hand_again_rad**2 + _variance(self.hand_covariance, terms)
        share = variance / np.maximum(variance + of_hand, off * off / FAR**2)
        return rotation_rad - share * off, variance - share * variance


def _variance(covariance: FloatArray, terms: FloatArray) -> FloatArray:
    """Of what has these terms (m, N), by the covariance (m, m) of their factors."""
    return np.asarray(np.add.reduce((covariance @ terms) * terms))


def straight_line(share: float, share_sd: float, shown: Shown | None, params: StraightParams) -> StraightLine:
    """By Bayes' rule from what is known of skin and hands beforehand, and from the anchors of this arm, if any."""
    slope, slope_sd = 1.0 / share, share_sd / share**2
    lift_sd = slope * np.radians(params.skin_lift_deg)
    before = np.array([0.0, slope, 0.0])
    if shown is None:
        # The sensor's zero is the pose's, whose own error is that of its seat.
        return StraightLine(before, np.diag([0.0, slope_sd**2, lift_sd**2]))
    # The zero may be anywhere until an anchor says it.
    unknown = np.diag([np.pi**2, slope_sd**2, lift_sd**2])
    expected = slope * shown.sensor_rad
    rotation = expected + wrap_rad(shown.rotation_rad - expected)
    sd = np.radians(np.where(shown.bends, params.elbow_axis_deg, params.hang_deg))
    level = np.ones_like(shown.raised)
    mean, covariance = _told(before, unknown, np.stack([level, shown.sensor_rad, shown.raised]), rotation, sd)

    raised, turn, again = shown.raised[shown.bends], shown.turn_rad[shown.bends], np.radians(params.hand_again_deg)
    turn = turn[0] + wrap_rad(turn - turn[0])
    # From the bends to another movement the hand differs by what it does in the same posture, twice, and by more.
    unknown = np.diag([np.pi**2, np.radians(params.hand_deg) ** 2 - 2 * again**2])
    terms = np.stack([level[shown.bends], raised])
    hand, hand_covariance = _told(np.array([turn[0], 0.0]), unknown, terms, turn, np.full(len(turn), again))
    return StraightLine(mean, covariance, hand, hand_covariance, float(again))


def _told(
    mean: FloatArray, covariance: FloatArray, terms: FloatArray, values: FloatArray, sd: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Mean (m,) and covariance (m, m) after values (k,) = mean @ terms (m, k) were seen with these sd (k,)."""
    gain = covariance @ terms @ np.linalg.inv(terms.T @ covariance @ terms + np.diag(sd**2))
    return mean + gain @ (values - mean @ terms), covariance - gain @ terms.T @ covariance
