"""The three tables of a cohort, of one recording: reps, sets, sensors. Their columns are the same in every file.

Columns and their meaning: docs/cohort.md.
"""

from __future__ import annotations

import io
from collections.abc import Mapping, Sequence
from typing import Any

import pyarrow as pa
import pyarrow.parquet as pq

from imu_shoulder import __version__
from imu_shoulder.analysis import Analysis
from imu_shoulder.identity import person
from imu_shoulder.measure.catalogue import all_measures
from imu_shoulder.report.summary import summarise
from imu_shoulder.report.tables import MORE_REP_COLUMNS, REP_COLUMNS, reps_table

REPS, SETS, SENSORS = TABLES = ("reps", "sets", "sensors")
TEXT, NUMBER, COUNT, FLAG = pa.string(), pa.float64(), pa.int64(), pa.bool_()
# In front of every row: which recording and session it is of, and which run of which version made it.
HEAD = {"recording": TEXT, "person": TEXT, "session": TEXT, "version": TEXT, "result": TEXT}
_REP_TEXTS = (
    *("drill", "side", "angle", "faults", "excluded", "role", "stations", "elevation_reference", "close", "direction"),
    *("tempo", "pauses", "station_holds", "notes", "close_notes"),
)
_SETS = {
    "set": COUNT,
    "drill": TEXT,
    "side": TEXT,
    "role": TEXT,
    "judged": FLAG,
    "angle": TEXT,
    "direction": TEXT,
    "elevation_reference": TEXT,
    "start_s": NUMBER,
    "end_s": NUMBER,
    "unseen_s": NUMBER,
    "reps": COUNT,
    "scored": COUNT,
    "clean": COUNT,
    "extra": COUNT,
    "excluded": COUNT,
    "asked_reps": COUNT,
    "asked_hold_s": NUMBER,
    "pain": NUMBER,
    "effort": NUMBER,
    "load_kg": NUMBER,
}
_SENSORS = {
    "placement": TEXT,
    "samples": COUNT,
    "start_s": NUMBER,
    "end_s": NUMBER,
    "declared_rate_hz": NUMBER,
    "measured_rate_hz": NUMBER,
    "jitter_sd_s": NUMBER,
    "duplicates": COUNT,
    "backward_steps": COUNT,
    "gap_count": COUNT,
    "gap_total_s": NUMBER,
    "longest_gap_s": NUMBER,
    "bridged_samples": COUNT,
    "clipped_pct": NUMBER,
    "spikes": COUNT,
    "gravity_m_s2": NUMBER,
    "gyr_offset_deg_s": NUMBER,
    "used": FLAG,
    "findings": TEXT,
}


def schema_of(table: str) -> pa.Schema:
    """Columns and types of a table, those of HEAD first."""
    return pa.schema({**HEAD, **{REPS: _reps_columns(), SETS: _SETS, SENSORS: _SENSORS}[table]})


def _reps_columns() -> dict[str, pa.DataType]:
    names = dict.fromkeys([*REP_COLUMNS, *MORE_REP_COLUMNS, *(own.name for own in all_measures()), *_REP_TEXTS])
    return {name: TEXT if name in _REP_TEXTS else COUNT if name in ("set", "rep") else NUMBER for name in names}


def tables_of(analysis: Analysis, recording: str, result: str) -> dict[str, pa.Table]:
    """The rows of one recording by table. recording: its name in the cohort. result: of which run they are."""
    head = {
        "recording": recording,
        "person": person(analysis.recording.athlete),
        "session": analysis.recording.start,
        "version": __version__,
        "result": result,
    }
    summary = summarise(analysis)
    return {
        REPS: _table(REPS, reps_table(analysis).to_dict("records"), head),
        SETS: _table(SETS, [_set_row(entry) for entry in summary["sets"]], head),
        SENSORS: _table(SENSORS, _sensor_rows(summary), head),
    }


def as_parquet(table: pa.Table) -> bytes:
    """The bytes of a Parquet file."""
    buffer = io.BytesIO()
    pq.write_table(table, buffer, compression="zstd")
    return buffer.getvalue()


def _table(name: str, rows: Sequence[Mapping[Any, Any]], head: Mapping[str, str]) -> pa.Table:
    """What is not known is null, NaN too: a query's mean leaves it out."""
    schema = schema_of(name)
    whole = [{**head, **row} for row in rows]
    arrays = [pa.array([row[own.name] for row in whole], own.type, from_pandas=True) for own in schema]
    return pa.table(arrays, schema=schema)


def _set_row(entry: Mapping[str, Any]) -> dict[str, Any]:
    asked = {"asked_reps": entry["asked"]["reps"], "asked_hold_s": entry["asked"]["hold_s"]}
    flat = {**entry, **entry["done"], **asked}
    return {name: flat[name] for name in _SETS}


def _sensor_rows(summary: Mapping[str, Any]) -> Sequence[dict[str, Any]]:
    return [
        {**quality, "findings": ";".join(finding["code"] for finding in quality["findings"])}
        for quality in summary["data_quality"].values()
    ]
