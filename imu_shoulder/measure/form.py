"""Form at the top of the rep: medians over the hold, so that one sample blames nobody."""

from __future__ import annotations

import numpy as np

from imu_shoulder.frames import wrap_deg
from imu_shoulder.measure.hold import settled_rows
from imu_shoulder.measure.registry import RepData, measure
from imu_shoulder.measure.steadiness import pointing
from imu_shoulder.model import FloatArray

# How long at either end of a hold is looked at to tell how far something moved in it.
END_S = 0.5


def _at_top(data: RepData, column: str) -> float:
    values = data.angles.get(column)
    return float("nan") if values is None else at_top(data, values)


def at_top(data: RepData, values: FloatArray) -> float:
    """Median of (N,) values over the hold; NaN where none is seen."""
    # A turn-round without a hold is looked at over a fifth of a second.
    middle = (data.rep.top_start_s + data.rep.top_end_s) / 2
    half = max((data.rep.top_end_s - data.rep.top_start_s) / 2, 0.1)
    return median_seen(values[data.rows(middle - half, middle + half)])


def median_seen(values: FloatArray) -> float:
    """Median of the finite values; NaN if there is none."""
    # For the few rows of a hold much quicker than numpy's median.
    seen = np.sort(values[np.isfinite(values)])
    count = len(seen)
    return float(seen[(count - 1) // 2] + seen[count // 2]) / 2 if count else float("nan")


@measure("elbow_deg", "deg", "elbow flexion at the top", "median of elbow_deg over the hold", "definition")
def elbow_deg(data: RepData) -> float:
    return _at_top(data, "elbow_deg")


@measure("thumb_up_deg", "deg", "thumb side above the level at the top", "median over the hold", "definition")
def thumb_up_deg(data: RepData) -> float:
    return _at_top(data, "thumb_up_deg")


@measure("plane_deg", "deg", "plane of elevation at the top, 0 side, 90 front", "median over the hold", "definition")
def plane_deg(data: RepData) -> float:
    return _at_top(data, "plane_deg")


@measure("elevation_at_top_deg", "deg", "elevation at the top", "median over the hold", "definition")
def elevation_at_top_deg(data: RepData) -> float:
    return _at_top(data, "elevation_deg")


@measure("rotation_at_top_deg", "deg", "rotation at the top, external positive", "median over the hold", "definition")
def rotation_at_top_deg(data: RepData) -> float:
    return _at_top(data, "rotation_deg")


@measure("forearm_at_top_deg", "deg", "forearm rotation at the top", "median over the hold", "definition")
def forearm_at_top_deg(data: RepData) -> float:
    return _at_top(data, "forearm_deg")


@measure(
    "upper_arm_swing_deg",
    "deg",
    "how far the upper arm swung from where it pointed at the start",
    "largest angle during the rep between the upper arm's direction, low-passed at 3 Hz, and that at the rep's start; "
    "seen from the trunk where a sensor on it is joined to the arm",
    "definition",
)
def upper_arm_swing_deg(data: RepData) -> float:
    direction = pointing(data, "upper_arm", slice(None))
    if not len(direction):
        return float("nan")
    return float(np.degrees(np.arccos(np.clip(direction @ direction[0], -1.0, 1.0))).max())


@measure(
    "heading_sd_deg",
    "deg",
    "how well it is known which way the body faced",
    "largest standard deviation of the direction during the rep, in which rotation and plane may be off as a whole",
    "definition",
)
def heading_sd_deg(data: RepData) -> float:
    sd = data.angles.get("heading_sd_deg")
    seen = np.empty(0) if sd is None else sd[np.isfinite(sd)]
    return float(seen.max()) if len(seen) else float("nan")


@measure(
    "trunk_lean_deg",
    "deg",
    "how far the trunk leaned (or, lying, rolled) during the rep",
    "largest angle between the vertical in trunk components now and at the rep's start",
    "definition",
)
def trunk_lean_deg(data: RepData) -> float:
    columns = [data.angles.get(f"trunk_up_{axis}") for axis in "xyz"]
    if any(column is None for column in columns):
        return float("nan")
    up = np.column_stack([column for column in columns if column is not None])
    up = up[np.isfinite(up).all(axis=1)]
    if not len(up):
        return float("nan")
    return float(np.degrees(np.arccos(np.clip(up @ up[0], -1.0, 1.0))).max())


@measure(
    "trunk_turn_deg",
    "deg",
    "how far the trunk turned about the vertical during the rep, left positive",
    "change of trunk_turn_deg from the rep's start to its top",
    "definition",
)
def trunk_turn_deg(data: RepData) -> float:
    return _change_to_top(data, "trunk_turn_deg")


@measure(
    "elevation_owed_deg",
    "deg",
    "how much of the arm's rise against gravity came from the trunk's lean, negative where the lean took from it",
    "change of elevation against gravity minus change about the trunk, start to top; empty where elevation is not "
    "about the trunk: it then is at most trunk_lean_deg",
    "definition",
)
def elevation_owed_deg(data: RepData) -> float:
    about, against = data.angles.get("elevation_deg"), data.angles.get("elevation_gravity_deg")
    # About gravity the two are one angle, and what the trunk did is not known.
    if about is None or against is None or np.array_equal(about, against, equal_nan=True):
        return float("nan")
    return _change_to_top(data, "elevation_gravity_deg") - _change_to_top(data, "elevation_deg")


@measure(
    "arms_apart_deg",
    "deg",
    "for both arms under one band: how far apart they are, seen from above",
    "180 - plane_deg - the other arm's plane_deg, median over the settled hold: the angle between the two planes of "
    "elevation, 180 with both arms to the sides, 0 with both straight ahead",
    "definition",
)
def arms_apart_deg(data: RepData) -> float:
    return median_seen(_apart(data))


@measure(
    "arms_closing_deg",
    "deg",
    "for both arms under one band: how far they drifted together in the hold, negative when apart",
    "arms_apart_deg over the first 0.5 s of the settled hold minus that over the last 0.5 s",
    "definition",
)
def arms_closing_deg(data: RepData) -> float:
    apart = _apart(data)
    end = round(END_S * data.rate_hz)
    return median_seen(apart[:end]) - median_seen(apart[-end:]) if len(apart) >= 2 * end else float("nan")


def _apart(data: RepData) -> FloatArray:
    mine, other = data.angles.get("plane_deg"), data.angles.get("other_plane_deg")
    if mine is None or other is None or data.rep.kind == "hold":
        return np.empty(0)
    rows = settled_rows(data)
    # Both arms must be up: the plane of a hanging arm means nothing and is not known.
    return np.asarray(180.0 - mine[rows] - other[rows])


@measure(
    "dip_deg",
    "deg",
    "for an arm that holds: its deepest drop while the other arm lifts",
    "median of the hold minus its least angle, low-passed at 3 Hz",
    "definition",
)
def dip_deg(data: RepData) -> float:
    if data.rep.kind != "hold" or not len(data.lead_deg):
        return float("nan")
    return data.rep.top_deg - float(data.cut(data.curves.smooth_deg).min())


@measure(
    "start_off_deg",
    "deg",
    "how far outside the drill's start posture the rep set out",
    "largest over the start's angles of what is above the range at the rep's start, or below it 0.5 to 1 s before",
    "definition",
)
def start_off_deg(data: RepData) -> float:
    if data.drill is None or not data.drill.start or data.rep.kind == "hold":
        return float("nan")
    off = []
    for asked in data.drill.start:
        values = data.curves.smooth_column(f"{asked.angle}_deg")
        if values is None or not len(data.time_s):
            return float("nan")
        row = data.first_row
        # A lift from below passes through the range's lower end as if it began there.
        before = values[max(row - round(data.rate_hz), 0) : max(row - round(0.5 * data.rate_hz), 0) + 1]
        off += [float(values[row]) - asked.high_deg, asked.low_deg - float(np.median(before))]
    return max(*off, 0.0)


def _change_to_top(data: RepData, column: str) -> float:
    values = data.angles.get(column)
    if values is None or not len(values):
        return float("nan")
    change = _at_top(data, column) - values[0]
    return float(wrap_deg(change))
