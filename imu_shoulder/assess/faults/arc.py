"""How far the arm goes."""

from __future__ import annotations

from imu_shoulder.assess.fault import Case, Criterion, Fault, Limits, range_text
from imu_shoulder.assess.faults.stations import top_aimed_at
from imu_shoulder.drills import Drill


def short_arc(drill: Drill, case: Case) -> bool:
    if drill.by_stations:
        return top_aimed_at(drill, case)
    band = case.data.band_deg
    return band is not None and case.values["top_deg"] < band[0] - case.params.arc_margin_deg


def over_arc(drill: Drill, case: Case) -> bool:
    band = case.data.band_deg
    return band is not None and case.values["top_deg"] > band[1] + case.params.arc_margin_deg


def asked(drill: Drill) -> str:
    top = drill.leading_range(drill.top)
    if top is None or drill.by_stations:
        return ""
    above = " above the start" if top.above == "start" else ""
    return f"{range_text((top.low_deg, top.high_deg))}{above} at the top"


def limits(drill: Drill) -> Limits | None:
    top = drill.leading_range(drill.top)
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
            found=short_arc,
            label="arc too short",
            advice="Go further, up to the asked arc",
            asks_more=True,
            cue="further",
            cue_in_drill=lambda drill: "higher" if drill.leading_angle == "elevation" else "",
            # Not how high it should have been, where the arm is in the band now.
            quiet_in_hold=True,
            meaning="the top stays under the asked band, or the last of several stations was aimed at and not reached",
            of_holder=True,
        ),
        Fault(
            name="over_arc",
            place=20,
            raised=80,
            found=over_arc,
            label="went past the band",
            advice="Stop at the asked arc",
            cue="not so far",
            cue_in_drill=lambda drill: "not so high" if drill.leading_angle == "elevation" else "",
            meaning="the top is over the asked band",
            of_holder=True,
        ),
    ),
)
