"""Form at the top of the rep: medians over the hold, so that one sample blames nobody."""

from __future__ import annotations

import numpy as np

from imu_shoulder.measure.registry import RepData, measure


def _at_top(data: RepData, column: str) -> float:
    values = data.angles.get(column)
    if values is None:
        return float("nan")
    # A turn-round without a hold is looked at over a fifth of a second.
    middle = (data.rep.top_start_s + data.rep.top_end_s) / 2
    half = max((data.rep.top_end_s - data.rep.top_start_s) / 2, 0.1)
    seen = values[data.rows(middle - half, middle + half)]
    seen = seen[np.isfinite(seen)]
    return float(np.median(seen)) if len(seen) else float("nan")


@measure("elbow_deg", "deg", "elbow flexion at the top", "median of elbow_deg over the hold", "definition")
def elbow_deg(data: RepData) -> float:
    return _at_top(data, "elbow_deg")


@measure("thumb_up_deg", "deg", "thumb side above the level at the top", "median over the hold", "definition")
def thumb_up_deg(data: RepData) -> float:
    return _at_top(data, "thumb_up_deg")


@measure("plane_deg", "deg", "plane of elevation at the top, 0 side, 90 front", "median over the hold", "definition")
def plane_deg(data: RepData) -> float:
    return _at_top(data, "plane_deg")


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
    "how much of the rise against gravity came from the trunk",
    "change of elevation against gravity minus change about the trunk, start to top; needs the trunk as reference",
    "definition",
)
def elevation_owed_deg(data: RepData) -> float:
    return _change_to_top(data, "elevation_gravity_deg") - _change_to_top(data, "elevation_deg")


def _change_to_top(data: RepData, column: str) -> float:
    values = data.angles.get(column)
    if values is None or not len(values):
        return float("nan")
    change = _at_top(data, column) - values[0]
    return float((change + 180.0) % 360.0 - 180.0)
