"""Angles that no joint reaches: a sign that a sensor sits otherwise than the calibration says."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from imu_shoulder.angles.joint import ArmAngles
from imu_shoulder.model import Finding, FloatArray, Side
from imu_shoulder.orient.bias import runs


@dataclass(frozen=True, slots=True)
class Reach:
    """How far people's joints go, degrees in this project's signs, and the room left beyond for them and for us."""

    name: str
    low_deg: float
    high_deg: float
    room_deg: float


# Normal ranges of the American Academy of Orthopaedic Surgeons: elbow flexion 150, pronation and supination 80,
# internal rotation 70 (from memory, as widely quoted). External rotation at 90 deg of abduction goes further in
# athletes: median 101, 5th percentile 80 (Vairo 2012), which puts the 95th near 122. Forearm 0 is thumb forward.
REACH = {
    "rotation_deg": Reach("rotation", -70.0, 122.0, 20.0),
    "elbow_deg": Reach("elbow flexion", 0.0, 150.0, 15.0),
    "forearm_deg": Reach("forearm rotation", -80.0, 80.0, 10.0),
}
# Shorter excursions are left to the single rep.
LEAST_S = 1.0


def implausible_angles(
    arms: Mapping[Side, ArmAngles],
    spans: Mapping[Side, Sequence[tuple[int, int]]],
    time_s: FloatArray,
    rate_hz: float,
) -> list[Finding]:
    """A warning per arm and angle that was out of reach for a second or longer in its sets.

    spans: per arm, the rows [first, last) of its sets. time_s: (M,).
    """
    found = []
    for side, arm in arms.items():
        inside = np.zeros(len(time_s), dtype=bool)
        for first, last in spans.get(side, ()):
            inside[first:last] = True
        for column, reach in REACH.items():
            values = arm.angles.get(column)
            if values is None:
                continue
            low, high = reach.low_deg - reach.room_deg, reach.high_deg + reach.room_deg
            # NaN is neither.
            beyond = inside & ((values < low) | (values > high))
            long = [(a, b) for a, b in runs(beyond) if b - a >= LEAST_S * rate_hz]
            if not long:
                continue
            farthest = max((values[a:b][np.abs(values[a:b]).argmax()] for a, b in long), key=abs)
            part = "upper_arm" if column == "rotation_deg" else "wrist"
            found.append(
                Finding(
                    f"{side}_{part}",
                    "implausible_angle",
                    "warning",
                    f"The {side} arm's {reach.name} reads {farthest:.0f} deg; people's joints go from "
                    f"{reach.low_deg:.0f} to {reach.high_deg:.0f}. Check that the sensors sit as marked, and record "
                    "the neutral pose again, thumbs forward.",
                    value=round(float(farthest), 1),
                    start_s=float(time_s[long[0][0]]),
                    end_s=float(time_s[long[-1][1] - 1]),
                )
            )
    return found
