"""A set in which the arm moves and no rep is counted: what is seen of it, and what is asked."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass

from imu_shoulder.drills import Drill, load_shipped, shipped_ids
from imu_shoulder.engine.running import RunningSet
from imu_shoulder.engine.watch import NEAR_DEG, ArmWatch
from imu_shoulder.model import Side
from imu_shoulder.propose.fit import done_instead
from imu_shoulder.segment.proposing import FitParams

# What is seen to go, by the angle that leads.
WHAT = {"rotation": "forearm", "elbow": "elbow", "forearm": "forearm"}
# An arm that is back to within this of its start is back. The margin by which a start is missed in a report.
BACK_DEG = 6.0
# What is said stands for so long before it is worked out anew: a number that runs along is not read.
STANDS_S = 4.0
# Another drill is looked for in the motion since the last counted rep, and in no more than this.
BEFORE_S, INSTEAD_S = 2.0, 45.0
# Looked at less often than this, nothing is known of what was between: it is no motion.
MOST_S = 1.0


@dataclass(slots=True)
class _Stretch:
    """Since the last counted rep. moved_s: lifting or lowering; from the hold on, where the band was held once.

    reached_deg: the highest. back_deg: the lowest since it was in the band. said: in words, at said_s.
    """

    counted: int
    seen_s: float
    began_s: float
    moved_s: float = 0.0
    reached_deg: float = -math.inf
    back_deg: float = math.inf
    held: bool = False
    said: str | None = None
    said_s: float = -math.inf

    def look(self, watch: ArmWatch, now_s: float) -> None:
        since_s, self.seen_s = now_s - self.seen_s, now_s
        if watch.phase == "hold" and not self.held:
            # The rep is on its way: however slow it is, it has its time from here on.
            self.held, self.moved_s = True, 0.0
        if watch.phase in ("lift", "lower") and since_s <= MOST_S:
            self.moved_s += since_s
        if watch.angle_deg is None:
            return
        self.reached_deg = max(self.reached_deg, watch.angle_deg)
        band = watch.band_deg
        if band is not None and self.reached_deg >= band[0] - NEAR_DEG:
            self.back_deg = min(self.back_deg, watch.angle_deg)


class Uncounted:
    """Look while a set goes on. after_s: of motion without a counted rep, from which on it is said. drills: the user's
    own and the plan's by id, which may be done instead too. fit: by which it is told that one is."""

    def __init__(self, after_s: float, drills: Mapping[str, Drill] | None = None, fit: FitParams | None = None) -> None:
        self._after_s, self._drills, self._fit = after_s, dict(drills or {}), fit or FitParams()
        self._arms: dict[Side, _Stretch] = {}

    def begin(self) -> None:
        """A set begins."""
        self._arms = {}

    def look(self, live: RunningSet, now_s: float) -> None:
        for side, watch in live.watches.items():
            if watch.role != "lift":
                continue
            counted = live.counted(side)
            if side not in self._arms or self._arms[side].counted != counted:
                self._arms[side] = _Stretch(counted, now_s, now_s)
            arm, drill = self._arms[side], live.drill_of(side)
            arm.look(watch, now_s)
            if drill is None or arm.counted >= drill.dose.reps or arm.moved_s < self._after_s:
                arm.said = None
            elif arm.said is None or now_s - arm.said_s >= STANDS_S:
                who = side if len(live.watches) > 1 else WHAT.get(drill.leading_angle, "arm")
                arm.said, arm.said_s = self._instead(live, side, drill, arm) or _said(drill, watch, arm, who), now_s

    def _instead(self, live: RunningSet, side: Side, asked: Drill, arm: _Stretch) -> str | None:
        """That another drill is done, by the way in which a file tells drills. It takes a while: not in every look."""
        from_s = max(arm.began_s - BEFORE_S, arm.seen_s - INSTEAD_S)
        time_s, arms = live.recent(from_s)
        # A drill in its usual form is still the asked one, however the plan changed it.
        drills = [*map(load_shipped, shipped_ids()), *self._drills.values()]
        found = done_instead(asked, side, drills, time_s, live.rate_hz, arms, self._fit)
        return None if found is None else f"looks like: {found.title}"

    def now(self) -> dict[str, str] | None:
        """In the words of a cue; of the arm that has moved for longest. None where nothing is to be said."""
        late = [side for side, arm in self._arms.items() if arm.said is not None]
        if not late:
            return None
        side = max(late, key=lambda side: self._arms[side].moved_s)
        return {"code": "uncounted", "text": f"{self._arms[side].said}"}


def _said(drill: Drill, watch: ArmWatch, arm: _Stretch, who: str) -> str | None:
    if drill.by_stations:
        return None if watch.next_station is None else f"{watch.next_station.replace('_', ' ')} is not seen yet"
    band = watch.band_deg
    if band is None or not math.isfinite(arm.reached_deg):
        return None
    if not band[0] - NEAR_DEG <= arm.reached_deg <= band[1] + NEAR_DEG:
        return f"{who} goes to {arm.reached_deg:.0f}°, asked {_range(*band)}"
    start = next((asked for asked in drill.start if asked.angle == drill.leading_angle), None)
    if start is not None and math.isfinite(arm.back_deg) and arm.back_deg > start.high_deg + BACK_DEG:
        return f"{who} back to {arm.back_deg:.0f}°, asked {_range(start.low_deg, start.high_deg)}"
    return None


def _range(low_deg: float, high_deg: float) -> str:
    if math.isinf(high_deg):
        return f"{low_deg:.0f}° or more"
    if math.isinf(low_deg):
        return f"{high_deg:.0f}° or less"
    return f"{low_deg:.0f}° to {high_deg:.0f}°"
