"""The arm as a picture: trunk, upper arm, forearm and thumb from joint angles, seen from the front and the side."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from html import escape

import numpy as np
from scipy.spatial.transform import Rotation

from imu_shoulder.frames import X_AXIS, Y_AXIS, Z_AXIS
from imu_shoulder.model import FloatArray, Side

# Lengths against a body height of 1; common proportions of an adult.
UPPER_ARM, FOREARM, HAND, SHOULDER, TRUNK, HEAD = 0.186, 0.146, 0.1, 0.115, 0.3, 0.065
THUMB_FROM, THUMB = 0.5, 0.06  # share of the hand at which the thumb leaves it, and its length
# Drawing units: a view holds an arm straight out to the side, and straight up.
SCALE = 200.0
WIDTH, HEIGHT = 230.0, 204.0
SHOULDERS_AT = 100.0
VIEWS = ("front", "right side")


@dataclass(frozen=True, slots=True)
class Posture:
    """Joint angles of one arm in degrees, as docs/coordinates.md defines them."""

    elevation_deg: float = 0.0
    plane_deg: float = 90.0
    rotation_deg: float = 0.0
    elbow_deg: float = 0.0
    forearm_deg: float = 0.0


def arm_points(posture: Posture, side: Side) -> FloatArray:
    """Shoulder, elbow, wrist, fingertip and thumb tip (5, 3): X forward, Y up, Z right, shoulders' height 0."""
    plane = np.radians(posture.plane_deg)
    swing_axis = np.sin(plane) * Z_AXIS - np.cos(plane) * X_AXIS
    humerus = Rotation.from_rotvec(np.radians(posture.elevation_deg) * swing_axis) * Rotation.from_rotvec(
        -np.radians(posture.rotation_deg) * Y_AXIS
    )
    forearm = humerus * Rotation.from_euler("ZY", [posture.elbow_deg, posture.forearm_deg], degrees=True)
    shoulder = SHOULDER * Z_AXIS
    elbow = shoulder - UPPER_ARM * humerus.apply(Y_AXIS)
    wrist = elbow - FOREARM * forearm.apply(Y_AXIS)
    hand = wrist - HAND * forearm.apply(Y_AXIS)
    thumb = wrist - THUMB_FROM * HAND * forearm.apply(Y_AXIS) + THUMB * forearm.apply(X_AXIS)
    points = np.stack([shoulder, elbow, wrist, hand, thumb])
    return np.asarray(points * np.array([1.0, 1.0, 1.0 if side == "right" else -1.0]))


def view_points(points: FloatArray, view: int) -> FloatArray:
    """Where body points (n, 3) lie in a view (n, 2), in drawing units, y down.

    view: 0 from the front (the right arm is on the left), 1 from the right side, facing right.
    """
    across = -points[:, 2] if view == 0 else points[:, 0]
    return np.column_stack([WIDTH / 2 + across * SCALE, SHOULDERS_AT - points[:, 1] * SCALE])


def page_geometry() -> dict[str, float]:
    """What the report's script needs to draw an arm as this module does."""
    return {
        "upperArm": UPPER_ARM,
        "forearm": FOREARM,
        "hand": HAND,
        "shoulder": SHOULDER,
        "thumbFrom": THUMB_FROM,
        "thumb": THUMB,
        "scale": SCALE,
        "middle": WIDTH / 2,
        "shouldersAt": SHOULDERS_AT,
        "height": HEIGHT,
        "width": WIDTH,
    }


@dataclass(frozen=True, slots=True)
class Line:
    """A line of a view. part: upper-arm, forearm, hand, thumb or trunk. points: (n, 2), drawing units, y down.

    further: of the arm behind the other one.
    """

    part: str
    points: FloatArray
    further: bool = False


