"""Curves as SVG, made here: a trend over days with the band of chance behind it, and reps laid over each other.

Colours come from the page's style by class, so that dark screens and paper get their own.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from datetime import date, timedelta
from math import ceil, floor, log10

import numpy as np
from markupsafe import Markup, escape

from imu_shoulder.model import FloatArray

WIDTH, HEIGHT = 340.0, 124.0
LEFT, RIGHT, TOP, BOTTOM = 38.0, 8.0, 14.0, 18.0
WIDE, HIGH = 900.0, 330.0
# Places in a picture in tenths, as they are written: made once, as pictures have thousands.
_TENTHS = tuple(f"{place / 10:.1f}" for place in range(int(10 * max(WIDTH, HEIGHT, WIDE, HIGH)) + 1))
# Steps of an axis: so many parts of a power of ten.
_STEPS = (1.0, 2.0, 2.5, 5.0, 10.0)


@dataclass(frozen=True, slots=True)
class Line:
    """Points of one kind. days, values: (N,), values NaN where nothing is known. style: a class of the page's style."""

    days: FloatArray
    values: FloatArray
    style: str = "own"
    joined: bool = False


@dataclass(frozen=True, slots=True)
class Trend:
    """One picture. epoch: the date of day 0. band: low and high of chance, first and last day of it.

    through: the straight trend, as day, value, day, value. marks: a day and what changed then. level: a limit across.
    """

    said: str
    epoch: date
    lines: Sequence[Line]
    band: tuple[float, float, float, float] | None = None
    through: tuple[float, float, float, float] | None = None
    marks: Sequence[tuple[float, str]] = ()
    level: float | None = None
    ends: tuple[float, float] | None = None


@dataclass(frozen=True, slots=True)
class _Frame:
    """Where values lie in the picture."""

    x: tuple[float, float]
    y: tuple[float, float]
    width: float = WIDTH
    height: float = HEIGHT
    bottom: float = BOTTOM
    ticks: tuple[float, ...] = field(default=())

    def across(self, value: FloatArray | float) -> FloatArray | float:
        low, high = self.x
        return LEFT + (value - low) / ((high - low) or 1.0) * (self.width - LEFT - RIGHT)

    def down(self, value: FloatArray | float) -> FloatArray | float:
        low, high = self.y
        return TOP + (high - value) / ((high - low) or 1.0) * (self.height - TOP - self.bottom)


def _step(span: float) -> float:
    """A round step that cuts a span into two to four."""
    power = 10.0 ** floor(log10(span / 3.0)) if span > 0 else 1.0
    return next(power * part for part in _STEPS if span / (power * part) <= 3.5)


def _axis(values: Sequence[float], ends: tuple[float, float] | None) -> tuple[tuple[float, float], tuple[float, ...]]:
    """Ends of an axis and its ticks."""
    low, high = ends or (min(values), max(values))
    if high - low < 1e-9:
        low, high = low - 0.5, high + 0.5
    if ends is None:
        room = 0.08 * (high - low)
        low, high = low - room if low - room > 0 or low < 0 else 0.0, high + room
    step = _step(high - low)
    first = ceil(low / step - 1e-9)
    return (low, high), tuple(k * step for k in range(first, floor(high / step + 1e-9) + 1))


def trend_svg(trend: Trend) -> Markup:
    """The picture of a trend."""
    days = np.concatenate([line.days for line in trend.lines])
    values = np.concatenate([line.values for line in trend.lines])
    known = values[np.isfinite(values)]
    more = [*(trend.band or ())[:2], *([] if trend.level is None else [trend.level])]
    y, ticks = _axis([*known, *more], trend.ends)
    first, last = float(days.min()), float(days.max())
    frame = _Frame((first - 1.0, last + 1.0), y, ticks=ticks)
    parts = [f'<svg class="trend" viewBox="0 0 {WIDTH:g} {HEIGHT:g}" role="img" aria-label="{escape(trend.said)}">']
    if trend.band is not None:
        low, high, start, end = trend.band
        top, base = float(frame.down(min(high, y[1]))), float(frame.down(max(low, y[0])))
        left, right = float(frame.across(max(start, first - 1.0))), float(frame.across(end + 1.0))
        parts.append(
            f'<rect class="chance" x="{left:.1f}" y="{top:.1f}" width="{max(0.0, right - left):.1f}" '
            f'height="{max(0.0, base - top):.1f}"/>'
        )
    parts += _grid(frame)
    if trend.level is not None:
        parts.append(_across("limit", frame, trend.level))
    for day, text in trend.marks:
        at = float(frame.across(day))
        parts.append(f'<line class="mark" x1="{at:.1f}" y1="{TOP:g}" x2="{at:.1f}" y2="{HEIGHT - BOTTOM:g}"/>')
        anchor = "end" if at > 0.6 * WIDTH else "start"
        parts.append(f'<text class="small" x="{at:.1f}" y="10" text-anchor="{anchor}">{escape(text)}</text>')
    if trend.through is not None:
        day0, value0, day1, value1 = trend.through
        ends = [float(found) for pair in ((day0, value0), (day1, value1)) for found in _at(frame, *pair)]
        parts.append('<line class="through" x1="{:.1f}" y1="{:.1f}" x2="{:.1f}" y2="{:.1f}"/>'.format(*ends))
    parts += [_dots(frame, line) for line in trend.lines]
    base_y = HEIGHT - 4
    parts.append(f'<text class="small" x="{LEFT:g}" y="{base_y:g}">{day_words(trend.epoch, first)}</text>')
    if last > first:
        parts.append(
            f'<text class="small" x="{WIDTH - RIGHT:g}" y="{base_y:g}" text-anchor="end">'
            f"{day_words(trend.epoch, last)}</text>"
        )
    return Markup("".join([*parts, "</svg>"]))


