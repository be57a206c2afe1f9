"""Whether every station of a drill is passed, in order."""

from __future__ import annotations

from collections.abc import Mapping

from imu_shoulder.assess import limits
from imu_shoulder.assess.fault import Case, Criterion, Fault
from imu_shoulder.assess.limits import Reading
from imu_shoulder.drills import Drill, Station
from imu_shoulder.drills.limits import AngleRange
from imu_shoulder.measure.registry import RepData
from imu_shoulder.measure.station_holds import first_order, longest_visits

# A last station missed after this much of the way was aimed at and not reached; after less it was left out.
AIMED_PCT = 33.0
# From here on the arm got there, and what was missing is the rest of the posture.
REACHED_PCT = 97.0


def skipped(data: RepData) -> list[str]:
    """The stations of the drill that the rep did not visit."""
    visited = set(first_order(data))
    return [] if data.drill is None else [s.name for s in data.drill.stations if s.name not in visited]


def top_aimed_at(drill: Drill, case: Case) -> bool:
    """Whether the last of several stations alone was missed, and not left out: its arc was too short."""
    return _top_alone(drill, case) and AIMED_PCT <= case.values["top_share_pct"] < REACHED_PCT


def top_beside(drill: Drill, case: Case) -> bool:
    """Whether the last of several stations alone was missed, though the arm went as far as it asks."""
    return _top_alone(drill, case) and case.values["top_share_pct"] >= REACHED_PCT


def _top_alone(drill: Drill, case: Case) -> bool:
    return drill.by_stations and skipped(case.data) == [drill.top.name]


def station_skipped(drill: Drill, case: Case) -> float:
    return float(
        drill.by_stations and bool(skipped(case.data)) and not top_aimed_at(drill, case) and not top_beside(drill, case)
    )


def order_wrong(drill: Drill, case: Case) -> float:
    visited = first_order(case.data)
    return float(drill.by_stations and visited != [s.name for s in drill.stations if s.name in visited])


def at_stations(drill: Drill, case: Case, *, arc: bool) -> list[tuple[Station, AngleRange, Reading]]:
    """What each station asks beside the arc, or (arc) the arc alone, with what was seen over the longest stay there."""
    data = case.data
    rows = {visit.name: data.rows(visit.start_s, visit.end_s) for visit in longest_visits(data)}
    if not drill.by_stations:
        rows = {drill.top.name: data.top}
    return [
        (station, asked, limits.at_station(case, asked, rows[station.name], _base_deg(case, asked, rows)))
        for station in drill.stations
        if station.name in rows
        for asked in station.ranges
        if (asked is drill.arc) == arc and not limits.untold(case, asked.angle, asked.above)
    ]


def _base_deg(case: Case, asked: AngleRange, rows: Mapping[str, slice]) -> float:
    """What a range counts from: nothing, the rep's start or where a station was held; NaN where that is not known."""
    if asked.above is None:
        return 0.0
    return limits.median_deg(case.data, asked.angle, slice(0, 1) if asked.above == "start" else rows.get(asked.above))


def station_off(drill: Drill, case: Case) -> float:
    off = [_missed(asked, own) for _, asked, own in at_stations(drill, case, arc=False)]
    return limits.worst([float(top_beside(drill, case)), *off])


def _missed(asked: AngleRange, own: Reading) -> float:
    return limits.beyond(own, (asked.low_deg, asked.high_deg))


def off_notes(case: Case) -> list[str]:
    drill = case.data.drill
    if drill is None:
        return []
    found = at_stations(drill, case, arc=False)
    beside = [f"{drill.top.name} reached, but not held in its posture"] if top_beside(drill, case) else []
    return beside + [
        f"at {station.name} {limits.seen_text(asked, own)}"
        for station, asked, own in found
        if _missed(asked, own) >= case.params.close_from
    ]


def asked(drill: Drill) -> str:
    return ", then ".join(station.name for station in drill.stations) if drill.by_stations else ""


CRITERION = Criterion(
    name="stations",
    place=100,
    label="Stations",
    asked=asked,
    numbers=("top_share_pct",),
    lifts_only=True,
    faults=(
        Fault(
            name="station_skipped",
            place=130,
            raised=50,
            missed=station_skipped,
            label="a station skipped",
            advice="Do every station",
            cue="every station",
            meaning="a station of the drill was left out",
            notes=lambda case: [f"skipped: {', '.join(skipped(case.data))}"],
        ),
        Fault(
            name="station_off",
            place=135,
            raised=55,
            missed=station_off,
            label="posture off at a station",
            advice="At each station take the whole posture",
            cue="mind the posture",
            meaning="a station was held, but not in the posture that it asks for; the notes say what was seen",
            of_holder=True,
            notes=off_notes,
        ),
        Fault(
            name="order_wrong",
            place=140,
            raised=60,
            missed=order_wrong,
            label="stations out of order",
            advice="Keep the order of the stations",
            cue="keep the order",
            meaning="the stations were done in another order",
            notes=lambda case: [f"order: {', '.join(first_order(case.data))}"],
        ),
    ),
)
