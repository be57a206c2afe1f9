"""What is taken in from files: sessions without sensors and results as CSV, and another history's JSON."""

from __future__ import annotations

import contextlib
from collections import Counter
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import asdict, dataclass
from io import StringIO
from pathlib import Path
from typing import Any

import pandas as pd
from sqlalchemy import Connection, Table, select
from sqlalchemy.exc import SQLAlchemyError

from imu_shoulder.checked import complete, read_json, read_text
from imu_shoulder.errors import ParameterError
from imu_shoulder.history.exporting import SCHEMA, TABLES
from imu_shoulder.history.migrate import StoreError
from imu_shoulder.history.people import Profile, ensure_athlete, write_journal
from imu_shoulder.history.plans import require_alone
from imu_shoulder.history.results_csv import number_of, results_of
from imu_shoulder.history.rows import Row
from imu_shoulder.history.schema import ARM_SET, ATHLETE, PARAMETERS, PLAN_VERSION, REP, SESSION
from imu_shoulder.history.sessions import changed, dose_line, is_there, manual_row, put_unrecorded
from imu_shoulder.history.store import Store
from imu_shoulder.identity import person
from imu_shoulder.limits import MAX_TABLE_BYTES
from imu_shoulder.plan import parse_plan
from imu_shoulder.texts import as_written

# Of sessions without sensors; the first three must be there. dose: DRILL:SIDE:SETSxREPS[@KG], joined by ;
COLUMNS = ("athlete", "start", "done", "dose", "pain", "effort", "note")
# What the rows of a table are named by in others.
_NAMES: Mapping[str, Table] = {
    "athlete_id": ATHLETE,
    "session_id": SESSION,
    "plan_version_id": PLAN_VERSION,
    "set_id": ARM_SET,
}


@dataclass(frozen=True, slots=True)
class Taken:
    """new: sessions that came; there: those that were there already."""

    new: int
    there: int


def take_csv(store: Store, path: Path) -> Taken:
    """Sessions without sensors, or results as `exporting.results_csv` writes them, by their columns.

    All of the file or none; sessions that are there already are left out. Of results there are the values of drills and
    arms, without reps and recordings. Raises StoreError for a file that is no such table, ParameterError for a row that
    cannot be meant.
    """
    text = read_text(path, "a table of sessions", StoreError, MAX_TABLE_BYTES)
    do = f"give the columns {', '.join(COLUMNS)}"
    try:
        found = as_written(pd.read_csv(StringIO(text), dtype=str, keep_default_na=False))
    except (ValueError, pd.errors.ParserError) as error:
        raise StoreError("CSV with one row per session", f"{path.name} is not ({error})", do) from error
    if "made_by" in found.columns:
        with _saying(path.name):
            return _put_all(store, list(results_of(found, path.name)))
    strange = [name for name in found.columns if name not in COLUMNS]
    missing = [name for name in COLUMNS[:3] if name not in found.columns]
    if strange or missing:
        came = f"there is {strange[0]!r}" if strange else f"{missing[0]} is missing"
        raise StoreError(f"the columns {', '.join(COLUMNS)} in {path.name}", came, do)
    taken = []
    for number, row in enumerate(found.to_dict("records"), start=2):
        with _saying(f"row {number} of {path.name}"):
            taken.append((str(row["athlete"]), _manual(row), ()))
    return _put_all(store, taken)


@contextlib.contextmanager
def _saying(where: str) -> Iterator[None]:
    """What cannot be meant is said to stand there."""
    try:
        yield
    except ParameterError as error:
        raise ParameterError(f"{error.expected} in {where}", error.came, error.do) from error


def _put_all(store: Store, taken: Sequence[tuple[str, Row, Sequence[Row]]]) -> Taken:
    """taken: athlete, session, and what is known of its drills and arms."""
    there = 0
    with store.write() as connection:
        for athlete, row, arms in taken:
            athlete_id = ensure_athlete(connection, athlete)
            if is_there(connection, athlete_id, row["start_utc"]):
                there += 1
            else:
                put_unrecorded(connection, athlete_id, row, arms)
    return Taken(len(taken) - there, there)


def _manual(row: Mapping[Any, str]) -> Row:
    dose = [dose_line(line) for line in row.get("dose", "").split(";") if line.strip()]
    pain, effort = (number_of(name, row.get(name, "")) for name in ("pain", "effort"))
    return manual_row(row["start"], row["done"], dose, pain, effort, row.get("note", ""))


