"""Pauses part-way up or down: holds of the same rep, between its start and its top."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from imu_shoulder.arrays import median_of, runs
from imu_shoulder.drills import AskedPause
from imu_shoulder.measure.registry import RepData, measure, once

# The arm pauses while it is this slow, as a share of the phase's fastest moment, and no faster than this at all.
STILL_SHARE = 0.12
STILL_DEG_S = 6.0
# A shorter stop is part of an uneven movement.
PAUSE_S = 0.5
# Nearer to either end of the arc it is part of the rest or of the hold.
END_SHARE = 0.1


@dataclass(frozen=True, slots=True)
class Pause:
    """One pause. way: "up" in the lift, "down" in the lowering. at_deg: median of the leading angle in it."""

    way: str
    start_s: float
    end_s: float
    at_deg: float

    @property
    def lasts_s(self) -> float:
        return self.end_s - self.start_s


@once
def pauses(data: RepData) -> tuple[Pause, ...]:
    """The pauses of a rep in time order. Drills with stations have named stays instead."""
    rep = data.rep
    if rep.kind == "hold" or rep.visits:
        return ()
    return _in_phase(data, "up", rep.start_s, rep.top_start_s) + _in_phase(data, "down", rep.top_end_s, rep.end_s)


def _in_phase(data: RepData, way: str, start_s: float, end_s: float) -> tuple[Pause, ...]:
    rows = data.rows(start_s, end_s)
    speed = np.abs(data.cut(data.curves.velocity_deg_s)[rows])
    if len(speed) < PAUSE_S * data.rate_hz or not np.isfinite(speed).all():
        return ()
    level = data.cut(data.curves.smooth_deg)[rows]
    still = speed < min(STILL_SHARE * float(speed.max()), STILL_DEG_S)
    low, high = data.rep.start_deg, data.rep.top_deg
    edge = END_SHARE * (high - low)
    times = data.time_s[rows]
    found = []
    for first, last in runs(still):
        if last - first < PAUSE_S * data.rate_hz:
            continue
        at_deg = median_of(level[first:last])
        if low + edge < at_deg < high - edge:
            found.append(Pause(way, float(times[first]), float(times[last - 1]), at_deg))
    return tuple(found)


def pieces(data: RepData, start_s: float, end_s: float) -> list[tuple[float, float]]:
    """A phase without its pauses: the stretches (start_s, end_s) in which the arm moves."""
    out = []
    for pause in pauses(data):
        if start_s <= pause.start_s and pause.end_s <= end_s:
            out.append((start_s, pause.start_s))
            start_s = pause.end_s
    return [*out, (start_s, end_s)]


def missing(data: RepData, asked: Sequence[AskedPause]) -> list[AskedPause]:
    """The pauses a drill asks for that the rep does not show for long enough."""
    return [
        ask
        for ask in asked
        if not any(
            found.way == ask.way
            and ask.low_deg <= found.at_deg - (data.rep.start_deg if ask.above == "start" else 0.0) <= ask.high_deg
            and found.lasts_s >= ask.hold_s - PAUSE_MARGIN_S
            for found in pauses(data)
        )
    ]


# Arriving and leaving eat into the still part of a pause.
PAUSE_MARGIN_S = 0.5


def pauses_text(data: RepData) -> str:
    """ "up 45 deg 2.1 s;down 30 deg 1.0 s", empty for none."""
    return ";".join(f"{pause.way} {pause.at_deg:.0f} deg {pause.lasts_s:.1f} s" for pause in pauses(data))


@measure(
    "pause_s",
    "s",
    "time spent in pauses part-way up or down",
    "stretches of 0.5 s or longer in which the angle, low-passed at 3 Hz, changes by less than 12 % of the phase's "
    "fastest and less than 6 deg/s, more than a tenth of the arc away from both its ends",
    "definition; the limits are ours",
)
def pause_s(data: RepData) -> float:
    return sum(pause.lasts_s for pause in pauses(data))
