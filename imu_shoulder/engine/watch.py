"""What one arm is doing right now, from the past only: lifting, holding, lowering, resting, or not seen."""

from __future__ import annotations

from collections import deque
from collections.abc import Sequence
from math import isfinite
from statistics import median
from typing import Literal

import numpy as np

from imu_shoulder.analysis import StreamParams
from imu_shoulder.drills import Drill
from imu_shoulder.measure.hold import BREAK_DEG, SETTLE_S, above_floor, detrended_sd
from imu_shoulder.measure.registry import Floor
from imu_shoulder.segment.sets import HANGING_DEG, asked_arc_deg

Phase = Literal["lift", "hold", "lower", "rest", "unseen"]

# Steadiness is that of the last so many seconds of the hold, shown from LEAST_S of them on.
STEADY_OVER_S = 2.0
LEAST_S = 0.8
# Shaky: this many times as unsteady as the athlete's own last holds, and by more than this.
SHAKY_TIMES = 1.5
SHAKY_DEG = 0.15
# Sinking faster than this in the hold is the start of lowering, though it is not yet said.
SINKING_DEG_S = 5.0
# The steadiness is worked out anew this often.
STEADY_EVERY_S = 0.1
# At rest: no further from the start than this share of the asked arc.
REST_SHARE = 0.25
# On the way back: in this share of the asked arc.
BACK_SHARE = 0.6
# Live angles are off by about so much against those of the report: an arm that stays this near to the band holds.
NEAR_DEG = 2.0


