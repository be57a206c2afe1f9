"""How long the arm stays where it is asked to, and in one piece."""

from __future__ import annotations

from math import hypot, isfinite, sqrt

from imu_shoulder.assess.fault import Case, Criterion, Fault
from imu_shoulder.assess.limits import changed_sd_deg, lead_sd_deg, over, under, worst
from imu_shoulder.drills import Drill
from imu_shoulder.measure.held import in_posture_s
from imu_shoulder.measure.hold import BREAK_DEG, Break, breaks
from imu_shoulder.measure.pauses import missing
from imu_shoulder.measure.station_holds import longest_visits, twice_held


def hold_broken(drill: Drill, case: Case) -> float:
    if drill.by_stations:
        return float(bool(twice_held(case.data)))
    if case.data.rep.kind != "hold" and drill.top.hold_s <= 0:
        return 0.0
    return worst([_is_break(found, case) for found in breaks(case.data)])


def _is_break(found: Break, case: Case) -> float:
    """Probability that it went far enough, and out of what is asked, whose limit is known as well as the angle.

    Of an arm that only holds it is certain: one that sinks went about twice as far in all as from its median.
    """
    if case.data.rep.kind == "hold":
        return 1.0
    far = over(found.lasting_deg, BREAK_DEG, changed_sd_deg(found.lasting_deg, case))
    return min(far, over(found.outside_deg, 0.0, lead_sd_deg(case))) if isfinite(found.outside_deg) else far


def hold_short(drill: Drill, case: Case) -> float:
    if hold_broken(drill, case) >= case.params.fault_from:
        return 0.0
    if missing(case.data, drill.pauses):
        return 1.0
    if drill.by_stations:
        return worst([under(held_s, asked_s, sd_s) for _, held_s, asked_s, sd_s in _stays(case)])
    return under(case.values["hold_s"], drill.top.hold_s, case.values["hold_sd_s"])


def _stays(case: Case) -> list[tuple[str, float, float, float]]:
    """Each station visited: its name, how long it was held, how long is asked, and the first one's deviation.

    Speed and angle tell it otherwise where an arm is slow or unsteady: it lies anywhere between the two.
    """
    drill = case.data.drill
    stations = {} if drill is None else {station.name: station for station in drill.stations}
    out = []
    for visit in longest_visits(case.data):
        station, held_s = stations[visit.name], visit.end_s - visit.start_s
        apart_s = in_posture_s(case.data, station, visit) - held_s
        out.append((visit.name, held_s, station.hold_s, hypot(case.params.station_sd_s, apart_s / sqrt(12))))
    return out


def short_notes(case: Case) -> list[str]:
    drill, close_from = case.data.drill, case.params.close_from
    if drill is not None and not drill.by_stations:
        held_s, asked_s = case.values["hold_s"], drill.top.hold_s
        likely = under(held_s, asked_s, case.values["hold_sd_s"]) >= close_from
        return [f"held {held_s:.1f} s of {asked_s:g} s"] * likely + _pauses_left_out(case)
    short = [
        f"{name} held {held_s:.1f} s of {asked_s:g} s"
        for name, held_s, asked_s, sd_s in _stays(case)
        if under(held_s, asked_s, sd_s) >= close_from
    ]
    return short + _pauses_left_out(case)


def _pauses_left_out(case: Case) -> list[str]:
    drill = case.data.drill
    return [
        f"no pause on the way {ask.way} of {ask.hold_s:g} s"
        for ask in missing(case.data, () if drill is None else drill.pauses)
    ]


def broken_notes(case: Case) -> list[str]:
    data = case.data
    return [f"hold left and taken again at {name}" for name in twice_held(data)] + [
        f"hold broken {found.start_s - data.rep.top_start_s:.1f} s after arriving, by {found.by_deg:+.0f} deg, "
        f"for {found.end_s - found.start_s:.1f} s"
        for found in breaks(data)
        if not data.rep.visits
    ]


def asked(drill: Drill) -> str:
    several = drill.by_stations
    holds = [f"{s.hold_s:g} s at {s.name if several else 'the top'}" for s in drill.stations if s.hold_s > 0]
    return ", ".join([*holds, *(f"{pause.hold_s:g} s on the way {pause.way}" for pause in drill.pauses)])


CRITERION = Criterion(
    name="hold",
    place=20,
    label="Hold",
    asked=asked,
    numbers=("hold_s",),
    limits=lambda drill: (drill.top.hold_s, float("inf")),
    said_to_holder="the whole set",
    faults=(
        Fault(
            name="hold_short",
            place=30,
            raised=100,
            missed=hold_short,
            label="hold too short",
            advice="Hold longer",
            asks_more=True,
            cue="hold longer",
            meaning="a hold at the top, at a station or part-way is shorter than asked, or missing",
            notes=short_notes,
        ),
        Fault(
            name="hold_broken",
            place=40,
            raised=90,
            missed=hold_broken,
            label="hold broken",
            advice="Keep the arm in the band through the whole hold",
            asks_more=True,
            cue="keep it up there",
            meaning="the arm left its hold and took it again",
            of_holder=True,
            notes=broken_notes,
        ),
    ),
)
