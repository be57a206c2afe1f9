"""The history opened: a SQLite file or a PostgreSQL database, and beside it the folder of the recordings kept.

Readers see what was committed when they began. Writers come one after the other: on SQLite by BEGIN IMMEDIATE, on
PostgreSQL by one advisory lock, so that what a writer looks up still holds when it writes.
"""

from __future__ import annotations

import contextlib
import json
import os
from collections.abc import Collection, Iterator
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import platformdirs
from sqlalchemy import URL, Connection, Engine, create_engine, event, make_url
from sqlalchemy.exc import (
    DatabaseError,
    DataError,
    IntegrityError,
    NoSuchModuleError,
    ProgrammingError,
    SQLAlchemyError,
)

from imu_shoulder.errors import ParameterError
from imu_shoulder.files import discard, make_folders, open_to_append, refusing
from imu_shoulder.history.keeping import clean_up, is_clean, mark
from imu_shoulder.history.migrate import NEWEST, StoreError, bring_up_to_date, version_of

DATABASE = "history.db"
# How long a writer waits for another one.
BUSY_S = 30.0
# What a database says -> what its user does.
_DO = {
    "is locked": "wait for the other program that holds it, or end that one, and try again",
    "malformed": "put back a backup: history restore FOLDER with another --db",
    "not a database": "give the file of a history, or another --db",
    "no such": "put back a backup: history restore FOLDER with another --db",
    "readonly": "make file and folder writable, or give another --db",
    "disk is full": "make room on its disk and try again",
    "disk I/O error": "look after its disk, then try again",
}
# Of the advisory lock on PostgreSQL: any number that nobody else takes.
_LOCK = 7_209_113_044


@dataclass(frozen=True, slots=True)
class Store:
    """An open history. kept: the folder with a copy of every recording that was added."""

    engine: Engine
    kept: Path

    @property
    def place(self) -> str:
        """Where it is, without a password."""
        return self.engine.url.database or "" if self.on_sqlite else self.engine.url.render_as_string()

    @property
    def on_sqlite(self) -> bool:
        return self.engine.dialect.name == "sqlite"

    @contextlib.contextmanager
    def read(self) -> Iterator[Connection]:
        """A connection that sees one state of the history. Raises StoreError."""
        with _telling(self.place), self.engine.connect() as connection:
            yield connection

    @contextlib.contextmanager
    def write(self, changes: Collection[str] = ()) -> Iterator[Connection]:
        """A connection that no other writer is beside; what it did is kept when the block ends without an error.

        changes: names of the kept copies that the block adds, or whose session it takes away. Raises StoreError.
        """
        with _telling(self.place), self.engine.connect().execution_options(writes=True) as connection:
            with self._alone(connection):
                if changes:
                    mark(self.kept, changes)
                yield connection
            if changes:
                with self._alone(connection):
                    clean_up(self.kept, connection)

    @contextlib.contextmanager
    def _alone(self, connection: Connection) -> Iterator[None]:
        with connection.begin():
            if not self.on_sqlite:
                connection.exec_driver_sql(f"SELECT pg_advisory_xact_lock({_LOCK})")
            yield

    def close(self) -> None:
        self.engine.dispose()

    def __enter__(self) -> Store:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()


def default_path() -> Path:
    """The database in the user's data directory."""
    return Path(platformdirs.user_data_dir("imu-shoulder", appauthor=False)) / DATABASE


def open_store(target: str | Path | None = None, kept: Path | None = None) -> Store:
    """Open a history, made where there is none, its tables brought up to date, what a killed process left cleaned up.

    target: path of a SQLite file, or URL of a PostgreSQL database; None for the file in the user's data directory.
    kept: folder of the recordings; None for one beside the file, of a database in the user's data directory.
    Raises StoreError, OutputError.
    """
    url = _url_of(target)
    new: tuple[Path, ...] = ()
    if url.get_backend_name() == "sqlite":
        path = Path(url.database or "")
        if not path.exists():
            new = path, *(path.with_name(path.name + end) for end in ("-wal", "-shm"))
        with refusing(path, "give another --db"):
            make_folders(path.parent)
            # Made here, so that it and the files SQLite puts beside it are the owner's alone.
            os.close(open_to_append(path))
        kept = kept or path.with_name(f"{path.stem}_recordings")
    else:
        kept = kept or default_path().with_name(f"{url.database}_recordings")
    store = Store(_engine(url), kept)
    try:
        with store.read() as connection:
            ready = version_of(connection) == NEWEST
        if not (ready and is_clean(kept)):
            with store.write() as connection:
                bring_up_to_date(connection)
                clean_up(kept, connection)
    except BaseException:
        store.close()
        for path in new:
            discard(path)
        raise
    return store


