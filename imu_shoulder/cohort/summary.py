"""Questions to a cohort's Parquet, answered by DuckDB: percentiles by drill, and one table for a statistician."""

from __future__ import annotations

import csv
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass, field
from math import isfinite
from pathlib import Path

import duckdb
import pyarrow as pa

from imu_shoulder.checked import read_text
from imu_shoulder.cohort.place import Place
from imu_shoulder.cohort.tables import HEAD, REPS, SENSORS, SETS, TABLES, schema_of
from imu_shoulder.errors import ParameterError, RecordingError
from imu_shoulder.identity import person
from imu_shoulder.limits import MAX_TABLE_BYTES

PERCENTILES = (5, 25, 50, 75, 95)
# Width of an age band, in years: ours.
BAND_YEARS = 10
OLDEST_YEARS = 120.0
UNKNOWN = "unknown"
# Columns of numbers that say where something is, not how much of it.
_PLACES = ("set", "rep", "start_s", "top_start_s", "top_end_s", "end_s")


@dataclass(frozen=True, slots=True)
class About:
    """What the recordings do not say. age: years by person. condition: by recording."""

    age: Mapping[str, float] = field(default_factory=dict)
    condition: Mapping[str, str] = field(default_factory=dict)


def read_about(people: Path | None, conditions: Path | None) -> About:
    """people: CSV with athlete,age_years. conditions: CSV with recording,condition. Raises ParameterError."""
    age = {}
    for athlete, text in ({} if people is None else _pairs(people, ("athlete", "age_years"))).items():
        try:
            age[person(athlete)] = float(text)
        except ValueError:
            age[person(athlete)] = float("nan")
        years = age[person(athlete)]
        if not (isfinite(years) and 0 < years <= OLDEST_YEARS):
            raise ParameterError(f"an age in years in {people}", f"that of {athlete} is {text!r}", "correct it")
    return About(age, {} if conditions is None else _pairs(conditions, ("recording", "condition")))


def _pairs(path: Path, columns: tuple[str, str]) -> dict[str, str]:
    text = read_text(path, f"a table of {columns[0]} and {columns[1]}", ParameterError, MAX_TABLE_BYTES)
    rows = csv.DictReader(text.splitlines(), strict=True)
    try:
        if tuple(rows.fieldnames or ()) != columns:
            raise ParameterError(
                f"the columns {','.join(columns)} in {path}", f"it has {rows.fieldnames}", "rename the columns"
            )
        found: dict[str, str] = {}
        for row in rows:
            name, value = (row.get(column) or "" for column in columns)
            if not name or not value or None in row:
                came = f"row {rows.line_num} has others"
                raise ParameterError(f"two filled cells in each row of {path}", came, "correct that row")
            if name in found:
                raise ParameterError(f"each {columns[0]} of {path} once", f"{name} comes twice", "leave out one")
            found[name] = value
    except csv.Error as error:
        raise ParameterError(f"a table in {path}", f"it is none ({error})", "write it as CSV again") from error
    return found


@contextmanager
def opened(out: str, about: About) -> Iterator[duckdb.DuckDBPyConnection]:
    """A database with the views reps, sets and sensors over the files, and about's tables.

    Only rows of recordings that are done are in the views. Raises RecordingError where there are none, and
    ParameterError where a condition is of a recording that is not there.
    """
    place = Place.at(out)
    files = {table: [name for name, _ in place.files(table) if name.endswith(".parquet")] for table in TABLES}
    if not files[SENSORS]:
        raise RecordingError(f"results of a cohort at {out}", "there are none", "run cohort first, with this as --out")
    with duckdb.connect() as base:
        base.execute("SET TimeZone = 'UTC'")
        if not place.is_local:
            base.register_filesystem(place.fs)
        for table in TABLES:
            paths = [
                place.path(name) if place.is_local else place.fs.unstrip_protocol(place.path(name))
                for name in files[table]
            ]
            rows = (
                base.from_parquet(paths, hive_partitioning=False, union_by_name=True)
                if paths
                else schema_of(table).empty_table()
            )
            base.register(f"all_{table}", rows)
        base.execute(f"CREATE TABLE done AS SELECT DISTINCT recording, result FROM all_{SENSORS}")
        for table in TABLES:
            base.execute(f"CREATE VIEW {table} AS SELECT * FROM all_{table} SEMI JOIN done USING (recording, result)")
        _tell(base, about)
        yield base


