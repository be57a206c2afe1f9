"""The heading between two sensors, from turning that they share.

Two segments that turn as one show the same rate in either earth frame, so the headings of those frames differ by the
angle between the level parts of the rates. Nothing has to be fast for that. What spoils it is told apart by what it
does to the rates, and decides how far each stretch of turning is believed:

- noise, sway and trembling scatter about the common turning, and average out over a stretch;
- a joint that moves along, skin and a forearm that turns go with the common turning: what they do along it and about
  the vertical is seen, and across it, where it passes for heading, they are taken to do as much;
- a gyroscope's bias, and turning about the vertical seen with a wrong tilt, count by how slow the level turning is.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import hypot, radians

import numpy as np

from imu_shoulder.model import FloatArray


@dataclass(frozen=True, slots=True)
class SharedParams:
    """How turning that two sensors share is weighed; see docs/design_choices.md.

    window_s: rates are averaged over this long: trembling is quicker, a lift is not. stretch_rad: a stretch has so much
    turning, so that a lift has several and a sweep with a moving elbow stands beside it. least_turned_rad: turning in
    all; less is within what a person sways. scatter: by how much the scatter of windows counts more than if
    each were independent, as sway lasts about two of them. tilt_rad: of a sensor's inclination. bias_rad_s: of a
    gyroscope's bias on a level axis where no stillness showed it. skin_rad: standard deviation of what skin and strap
    turn the two axes apart without being seen. most_sd_rad: a heading known no better than this is not used.

    Sources. window_s, stretch_rad, least_turned_rad, scatter, tilt_rad, bias_rad_s, skin_rad, most_sd_rad: ours.
    """

    window_s: float = 0.5
    stretch_rad: float = radians(30.0)
    least_turned_rad: float = radians(10.0)
    scatter: float = 1.5
    tilt_rad: float = radians(1.0)
    bias_rad_s: float = radians(0.4)
    skin_rad: float = radians(1.0)
    most_sd_rad: float = radians(10.0)


@dataclass(frozen=True, slots=True)
class HeadingFix:
    """A heading (rad) in one earth frame, the off-axis share of the motion it came from, and how far that went.

    sd_rad: its standard deviation where that was worked out, else 0.
    """

    heading_rad: float
    residual_deg: float
    turned_deg: float
    sd_rad: float = 0.0


def shared_heading(
    first_rad_s: FloatArray,
    second_rad_s: FloatArray,
    rate_hz: float,
    bias_sd_rad_s: float,
    params: SharedParams,
) -> HeadingFix | None:
    """Heading delta with R(delta) second = first for two segments that turn together.

    first_rad_s, second_rad_s: (N, 3) angular rates in each sensor's own earth frame, NaN where not seen. bias_sd_rad_s:
    of both biases together. Least squares over the level components of each stretch; the stretches' headings are
    averaged by their variances. None if they hardly turn, or not as one.
    """
    size = max(1, round(params.window_s * rate_hz))
    count = min(len(first_rad_s), len(second_rad_s)) // size
    both = np.concatenate([first_rad_s[: count * size], second_rad_s[: count * size]], axis=1)
    means = both.reshape(count, size, 6).mean(axis=1)
    means = means[np.isfinite(means).all(axis=1)]
    a, b = means[:, 0] + 1j * means[:, 1], means[:, 3] + 1j * means[:, 4]
    step_rad = np.sqrt(np.abs(a) * np.abs(b)) * params.window_s
    turned_rad = float(step_rad.sum())
    if turned_rad < params.least_turned_rad:
        return None
    stretch = np.floor(np.cumsum(step_rad) / params.stretch_rad).astype(np.intp)
    # The last stretch takes in what is left; a window of quick turning may be more than one.
    stretch = np.minimum(stretch, max(int(turned_rad / params.stretch_rad) - 1, 0))
    stretch = np.unique(stretch, return_inverse=True)[1]

    def per_stretch(values: FloatArray) -> FloatArray:
        return np.asarray(np.bincount(stretch, values))

    def sums(values: np.ndarray) -> np.ndarray:
        return per_stretch(values.real) + 1j * per_stretch(values.imag)

    heading = np.angle(sums(a * b.conj()))
    turned_b = b * np.exp(1j * heading)[stretch]
    shared, apart = (a + turned_b) / 2, turned_b - a
    power = per_stretch(np.abs(shared) ** 2)
    vertical, apart_vertical = (means[:, 2] + means[:, 5]) / 2, means[:, 5] - means[:, 2]
    # What goes with the common turning, and what is left of the difference across it.
    along = sums(apart * shared.conj()).real / power
    upright = np.abs(sums(apart_vertical * shared.conj())) / power
    across = (apart * shared.conj()).imag
    random = params.scatter * per_stretch(across**2) / power**2
    slow = np.sqrt(power / np.bincount(stretch))
    leaning = np.sqrt(2.0) * params.tilt_rad * np.sqrt(per_stretch(vertical**2) / power)
    alike = along**2 + upright**2 + leaning**2 + (bias_sd_rad_s / slow) ** 2
    owned = random + alike + params.skin_rad**2
    say = (1.0 / owned) / (1.0 / owned).sum()
    middle = float(np.angle((say * np.exp(1j * heading)).sum()))
    off = np.angle(np.exp(1j * (heading - middle)))
    # Where stretches differ by more than they own up to, a joint moved along unseen.
    surprise = max(1.0, float((say * off**2).sum() / (say * owned).sum()))
    sd_rad = np.sqrt(surprise * ((say**2 * random).sum() + (say * alike).sum() + params.skin_rad**2))
    if sd_rad > params.most_sd_rad:
        return None
    residual = float(np.degrees(np.sqrt((say * (off**2 + random)).sum())))
    return HeadingFix(middle, residual, float(np.degrees(turned_rad)), float(sd_rad))


def joint_fix(fixes: Sequence[HeadingFix]) -> HeadingFix | None:
    """Of several, such as one of each set, by their variances; None of none.

    What spoils one spoils the next alike, so that more of them are no surer.
    """
    if not fixes:
        return None
    variance = np.array([fix.sd_rad**2 for fix in fixes])
    say = (1.0 / variance) / (1.0 / variance).sum()
    heading, residual, turned = np.array([(f.heading_rad, f.residual_deg, f.turned_deg) for f in fixes]).T
    middle = float(np.angle((say * np.exp(1j * heading)).sum()))
    off = np.angle(np.exp(1j * (heading - middle)))
    surprise = max(1.0, float((say * off**2).sum() / (say * variance).sum()))
    return HeadingFix(middle, float(say @ residual), float(turned.sum()), float(np.sqrt(surprise * (say @ variance))))


def with_twist_times(factor: float, rate_rad_s: FloatArray, long_axis: FloatArray) -> FloatArray:
    """The rate (N, 3) of a segment with its turning about itself taken so many times. long_axis: (N, 3), as the rate.

    A straight arm swings as one without it, while skin hides a share of the upper arm's, and the forearm has its own.
    """
    twist = (rate_rad_s * long_axis).sum(axis=1)
    return np.asarray(rate_rad_s + (factor - 1.0) * twist[:, None] * long_axis)


def bias_sd_rad_s(first: FloatArray, second: FloatArray, params: SharedParams) -> float:
    """Of the biases of two sensors together, from the standard deviations that their stillness showed; may be empty."""
    return hypot(*(float(np.median(sd)) if len(sd) else params.bias_rad_s for sd in (first, second)))
