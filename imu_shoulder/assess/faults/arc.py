"""How far the arm goes."""

from __future__ import annotations

from math import nan

from imu_shoulder.assess.fault import Case, Criterion, Fault, Limits, range_text
from imu_shoulder.assess.faults.stations import at_stations, top_aimed_at
from imu_shoulder.assess.limits import changed_sd_deg, lead_sd_deg, over, seen_text, under, worst
from imu_shoulder.drills import Drill


def short_arc(drill: Drill, case: Case) -> float:
    if drill.by_stations:
        short = [under(own.low_deg, asked.low_deg, own.sd_deg) for _, asked, own in at_stations(drill, case, arc=True)]
        return worst([float(top_aimed_at(drill, case)), *short])
    band = case.data.band_deg
    return 0.0 if band is None else under(case.values["top_deg"], band[0], _top_sd_deg(drill, case))


def over_arc(drill: Drill, case: Case) -> float:
    band = case.data.band_deg
    return 0.0 if band is None else over(case.values["top_deg"], band[1], _top_sd_deg(drill, case))


def _top_sd_deg(drill: Drill, case: Case) -> float:
    """Of the leading angle at the top, or of how far it went, where that is what is asked."""
    top = drill.leading_arc
    if top is None:
        return nan
    return lead_sd_deg(case) if top.above is None else changed_sd_deg(case.values["arc_deg"], case)


def notes(case: Case) -> list[str]:
    drill = case.data.drill
    if drill is None:
        return []
    if drill.by_stations:
        if top_aimed_at(drill, case):
            return [f"{drill.top.name} reached by {case.values['top_share_pct']:.0f} % of the way"]
        return [
            f"at {station.name} {seen_text(asked, own)}" for station, asked, own in at_stations(drill, case, arc=True)
        ]
    top = drill.leading_arc
    if top is None:
        return []
    value, since = (case.values["top_deg"], "") if top.above is None else (case.values["arc_deg"], " from the start")
    ends, sd_deg = range_text((top.low_deg, top.high_deg)), _top_sd_deg(drill, case)
    return [f"{drill.leading_angle} to {value:.0f} deg{since}, asked {ends} (give or take {sd_deg:.0f})"]


def asked(drill: Drill) -> str:
    top = drill.leading_arc
    if top is None or drill.by_stations:
        return ""
    above = " above the start" if top.above == "start" else ""
    return f"{range_text((top.low_deg, top.high_deg))}{above} at the top"


def limits(drill: Drill) -> Limits | None:
    top = drill.leading_arc
    return None if top is None else (top.low_deg, top.high_deg)


CRITERION = Criterion(
    name="arc",
    place=10,
    label="Arc",
    asked=asked,
    numbers=("top_deg", "overshoot_deg"),
    limits=limits,
    faults=(
        Fault(
            name="short_arc",
            place=10,
            raised=70,
            missed=short_arc,
            label="arc too short",
            advice="Go further, up to the asked arc",
            asks_more=True,
            cue="further",
            cue_in_drill=lambda drill: "higher" if drill.leading_angle == "elevation" else "",
            # Not how high it should have been, where the arm is in the band now.
            quiet_in_hold=True,
            meaning="the top stays under the asked band, or the last of several stations was aimed at and not reached",
            of_holder=True,
            notes=notes,
        ),
        Fault(
            name="over_arc",
            place=20,
            raised=80,
            missed=over_arc,
            label="went past the band",
            advice="Stop at the asked arc",
            cue="not so far",
            cue_in_drill=lambda drill: "not so high" if drill.leading_angle == "elevation" else "",
            meaning="the top is over the asked band",
            of_holder=True,
            notes=notes,
        ),
    ),
)
