"""How each shipped drill and each active range test is moved: postures, and what faults look like. Degrees.

The numbers are a plausible person doing the drill well, ours; what counts as well is in the drill files.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

ARM_CHANNELS = ("elevation", "plane", "rotation", "elbow", "forearm")
Posture = Mapping[str, float]


@dataclass(frozen=True, slots=True)
class DrillMotion:
    """Postures of a drill and its faults.

    start, stations: target postures; a station lists what changes on the way to it. arc: the channel that makes the
    arc, at the last station. short_share: share of the arc reached in a short_arc. over_deg: the arc's end in
    an over_arc. partial_share: share of the first leg in a given-up rep. missed: how the start looks when it was
    missed. legs: the channel that leads on the way to each station. pause_s: at the top when no hold is asked.
    """

    start: Posture
    stations: tuple[Posture, ...]
    arc: str
    legs: tuple[str, ...]
    short_share: float
    partial_share: float
    over_deg: float = 118.0
    missed: Posture = field(default_factory=dict)
    thumb_down: Posture = field(default_factory=dict)
    elbow_off_deg: float = 0.0
    plane_off_deg: float = 0.0
    lying: bool = False
    pause_s: float = 0.35


def arm(elevation: float, plane: float, rotation: float, elbow: float, forearm: float) -> Posture:
    return dict(zip(ARM_CHANNELS, (elevation, plane, rotation, elbow, forearm), strict=True))


def turned_hand(posture: Posture, hand_deg: float) -> Posture:
    """The posture with the forearm turned further, and the upper arm with it, so that the thumb stays as it is."""
    moved = ("rotation", "forearm")
    return {name: value + hand_deg if name in moved else value for name, value in posture.items()}


# With a straight arm at 90 deg of elevation the thumb is plane + rotation - forearm above the horizontal.
THUMB_UP = arm(90, 35, 36, 7, -8)
_FULL_CAN = DrillMotion(
    start=arm(7, 35, 2, 7, 2),
    stations=(THUMB_UP,),
    arc="elevation",
    legs=("elevation",),
    short_share=0.68,
    partial_share=0.33,
    missed={"elevation": 32},
    thumb_down={"rotation": -15, "forearm": 52},
    elbow_off_deg=27,
    plane_off_deg=-31,
)

MOTIONS: Mapping[str, DrillMotion] = {
    "full_can": _FULL_CAN,
    "full_can_hold_and_lift": _FULL_CAN,
    "sidelying_external_rotation": DrillMotion(
        start=arm(9, 10, -42, 89, 0),
        stations=(arm(9, 10, 16, 89, 0),),
        arc="rotation",
        legs=("rotation",),
        short_share=0.47,
        partial_share=0.2,
        elbow_off_deg=-27,
        lying=True,
    ),
    "band_external_rotation": DrillMotion(
        start=arm(7, 15, -30, 90, 3),
        stations=(arm(8, 15, 32, 90, 3),),
        arc="rotation",
        legs=("rotation",),
        short_share=0.48,
        partial_share=0.2,
        elbow_off_deg=-27,
    ),
    "overhead_short_arc": DrillMotion(
        start=arm(90, 60, 22, 8, -5),
        stations=(arm(146, 60, 30, 10, -5),),
        arc="elevation",
        legs=("elevation",),
        short_share=0.38,
        partial_share=0.18,
        missed={"elevation": 60},
        thumb_down={"rotation": -40, "forearm": 80},
        elbow_off_deg=29,
    ),
    "band_loop_raise": DrillMotion(
        start=arm(8, 60, 2, 8, 2),
        stations=(arm(90, 60, 16, 8, -5),),
        arc="elevation",
        legs=("elevation",),
        short_share=0.68,
        partial_share=0.33,
        missed={"elevation": 33},
        thumb_down={"rotation": -22, "forearm": 66},
        elbow_off_deg=27,
        plane_off_deg=-52,
    ),
    "row_rotate": DrillMotion(
        start=arm(87, 87, 2, 10, 5),
        stations=(arm(87, 5, 0, 90, 8), arm(88, 5, 80, 90, 8)),
        arc="rotation",
        legs=("elbow", "rotation"),
        short_share=0.5,
        partial_share=0.3,
        missed={"elbow": 52},
    ),
    "row_rotate_press": DrillMotion(
        start=arm(87, 87, 2, 10, 5),
        stations=(arm(87, 5, 0, 90, 8), arm(88, 5, 80, 90, 8), arm(152, 20, 48, 14, 8)),
        arc="elevation",
        legs=("elbow", "rotation", "elevation"),
        short_share=0.5,
        partial_share=0.3,
        missed={"elbow": 52},
    ),
}


@dataclass(frozen=True, slots=True)
class RangeMotion:
    """An active range test, its range a young athlete's.

    start, top: postures. channel: what makes the range, which is sign * (its value + offset_deg).
    """

    start: Posture
    top: Posture
    channel: str
    offset_deg: float = 0.0
    sign: float = 1.0


# At 90 deg of elevation the forearm's own angle from level is rotation and plane together.
_LEVEL = arm(90, 6, -6, 90, 0)
RANGE_MOTIONS: Mapping[str, RangeMotion] = {
    "flexion": RangeMotion(arm(6, 85, 0, 8, 0), arm(165, 85, 10, 10, 0), "elevation"),
    "abduction": RangeMotion(arm(6, 8, 0, 8, 0), arm(152, 8, 60, 10, 0), "elevation"),
    "external_rotation_at_side": RangeMotion(arm(7, 15, 0, 90, 0), arm(8, 15, 77, 90, 0), "rotation"),
    "external_rotation_at_90": RangeMotion(_LEVEL, arm(90, 6, 94, 90, 0), "rotation", offset_deg=6),
    "internal_rotation_at_90": RangeMotion(_LEVEL, arm(90, 6, -61, 90, 0), "rotation", offset_deg=6, sign=-1),
}
