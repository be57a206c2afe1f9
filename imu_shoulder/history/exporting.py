"""What leaves the history as files: plans and results as CSV, everything as JSON. Each file is listed in it, so that
deleting an athlete finds it again."""

from __future__ import annotations

import json
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import pandas as pd
from sqlalchemy import Connection, Table, select

from imu_shoulder.files import make_folders, refusing, write_text
from imu_shoulder.history.rows import Row
from imu_shoulder.history.schema import (
    ARM_SET,
    ATHLETE,
    DECISION,
    DRILL_SUMMARY,
    EXPORTED,
    JOURNAL,
    NOTE,
    PARAMETERS,
    PLAN_VERSION,
    REP,
    SESSION,
    VERDICT,
)
from imu_shoulder.history.store import Store, now_utc
from imu_shoulder.texts import csv_text

SCHEMA = 1
# In the order in which they can be read back: what is named by others comes first.
TABLES: Sequence[Table] = (
    *(ATHLETE, PARAMETERS, PLAN_VERSION, SESSION, ARM_SET, REP, DRILL_SUMMARY, NOTE, VERDICT, DECISION, JOURNAL),
)
# Of the results as CSV: one row per session, drill and arm.
RESULTS = (
    *("athlete", "start", "session", "drill", "direction", "side", "role", "sets", "reps_asked", "reps_done"),
    *("reps_scored", "clean_share", "load_kg", "effort", "pain", "hold_sd_deg", "hold_s", "arc_deg", "top_deg"),
    *("lift_s", "lower_s", "rest_s", "peak_velocity_deg_s", "hold_drift_deg_s", "hold_tremor_deg_s"),
    *("time_in_band_pct", "smoothness_lift", "smoothness_lower", "elbow_deg", "thumb_up_deg", "plane_deg"),
    *("trunk_lean_deg", "made_by"),
)


def write_export(store: Store, path: Path, text: str, what: str, athlete_id: int | None) -> None:
    """Write a file and list it. athlete_id: whose data alone are in it; None for several'. Raises OutputError."""
    place = path.expanduser().resolve()
    values = {"athlete_id": athlete_id, "path": str(place), "what": what, "at": now_utc()}
    with store.write() as connection:  # listed first: a file that was not listed would outlive its athlete
        connection.execute(EXPORTED.insert(), values)
    with refusing(path, "choose another file"):
        make_folders(place.parent)
        write_text(place, text)


def results_csv(store: Store, athlete_id: int | None = None) -> str:
    """The sessions' value of each measure, by drill and arm, in time; of one athlete or of all.

    `importing.take_csv` takes them back.
    """
    joined = DRILL_SUMMARY.join(ATHLETE, ATHLETE.c.id == DRILL_SUMMARY.c.athlete_id).join(
        SESSION, SESSION.c.id == DRILL_SUMMARY.c.session_id
    )
    named = {"athlete": ATHLETE.c.name, "start": SESSION.c.start, "session": SESSION.c.id}
    columns = [named[name].label(name) if name in named else DRILL_SUMMARY.c[name] for name in RESULTS]
    query = select(*columns).select_from(joined).order_by(ATHLETE.c.person, DRILL_SUMMARY.c.start_utc)
    if athlete_id is not None:
        query = query.where(ATHLETE.c.id == athlete_id)
    with store.read() as connection:
        found = connection.execute(query.order_by(DRILL_SUMMARY.c.drill, DRILL_SUMMARY.c.side)).all()
    return csv_text(pd.DataFrame([tuple(row) for row in found], columns=list(RESULTS)))


def everything_json(store: Store, athlete_id: int | None = None) -> str:
    """All that is kept of one athlete or of all, table by table, as `importing.take_json` takes it back."""
    with store.read() as connection:
        tables = {table.name: _rows_of(connection, table, athlete_id) for table in TABLES}
    return json.dumps({"schema": SCHEMA, "history": tables}, indent=1, ensure_ascii=False) + "\n"


def _rows_of(connection: Connection, table: Table, athlete_id: int | None) -> list[Row]:
    query = select(table).order_by(*table.primary_key.columns)
    if athlete_id is not None:
        query = query.where(_belongs(table, athlete_id))
    return [dict(row) for row in connection.execute(query).mappings()]


def _belongs(table: Table, athlete_id: int) -> Any:
    """Which rows of a table are an athlete's: by the keys that lead to `athlete`."""
    if table is ATHLETE:
        return ATHLETE.c.id == athlete_id
    if table is PARAMETERS:
        mine = select(SESSION.c.parameters_sha256).where(SESSION.c.athlete_id == athlete_id)
        return PARAMETERS.c.sha256.in_(mine)
    if "athlete_id" in table.c:
        return table.c.athlete_id == athlete_id
    above, column = (ARM_SET, table.c.set_id) if table is REP else (SESSION, table.c.session_id)
    return column.in_(select(above.c.id).where(_belongs(above, athlete_id)))


def listed(store: Store, athlete_id: int | None = None) -> list[Row]:
    """Files that were written, the latest first; of one athlete those with data of several too."""
    query = select(EXPORTED).order_by(EXPORTED.c.id.desc())
    if athlete_id is not None:
        query = query.where((EXPORTED.c.athlete_id == athlete_id) | EXPORTED.c.athlete_id.is_(None))
    with store.read() as connection:
        return [dict(row) for row in connection.execute(query).mappings()]