def day_words(epoch: date, day: float) -> str:
    """A day as people write it."""
    found = epoch + timedelta(days=int(day))
    return f"{found.day} {found:%b}"


def _at(frame: _Frame, day: float, value: float) -> tuple[float, float]:
    return float(frame.across(day)), float(frame.down(min(max(value, frame.y[0]), frame.y[1])))


def _grid(frame: _Frame) -> list[str]:
    parts = []
    for tick in frame.ticks:
        parts.append(_across("grid", frame, tick))
        at = float(frame.down(tick)) + 4
        parts.append(f'<text class="small" x="{LEFT - 5:g}" y="{at:.1f}" text-anchor="end">{tick:.4g}</text>')
    return parts


def _across(style: str, frame: _Frame, value: float) -> str:
    at = float(frame.down(value))
    return f'<line class="{style}" x1="{LEFT:g}" y1="{at:.1f}" x2="{frame.width - RIGHT:g}" y2="{at:.1f}"/>'


def _dots(frame: _Frame, line: Line) -> str:
    """All points of a line as one path: dots are lines of no length with round ends."""
    known = np.isfinite(line.values)
    xs, ys = _places(frame.across(line.days[known])), _places(frame.down(line.values[known]))
    dots = "".join([f"M{x} {y}h0" for x, y in zip(xs, ys, strict=True)])
    path = f'<path class="dots {line.style}" d="{dots}"/>'
    if line.joined and len(xs) > 1:
        way = " ".join([f"{x},{y}" for x, y in zip(xs, ys, strict=True)])
        path = f'<polyline class="way {line.style}" points="{way}"/>{path}'
    return path


def _places(values: FloatArray | float) -> list[str]:
    """Places in a picture as they are written; what lies outside of every picture is put on its edge."""
    tenths = np.rint(10.0 * np.asarray(values)).clip(0, len(_TENTHS) - 1)
    return [_TENTHS[place] for place in tenths.astype(int).tolist()]


@dataclass(frozen=True, slots=True)
class Laid:
    """Reps of one set on 0 to 100 % of a rep. middle, low, high: (101,) in degrees. style: a class of the page."""

    middle: FloatArray
    low: FloatArray
    high: FloatArray
    style: str


def overlay_svg(said: str, laid: Sequence[Laid], asked: Sequence[float | None] | None) -> Markup:
    """Medians of reps with the middle half of them, on share of the rep; asked: the ends of the range at the top."""
    share = np.arange(101.0)
    every = np.concatenate([np.concatenate([one.low, one.high]) for one in laid])
    ends = [end for end in asked or () if end is not None]
    y, ticks = _axis([*every[np.isfinite(every)], *ends], None)
    frame = _Frame((0.0, 100.0), y, WIDE, HIGH, 34.0, ticks)
    parts = [f'<svg class="trend overlay" viewBox="0 0 {WIDE:g} {HIGH:g}" role="img" aria-label="{escape(said)}">']
    parts += _grid(frame)
    parts += [_across("limit", frame, end) for end in ends]
    for one in laid:
        around = [*zip(share, one.high, strict=True), *reversed([*zip(share, one.low, strict=True)])]
        parts.append(f'<polygon class="between {one.style}" points="{_points(frame, around)}"/>')
    for one in laid:
        way = _points(frame, list(zip(share, one.middle, strict=True)))
        parts.append(f'<polyline class="way {one.style}" points="{way}"/>')
    for tick in range(0, 101, 25):
        at = float(frame.across(float(tick)))
        anchor = {0: "start", 100: "end"}.get(tick, "middle")
        parts.append(f'<text class="small" x="{at:.1f}" y="{HIGH - 18:g}" text-anchor="{anchor}">{tick} %</text>')
    parts.append(f'<text class="small" x="{WIDE / 2:g}" y="{HIGH - 3:g}" text-anchor="middle">share of the rep</text>')
    return Markup("".join([*parts, "</svg>"]))


def _points(frame: _Frame, pairs: Sequence[tuple[float, float]]) -> str:
    known = np.array([pair for pair in pairs if np.isfinite(pair[1])])
    if not len(known):
        return ""
    xs, ys = _places(frame.across(known[:, 0])), _places(frame.down(known[:, 1]))
    return " ".join([f"{x},{y}" for x, y in zip(xs, ys, strict=True)])
