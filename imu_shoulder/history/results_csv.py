"""Results that another history, or another program, worked out: one row per session, drill and arm."""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator, Mapping
from typing import Any

import pandas as pd

from imu_shoulder.errors import ParameterError
from imu_shoulder.history.exporting import RESULTS
from imu_shoulder.history.migrate import StoreError
from imu_shoulder.history.people import require_one_of, text_of
from imu_shoulder.history.rows import KEY, Row, counted, most_of
from imu_shoulder.history.schema import DRILL_SUMMARY
from imu_shoulder.history.sessions import require_rating
from imu_shoulder.history.store import moment_from, now_utc, utc
from imu_shoulder.limits import MAX_REPS, MAX_SETS
from imu_shoulder.model import SIDES

# Columns that must be there; any other of RESULTS may.
REQUIRED = ("athlete", "start", "drill", "side", "made_by")
ROLES = ("lift", "hold")
_COUNTS = ("sets", "reps_asked", "reps_done", "reps_scored")
_RATINGS = ("pain", "effort")
_MOST = MAX_SETS * MAX_REPS
# No measure is larger, in whatever unit.
_LARGEST = 1e6
_TEXTS = ("athlete", "start", "session", *KEY, "made_by")


def results_of(table: pd.DataFrame, name: str) -> Iterator[tuple[str, Row, list[Row]]]:
    """Athlete, columns of `session`, and those of `drill_summary` but for ids and start, of each session.

    table: all texts. Raises StoreError for other columns, ParameterError for a row that cannot be meant.
    """
    strange = [column for column in table.columns if column not in RESULTS]
    missing = [column for column in REQUIRED if column not in table.columns]
    if strange or missing:
        came = f"there is {strange[0]!r}" if strange else f"{missing[0]} is missing"
        do = f"give {', '.join(REQUIRED)}, and of the others what is known"
        raise StoreError(f"the columns of history export in {name}", came, do)
    for (athlete, start), own in table.groupby(["athlete", "start"], sort=False):
        arms = [_arm(row) for row in own.to_dict("records")]
        keys = [tuple(arm[column] for column in KEY) for arm in arms]
        if len(set(keys)) < len(keys):
            came = f"there are several of {athlete} at {start}"
            raise ParameterError("one row per session, drill and arm", came, "correct it")
        yield str(athlete), _session(str(start), arms), arms


def _session(start: str, arms: Iterable[Row]) -> Row:
    lifting = [arm for arm in arms if arm["role"] == "lift"]
    known = [arm for arm in lifting if None not in (arm["clean_share"], arm["reps_scored"])]
    clean = [arm["clean_share"] * arm["reps_scored"] for arm in known]
    return {
        "kind": "recorded",
        "start_utc": utc(moment_from(start)),
        "start": start,
        "name": "results from a file",
        "added_at": now_utc(),
        **{column: counted(arm[column] for arm in lifting) for column in _COUNTS[1:]},
        "sets_done": counted(arm["sets"] for arm in lifting),
        "reps_clean": round(sum(clean)) if clean else None,
        "pain_highest": most_of(arm["pain"] for arm in lifting),
        "effort": most_of(arm["effort"] for arm in lifting),
        "note": "",
    }


def _arm(row: Mapping[Any, str]) -> Row:
    given = {column: row.get(column, "").strip() for column in RESULTS}
    require_one_of("a side", given["side"], SIDES)
    role = given["role"] or "lift"
    require_one_of("a role", role, ROLES)
    found: Row = dict.fromkeys(DRILL_SUMMARY.c.keys())
    found |= {column: number_of(column, given[column]) for column in RESULTS if column not in _TEXTS}
    found |= {column: _count_of(column, given[column]) for column in _COUNTS}
    for column in _RATINGS:
        require_rating(column, found[column])
    if not 0.0 <= (found["clean_share"] or 0.0) <= 1.0:
        raise ParameterError("a clean_share from 0 to 1", f"it is {given['clean_share']}", "correct it")
    found |= {"drill": text_of(given["drill"], "the id of a drill"), "side": given["side"], "role": role}
    found |= {"direction": text_of(given["direction"], "a direction", blank=True)}
    found |= {"made_by": text_of(given["made_by"], "what made the results")}
    return {**found, "sets": found["sets"] or 0}


def number_of(what: str, cell: str) -> float | None:
    """A cell's number, None for an empty one. Raises ParameterError."""
    try:
        found = float(cell) if cell.strip() else None
    except ValueError:
        found = math.nan
    if found is not None and not abs(found) <= _LARGEST:
        raise ParameterError(f"a number as {what}", f"it is {cell!r}", "correct it")
    return found


def _count_of(what: str, cell: str) -> int | None:
    found = number_of(what, cell)
    if found is not None and (found != int(found) or not 0 <= found <= _MOST):
        raise ParameterError(f"a whole number from 0 to {_MOST} as {what}", f"it is {cell!r}", "correct it")
    return None if found is None else int(found)
