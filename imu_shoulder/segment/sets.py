"""Sets of a session: which arm does what, about which angle, and the reps found in each."""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np

from imu_shoulder.angles.joint import HEADING_SD, ArmAngles
from imu_shoulder.arrays import bridged
from imu_shoulder.drills import AngleRange, Drill
from imu_shoulder.frames import unwrapped_deg
from imu_shoulder.model import SIDES, Event, FloatArray, Side
from imu_shoulder.segment.model import ArmSet, Rep, rows_between
from imu_shoulder.segment.reps import RepParams, find_reps
from imu_shoulder.segment.station_reps import find_station_reps, posture_names

# What a start range that is open below counts from: an arm that hangs.
HANGING_DEG = 5.0
# Rests of a drill that only asks "above the start" are judged against an arc of this size at least.
LEAST_ARC_DEG = 10.0


@dataclass(frozen=True, slots=True)
class SegmentParams:
    """How a set is cut into reps. heading_sd_deg: where it is known worse than this which way the body faces, stations
    are told without what turns with it.

    Sources. heading_sd_deg: ours, where reps are no longer judged by it either.
    """

    reps: RepParams = field(default_factory=RepParams)
    heading_sd_deg: float = 10.0


def asked_arc_deg(drill: Drill) -> float:
    """The least arc from rest to the top that the drill asks of its leading angle."""
    top = drill.leading_arc
    if top is None:
        return LEAST_ARC_DEG
    if top.above is not None:
        return max(top.low_deg, LEAST_ARC_DEG)
    start = next((r for r in drill.start if r.angle == drill.leading_angle), None)
    return max(top.low_deg - _nominal(start), LEAST_ARC_DEG)


def _nominal(start: AngleRange | None) -> float:
    """Where a range is aimed at: its middle, or a hanging arm where it is open below."""
    if start is None or np.isinf(start.low_deg):
        return HANGING_DEG
    return (start.low_deg + start.high_deg) / 2


# Where the arm is for so much of a set or longer is its rest.
LOW_SHARE = 0.2


def sets_out_elsewhere(drill: Drill, curve_deg: FloatArray) -> bool:
    """Whether a set's reps, by its leading angle (N,), set out from the drill's other start posture."""
    here, other = (
        next((r for r in ranges if r.angle == drill.leading_angle), None) for ranges in (drill.start, drill.or_start)
    )
    if here is None or other is None:
        return False
    low_deg = float(np.nanquantile(curve_deg, LOW_SHARE))
    return abs(low_deg - _nominal(other)) < abs(low_deg - _nominal(here))


def segment_set(
    number: int,
    event: Event,
    drill: Drill,
    time_s: FloatArray,
    rate_hz: float,
    arms: Mapping[Side, ArmAngles],
    params: SegmentParams,
    marks: tuple[bool, bool] = (True, True),
) -> tuple[ArmSet, ...]:
    """The arms of one marked set with a drill. An arm of which the leading angle is not known is left out.

    marks: whether the event begins and ends where the set was marked, and is not a stretch of it.
    """
    rows = rows_between(time_s, event.onset_s, event.end_s)
    asked = [side for side in SIDES if side in arms and (event.side in (side, "both", None) or drill.arms != "each")]
    curves: dict[Side, tuple[str, FloatArray]] = {}
    for side in asked:
        found = leading_curve(arms[side], drill, rows)
        if found is not None:
            curves[side] = found
    holder = _holder(curves, event.side) if drill.arms == "hold_and_lift" else None
    out: list[ArmSet] = []
    # The holding arm comes last: it is judged over the time in which the other one lifts.
    for side in sorted(curves, key=lambda side: side == holder):
        name, curve = curves[side]
        role = "hold" if side == holder else "lift"
        reps: tuple[Rep, ...] = ()
        if role == "hold":
            lifted = [rep for arm_set in out for rep in arm_set.counted]
            reps = held_while(lifted, time_s[rows], curve, event)
        elif np.isfinite(curve).any():
            reps = _drill_reps(time_s[rows], curve, rate_hz, arms[side], drill, rows, params, marks)
        out.append(
            ArmSet(number, drill, side, role, name, event.onset_s, event.end_s, (rows.start, rows.stop), curve, reps)
        )
    return tuple(out)