def trunk_lines(view: int) -> list[Line]:
    """Shoulders, trunk and hips of one view."""
    lines = [
        np.array([[0.0, 0.0, -SHOULDER], [0.0, 0.0, SHOULDER]]),
        np.array([[0.0, 0.0, 0.0], [0.0, -TRUNK, 0.0]]),
        np.array([[0.0, -TRUNK, -0.08], [0.0, -TRUNK, 0.08]]),
    ]
    return [Line("trunk", view_points(points, view)) for points in lines]


def head_at(view: int) -> FloatArray:
    """Middle (2,) of the head in a view; its radius is HEAD * SCALE."""
    return np.asarray(view_points(np.array([[0.0, 0.13, 0.0]]), view)[0])


def arm_lines(arms: Mapping[Side, Posture], view: int) -> list[Line]:
    """The arms in one view. From the side, the further arm comes first."""
    out = []
    for side in sorted(arms, key=lambda side: side == "right"):
        shoulder, elbow, wrist, hand, thumb = arm_points(arms[side], side)
        further = view == 1 and side == "left" and len(arms) > 1
        ends = {
            "upper-arm": [shoulder, elbow],
            "forearm": [elbow, wrist],
            "hand": [wrist, hand],
            "thumb": [wrist + THUMB_FROM * (hand - wrist), thumb],
        }
        out += [Line(part, view_points(np.stack(points), view), further) for part, points in ends.items()]
    return out


def points_text(points: FloatArray) -> str:
    """Points (n, 2) as an SVG polyline has them."""
    return " ".join(f"{x:.1f},{y:.1f}" for x, y in points)


def figure_svg(panels: Sequence[tuple[str, Mapping[Side, Posture]]], title: str = "") -> str:
    """One row of panels, each a caption and the arms' postures, drawn from the front and from the right side."""
    width = WIDTH * 2 * len(panels)
    parts = [
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {width:g} {HEIGHT + 50:g}" role="img" '
        'font-family="system-ui, sans-serif" font-size="13" fill="none" stroke-linecap="round">'
    ]
    if title:
        parts.append(f"<title>{escape(title, quote=False)}</title>")
    for number, (caption, arms) in enumerate(panels):
        left = number * 2 * WIDTH
        parts.append(
            f'<text x="{left + WIDTH:g}" y="18" fill="currentColor" text-anchor="middle">'
            f"{escape(caption, quote=False)}</text>"
        )
        for view, name in enumerate(VIEWS):
            parts.append(f'<g transform="translate({left + view * WIDTH:g} 24)">')
            parts += [trunk_svg(view), *(_line_svg(line) for line in arm_lines(arms, view)), "</g>"]
            parts.append(
                f'<text x="{left + (view + 0.5) * WIDTH:g}" y="{HEIGHT + 44:g}" fill="currentColor" opacity="0.7" '
                f'text-anchor="middle">{name}</text>'
            )
    return "\n".join([*parts, "</svg>"]) + "\n"


def trunk_svg(view: int) -> str:
    """Head, shoulders, trunk and hips of one view."""
    x, y = head_at(view)
    circle = (
        f'<circle cx="{x:.1f}" cy="{y:.1f}" r="{HEAD * SCALE:.1f}" stroke="currentColor" stroke-width="3" '
        'opacity="0.45"/>'
    )
    return "\n".join([circle, *map(_line_svg, trunk_lines(view))])


_DRAWN = {
    "trunk": (3, "currentColor", 0.45),
    "upper-arm": (8, "#1d5c8a", 1.0),
    "forearm": (6, "#1d5c8a", 1.0),
    "hand": (4, "#1d5c8a", 1.0),
    "thumb": (4, "#b4530a", 1.0),
}


def _line_svg(line: Line) -> str:
    width, colour, opacity = _DRAWN[line.part]
    return (
        f'<polyline class="{line.part}" points="{points_text(line.points)}" stroke="{colour}" stroke-width="{width}" '
        f'opacity="{0.35 if line.further else opacity:g}"/>'
    )
