"""Drills with stations: how still each was held, and how far towards the last one the rep came."""

from __future__ import annotations

from itertools import pairwise

import numpy as np

from imu_shoulder.drills import AngleRange
from imu_shoulder.frames import unwrapped_deg
from imu_shoulder.measure.form import median_seen
from imu_shoulder.measure.hold import BREAK_DEG, MIN_HOLD_S, SETTLE_S, above_floor
from imu_shoulder.measure.registry import RepData, measure
from imu_shoulder.measure.steadiness import pointing
from imu_shoulder.segment.model import StationVisit

# Back in the range for this long, a station is taken again.
RETAKEN_S = 0.1
# On the way back a stay of less than this share of those on the way there is passing through: ours.
HELD_SHARE = 0.6


@measure(
    "station_sway_deg",
    "deg",
    "unsteadiness of the least steady station",
    "largest over the stations of the RMS angle between the forearm's direction (low-passed at 3 Hz) and its own line, "
    "0.3 s after arriving to 0.3 s before leaving, minus the sensor's own in quadrature",
    "common practice",
)
def station_sway_deg(data: RepData) -> float:
    swayed = [sway for visit in longest_visits(data) if np.isfinite(sway := visit_sway_deg(data, visit))]
    return max(swayed, default=float("nan"))


def visit_sway_deg(data: RepData, visit: StationVisit) -> float:
    """RMS angle (deg) between the forearm's direction and its straight path over one stay; NaN for a short one."""
    if visit.end_s - visit.start_s < MIN_HOLD_S + 2 * SETTLE_S:
        return float("nan")
    direction = pointing(data, "forearm", data.rows(visit.start_s + SETTLE_S, visit.end_s - SETTLE_S))
    if not len(direction):
        return float("nan")
    along = np.arange(len(direction)) - (len(direction) - 1) / 2
    apart = direction - direction.mean(axis=0)
    apart -= along[:, None] * (along @ apart) / (along @ along)
    return above_floor(float(np.degrees(np.sqrt(np.mean(np.sum(apart**2, axis=1))))), data.floor.sd_deg)


@measure(
    "top_share_pct",
    "%",
    "how far towards the last station the rep came; 100 once it was reached",
    "100 x way of the station's first angle from the stay before, or the start, to its furthest / way to the nearer "
    "end of what is asked",
    "definition",
)
def top_share_pct(data: RepData) -> float:
    drill, rep = data.drill, data.rep
    if drill is None or drill.arc is None or not drill.by_stations or rep.kind == "hold":
        return float("nan")
    asked = drill.arc
    values = data.angles.get(f"{asked.angle}_deg")
    if values is None:
        return float("nan")
    before = [visit for visit in rep.visits if visit.name != drill.top.name]
    left_s = before[0].end_s if before else rep.start_s
    from_deg = median_seen(values[data.rows(left_s - 0.2, left_s)])
    goal_deg = _nearer_end(asked, from_deg, data, rep.visits)
    way = unwrapped_deg(values[np.isfinite(values)]) - from_deg
    if goal_deg == from_deg or not len(way):
        return float("nan")
    return 100.0 * float(np.clip((way / (goal_deg - from_deg)).max(), 0.0, 1.0))


def _nearer_end(asked: AngleRange, from_deg: float, data: RepData, visits: tuple[StationVisit, ...]) -> float:
    """The end of the asked range that a movement from from_deg meets first."""
    shift = 0.0
    if asked.above == "start":
        shift = data.rep.start_deg
    elif asked.above is not None:
        values = data.angles[f"{asked.angle}_deg"]
        held = next((visit for visit in visits if visit.name == asked.above), None)
        shift = from_deg if held is None else median_seen(values[data.rows(held.start_s, held.end_s)])
    ends = [shift + end for end in (asked.low_deg, asked.high_deg) if np.isfinite(end)]
    return min(ends, key=lambda end: abs(end - from_deg))


def visits_made(data: RepData) -> list[StationVisit]:
    """The stays in order of time, without short ones on the way back at stations that were left out before."""
    if data.drill is None:
        return list(data.rep.visits)
    asked_s = {station.name: station.hold_s for station in data.drill.stations}
    made: list[StationVisit] = []
    usual_s = 0.0
    for visit in data.rep.visits:
        before = {other.name for other in made}
        # As long as was asked is held, however long the others were.
        held = visit.end_s - visit.start_s >= min(HELD_SHARE * usual_s, asked_s[visit.name])
        if held or visit.name in before or data.drill.top.name not in before:
            made.append(visit)
        if data.drill.top.name not in before:
            usual_s = float(np.median([other.end_s - other.start_s for other in made]))
    return made


def longest_visits(data: RepData) -> list[StationVisit]:
    """The longest stay at each station, in the drill's order."""
    names = [] if data.drill is None else [station.name for station in data.drill.stations]
    stays = ([visit for visit in visits_made(data) if visit.name == name] for name in names)
    return [max(found, key=lambda visit: visit.end_s - visit.start_s) for found in stays if found]


def first_order(data: RepData) -> list[str]:
    """The stations in the order in which they were first visited."""
    return list(dict.fromkeys(visit.name for visit in visits_made(data)))


def twice_held(data: RepData) -> list[str]:
    """Stations that were left and taken again on the way up to and at the top: a broken hold."""
    visits = data.rep.visits
    if _top_left_and_retaken(data):
        return [visits[-1].name if data.drill is None else data.drill.top.name]
    at_top = [k for k, visit in enumerate(visits) if data.drill is not None and visit.name == data.drill.top.name]
    if not at_top:
        return []
    on_the_way = visits[: at_top[0] + 1]
    again = [a.name for a, b in pairwise(on_the_way) if a.name == b.name]
    return [*again, visits[at_top[0]].name] if len(at_top) > 1 else again


def _top_left_and_retaken(data: RepData) -> bool:
    """Whether the leading angle leaves the last station's range and retakes it, with no other station between."""
    drill = data.drill
    asked = None if drill is None else drill.leading_arc
    held = [visit for visit in data.rep.visits if drill is not None and visit.name == drill.top.name]
    if asked is None or asked.above is not None or not held:
        return False
    others = [visit.start_s for visit in data.rep.visits if visit.name != held[0].name]
    until_s = min((start_s for start_s in others if start_s > held[0].start_s), default=data.rep.end_s)
    after = data.lead_deg[data.rows(held[0].start_s, until_s)]
    out_by = np.maximum(asked.low_deg - after, after - asked.high_deg)
    left = np.flatnonzero(out_by > BREAK_DEG)
    return len(left) > 0 and int(np.count_nonzero(out_by[left[0] :] < 0)) >= RETAKEN_S * data.rate_hz


def station_text(data: RepData) -> str:
    """ "row 2.1 s 0.3 deg;rotate 1.9 s": each station's longest stay and its sway."""
    parts = []
    for visit in longest_visits(data):
        sway = visit_sway_deg(data, visit)
        steady = f" {sway:.1f} deg" if np.isfinite(sway) else ""
        parts.append(f"{visit.name} {visit.end_s - visit.start_s:.1f} s{steady}")
    return ";".join(parts)
