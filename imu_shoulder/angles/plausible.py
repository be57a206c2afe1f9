"""Angles that no joint reaches: a sign that a sensor sits otherwise than the calibration says."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np

from imu_shoulder.arrays import runs
from imu_shoulder.drills.judged import JUDGED
from imu_shoulder.findings import finding_of
from imu_shoulder.model import SIDES, Finding, FloatArray, Side, on_arm

REACH = {angle.column: angle.reach for angle in JUDGED.values() if angle.reach is not None}
# The sensor that is named: of two, the one further down, which more easily sits otherwise than marked.
LAST_SHOWN_BY = {angle.column: angle.shown_by[-1] for angle in JUDGED.values()}
# Shorter excursions are left to the single rep.
LEAST_S = 1.0
# So many standard deviations further, with 95 % certainty: to one side, as only one end of a reach is in question.
SURE = 1.645


class Beyond:
    """What was out of reach for a second or longer, collected set by set: a warning per arm and angle."""

    def __init__(self) -> None:
        # Side and column -> the farthest value, when the first such stretch began and when the last one ended.
        self._found: dict[tuple[Side, str], tuple[float, float, float]] = {}

    def look(
        self,
        side: Side,
        time_s: FloatArray,
        angles: Mapping[str, FloatArray],
        sd: Mapping[str, FloatArray],
        rate_hz: float,
    ) -> None:
        """One set of one arm: its rows (N,), angles and their standard deviations by column.

        An angle of which it is not 95 % certain that it is beyond what joints do leaves open where the sensors sit.
        """
        for column, reach in REACH.items():
            values = angles.get(column)
            if values is None:
                continue
            low, high = reach.low_deg - reach.room_deg, reach.high_deg + reach.room_deg
            if column == "rotation_deg" and "elevation_deg" in angles:
                # Its zero is the trunk's: where that lies unseen, any reading may be right.
                values = np.where(np.isfinite(angles["elevation_deg"]), values, np.nan)
            # NaN is neither.
            open_deg = SURE * sd[column]
            beyond = (values < np.minimum(low, reach.low_deg - open_deg)) | (
                values > np.maximum(high, reach.high_deg + open_deg)
            )
            for first, last in runs(beyond):
                if last - first >= LEAST_S * rate_hz:
                    own = values[first:last]
                    farthest = float(own[np.abs(own).argmax()])
                    known = self._found.get((side, column), (farthest, float(time_s[first]), 0.0))
                    farthest = max(known[0], farthest, key=abs)
                    self._found[side, column] = farthest, known[1], float(time_s[last - 1])

    def findings(self) -> list[Finding]:
        """In the order of arms and angles."""
        found = sorted(self._found.items(), key=lambda own: (SIDES.index(own[0][0]), [*REACH].index(own[0][1])))
        return [
            finding_of(
                on_arm(side, LAST_SHOWN_BY[column]),
                "implausible_angle",
                f"The {side} arm's {REACH[column].name} reads {farthest:.0f} deg; people's joints go from "
                f"{REACH[column].low_deg:.0f} to {REACH[column].high_deg:.0f}. Check that the sensors sit as marked, "
                "and record the neutral pose again, thumbs forward.",
                value=round(farthest, 1),
                start_s=start_s,
                end_s=end_s,
            )
            for (side, column), (farthest, start_s, end_s) in found
        ]
