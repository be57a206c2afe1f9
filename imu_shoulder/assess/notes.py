"""What exactly was wrong with a rep, in words: which station, where the hold broke, which pause was missing."""

from __future__ import annotations

from collections.abc import Sequence

from imu_shoulder.measure.hold import breaks
from imu_shoulder.measure.pauses import missing
from imu_shoulder.measure.registry import RepData
from imu_shoulder.measure.station_holds import first_order, longest_visits, twice_held


def skipped(data: RepData) -> list[str]:
    """The stations of the drill that the rep did not visit."""
    visited = set(first_order(data))
    return [] if data.drill is None else [s.name for s in data.drill.stations if s.name not in visited]


def short_stays(data: RepData, margin_s: float) -> list[str]:
    """Stations held for less than asked, with how long."""
    asked = {} if data.drill is None else {station.name: station.hold_s for station in data.drill.stations}
    return [
        f"{visit.name} held {visit.end_s - visit.start_s:.1f} s of {asked[visit.name]:g} s"
        for visit in longest_visits(data)
        if visit.end_s - visit.start_s < asked[visit.name] - margin_s
    ]


def rep_notes(data: RepData, faults: Sequence[str], margin_s: float) -> tuple[str, ...]:
    """One short line per thing worth naming; none for a clean rep."""
    out = []
    if "station_skipped" in faults:
        out.append(f"skipped: {', '.join(skipped(data))}")
    if "order_wrong" in faults:
        out.append(f"order: {', '.join(first_order(data))}")
    if "hold_broken" in faults:
        out += [f"hold left and taken again at {name}" for name in twice_held(data)]
        out += [
            f"hold broken {found.start_s - data.rep.top_start_s:.1f} s after arriving, by {found.by_deg:+.0f} deg, "
            f"for {found.end_s - found.start_s:.1f} s"
            for found in breaks(data)
            if not data.rep.visits
        ]
    if "hold_short" in faults:
        out += short_stays(data, margin_s)
        out += [
            f"no pause on the way {ask.way} of {ask.hold_s:g} s"
            for ask in missing(data, () if data.drill is None else data.drill.pauses)
        ]
    return tuple(out)