def _url_of(target: str | Path | None) -> URL:
    text = str(default_path() if target is None else target)
    if "://" not in text:
        return URL.create("sqlite+pysqlite", database=os.path.realpath(Path(text).expanduser()))
    expected = "a path, or postgresql://USER@HOST/DATABASE"
    try:
        url = make_url(text)
    except SQLAlchemyError as error:
        raise StoreError(f"{expected} as --db", "it is neither", "correct --db") from error
    if url.get_backend_name() not in ("postgresql", "postgres") or not url.database:
        raise StoreError(f"{expected} as --db", f"it begins with {url.drivername}://", "correct --db")
    return url.set(drivername="postgresql+psycopg")


def _engine(url: URL) -> Engine:
    if url.get_backend_name() != "sqlite":
        with _telling(url.render_as_string()):
            return create_engine(url, pool_pre_ping=True)
    engine = create_engine(url, connect_args={"timeout": BUSY_S})
    event.listen(engine, "connect", _set_up)
    event.listen(engine, "begin", _begin)
    return engine


def _set_up(connection: Any, _: object) -> None:
    """Of each new connection to SQLite. What is deleted is overwritten, and what is committed is on the disk."""
    connection.isolation_level = None  # transactions begin where _begin says, not where the driver guesses
    for pragma in ("journal_mode = WAL", "synchronous = FULL", "foreign_keys = ON", "secure_delete = ON"):
        connection.execute(f"PRAGMA {pragma}")


def _begin(connection: Connection) -> None:
    writes = connection.get_execution_options().get("writes", False)
    connection.exec_driver_sql("BEGIN IMMEDIATE" if writes else "BEGIN")


@contextlib.contextmanager
def _telling(place: str) -> Iterator[None]:
    """What the database cannot do becomes a StoreError; a mistake of this program's stays one."""
    try:
        yield
    except (DatabaseError, NoSuchModuleError, ModuleNotFoundError, json.JSONDecodeError) as error:
        if isinstance(error, IntegrityError | ProgrammingError | DataError):
            raise
        came = str(getattr(error, "orig", None) or error).strip()
        do = next((do for words, do in _DO.items() if words in came), "check --db")
        raise StoreError(f"a history at {place}", f"it cannot be used ({came})", do) from error


# A session or a plan of another year is a slip of the pen.
YEARS = 1970, 2200


def moment_from(text: str) -> datetime:
    """A moment that a person wrote. Raises ParameterError."""
    came, do = f"it is {text!r}", "write it like 2026-05-04T09:30:00+02:00"
    try:
        moment = datetime.fromisoformat(text)
    except ValueError:
        raise ParameterError("a date and time of ISO 8601", came, do) from None
    _require_possible(moment, came, do)
    return moment


def _require_possible(moment: datetime, came: str, do: str) -> None:
    if not YEARS[0] <= moment.year <= YEARS[1]:
        raise ParameterError(f"a date from {YEARS[0]} to {YEARS[1]}", came, do)


def is_ahead(start: str) -> bool:
    """Whether a session's start is more than a day ahead of this computer's clock. Raises ParameterError."""
    return utc(moment_from(start)) > utc(datetime.now(UTC) + timedelta(days=1))


def now_utc() -> str:
    """This moment as the history writes it."""
    return utc(datetime.now(UTC))


def utc(moment: datetime) -> str:
    """A moment as the history writes it; one without a zone is taken as UTC, as everywhere. Raises ParameterError."""
    _require_possible(moment, f"it is {moment.date()}", "correct it")
    moment = moment if moment.tzinfo else moment.replace(tzinfo=UTC)
    return moment.astimezone(UTC).strftime("%Y-%m-%dT%H:%M:%SZ")
