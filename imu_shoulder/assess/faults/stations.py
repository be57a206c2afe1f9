"""Whether every station of a drill is passed, in order."""

from __future__ import annotations

from imu_shoulder.assess.fault import Case, Criterion, Fault
from imu_shoulder.drills import Drill
from imu_shoulder.measure.registry import RepData
from imu_shoulder.measure.station_holds import first_order

# A last station missed after this much of the way was aimed at and not reached; after less it was left out.
AIMED_PCT = 33.0


def skipped(data: RepData) -> list[str]:
    """The stations of the drill that the rep did not visit."""
    visited = set(first_order(data))
    return [] if data.drill is None else [s.name for s in data.drill.stations if s.name not in visited]


def top_aimed_at(drill: Drill, case: Case) -> bool:
    """Whether the last of several stations alone was missed, and not left out: its arc was too short."""
    return skipped(case.data) == [drill.top.name] and case.values["top_share_pct"] >= AIMED_PCT


def station_skipped(drill: Drill, case: Case) -> bool:
    return drill.by_stations and bool(skipped(case.data)) and not top_aimed_at(drill, case)


def order_wrong(drill: Drill, case: Case) -> bool:
    visited = first_order(case.data)
    return drill.by_stations and visited != [s.name for s in drill.stations if s.name in visited]


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
            found=station_skipped,
            label="a station skipped",
            advice="Do every station",
            cue="every station",
            meaning="a station of the drill was left out",
            notes=lambda case: [f"skipped: {', '.join(skipped(case.data))}"],
        ),
        Fault(
            name="order_wrong",
            place=140,
            raised=60,
            found=order_wrong,
            label="stations out of order",
            advice="Keep the order of the stations",
            cue="keep the order",
            meaning="the stations were done in another order",
            notes=lambda case: [f"order: {', '.join(first_order(case.data))}"],
        ),
    ),
)
