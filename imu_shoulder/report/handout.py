"""A drill as a drawing for the handout: the posture it starts from and each one it asks for, from its own data."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import asdict, replace

import numpy as np

from imu_shoulder.drills import AngleRange, Drill, Station
from imu_shoulder.drills.judged import JUDGED
from imu_shoulder.model import Side
from imu_shoulder.report.figure import Posture, arm_points, figure_svg

# How far inside its closed end a half-open range is drawn, and half of what is left where there is less.
INSIDE_DEG = 15.0
TURNS_DEG = np.arange(0.0, 81.0, 5.0)


def drill_svg(drill: Drill, side: Side = "right") -> str:
    """The drawing. side: the arm that lifts; where one arm holds, the other one is drawn at the top throughout."""
    steps = postures(drill)
    other: Side = "left" if side == "right" else "right"
    held: dict[Side, Posture] = {other: steps[-1][1]} if drill.arms == "hold_and_lift" else {}
    return figure_svg([(name, {**held, side: posture}) for name, posture in steps], f"{drill.title}, {side} arm")


def postures(drill: Drill) -> list[tuple[str, Posture]]:
    """The start and each station, by name. What neither ranges, form nor the drill's `posture` say stays as before.

    A range is drawn at its middle, a half-open one a little inside its closed end.
    """
    start = _with_form(Posture(), drill)
    start = _placed(start, drill.start, {})
    start = _hinted(start, drill.posture.get("start", {}))
    steps = [("start", start)]
    for station in drill.stations:
        steps.append((station.name, _reached(steps, station, drill)))
    return [(name.replace("_", " ").capitalize(), posture) for name, posture in steps]


def _reached(before: list[tuple[str, Posture]], station: Station, drill: Drill) -> Posture:
    posture = _placed(before[-1][1], station.ranges, dict(before))
    posture = _hinted(posture, drill.posture.get(station.name, {}))
    limits = drill.form.ends_of("thumb_up")
    return posture if limits is None or station is not drill.top else _thumb_turned(posture, limits)


def _with_form(posture: Posture, drill: Drill) -> Posture:
    """The form asked at the top is kept all the way."""
    asked = drill.form.ranges_deg()
    known = [AngleRange(angle, *limits) for angle, limits in asked.items() if JUDGED[angle].posture]
    return _placed(posture, known, {})


def _placed(posture: Posture, ranges: Iterable[AngleRange], earlier: Mapping[str, Posture]) -> Posture:
    for asked in ranges:
        if asked.angle == "thumb_up":
            posture = _thumb_turned(posture, (asked.low_deg, asked.high_deg))
            continue
        if not JUDGED[asked.angle].posture:  # no line of the figure shows it
            continue
        key = f"{asked.angle}_deg"
        base = 0.0 if asked.above is None else float(asdict(earlier[asked.above])[key])
        posture = replace(posture, **{key: _middle(base + asked.low_deg, base + asked.high_deg, asked.angle)})
    return posture


def _middle(low: float, high: float, angle: str) -> float:
    least, most = JUDGED[angle].drawing_deg
    if np.isinf(high):
        return low + min(INSIDE_DEG, max(0.0, (most - low) / 2))
    if np.isinf(low):
        return high - min(INSIDE_DEG, max(0.0, (high - least) / 2))
    return (low + high) / 2


def _hinted(posture: Posture, hint: Mapping[str, float]) -> Posture:
    return replace(posture, **{f"{angle}_deg": value for angle, value in hint.items()})


def thumb_up_deg(posture: Posture) -> float:
    """Thumb side above the level, as docs/coordinates.md has it."""
    points = arm_points(posture, "right")
    wrist, hand, thumb = points[2:]
    aside = thumb - wrist
    along = (hand - wrist) / np.linalg.norm(hand - wrist)
    aside = aside - (aside @ along) * along
    return float(np.degrees(np.arcsin(aside[1] / np.linalg.norm(aside))))


def _thumb_turned(posture: Posture, limits: tuple[float, float]) -> Posture:
    """The forearm turned no further than the thumb needs; as near as it comes where that is not enough."""
    low, high = (min(max(end, -90.0), 90.0) for end in limits)
    turns = [posture.forearm_deg + sign * turn for turn in TURNS_DEG for sign in (1, -1)]
    tried = [replace(posture, forearm_deg=turn) for turn in turns if abs(turn) <= JUDGED["forearm"].drawing_deg[1]]
    off = [max(low - thumb_up_deg(one), thumb_up_deg(one) - high, 0.0) for one in tried]
    return tried[int(np.argmin(off))]
