"""What a page shows of a drill before its set: the drawing of its postures, and what is asked in a few words."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import Any

import numpy as np

from imu_shoulder.drills import AskedPause, Drill
from imu_shoulder.model import FloatArray, Side
from imu_shoulder.plan import PlannedDrill
from imu_shoulder.report.figure import HEAD, SCALE, WIDTH, Line, Posture, arm_lines, head_at, points_text, trunk_lines
from imu_shoulder.report.handout import panels

VIEWS = ("in the mirror", "right side")
# Of a direction by its usual name; another is told as it is called.
WAYS = {"forward": "straight forward", "diagonal": "a little in front of the side", "side": "out to the side"}
# Room for half the width of a line, drawing units.
MARGIN = 6.0


def drawings_of(item: PlannedDrill) -> dict[str, Any]:
    """By direction, "" for a drill that has none: its drawing."""
    return {way: drawing(item.towards(way)) for way in item.drill.directions or ("",)}


def drawing(item: PlannedDrill) -> dict[str, Any]:
    """The start and each station, as in a mirror and from the right side, in JSON types.

    boxes: of each view what part of it is drawn on: left, top, width and height, the same for all panels. head: radius,
    drawing units. Each panel has its name, the view that tells more of it, and of each view where the head is and the
    lines from back to front: part, points as an SVG polyline has them, whether of the further arm.
    """
    steps = [(name, [_view(arms, view) for view in range(len(VIEWS))]) for name, arms in panels(item.drill, item.sides)]
    return {
        "views": VIEWS,
        "boxes": _boxes([views for _, views in steps]),
        "head": round(HEAD * SCALE, 1),
        "panels": [
            {
                "name": name,
                "telling": int(np.argmax([_spread(lines) for lines in views])),
                "views": [
                    {
                        "head": [round(float(value), 1) for value in _mirrored(head_at(view)[None, :], view)[0]],
                        "lines": [[line.part, points_text(line.points), line.further] for line in lines],
                    }
                    for view, lines in enumerate(views)
                ],
            }
            for name, views in steps
        ],
    }


def _view(arms: Mapping[Side, Posture], view: int) -> list[Line]:
    lines = [*trunk_lines(view), *arm_lines(arms, view)]
    return [replace(line, points=_mirrored(line.points, view)) for line in lines]


def _mirrored(points: FloatArray, view: int) -> FloatArray:
    """The view from the front turned about, so that the right arm is on the right, as on the page in the set."""
    return points if view else np.array([WIDTH, 0.0]) + np.array([-1.0, 1.0]) * points


def _boxes(steps: Sequence[Sequence[Sequence[Line]]]) -> list[list[float]]:
    """Of each view the part that is drawn on. Both are of one size, so that the body is, too."""
    ends = []
    for view in range(len(VIEWS)):
        head = _mirrored(head_at(view)[None, :], view)
        lines = [line.points for views in steps for line in views[view]]
        points = np.concatenate([*lines, head - HEAD * SCALE, head + HEAD * SCALE])
        ends.append((points.min(axis=0) - MARGIN, points.max(axis=0) + MARGIN))
    top = min(low[1] for low, _ in ends)
    height = max(high[1] for _, high in ends) - top
    width = max(high[0] - low[0] for low, high in ends)
    lefts = [(low[0] + high[0] - width) / 2 for low, high in ends]
    return [[round(float(value), 1) for value in (left, top, width, height)] for left in lefts]


def _spread(lines: Sequence[Line]) -> float:
    """How long the arms look."""
    arms = [line.points for line in lines if line.part != "trunk"]
    return sum(float(np.linalg.norm(points[1] - points[0])) for points in arms)


def way_words(direction: str) -> str:
    """A drill's direction as it is told to the athlete."""
    return WAYS.get(direction, direction.replace("_", " "))


def facts(item: PlannedDrill) -> list[list[str]]:
    """Name and words of what is to be known before the set: who lifts and holds, where, how long, how heavy."""
    drill = item.drill
    found = {
        "Lifts": _lifts(item),
        "Holds": _holds(item),
        "Where": way_words(drill.direction),
        "Hold": _hold(drill),
        "Pause": ", ".join(map(_pause, drill.pauses)),
        "Tempo": _tempo(drill),
        "Last time": item.last_time,
        "Load": item.band or (drill.dose.load if item.load_kg is None else f"{item.load_kg:g} kg"),
    }
    return [[name, text] for name, text in found.items() if text]


def _lifts(item: PlannedDrill) -> str:
    if len(item.sides) == 1:
        side = item.sides[0]
        return f"{side} arm, {_times(item.reps[side])}"
    if len(set(item.reps.values())) == 1:
        return f"both arms, {_times(item.reps[item.sides[0]])} each"
    return ", ".join(f"{side} arm {_times(item.reps[side])}" for side in item.sides)


def _times(reps: int) -> str:
    return "1 rep" if reps == 1 else f"{reps} reps"


def _holds(item: PlannedDrill) -> str:
    if item.drill.arms != "hold_and_lift":
        return ""
    if len(item.sides) > 1:
        return "the arm that does not lift"
    return "left arm, up there throughout" if item.sides == ("right",) else "right arm, up there throughout"


def _hold(drill: Drill) -> str:
    held = [station for station in drill.stations if station.hold_s > 0]
    if drill.by_stations:
        return ", ".join(f"{station.name.replace('_', ' ')} {station.hold_s:g} s" for station in held)
    return f"{held[0].hold_s:g} s" if held else ""


def _pause(pause: AskedPause) -> str:
    return f"{pause.hold_s:g} s at {pause.low_deg:g} to {pause.high_deg:g} deg on the way {pause.way}"


def _tempo(drill: Drill) -> str:
    asked = {"lift": drill.lift_at_least_s, "lower": drill.lower_at_least_s}
    known = [f"{word} {least_s:g} s" for word, least_s in asked.items() if least_s > 0]
    return f"{', '.join(known)} or slower" if known else ""
