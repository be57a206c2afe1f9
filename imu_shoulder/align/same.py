"""Sensors that have the same rows: one recording that was filed as two."""

from __future__ import annotations

from collections.abc import Mapping
from itertools import combinations

import numpy as np

from imu_shoulder.model import FloatArray
from imu_shoulder.spill import let_go

# So many rows are compared, and this share of them is the same at least; two sensors never read one row alike.
_ROWS, _SAME = 200, 0.2


def same_rows(sensors: Mapping[str, tuple[FloatArray, FloatArray]]) -> Mapping[str, str]:
    """Placements with that of the sensor whose rows they have, for part of the time at least. sensors: time_s (N,) and
    values (N, 6) of each."""
    out: dict[str, str] = {}
    for (name, (time_s, values)), (other, (other_s, other_values)) in combinations(sensors.items(), 2):
        if not len(time_s) or not len(other_s):
            continue
        rows = np.unique(np.linspace(0, len(time_s) - 1, _ROWS).astype(np.intp))
        after = np.clip(other_s.searchsorted(time_s[rows]), 1, len(other_s) - 1)
        twins = after - (time_s[rows] - other_s[after - 1] < other_s[after] - time_s[rows])
        own = values[rows]
        same = (own == other_values[twins]).all(axis=1) & own.any(axis=1)
        let_go()  # what lies around each of the rows came with it
        if np.count_nonzero(same) > _SAME * len(rows):
            out.setdefault(name, other)
            out.setdefault(other, name)
    return out
