"""The arm as a picture: trunk, upper arm, forearm and thumb from joint angles, seen from the front and the side."""

from __future__ import annotations

from dataclasses import dataclass
from xml.sax.saxutils import escape

import numpy as np
from scipy.spatial.transform import Rotation

from imu_shoulder.frames import X_AXIS, Y_AXIS, Z_AXIS
from imu_shoulder.model import FloatArray, Side

# Lengths against a body height of 1; common proportions of an adult.
UPPER_ARM, FOREARM, HAND, SHOULDER, TRUNK, HEAD = 0.186, 0.146, 0.1, 0.115, 0.3, 0.065
SCALE = 340.0
WIDTH, HEIGHT = 230.0, 280.0


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
    thumb = wrist - 0.5 * HAND * forearm.apply(Y_AXIS) + 0.06 * forearm.apply(X_AXIS)
    points = np.stack([shoulder, elbow, wrist, hand, thumb])
    return np.asarray(points * np.array([1.0, 1.0, 1.0 if side == "right" else -1.0]))


def figure_svg(panels: list[tuple[str, dict[Side, Posture]]]) -> str:
    """One row of panels, each a caption and the arms' postures, drawn from the front and from the right side."""
    width = WIDTH * 2 * len(panels)
    parts = [
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {width:g} {HEIGHT + 30:g}" role="img" '
        'font-family="system-ui, sans-serif" font-size="13" fill="none" stroke-linecap="round">'
    ]
    for number, (caption, arms) in enumerate(panels):
        left = number * 2 * WIDTH
        parts.append(
            f'<text x="{left + WIDTH:g}" y="18" fill="currentColor" text-anchor="middle">{escape(caption)}</text>'
        )
        for view, name in enumerate(("front", "right side")):
            parts += _view(arms, view, left + view * WIDTH)
            parts.append(
                f'<text x="{left + (view + 0.5) * WIDTH:g}" y="{HEIGHT + 24:g}" fill="currentColor" opacity="0.7" '
                f'text-anchor="middle">{name}</text>'
            )
    return "\n".join([*parts, "</svg>"]) + "\n"


def _view(arms: dict[Side, Posture], view: int, left: float) -> list[str]:
    """Lines of one view: 0 from the front (the right arm is on the left), 1 from the right side, facing right."""

    def place(point: FloatArray) -> str:
        across = -point[2] if view == 0 else point[0]
        return f"{left + WIDTH / 2 + across * SCALE:.1f},{HEIGHT * 0.34 - point[1] * SCALE:.1f}"

    def line(points: list[FloatArray], width: float, colour: str = "currentColor", opacity: float = 1.0) -> str:
        dots = " ".join(place(point) for point in points)
        return f'<polyline points="{dots}" stroke="{colour}" stroke-width="{width:g}" opacity="{opacity:g}"/>'

    hips = [np.array([0.0, -TRUNK, z]) for z in (-0.08, 0.08)]
    shoulders = [np.array([0.0, 0.0, z]) for z in (-SHOULDER, SHOULDER)]
    centre, pelvis = np.zeros(3), np.array([0.0, -TRUNK, 0.0])
    head = np.array([0.0, 0.13, 0.0])
    x, y = place(head).split(",")
    out = [
        f'<circle cx="{x}" cy="{y}" r="{HEAD * SCALE:.1f}" stroke="currentColor" stroke-width="3" opacity="0.45"/>',
        line(shoulders, 3, opacity=0.45),
        line([centre, pelvis], 3, opacity=0.45),
        line(hips, 3, opacity=0.45),
    ]
    # From the side, the further arm is drawn first and fainter.
    for side in sorted(arms, key=lambda side: side == "right"):
        shoulder, elbow, wrist, hand, thumb = arm_points(arms[side], side)
        faint = 0.35 if view == 1 and side == "left" and len(arms) > 1 else 1.0
        out.append(line([shoulder, elbow], 8, "#1d5c8a", faint))
        out.append(line([elbow, wrist], 6, "#1d5c8a", faint))
        out.append(line([wrist, hand], 4, "#1d5c8a", faint))
        out.append(line([(wrist + hand) / 2, thumb], 4, "#b4530a", faint))
    return out