class ArmWatch:
    """Push the leading angle row by row.

    held_s: how long the last hold of the rep was, once it is over: until the arm began to sink.
    lowered_s: when the arm was last seen lowering.
    """

    def __init__(self, drill: Drill, role: str, rate_hz: float, params: StreamParams) -> None:
        self.role = role
        self.phase: Phase = "rest"
        self.angle_deg: float | None = None
        self.peak_deg: float | None = None
        self.hold_from_s: float | None = None
        self.held_s: float | None = None
        self.lowered_s = -np.inf
        self.station: str | None = None
        self.next_station: str | None = None
        self._drill, self._params = drill, params
        self._arc_deg = asked_arc_deg(drill)
        start = next((r for r in drill.start if r.angle == drill.leading_angle), None)
        self._start = start
        self._rest_deg: float | None = None
        # The band from where the arm rested when it was last asked for.
        self._band: tuple[float, tuple[float, float] | None] = (np.nan, None)
        if start is not None:
            self._rest_deg = HANGING_DEG if np.isinf(start.low_deg) else (start.low_deg + start.high_deg) / 2
        self._recent: deque[tuple[float, float]] = deque(maxlen=max(3, round(params.velocity_s * rate_hz) + 1))
        self._level: deque[tuple[float, float]] = deque(maxlen=round(STEADY_OVER_S * rate_hz))
        self._level_s = 0.0
        self._sinks = False
        self._steady: tuple[float, float | None] = (-np.inf, None)
        self._seen_s: float | None = None
        self._resumes: Phase = "rest"

    @property
    def band_deg(self) -> tuple[float, float] | None:
        """The band asked at the top, for a rep from where the arm now rests."""
        rest_deg = self._rest_deg or 0.0
        if self._band[0] != rest_deg:
            self._band = rest_deg, self._drill.top_band_deg(rest_deg)
        return self._band[1]

    @property
    def hold_target_s(self) -> float | None:
        """How long is asked of the hold; None for no hold."""
        return self._drill.top.hold_s or None

    @property
    def is_back(self) -> bool:
        """Whether the arm is in the lower part of the asked arc: a rep does not end above it."""
        return self.angle_deg is None or self.angle_deg - (self._rest_deg or 0.0) < BACK_SHARE * self._arc_deg

    def push(self, time_s: float, angle_deg: float) -> None:
        if not isfinite(angle_deg):
            if self._seen_s is None or time_s - self._seen_s > self._params.unseen_s:
                self.angle_deg = None
                if self.phase != "unseen":
                    self._resumes, self.phase = self.phase, "unseen"
            return
        if self.phase == "unseen":
            self.phase = self._resumes
            self._recent.clear()
        self._seen_s, self.angle_deg = time_s, angle_deg
        self._recent.append((time_s, angle_deg))
        if self._rest_deg is None:
            self._rest_deg = angle_deg
        if len(self._recent) >= 3:
            self._decide(time_s, angle_deg, self._velocity())

    def hold_s(self, now_s: float) -> float | None:
        """How long the hold has lasted; None where there is none. It stands where the arm has begun to sink."""
        if self.hold_from_s is None or self.phase not in ("hold", "unseen"):
            return None
        return max(0.0, (self._level_s if self._sinks else now_s) - self.hold_from_s)

    def steadiness_deg(self) -> float | None:
        """SD about the line of the last part of the hold, the sensor's own noise taken off."""
        if self.phase != "hold" or self.hold_from_s is None or not self._level:
            return None
        newest_s = self._level[-1][0]
        if newest_s - self._steady[0] >= STEADY_EVERY_S:
            self._steady = newest_s, self._steadiness_deg(self.hold_from_s + SETTLE_S)
        return self._steady[1]

    def _steadiness_deg(self, settled_s: float) -> float | None:
        settled = [angle for time_s, angle in self._level if time_s >= settled_s]
        if len(settled) < 3 or self._level[-1][0] - settled_s < LEAST_S:
            return None
        return above_floor(detrended_sd(np.array(settled)), Floor().sd_deg)

    def _velocity(self) -> float:
        """Least-squares slope over the recent rows, deg/s: of its middle, half velocity_s ago.

        Plain sums: a dozen rows at a time, and arrays would take longer to set up.
        """
        mean_s = sum([time_s for time_s, _ in self._recent]) / len(self._recent)
        along = squares = 0.0
        for time_s, angle in self._recent:
            since_s = time_s - mean_s
            along += since_s * angle
            squares += since_s * since_s
        return along / squares

    def _decide(self, time_s: float, angle_deg: float, velocity: float) -> None:
        params, rest = self._params, self._rest_deg or 0.0
        slow = abs(velocity) < params.arrive_deg_s
        if self.phase == "hold":
            self._level.append((time_s, angle_deg))
            self._sinks = velocity < -SINKING_DEG_S
            if not self._sinks:
                # The turning that begins is in the later part of the rows that tell the velocity.
                self._level_s = time_s - params.velocity_s
            band = self.band_deg
            outside = band is not None and not band[0] - BREAK_DEG <= angle_deg <= band[1] + BREAK_DEG
            if velocity < -params.leave_deg_s or velocity > 2 * params.leave_deg_s or outside:
                assert self.hold_from_s is not None
                self.held_s = max(0.0, self._level_s - self.hold_from_s)
                self.phase = "lower" if velocity < 0 else "lift"
        elif slow and self._in_band(angle_deg):
            self.phase, self.hold_from_s, self.held_s = "hold", time_s, None
            self._level_s, self._sinks = time_s, False
            self._steady = (-np.inf, None)
            self._level.clear()
        elif slow and angle_deg - rest < REST_SHARE * self._arc_deg:
            self.phase = "rest"
            self._rest_at(angle_deg)
        elif velocity > params.arrive_deg_s:
            if self.phase in ("rest", "unseen"):
                self.peak_deg = self.held_s = None
            self.phase = "lift"
        elif velocity < -params.arrive_deg_s and self.phase != "rest":
            self.phase = "lower"
        if self.phase == "lower":
            self.lowered_s = time_s
        if self.phase in ("lift", "hold"):
            self.peak_deg = angle_deg if self.peak_deg is None else max(self.peak_deg, angle_deg)

    def _in_band(self, angle_deg: float) -> bool:
        band = self.band_deg
        return band is not None and band[0] - NEAR_DEG <= angle_deg <= band[1] + NEAR_DEG

    def _rest_at(self, angle_deg: float) -> None:
        """Follow where the arm rests; on the way into a start posture that lies higher it does not rest yet."""
        if self._start is not None and angle_deg < self._start.low_deg - BREAK_DEG:
            return
        rest = self._rest_deg
        self._rest_deg = angle_deg if rest is None else rest + 0.1 * (angle_deg - rest)


def steady_word(steadiness_deg: float | None, last_deg: Sequence[float]) -> str | None:
    """Against the athlete's own last holds; None without one."""
    known = [value for value in last_deg if isfinite(value)]
    if steadiness_deg is None or not known:
        return None
    usual = median(known)
    return "shaky" if steadiness_deg > max(SHAKY_TIMES * usual, usual + SHAKY_DEG) else "quiet"
