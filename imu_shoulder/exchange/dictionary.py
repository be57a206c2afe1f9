"""The data dictionary: table, column, unit and meaning of everything `analyse` writes as a table."""

from __future__ import annotations

from collections.abc import Iterable

import pandas as pd

from imu_shoulder.drills.judged import JUDGED
from imu_shoulder.measure.catalogue import all_measures
from imu_shoulder.model import SIDES

REPS = {
    "set": "Number of the set among the set rows of events.tsv, from 1",
    "drill": "Id of the drill, empty for an open set",
    "side": "right or left",
    "rep": "Number within the set and arm, from 1",
    "start_s": "The motion sets out",
    "top_start_s": "It has arrived at the top",
    "top_end_s": "It leaves the top",
    "end_s": "It is back at the start",
    "angle": "Leading angle: its rise and fall is the rep",
    "start_deg": "Leading angle before the rep",
    "top_deg": "Leading angle at the top",
    "arc_deg": "top_deg less start_deg",
    "lift_s": "From start to top, without pauses",
    "hold_s": "Longest stay in what is asked at the top, or at the level held",
    "lower_s": "From top to end, without pauses",
    "rest_s": "From the end to the next rep",
    "faults": "Names joined by ;, empty for a clean rep",
    "excluded": "Why the rep could not be scored, empty for a scored one",
    "role": "lift, or hold for the arm that stays up",
    "elevation_reference": "What elevation is about in the rep: trunk or gravity; empty where it is not known",
    "stations": "Stays of a drill of several stations, name:seconds joined by ;",
    "tempo": "Lowering / pause at the bottom / lifting / pause at the top, whole seconds",
    "pauses": "Stops part-way of half a second or longer: way, angle, seconds; joined by ;",
    "station_holds": "Each station's longest stay and its sway; joined by ;",
    "notes": "What exactly was missed and where; joined by ;",
    "close": "Faults too close to call, 20 to 80 % likely; joined by ;",
    "close_notes": "What exactly was close and where; joined by ;",
    "direction": "Way of the raise, in a drill that has several; empty elsewhere",
}
ANGLES = {
    **{angle.column: angle.meaning for angle in JUDGED.values()},
    "elevation_gravity_deg": "Upper arm from hanging, about gravity however the trunk is",
    "elevation_reference": "What elevation_deg and plane_deg are about: trunk or gravity; empty where they are",
    "forearm_elevation_deg": "Forearm from hanging",
    "trunk_lean_deg": "Trunk lean from the neutral pose",
    "trunk_turn_deg": "Trunk turn from the neutral pose",
    "scapula_up_deg": "Upward rotation of the shoulder blade from the neutral pose",
    "isb_plane_deg": "ISB Y-X'-Y'': plane of elevation",
    "isb_elevation_deg": "ISB Y-X'-Y'': elevation, negative",
    "isb_axial_deg": "ISB Y-X'-Y'': axial rotation, internal positive",
    "rotation_source": "What rotation_deg was taken from",
}
_UNITS = (("_deg_s", "deg/s"), ("_pct", "%"), ("_deg", "deg"), ("_s", "s"))


def data_dictionary(reps: Iterable[str], angles: Iterable[str]) -> pd.DataFrame:
    """One row per column of both tables: table, column, unit, meaning.

    reps, angles: the column names that were written. Measures bring their own unit and meaning.
    """
    measures = {m.name: m for m in all_measures()}
    rows = []
    for column in reps:
        if column in measures:
            rows.append(("reps", column, measures[column].unit, measures[column].meaning))
        else:
            rows.append(("reps", column, _unit(column), REPS.get(column, "")))
    for column in angles:
        side, _, name = column.partition("_")
        if column == "time_s":
            rows.append(("angles", column, "s", "Seconds of the recording's clock"))
        elif side in SIDES and name.removesuffix("_sd") in ANGLES:
            meaning = ANGLES[name.removesuffix("_sd")]
            spread = name.endswith("_sd")
            text = f"{'Standard deviation: ' if spread else ''}{meaning}, {side} arm"
            rows.append(("angles", column, _unit(name.removesuffix("_sd")), text))
        else:
            rows.append(("angles", column, _unit(column), ""))
    return pd.DataFrame(rows, columns=["table", "column", "unit", "meaning"])


def units_of(table: pd.DataFrame) -> dict[str, str]:
    """Column -> unit of every column of numbers of one of the two tables; "1" for counts and shares of one."""
    measures = {m.name: m.unit for m in all_measures()}
    numbers = table.select_dtypes("number").columns
    return {column: measures.get(column) or _unit(column.removesuffix("_sd")) for column in numbers}


def _unit(column: str) -> str:
    return next((unit for suffix, unit in _UNITS if column.endswith(suffix)), "1")