def _tell(base: duckdb.DuckDBPyConnection, about: About) -> None:
    ages = pa.table(
        {"person": pa.array(about.age, pa.string()), "age_years": pa.array(about.age.values(), pa.float64())}
    )
    rows = {
        "recording": pa.array(about.condition, pa.string()),
        "condition": pa.array(about.condition.values(), pa.string()),
    }
    base.register("ages", ages)
    base.register("conditions", pa.table(rows))
    unknown = base.execute("SELECT recording FROM conditions ANTI JOIN done USING (recording) LIMIT 1").fetchone()
    if unknown is not None:
        raise ParameterError("conditions of recordings that have results", f"{unknown[0]} has none", "correct its name")
    base.execute(f"""
        CREATE TABLE sessions AS
        SELECT recording, person, session AS start,
            row_number() OVER (PARTITION BY person ORDER BY session::TIMESTAMPTZ, recording) AS session,
            age_years,
            coalesce(floor(age_years / {BAND_YEARS}) * {BAND_YEARS}, -1)::INTEGER AS band,
            coalesce(condition, '') AS condition
        FROM (SELECT DISTINCT recording, person, session FROM all_{SENSORS})
        LEFT JOIN ages USING (person) LEFT JOIN conditions USING (recording)""")


def percentiles(base: duckdb.DuckDBPyConnection) -> pa.Table:
    """Of each measure of scored reps, by drill, side, role, age band and version: count, persons, percentiles."""
    numbers = [own.name for own in schema_of(REPS) if pa.types.is_floating(own.type) and own.name not in _PLACES]
    shares = ", ".join(f"quantile_cont(value, {percent / 100}) AS p{percent}" for percent in PERCENTILES)
    return base.sql(f"""
        WITH told AS (
            UNPIVOT (SELECT drill, side, role, version, person, recording, {", ".join(numbers)}
                     FROM {REPS} WHERE excluded = '')
            ON {", ".join(numbers)} INTO NAME measure VALUE value)
        SELECT drill, side, role,
            CASE WHEN band < 0 THEN '{UNKNOWN}' ELSE format('{{}}-{{}}', band, band + {BAND_YEARS - 1}) END AS age_band,
            version, measure, count(*) AS reps, count(DISTINCT told.person) AS persons, {shares}
        FROM told JOIN sessions USING (recording)
        GROUP BY drill, side, role, band, version, measure
        ORDER BY drill, side, role, band, version, measure""").to_arrow_table()


def stacked(base: duckdb.DuckDBPyConnection) -> pa.Table:
    """One row per rep, excluded ones too, and one per set without any: person, session, condition, set, rep.

    Columns of the set begin with set_. rep is null in the row of a set without reps.
    """
    of_set = [own.name for own in schema_of(SETS) if own.name not in (*HEAD, "set", "drill", "side", "role")]
    of_rep = [own.name for own in schema_of(REPS) if own.name not in (*HEAD, "set", "drill", "side", "role")]
    return base.sql(f"""
        SELECT sessions.person, sessions.session, start AS session_start, condition, age_years, recording,
            sets.version, set, sets.drill, side, role,
            {", ".join(f"sets.{name} AS set_{name}" for name in of_set)}, {", ".join(f"reps.{name}" for name in of_rep)}
        FROM {SETS} LEFT JOIN {REPS} USING (recording, set, side, role) JOIN sessions USING (recording)
        ORDER BY sessions.person, sessions.session, recording, set, side, role, reps.start_s""").to_arrow_table()
