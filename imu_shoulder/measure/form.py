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
    "how far the trunk leaned during the rep",
    "largest change of trunk_lean_deg from the rep's start",
    "definition",
)
def trunk_lean_deg(data: RepData) -> float:
    values = data.angles.get("trunk_lean_deg")
    if values is None or not np.isfinite(values).any():
        return float("nan")
    seen = values[np.isfinite(values)]
    return float(np.abs(seen - seen[0]).max())
