"""Rotation where the elbow is straight and the forearm does not point: what the upper-arm sensor's own turning says of
it, and what the forearm's does, each from where a bent elbow showed the rotation itself, weighed by their variances.

Skin hides a share of the turning from the upper-arm sensor, and turns a little with elevation. The hand is turned
against the upper arm by some degrees from one movement to another.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from imu_shoulder.frames import wrap_rad
from imu_shoulder.model import FloatArray


@dataclass(frozen=True, slots=True)
class StraightParams:
    """Standard deviations in degrees, all but the last between people and unknown of this one.

    skin_lift_deg: turn of the skin under the upper-arm sensor that comes with raising the arm to 90 deg.
    hand_deg: turn of the hand against the upper arm from the elbow bends to another movement; hand_again_deg: the same
    to a movement in the same posture. pointer_deg: of where the bent forearm points, from one posture to another.
    Own estimates, docs/design_choices.md.
    """

    skin_lift_deg: float = 5.0
    hand_deg: float = 8.0
    hand_again_deg: float = 4.0
    pointer_deg: float = 3.0


@dataclass(frozen=True, slots=True)
class Shown:
    """Of anchors (k,): the upper-arm sensor's twist in radians, and `raised_of` the elevation."""

    sensor_rad: FloatArray
    raised: FloatArray


def raised_of(up: FloatArray) -> FloatArray:
    """How much of the effect of elevation there is, 0 hanging to 1 level; up: cosine of the elevation."""
    return np.asarray(1.0 - up)


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
        terms = np.stack([np.ones_like(sensor_rad), sensor_rad, raised])
        return self.mean @ terms, np.einsum("in,ij,jn->n", terms, self.covariance, terms)

    def corrected(
        self, rotation_rad: FloatArray, variance: FloatArray, turn_rad: FloatArray, raised: FloatArray
    ) -> tuple[FloatArray, FloatArray]:
        """The same with the forearm heard: turn_rad (N,) is how the hand would be turned, were rotation_rad right.

        A hand that would be turned by more than both may be off was turned: the more, the less is made of it.
        """
        if self.hand is None:
            return rotation_rad, variance
        terms = np.stack([np.ones_like(raised), raised])
        off = wrap_rad(turn_rad - self.hand @ terms)
        of_hand = self.hand_again_rad**2 + np.einsum("in,ij,jn->n", terms, self.hand_covariance, terms)
        share = variance / np.maximum(variance + of_hand, off**2)
        return rotation_rad - share * off, variance * (1.0 - share)


def straight_line(
    share: float,
    share_sd: float,
    shown: Shown | None,
    pointer_rad: FloatArray | None,
    turn_rad: FloatArray | None,
    params: StraightParams,
) -> StraightLine:
    """By Bayes' rule from what is known of skin and hands beforehand, and the anchors (k,) of this arm, if any.

    pointer_rad: where the bent forearm points; turn_rad: how the hand is turned against it.
    """
    slope, slope_sd = 1.0 / share, share_sd / share**2
    lift, hand, again, pointer = np.radians(
        [params.skin_lift_deg, params.hand_deg, params.hand_again_deg, params.pointer_deg]
    )
    if shown is None or pointer_rad is None or turn_rad is None or not len(pointer_rad):
        # The sensor's zero is the pose's, whose own error is that of its seat.
        return StraightLine(np.array([0.0, slope, 0.0]), np.diag([0.0, slope_sd**2, (slope * lift) ** 2]))
    terms = np.stack([np.ones_like(shown.sensor_rad), shown.sensor_rad, shown.raised])
    # Anything goes for the zero: the first anchor says it.
    mean, covariance = _told(
        np.array([0.0, slope, 0.0]),
        np.diag([np.pi**2, slope_sd**2, (slope * lift) ** 2]),
        terms,
        slope * shown.sensor_rad + wrap_rad(pointer_rad - slope * shown.sensor_rad),
        pointer,
    )
    differs = hand**2 - again**2
    of_hand, hand_covariance = _told(np.array([turn_rad[0], 0.0]), np.diag([np.pi**2, differs]), np.stack([np.ones_like(shown.raised), shown.raised]), turn_rad[0] + wrap_rad(turn_rad - turn_rad[0]), again)
    return StraightLine(mean, covariance, of_hand, hand_covariance, float(again))


def _told(
    mean: FloatArray, covariance: FloatArray, terms: FloatArray, values: FloatArray, sd: float
) -> tuple[FloatArray, FloatArray]:
    """Mean (m,) and covariance (m, m) after values (k,) = mean @ terms (m, k) were seen with this sd."""
    gain = covariance @ terms @ np.linalg.inv(terms.T @ covariance @ terms + sd**2 * np.eye(len(values)))
    return mean + gain @ (values - mean @ terms), covariance - gain @ terms.T @ covariance
