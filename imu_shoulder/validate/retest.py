"""How alike a measure comes out when the same persons do the same drill again, on other days, sensors put on anew.

One value of a person, day, drill and arm: the median over the scored reps of the day. Sets of one day are not held
against each other: they leave the straps out of it, and make the error too small.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from imu_shoulder.advise.history import HistoryError, load_history
from imu_shoulder.analysis import BY_OPTION
from imu_shoulder.errors import ParameterError
from imu_shoulder.identity import person
from imu_shoulder.measure.catalogue import all_measures
from imu_shoulder.model import FloatArray
from imu_shoulder.one_run import REPS
from imu_shoulder.parameters import require_same
from imu_shoulder.report.tables import REP_COLUMNS
from imu_shoulder.texts import as_written
from imu_shoulder.validate.reliability import icc_forms, measurement_error

# One row per person, day, drill, arm and measure.
VALUES = ("person", "day", "drill", "direction", "side", "role", "measure", "value")
OF = ("drill", "direction", "side", "role", "measure")
FORMS = ("1,1", "2,1", "3,1", "1,k", "2,k", "3,k")
# Columns of reps.csv that are measured, beside the declared measures.
MEASURED = tuple(name for name in REP_COLUMNS[REP_COLUMNS.index("start_deg") :] if name not in ("faults", "excluded"))


def measures() -> tuple[str, ...]:
    """Every measure of reps.csv."""
    return tuple(dict.fromkeys((*MEASURED, *(own.name for own in all_measures()))))


def values_of_folders(folders: Sequence[Path]) -> pd.DataFrame:
    """The values (VALUES) of results folders. Raises HistoryError for those of different versions or parameters."""
    tables = []
    summaries = load_history(folders)
    _require_once(folders, summaries)
    for folder, summary in zip(folders, summaries, strict=True):
        version, first = (found["versions"]["imu_shoulder"] for found in (summary, summaries[0]))
        if version != first:
            came, do = f"{folder} is of {version}, {folders[0]} of {first}", "analyse the recordings again"
            raise HistoryError("results of one version of the program", came, do)
        ours, theirs = (found.get("parameters_changed", {}) for found in (summaries[0], summary))
        require_same(ours, theirs, f"the session {summary['recording']['name']}", HistoryError, BY_OPTION)
        reps = as_written(pd.read_csv(folder / REPS, keep_default_na=True))
        tables.append(_of_session(reps, person(summary["recording"]["athlete"]), summary["recording"]["start"][:10]))
    return one_a_day(pd.concat(tables, ignore_index=True) if tables else pd.DataFrame(columns=list(VALUES)))


def _require_once(folders: Sequence[Path], summaries: Sequence[Mapping[str, Any]]) -> None:
    seen: dict[tuple[str, str], Path] = {}
    for folder, summary in zip(folders, summaries, strict=True):
        of = summary["recording"]
        key = person(of["athlete"]), of["start"]
        if key in seen:
            came = f"{seen[key]} and {folder} are both of {of['athlete']}, {of['start']}"
            raise HistoryError("each session once", came, "leave one of the two out")
        seen[key] = folder


def _of_session(reps: pd.DataFrame, who: str, day: str) -> pd.DataFrame:
    scored = reps[reps["excluded"].isna() & reps["drill"].notna()].fillna({"direction": ""})
    names = [name for name in measures() if name in scored.columns]
    long = scored.melt(id_vars=["drill", "direction", "side", "role"], value_vars=names, var_name="measure")
    found = long.groupby(list(OF), sort=True)["value"].median().dropna().reset_index()
    return found.assign(person=who, day=day)[list(VALUES)]


def one_a_day(values: pd.DataFrame) -> pd.DataFrame:
    """Sessions of one person and day as one: their mean."""
    keys = [name for name in VALUES if name != "value"]
    return values.groupby(keys, sort=True)["value"].mean().reset_index()


def occasions(values: pd.DataFrame) -> tuple[list[str], FloatArray]:
    """Persons and their values (persons, days) of one measure, drill and arm: the first days, as many of all as give
    the most values.
    """
    by_person = {str(who): own.sort_values("day")["value"].to_numpy() for who, own in values.groupby("person")}
    counts = sorted({len(own) for own in by_person.values() if len(own) >= 2})
    if not counts:
        return [], np.empty((0, 0))
    days = max(counts, key=lambda count: (count * sum(len(own) >= count for own in by_person.values()), count))
    kept = {who: own[:days] for who, own in by_person.items() if len(own) >= days}
    return list(kept), np.array(list(kept.values()), dtype=np.float64)


def retest(values: pd.DataFrame) -> pd.DataFrame:
    """One row per measure, drill and arm: persons, days, mean, all six ICC forms with their 95 % intervals, SEM, MDC.

    values: VALUES. SEM and MDC are those of consistency and agreement of `validate.reliability`, in the measure's unit.
    Where they cannot be had `why` says it.
    """
    return pd.DataFrame([_row(key, own) for key, own in values.groupby(list(OF), sort=True)], columns=columns())


def columns() -> list[str]:
    named = [f"icc_{form.replace(',', '_')}" for form in FORMS]
    icc = [f"{name}{end}" for name in named for end in ("", "_low", "_high")]
    return [*OF, "persons", "days", "mean", *icc, "sem_consistency", "sem_agreement", "mdc90", "mdc95", "why"]


def _row(key: Iterable[object], values: pd.DataFrame) -> dict[str, object]:
    persons, ratings = occasions(values)
    row: dict[str, object] = dict(zip(OF, key, strict=True))
    row |= {"persons": len(persons), "days": ratings.shape[1], "why": ""}
    try:
        if not len(persons):
            raise ParameterError("two days or more of each person", "nobody has them", "measure again")
        forms, error = icc_forms(ratings), measurement_error(ratings)
    except ParameterError as caught:
        return {**row, "why": f"it takes {caught.expected}, but {caught.came}"}
    row["mean"] = float(ratings.mean())
    for form, found in forms.items():
        name = f"icc_{form.replace(',', '_')}"
        row |= {name: found.value, f"{name}_low": found.low, f"{name}_high": found.high}
    return {**row, **{name: getattr(error, name) for name in ("sem_consistency", "sem_agreement", "mdc90", "mdc95")}}
