"""Reps that the arm's other sensor alone saw: counted by it where data of what the drill is cut by are missing."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import replace
from math import nan

import numpy as np
from scipy.spatial.transform import Rotation

from imu_shoulder.frames import rotation_from_quat
from imu_shoulder.model import FloatArray
from imu_shoulder.orient.attitude import Attitude
from imu_shoulder.segment.model import ArmSet, Rep
from imu_shoulder.segment.reps import RepParams, find_reps

# A sensor that turns by less from the start of a rep to its top shows none: ours.
LEAST_TURN_RAD = float(np.radians(15.0))
# So many reps that all was seen of show how it turns in one.
LEAST_REPS = 2


def with_reps_beside(
    arm_set: ArmSet, time_s: FloatArray, rate_hz: float, limbs: Sequence[Attitude], params: RepParams
) -> ArmSet:
    """The set with the reps in and at its unseen stretches as another sensor of the arm shows them, without angles.

    time_s: (M,) of the grid. limbs: of the arm, on it. The reps that were seen show how that sensor turns from the
    start of a rep to its top, and must all be found by it; else nothing is said, and the stretches stay unseen.
    """
    if not arm_set.unseen or arm_set.role != "lift":
        return arm_set
    whole = tuple(rep for rep in arm_set.reps if not _meets(rep, arm_set.unseen))
    rows = slice(*arm_set.rows)
    for limb in limbs:
        if not limb.valid[rows].all():
            continue
        found = _turned(whole, time_s[rows], rate_hz, rotation_from_quat(limb.quat_earth_from_sensor[rows]), params)
        if found is None:
            continue
        added = [_without_angles(rep) for rep in found if _meets(rep, arm_set.unseen) and not _shared(rep, whole)]
        # What it found beside the stretches, and the drill's angles did not, stays unsaid.
        told = all(_shared(rep, whole) for rep in found if not _meets(rep, arm_set.unseen))
        return replace(arm_set, reps=_in_order([*whole, *added]), unseen=() if told else arm_set.unseen)
    return arm_set


def _turned(
    whole: Sequence[Rep], time_s: FloatArray, rate_hz: float, earth_from_sensor: Rotation, params: RepParams
) -> tuple[Rep, ...] | None:
    """All reps of a set by how far a sensor is turned from the start towards the top; None where it does not tell."""
    counted = [rep for rep in whole if rep.kind == "rep" and not rep.cut]
    if len(counted) < LEAST_REPS:
        return None
    starts, tops = (
        earth_from_sensor[np.searchsorted(time_s, at_s)].mean()
        for at_s in ([rep.start_s for rep in counted], [(rep.top_start_s + rep.top_end_s) / 2 for rep in counted])
    )
    way = (tops * starts.inv()).as_rotvec()
    size = float(np.linalg.norm(way))
    if size < LEAST_TURN_RAD:
        return None
    turned_deg = np.degrees((earth_from_sensor * starts.inv()).as_rotvec() @ way / size)
    found = find_reps(time_s, turned_deg, rate_hz, float(np.degrees(size)), params)
    found = tuple(rep for rep in found if rep.kind != "false_start")
    return found if all(sum(_shared(rep, [own]) for rep in found) == 1 for own in counted) else None


def _meets(rep: Rep, stretches: Iterable[tuple[float, float]]) -> bool:
    return any(rep.start_s < end_s and start_s < rep.end_s for start_s, end_s in stretches)


def _shared(rep: Rep, others: Iterable[Rep]) -> bool:
    """Whether the middle of a rep lies in another one."""
    middle_s = (rep.start_s + rep.end_s) / 2
    return any(other.start_s < middle_s < other.end_s for other in others)


def _without_angles(rep: Rep) -> Rep:
    return replace(rep, start_deg=nan, top_deg=nan, end_deg=nan)


def _in_order(reps: list[Rep]) -> tuple[Rep, ...]:
    """Each with its rest until the next one; the last one's until the set ends."""
    reps = sorted(reps, key=lambda rep: rep.start_s)
    until_s = [*(rep.start_s for rep in reps[1:]), max((rep.next_start_s for rep in reps), default=0.0)]
    return tuple(replace(rep, next_start_s=max(end_s, rep.end_s)) for rep, end_s in zip(reps, until_s, strict=True))
