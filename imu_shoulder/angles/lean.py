"""How the trunk stands where no sensor on it is joined to the arm: what was asked of the body, and any lean seen.

The upper arm is then measured about gravity. That is its angle about the trunk as far as the trunk stands upright, and
tells nothing of the joint in someone who lies: an arm along the side of a person lying on the other one shows gravity
the same as an arm that a standing person holds out. Only what was asked, or the breastbone sensor, tells them apart.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace

import numpy as np

from imu_shoulder.angles.joint import ISB_COLUMNS, ArmAngles
from imu_shoulder.drills import Drill
from imu_shoulder.model import BoolArray, Event, FloatArray, IntArray
from imu_shoulder.spill import spilled

# What was asked of the body: to be upright, to lie or bend over, or nothing that is known.
UPRIGHT, NOT_UPRIGHT, UNSAID = 1, -1, 0
# Defined by the trunk. The turn of the upper arm about itself is as well, but how far it changes is told all the same.
BY_THE_TRUNK = ("elevation_deg", "plane_deg", *ISB_COLUMNS)


def drill_stance(drill: Drill) -> int:
    return UPRIGHT if drill.body == "upright" else NOT_UPRIGHT


def asked_stance(time_s: FloatArray, events: Sequence[Event], drills: Mapping[str, Drill]) -> IntArray:
    """What was asked of the body at each time_s (M,). drills: by id; a set of anything else named is a range test.

    Poses, calibration movements and range tests are done standing. Outside events, and in a set without a drill, nobody
    said anything.
    """
    stance = np.full(len(time_s), UNSAID, dtype=np.intp)
    for event in events:
        if event.trial_type == "set" and event.drill is None:
            asked = UNSAID
        else:
            drill = None if event.drill is None else drills.get(event.drill)
            asked = UPRIGHT if drill is None else drill_stance(drill)
        first, last = np.searchsorted(time_s, event.onset_s), np.searchsorted(time_s, event.end_s, side="right")
        stance[first:last] = asked
    return stance


def off_upright(arm: ArmAngles, stance: IntArray | int, leant_deg: float) -> BoolArray:
    """Rows (M,) of an arm about gravity in which the trunk is not upright, as was seen, or else as was asked.

    stance: (M,) or one for all rows. leant_deg: a trunk that is seen to lean further is not upright.
    """
    count = len(arm.rotation_from_forearm)
    if arm.elevation_reference == "trunk":
        return np.zeros(count, dtype=bool)
    asked = np.full(count, np.equal(stance, NOT_UPRIGHT))
    lean = arm.angles.get("trunk_lean_deg")
    return asked if lean is None else np.where(np.isfinite(lean), lean > leant_deg, asked)


def upright_only(arm: ArmAngles, off: BoolArray) -> ArmAngles:
    """The arm without the angles that the trunk defines on the rows (M,) in which it is not upright.

    elevation_gravity_deg stays: it says what it is.
    """
    if not off.any():
        return arm
    names = {*BY_THE_TRUNK, *(("scapula_up_deg",) if arm.scapula_reference == "gravity" else ())}

    def kept(columns: Mapping[str, FloatArray]) -> dict[str, FloatArray]:
        return {name: spilled(np.where(off, np.nan, own)) if name in names else own for name, own in columns.items()}

    return replace(arm, angles=kept(arm.angles), sd=kept(arm.sd), hidden=kept(arm.hidden))
