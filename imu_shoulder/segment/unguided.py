"""Sets without a drill: counted about the main axis of one sensor's motion."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from imu_shoulder.drills import Drill
from imu_shoulder.model import UPPER_ARM, WRIST, FloatArray, Side, Track, on_arm
from imu_shoulder.segment.model import ArmSet, Rep, rows_between, unseen_stretches

if TYPE_CHECKING:
    from imu_shoulder.segment.free import FreeRep, FreeSet

ANGLE = "main_axis"


def counting_track(tracks: Mapping[str, Track], side: Side, rows: slice = slice(None)) -> Track:
    """The sensor that moves most in any exercise of this arm, of those that saw the rows. tracks: by placement."""
    worn = [tracks[p] for p in (on_arm(side, WRIST), on_arm(side, UPPER_ARM)) if p in tracks]
    seen = [track for track in worn if track.valid[rows].mean() > 0.5] if len(worn) > 1 else worn
    return (seen or worn)[0]


def marked_set(
    number: int,
    drill: Drill | None,
    side: Side,
    track: Track,
    time_s: FloatArray,
    rate_hz: float,
    span_s: tuple[float, float],
) -> ArmSet:
    """The one set of a marked stretch: all its exercise together, without reps if there is none.

    drill: what was asked, if anything; its reps are counted and not judged. Not those of one that is cut by stations:
    there several strokes make one rep.
    """
    from imu_shoulder.segment.free import FreeSet, find_free_sets  # takes its time to be imported

    rows = rows_between(time_s, *span_s)
    unseen = unseen_stretches(time_s[rows], track.valid[rows])
    stroke_by_stroke = drill is not None and drill.by_stations
    found = (
        [] if stroke_by_stroke else find_free_sets(time_s[rows], track.acc_m_s2[rows], track.gyr_rad_s[rows], rate_hz)
    )
    if not found:
        empty = np.full(rows.stop - rows.start, np.nan)
        nothing = ArmSet(number, drill, side, "lift", ANGLE, *span_s, (rows.start, rows.stop), empty, (), True)
        return replace(nothing, unseen=unseen)
    joined = FreeSet(
        np.concatenate([free.time_s for free in found]),
        np.concatenate([free.curve_rad for free in found]),
        tuple(rep for free in found for rep in free.reps),
    )
    return replace(_arm_set(number, side, joined, time_s, span_s), drill=drill, unseen=unseen)


def _arm_set(
    number: int, side: Side, free: FreeSet, time_s: FloatArray, span_s: tuple[float, float] | None = None
) -> ArmSet:
    start_s, end_s = span_s or (float(free.time_s[0]), float(free.time_s[-1]))
    rows = rows_between(time_s, start_s, end_s)
    curve = np.interp(time_s[rows], free.time_s, np.degrees(free.curve_rad), left=np.nan, right=np.nan)
    reps = tuple(_rep(free, k) for k in range(len(free.reps)))
    return ArmSet(number, None, side, "lift", ANGLE, start_s, end_s, (rows.start, rows.stop), curve, reps, True)


def _rep(free: FreeSet, place: int) -> Rep:
    rep: FreeRep = free.reps[place]
    following = free.reps[place + 1].start_s if place + 1 < len(free.reps) else float(free.time_s[-1])
    degrees = np.degrees(free.curve_rad)
    start_deg, end_deg = np.interp([rep.start_s, rep.end_s], free.time_s, degrees).tolist()
    top = degrees[(free.time_s >= rep.top_start_s) & (free.time_s <= rep.top_end_s)]
    return Rep(
        rep.start_s,
        rep.top_start_s,
        rep.top_end_s,
        rep.end_s,
        max(following, rep.end_s),
        start_deg,
        float(np.median(top)) if len(top) else start_deg,
        end_deg,
        "partial" if rep.excluded == "partial" else "rep",
    )
