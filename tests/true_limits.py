"""What a rep truly missed of its drill, by the true angles: limits of the drill file, and no judge's code.

Only what is an angle: how long a hold or a stroke took, and which stations were passed, is not in here.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterator, Mapping
from dataclasses import dataclass

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view
from second_simulator import Truth as SecondTruth

from imu_shoulder.drills import AngleRange, Drill
from imu_shoulder.frames import Y_AXIS, Z_AXIS, rotation_from_quat
from imu_shoulder.model import FloatArray, Side
from imu_shoulder.simulate import Truth

Span = tuple[float, float]

FORM_FAULTS = {
    "thumb_up": "thumb_down",
    "elbow": "elbow_off",
    "plane": "plane_off",
    "elevation": "upper_arm_off",
    "rotation": "rotation_off",
    "forearm": "forearm_off",
}
START_S = 0.25
# What is asked all the way is missed by what lasts as long as a drill's page says.
LASTS_S = 0.3


@dataclass(frozen=True, slots=True)
class TrueArm:
    """One arm's truth over a recording.

    angles_deg: by column, (N,) on time_s. upper_arm: where it points, in the trunk (N, 3). trunk_up: where the vertical
    points in the trunk (N, 3).
    """

    time_s: FloatArray
    angles_deg: Mapping[str, FloatArray]
    upper_arm: FloatArray
    trunk_up: FloatArray

    def rows(self, span_s: Span) -> slice:
        first, last = np.searchsorted(self.time_s, span_s)
        return slice(int(first), max(int(last), int(first) + 1))

    def median_deg(self, angle: str, span_s: Span) -> float:
        values = self.angles_deg[f"{angle}_deg"][self.rows(span_s)]
        return float(np.nanmedian(values)) if np.isfinite(values).any() else np.nan

    def kept_deg(self, angle: str, span_s: Span, sign: float) -> float:
        """The most (sign 1) or least (sign -1) that lasts for LASTS_S."""
        values = sign * self.angles_deg[f"{angle}_deg"][self.rows(span_s)]
        width = min(len(values), round(LASTS_S / (self.time_s[1] - self.time_s[0])))
        known = np.where(np.isfinite(values), values, -np.inf)
        return sign * float(sliding_window_view(known, width).min(axis=1).max())


def true_arm(truth: Truth | SecondTruth, side: Side, angles_deg: Mapping[str, FloatArray]) -> TrueArm:
    """Of either simulator's truth. angles_deg: its columns of this arm, the second one's trunk with them."""
    trunk_from_earth = rotation_from_quat(truth.quats["thorax"]).inv()
    upper_arm = (trunk_from_earth * rotation_from_quat(truth.quats[f"{side}_humerus"])).apply(-Y_AXIS)
    return TrueArm(truth.time_s, angles_deg, upper_arm, trunk_from_earth.apply(Z_AXIS))


def margins_deg(drill: Drill, arm: TrueArm, rep_s: Span, stays_s: Mapping[str, Span], holds: bool) -> dict[str, float]:
    """By fault how far inside its limit the rep was at the worst place, degrees, negative where it was missed.

    rep_s: from setting out to being back. stays_s: when each station was held, by name. holds: an arm that stays up.
    """
    out: dict[str, float] = defaultdict(lambda: np.inf)
    for fault, margin in _margins(drill, arm, rep_s, stays_s, holds):
        if np.isfinite(margin):
            out[fault] = min(out[fault], margin)
    return dict(out)


def _margins(
    drill: Drill, arm: TrueArm, rep_s: Span, stays_s: Mapping[str, Span], holds: bool
) -> Iterator[tuple[str, float]]:
    places = {**stays_s, "start": (rep_s[0] - START_S, rep_s[0])}
    top_s = stays_s.get(drill.top.name)

    def inside(asked: AngleRange, low_deg: float, high_deg: float) -> float:
        base = 0.0 if asked.above is None else arm.median_deg(asked.angle, places.get(asked.above, (np.nan, np.nan)))
        return min(low_deg - base - asked.low_deg, asked.high_deg - (high_deg - base))

    for limit in drill.form.limits:
        asked, fault = limit.asked, FORM_FAULTS[limit.asked.angle]
        span_s = (
            rep_s if limit.where == "all" else top_s if limit.where in ("top", "hold") else stays_s.get(limit.where)
        )
        if span_s is None:
            continue
        if limit.where in ("all", "hold"):
            yield fault, inside(asked, *(arm.kept_deg(asked.angle, span_s, sign) for sign in (-1.0, 1.0)))
        else:
            yield fault, inside(asked, *2 * (arm.median_deg(asked.angle, span_s),))
    for station in drill.stations:
        for asked in station.ranges:
            if station.name not in stays_s or (asked.above not in (None, *places)):
                continue
            value = arm.median_deg(asked.angle, stays_s[station.name])
            if asked is not drill.arc:
                yield "station_off", inside(asked, value, value)
                continue
            yield "short_arc", inside(asked, value, -np.inf)
            yield "over_arc", inside(asked, np.inf, value)
    if holds:
        return
    starts = [start for start in (drill.start, drill.or_start) if start]
    if starts:
        begun = {r.angle: arm.median_deg(r.angle, places["start"]) for start in starts for r in start}
        yield "start_missed", max(min(inside(r, begun[r.angle], begun[r.angle]) for r in start) for start in starts)
    rows = arm.rows(rep_s)
    if drill.form.upper_arm_swing_deg is not None:
        yield "upper_arm_off", drill.form.upper_arm_swing_deg - _furthest_deg(arm.upper_arm[rows])
    if drill.form.trunk_deg is not None:
        yield "trunk_moved", drill.form.trunk_deg - _furthest_deg(arm.trunk_up[rows])
        if drill.body == "upright" and top_s is not None:
            turned = arm.median_deg("trunk_turn", top_s) - arm.median_deg("trunk_turn", places["start"])
            yield "trunk_moved", drill.form.trunk_deg - abs((turned + 180) % 360 - 180)


def _furthest_deg(directions: FloatArray) -> float:
    """The largest angle between unit vectors (N, 3) and the first one."""
    return float(np.degrees(np.arccos(np.clip(directions @ directions[0], -1, 1))).max())