def held_while(lifted: Sequence[Rep], time_s: FloatArray, curve: FloatArray, event: Event) -> tuple[Rep, ...]:
    """The holding arm's one long hold, as a rep of kind "hold" without lift or lowering.

    lifted: the other arm's reps, in order, over which it lasts; without any it lasts for the whole set.
    time_s, curve: (N,) of the set.
    """
    start_s, end_s = (lifted[0].start_s, lifted[-1].end_s) if lifted else (event.onset_s, event.end_s)
    inside = curve[rows_between(time_s, start_s, end_s)]
    if not np.isfinite(inside).any():
        return ()
    level = float(np.nanmedian(inside))
    return (Rep(start_s, start_s, end_s, end_s, end_s, level, level, level, "hold"),)


def leading_name(angles: Collection[str], drill: Drill) -> str | None:
    """The leading angle, or the nearest a lone wrist sensor gives: its own elevation. None where neither is seen.

    angles: names of the columns there are.
    """
    leading = drill.leading_angle
    names = [leading] if leading != "elevation" else [leading, "forearm_elevation"]
    return next((name for name in names if f"{name}_deg" in angles), None)


def leading_curve(arm: ArmAngles, drill: Drill, rows: slice) -> tuple[str, FloatArray] | None:
    """The leading angle's name and values over the rows of a set, without jumps by 360; None where it is not known."""
    name = leading_name(arm.angles, drill)
    if name is None or (drill.leading_angle in ("elevation", "plane") and arm.not_told(rows)):
        return None
    values = _of_rows(arm, f"{name}_deg", rows)
    return name, unwrapped_deg(values) if name == "rotation" else values


def _of_rows(arm: ArmAngles, column: str, rows: slice) -> FloatArray:
    """An angle over some rows, to be cut by: a rotation without those in which the forearm was not seen. The upper arm
    alone tells it then, and it jumps."""
    values = arm.angles[column][rows]
    if column != "rotation_deg" or "elbow_deg" not in arm.angles:
        return values.copy()
    return np.where(np.isnan(arm.angles["elbow_deg"][rows]), np.nan, values)


def heading_sd_deg(arm: ArmAngles, rows: slice) -> float:
    """How well it was known over these rows which way the body faced; 0 where nothing is said of it."""
    found = {**arm.angles, **arm.hidden}.get(HEADING_SD)
    return 0.0 if found is None or not np.isfinite(found[rows]).any() else float(np.nanmedian(found[rows]))


def stations_untold(drill: Drill, arm: ArmAngles, rows: slice) -> set[str]:
    """Angles that cut the drill's reps into stations and are not known of this arm; none for a drill of one station."""
    if not drill.by_stations:
        return set()
    missing = {name for name in posture_names(drill) if f"{name}_deg" not in arm.angles}
    return missing | (posture_names(drill) & {"elevation", "plane"} if arm.not_told(rows) else set())


def _holder(curves: Mapping[Side, tuple[str, FloatArray]], lifting: str | None) -> Side | None:
    """The arm that is asked to hold: the one the event does not name, else the one that moves less."""
    if len(curves) < 2:
        return None if lifting in curves else next(iter(curves), None)
    if lifting in SIDES:
        return "left" if lifting == "right" else "right"
    spread = {side: float(np.nanstd(curve)) if np.isfinite(curve).any() else 0.0 for side, (_, curve) in curves.items()}
    return min(spread, key=lambda side: spread[side])


def _drill_reps(
    time_s: FloatArray,
    curve: FloatArray,
    rate_hz: float,
    arm: ArmAngles,
    drill: Drill,
    rows: slice,
    params: SegmentParams,
    marks: tuple[bool, bool],
) -> tuple[Rep, ...]:
    if drill.by_stations:
        if stations_untold(drill, arm, rows):
            return ()
        angles = {column.removesuffix("_deg"): _of_rows(arm, column, rows) for column in arm.angles}
        faces = heading_sd_deg(arm, rows) <= params.heading_sd_deg
        return find_station_reps(time_s, angles, rate_hz, drill, marks, faces=faces)
    whole = bridged(curve)
    start = next((r for r in drill.start if r.angle == drill.leading_angle), None)
    # Getting into a start posture from below is no part of a rep.
    raised = start is not None and np.isfinite(start.low_deg) and not sets_out_elsewhere(drill, whole)
    floor = _nominal(start) if raised else None
    return find_reps(time_s, whole, rate_hz, asked_arc_deg(drill), params.reps, floor, marks)