def take_json(store: Store, path: Path, who: str) -> Taken:
    """Another history's JSON, all of it or nothing. Sessions that are there already are left out with all of theirs,
    and plans of athletes who have one here. Recordings are not in such a file: what was worked out of them is.

    Raises StoreError for a file that is no history, or of which a row does not fit.
    """
    what, do = "JSON that history export wrote", "give such a file"
    found = read_json(path, what, StoreError, do)
    tables = found.get("history")
    if found.get("schema") != SCHEMA or not isinstance(tables, dict):
        raise StoreError(what, f"{path.name} is of another kind", do)
    try:
        with complete(what, path, StoreError, do), store.write() as connection:
            reader = _Reader(connection, tables)
            taken = reader.read()
            for athlete_id, count in reader.new_of.items():
                # Without the file's name, which may tell of somebody else and would outlive who is deleted.
                write_journal(connection, who, "taken in", f"{count} sessions from a file", athlete_id)
    except SQLAlchemyError as error:
        raise StoreError(what, f"a row of {path.name} does not fit ({type(error).__name__})", do) from error
    return taken


class _Reader:
    """Rows of another history, under numbers of this one."""

    def __init__(self, connection: Connection, tables: Mapping[str, Sequence[Mapping[str, Any]]]) -> None:
        self._connection, self._tables = connection, tables
        # Table -> number there -> number here; what is left out has none.
        self._here: dict[str, dict[int, int]] = {table.name: {} for table in TABLES}
        # Athlete -> sessions that came.
        self.new_of: Counter[int] = Counter()

    def read(self) -> Taken:
        for row in self._tables["athlete"]:
            self._athlete(dict(row))
        self._parameters()
        self._plans()
        total = len(self._tables["session"])
        for row in self._tables["session"]:
            self._session(dict(row))
        for table in TABLES:
            if table not in (ATHLETE, PARAMETERS, PLAN_VERSION, SESSION):
                self._others(table)
        new = len(self._here["session"])
        for athlete_id in self._here["athlete"].values():
            changed(self._connection, athlete_id)
        return Taken(new, total - new)

    def _athlete(self, row: Row) -> None:
        before = self._connection.execute(select(ATHLETE.c.id).where(ATHLETE.c.person == person(row["name"]))).first()
        athlete_id = ensure_athlete(self._connection, row["name"])
        self._here["athlete"][row["id"]] = athlete_id
        if before is None:
            profile = Profile(**{name: row[name] for name in Profile.__dataclass_fields__})
            self._connection.execute(ATHLETE.update().where(ATHLETE.c.id == athlete_id).values(**asdict(profile)))

    def _parameters(self) -> None:
        known = set(self._connection.execute(select(PARAMETERS.c.sha256)).scalars())
        new = [dict(row) for row in self._tables["parameters"] if row["sha256"] not in known]
        if new:
            self._connection.execute(PARAMETERS.insert(), new)

    def _plans(self) -> None:
        with_plan = set(self._connection.execute(select(PLAN_VERSION.c.athlete_id)).scalars())
        for row in self._tables["plan_version"]:
            require_alone(row["toml"])
            parse_plan(row["toml"], "a plan of the file")
            if self._here["athlete"][row["athlete_id"]] not in with_plan:
                self._insert(PLAN_VERSION, dict(row))

    def _session(self, row: Row) -> None:
        athlete_id = self._here["athlete"][row["athlete_id"]]
        same = SESSION.c.data_sha256 == row["data_sha256"]
        known = row["data_sha256"] and self._connection.execute(select(SESSION.c.id).where(same)).first()
        if not known and not is_there(self._connection, athlete_id, row["start_utc"]):
            self._insert(SESSION, {**row, "kept": None, "source": None})
            self.new_of[athlete_id] += 1

    def _others(self, table: Table) -> None:
        """Rows of whatever hangs on an athlete or session that came."""
        for row in self._tables[table.name]:
            owner = "session_id" if row.get("session_id") is not None else "set_id" if table is REP else "athlete_id"
            if row[owner] in self._here[_NAMES[owner].name]:
                self._insert(table, dict(row))

    def _insert(self, table: Table, row: Row) -> None:
        if strange := set(row) - set(table.c.keys()):
            raise LookupError(f"{table.name} has no {', '.join(sorted(strange))}")
        for name, of in _NAMES.items():
            if row.get(name) is not None:
                row[name] = self._here[of.name].get(row[name])
        there = row.pop("id", None)
        if there is None:
            self._connection.execute(table.insert(), row)
        else:
            new = self._connection.execute(table.insert().returning(table.c.id), row).scalar_one()
            self._here[table.name][there] = new
