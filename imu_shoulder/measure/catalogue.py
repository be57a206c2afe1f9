"""All measures there are: a module of measures is imported here."""

from __future__ import annotations

from functools import cache

from imu_shoulder.measure import (  # noqa: F401 - they declare
    form,
    hold,
    movement,
    pauses,
    scapula,
    station_holds,
    steadiness,
)
from imu_shoulder.measure.registry import Measure, declared


@cache
def all_measures() -> tuple[Measure, ...]:
    """Every declared measure, in the order of declaration."""
    return declared()
