"""The angles a drill can ask for, in one table: what each is called, which sensors show it, how it is drawn."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType
from typing import Literal

from imu_shoulder.model import UPPER_ARM, WRIST

Ends = tuple[float, float]


@dataclass(frozen=True, slots=True)
class Dial:
    """How the live page draws an angle, for a right arm as in a mirror: where 0 degrees points on the screen (degrees
    from the right, counter-clockwise), which way it grows (1 or -1), and whether the body is seen from the front or
    from above.
    """

    zero_deg: float
    grows: Literal[1, -1]
    body: Literal["front", "above"]


@dataclass(frozen=True, slots=True)
class Reach:
    """How far people's joints go, degrees in this project's signs, and the room left beyond for them and for us."""

    name: str
    low_deg: float
    high_deg: float
    room_deg: float


@dataclass(frozen=True, slots=True)
class JudgedAngle:
    """An angle of the arm; in angles.parquet `column` under right_ or left_. Degrees, signs as in docs/coordinates.md.

    words: what it is called where it was missed. shown_by: the segments of the arm whose sensors it takes. turns:
    whether it is off by as much as the direction that the body is said to face. facing: whether it also takes a
    movement that shows which way the body faces. gauge_deg: ends of the live page's gauge. drawing_deg: what a drawing
    takes an open end to.
    posture: whether a drawn posture is made of it, so that a drill's `posture` may give it. in_range_tests: whether a
    range test may measure it.
    reach: beyond which a reading is a sign of a sensor that sits otherwise; None where no joint limits it.
    """

    name: str
    words: str
    meaning: str
    shown_by: tuple[str, ...]
    gauge_deg: Ends
    drawing_deg: Ends
    dial: Dial
    turns: bool = False
    facing: bool = False
    posture: bool = True
    in_range_tests: bool = False
    reach: Reach | None = None

    @property
    def column(self) -> str:
        return f"{self.name}_deg"


# Reaches are normal ranges of the American Academy of Orthopaedic Surgeons: elbow flexion 150, pronation and supination
# 80, internal rotation 70 (from memory, as widely quoted). External rotation at 90 deg of abduction goes further in
# athletes: median 101, 5th percentile 80 (Vairo 2012), which puts the 95th near 122. Forearm 0 is thumb forward.
JUDGED: Mapping[str, JudgedAngle] = MappingProxyType(
    {
        angle.name: angle
        for angle in (
            JudgedAngle(
                name="elevation",
                words="upper arm raised to",
                meaning="Upper arm from hanging, about what elevation_reference says; "
                "empty about gravity if not upright",
                shown_by=(UPPER_ARM,),
                gauge_deg=(0.0, 180.0),
                drawing_deg=(0.0, 170.0),
                dial=Dial(-90, 1, "front"),
                in_range_tests=True,
            ),
            JudgedAngle(
                name="plane",
                words="plane",
                meaning="Plane of elevation, 0 to the side, 90 to the front; undefined near 0 and 180 of elevation",
                turns=True,
                shown_by=(UPPER_ARM,),
                facing=True,
                gauge_deg=(-30.0, 120.0),
                drawing_deg=(-30.0, 130.0),
                dial=Dial(0, 1, "above"),
                in_range_tests=True,
            ),
            JudgedAngle(
                name="rotation",
                words="rotation",
                meaning="Axial rotation of the upper arm from the neutral pose, external positive",
                turns=True,
                shown_by=(UPPER_ARM,),
                gauge_deg=(-60.0, 120.0),
                drawing_deg=(-80.0, 100.0),
                dial=Dial(90, -1, "above"),
                in_range_tests=True,
                reach=Reach("rotation", -70.0, 122.0, 20.0),
            ),
            JudgedAngle(
                name="elbow",
                words="elbow bent",
                meaning="Elbow flexion",
                shown_by=(UPPER_ARM, WRIST),
                gauge_deg=(0.0, 150.0),
                drawing_deg=(0.0, 145.0),
                dial=Dial(-90, 1, "front"),
                in_range_tests=True,
                reach=Reach("elbow flexion", 0.0, 150.0, 15.0),
            ),
            JudgedAngle(
                name="forearm",
                words="forearm turned in by",
                meaning="Forearm rotation, pronation positive, 0 thumb forward; the ISB counts from full supination",
                shown_by=(UPPER_ARM, WRIST),
                facing=True,
                gauge_deg=(-90.0, 90.0),
                drawing_deg=(-80.0, 80.0),
                dial=Dial(90, -1, "above"),
                reach=Reach("forearm rotation", -80.0, 80.0, 10.0),
            ),
            JudgedAngle(
                name="thumb_up",
                words="thumb",
                meaning="Thumb side above the level",
                shown_by=(WRIST,),
                facing=True,
                gauge_deg=(-90.0, 90.0),
                drawing_deg=(-90.0, 90.0),
                dial=Dial(0, 1, "front"),
                posture=False,
            ),
        )
    }
)
JUDGED_ANGLES = tuple(JUDGED)
DRAWN_ANGLES = tuple(name for name, angle in JUDGED.items() if angle.posture)
