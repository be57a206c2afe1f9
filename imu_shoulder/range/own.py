"""An athlete's own pain-free range out of the results of range tests, for drills that ask for a share of it."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path

from imu_shoulder.checked import complete, read_json
from imu_shoulder.errors import ShoulderError
from imu_shoulder.model import SIDES, Side

_WHAT, _DO = "range.json, which the command range writes", "run it again"


def own_range_deg(path: Path, pain_ceiling: float, error: type[ShoulderError]) -> Mapping[Side, Mapping[str, float]]:
    """Of each arm the range by angle, degrees: the mean of a test's trials, and of several tests the least.

    A test with pain over the ceiling (0 to 10) shows no pain-free range; one that reads several angles together, none
    of theirs. Raises `error` for a file that is no range.json.
    """
    table = read_json(path, _WHAT, error, _DO)
    found: dict[Side, dict[str, float]] = {side: {} for side in SIDES}
    with complete(_WHAT, path, error, _DO):
        for test in table["tests"]:
            angle = test["angle"]
            for side in SIDES:
                own = test["sides"].get(side, {"mean_deg": None})
                if angle is None or own["mean_deg"] is None or (own["pain"] or 0.0) > pain_ceiling:
                    continue
                found[side][angle] = min(float(own["mean_deg"]), found[side].get(angle, 360.0))
    return found
