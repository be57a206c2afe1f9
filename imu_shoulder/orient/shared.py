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
from typing import Any

import numpy as np

from imu_shoulder.arrays import sums_over
from imu_shoulder.model import FloatArray, IntArray

# Of reals or of complex numbers.
AnyArray = np.ndarray[Any, np.dtype[Any]]


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
    """As shared_headings, over all of the rows."""
    spans = [(0, min(len(first_rad_s), len(second_rad_s)))]
    return shared_headings(first_rad_s, second_rad_s, spans, rate_hz, bias_sd_rad_s, params)[0]


def shared_headings(
    first_rad_s: FloatArray,
    second_rad_s: FloatArray,
    spans: Sequence[tuple[int, int]],
    rate_hz: float,
    bias_sd_rad_s: float,
    params: SharedParams,
) -> list[HeadingFix | None]:
    """Heading delta with R(delta) second = first for two segments that turn together, of each span of rows.

    first_rad_s, second_rad_s: (N, 3) angular rates in each sensor's own earth frame, NaN where not seen. spans:
    half-open. bias_sd_rad_s: of both biases together. Least squares over the level components of each stretch; the
    stretches' headings are averaged by their variances. None if they hardly turn, or not as one.
    """
    fixes: list[HeadingFix | None] = [None] * len(spans)
    means, span = _window_means(first_rad_s, second_rad_s, spans, max(1, round(params.window_s * rate_hz)))
    a, b = means[0] + 1j * means[1], means[3] + 1j * means[4]
    step_rad = np.sqrt(np.abs(a) * np.abs(b)) * params.window_s
    turned_rad = np.bincount(span, step_rad, minlength=len(spans))
    enough = turned_rad[span] >= params.least_turned_rad
    if not enough.any():
        return fixes
    means, span, a, b = means[:, enough], span[enough], a[enough], b[enough]
    stretches = _stretches(step_rad[enough], span, turned_rad, params.stretch_rad)

    def per_stretch(values: AnyArray) -> AnyArray:
        return np.asarray(np.add.reduceat(values, stretches))

    lasts = np.diff(stretches, append=len(span))
    heading = np.angle(per_stretch(a * b.conj()))
    turned_b = b * np.repeat(np.exp(1j * heading), lasts)
    shared, apart = (a + turned_b) / 2, turned_b - a
    power = per_stretch(np.abs(shared) ** 2)
    vertical, apart_vertical = (means[2] + means[5]) / 2, means[5] - means[2]
    # What goes with the common turning, and what is left of the difference across it.
    along = per_stretch(apart * shared.conj()).real / power
    upright = np.abs(per_stretch(apart_vertical * shared.conj())) / power
    across = (apart * shared.conj()).imag
    random = params.scatter * per_stretch(across**2) / power**2
    slow = np.sqrt(power / lasts)
    leaning = np.sqrt(2.0) * params.tilt_rad * np.sqrt(per_stretch(vertical**2) / power)
    alike = along**2 + upright**2 + leaning**2 + (bias_sd_rad_s / slow) ** 2
    owned = random + alike + params.skin_rad**2

    begins, spread = _groups(span[stretches])

    def per_span(values: AnyArray) -> AnyArray:
        return np.asarray(np.add.reduceat(values, begins))

    say = (1.0 / owned) / per_span(1.0 / owned)[spread]
    middle = np.angle(per_span(say * np.exp(1j * heading)))
    off = np.angle(np.exp(1j * (heading - middle[spread])))
    # Where stretches differ by more than they own up to, a joint moved along unseen.
    surprise = np.maximum(1.0, per_span(say * off**2) / per_span(say * owned))
    sd_rad = np.sqrt(surprise * (per_span(say**2 * random) + per_span(say * alike) + params.skin_rad**2))
    residual = np.degrees(np.sqrt(per_span(say * (off**2 + random))))
    for k, place in enumerate(span[stretches[begins]].tolist()):
        if sd_rad[k] <= params.most_sd_rad:
            turned_deg = float(np.degrees(turned_rad[place]))
            fixes[place] = HeadingFix(float(middle[k]), float(residual[k]), turned_deg, float(sd_rad[k]))
    return fixes


def _window_means(
    first_rad_s: FloatArray, second_rad_s: FloatArray, spans: Sequence[tuple[int, int]], size: int
) -> tuple[FloatArray, IntArray]:
    """Means (6, W) of both rates over windows of `size` rows from each span's begin on, where both are seen; and of
    which span (W,) each is.
    """
    begins = [np.arange(begin, end - size + 1, size) for begin, end in spans]
    span = np.repeat(np.arange(len(spans)), [len(own) for own in begins])
    first = np.concatenate([np.zeros(0, dtype=np.intp), *begins])
    if not len(first):
        return np.zeros((6, 0)), span
    means = np.concatenate([sums_over(rate.T, first, first + size) for rate in (first_rad_s, second_rad_s)]) / size
    seen = np.isfinite(means).all(axis=0)
    return means[:, seen], span[seen]


def _stretches(step_rad: FloatArray, span: IntArray, turned_rad: AnyArray, stretch_rad: float) -> IntArray:
    """The first window of each stretch, none of which goes over from one span to the next; both are (W,)."""
    total = np.cumsum(step_rad)
    begins, spread = _groups(span)
    own = total - (total - step_rad)[begins][spread]
    # The last stretch takes in what is left; a window of quick turning may be more than one.
    most = np.maximum(np.floor(turned_rad[span] / stretch_rad) - 1, 0)
    stretch = np.minimum(np.floor(own / stretch_rad), most)
    return np.flatnonzero((np.diff(stretch, prepend=-1) != 0) | (np.diff(span, prepend=-1) != 0))


def _groups(number: IntArray) -> tuple[IntArray, IntArray]:
    """Where each run of one number begins (G,), and which run every element (N,) is in."""
    new = np.diff(number, prepend=-1) != 0
    return np.flatnonzero(new), np.cumsum(new) - 1


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
