"""Data protection: an athlete taken out without a trace, and the whole history backed up and restored."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path

from sqlalchemy import Connection, Table, func, select, text

from imu_shoulder.errors import OutputError
from imu_shoulder.files import copy_file, discard, refusing, remove_folder, scratch_folder, whole_folder
from imu_shoulder.history.exporting import TABLES, listed
from imu_shoulder.history.keeping import folder_of, keep
from imu_shoulder.history.migrate import StoreError
from imu_shoulder.history.people import write_journal
from imu_shoulder.history.schema import ATHLETE, EXPORTED, SESSION
from imu_shoulder.history.sessions import SOURCE
from imu_shoulder.history.store import DATABASE, Store, now_utc, open_store

RECORDINGS = "recordings"
BACKUP = "backup"
# Rows that are copied at a time.
_ROWS = 5000
# How long readers are waited for before their pages are said to be left.
_WIPE_MS = 1000


@dataclass(slots=True)
class Deleted:
    """What went with an athlete. removed: files and folders that were written from here. left: folders that recordings
    came from, and backups, which are there still. wiped: whether the database's file holds no copy either; False where
    another program had it open.
    """

    sessions: int
    removed: list[str] = field(default_factory=list)
    left: list[str] = field(default_factory=list)
    wiped: bool = True


def delete_athlete(store: Store, athlete_id: int, who: str, *, sources: bool = False, backups: bool = False) -> Deleted:
    """Take an athlete out: rows, journal, kept recordings, and files that were written from here.

    sources: the folders that recordings were added from, too, with logs and reports in them. backups: those too, which
    hold others as well. Files go first and the database last, so that what was cut off can be done again.
    Raises StoreError, OutputError.
    """
    with store.read() as connection:
        query = select(SESSION.c.kept, SESSION.c.source).where(SESSION.c.athlete_id == athlete_id)
        rows = connection.execute(query).all()
    found = Deleted(len(rows))
    folders = {row.source for row in rows if row.source}
    for export in listed(store, athlete_id):
        path = Path(export["path"])
        if export["what"] == SOURCE:
            folders.add(export["path"])
        elif export["what"] == BACKUP and not backups:
            found.left += [str(path)] if path.exists() else []
        else:
            found.removed += _remove(path)
            _forget(store, export["id"])
    for source in sorted(folders):
        if sources:
            found.removed += _remove(Path(source)) + _remove(Path(f"{source}.log"))
        elif Path(source).exists():
            found.left.append(source)
    kept = [row.kept for row in rows if row.kept]
    found.removed += [str(folder_of(store.kept, name)) for name in kept]
    with store.write(kept) as connection:
        if not connection.execute(ATHLETE.delete().where(ATHLETE.c.id == athlete_id)).rowcount:
            raise StoreError("an athlete of the history", f"number {athlete_id} is none", "see history list")
        write_journal(connection, who, "athlete deleted", f"number {athlete_id}", None)
    found.wiped = wipe(store)
    return found


def _remove(path: Path) -> list[str]:
    """Remove a file or folder, if it is there; its name if it was."""
    if not path.exists():
        return []
    with refusing(path, "remove it by hand"):
        if path.is_dir():
            remove_folder(path)
        else:
            discard(path)
    return [str(path)]


def _forget(store: Store, export_id: int) -> None:
    with store.write() as connection:
        connection.execute(EXPORTED.delete().where(EXPORTED.c.id == export_id))


def wipe(store: Store) -> bool:
    """Write the database anew without what was deleted. False where another program reads it, and holds old pages.

    SQLite overwrites what it deletes (secure_delete); older copies in its write-ahead log go when that is cut.
    """
    if not store.on_sqlite:
        with store.engine.connect().execution_options(isolation_level="AUTOCOMMIT") as connection:
            connection.exec_driver_sql("VACUUM FULL")
        return True
    driver = store.engine.raw_connection()
    try:
        cursor = driver.cursor()  # outside of any transaction
        cursor.execute("VACUUM")
        cursor.execute(f"PRAGMA busy_timeout = {_WIPE_MS}")
        cursor.execute("PRAGMA wal_checkpoint(TRUNCATE)")
        (busy, *_) = cursor.fetchone() or (1,)
        cursor.close()
    finally:
        driver.invalidate()  # the next connection waits for others as long as ever
    return not busy


def back_up(store: Store, folder: Path) -> int:
    """The whole history in a new folder: a SQLite file, whatever it is kept in, and the recordings. Returns sessions.

    The folder is listed as an export. Raises OutputError, StoreError.
    """
    place = folder.expanduser().resolve()
    with store.write() as connection:
        connection.execute(EXPORTED.insert(), {"path": str(place), "what": BACKUP, "at": now_utc()})
    with whole_folder(place) as scratch, store.read() as source:
        names = list(source.execute(select(SESSION.c.kept).where(SESSION.c.kept.is_not(None))).scalars())
        with open_store(scratch / DATABASE) as copy:
            with copy.write() as target:
                _copy(source, target)
            wipe(copy)
        for name in names:
            _copy_recording(store.kept, name, scratch / RECORDINGS)
        return int(source.execute(select(func.count()).select_from(SESSION)).scalar_one())


def _copy_recording(kept: Path, name: str, into: Path) -> None:
    folder = folder_of(kept, name)
    if folder.is_dir():  # else its athlete was deleted in this moment
        keep(into, name, folder, [path.name for path in folder.iterdir() if path.is_file()])


def require_backup(folder: Path) -> Path:
    """The database in the folder of a backup. Raises OutputError."""
    backup = folder / DATABASE
    if not backup.is_file():
        raise OutputError(f"a backup in {folder}", f"there is no {DATABASE}", "give a folder that history backup wrote")
    return backup


def restore(store: Store, folder: Path) -> int:
    """Fill an empty history from a backup, whole or not at all. Returns sessions. Raises StoreError, OutputError."""
    backup = require_backup(folder)
    with scratch_folder() as scratch, refusing(folder):
        copy_file(backup, scratch / DATABASE)  # of an older version it is brought up to date, but not in the backup
        with open_store(scratch / DATABASE) as old, old.read() as source:
            names = list(source.execute(select(SESSION.c.kept).where(SESSION.c.kept.is_not(None))).scalars())
            with store.write(names) as target:
                if target.execute(select(ATHLETE.c.id)).first() is not None:
                    raise StoreError(
                        "an empty history to restore into", "there are athletes in it", "give another --db"
                    )
                for name in names:
                    _copy_recording(folder / RECORDINGS, name, store.kept)
                for table in reversed(TABLES):  # what a history is left with whose athletes were deleted
                    target.execute(table.delete())
                _copy(source, target)
                if not store.on_sqlite:
                    _count_on(target)
            return int(source.execute(select(func.count()).select_from(SESSION)).scalar_one())


def _copy(source: Connection, target: Connection) -> None:
    for table in TABLES:
        for rows in _in_parts(source, table):
            target.execute(table.insert(), rows)
    # Files that were written from either are there still, and are listed once.
    known = set(target.execute(select(EXPORTED.c.path)).scalars())
    more = [{name: row[name] for name in row if name != "id"} for rows in _in_parts(source, EXPORTED) for row in rows]
    if more := [row for row in more if row["path"] not in known]:
        target.execute(EXPORTED.insert(), more)


def _in_parts(source: Connection, table: Table) -> Iterator[list[dict[str, object]]]:
    found = source.execution_options(yield_per=_ROWS).execute(select(table))
    for rows in found.mappings().partitions():
        yield [dict(row) for row in rows]


def _count_on(target: Connection) -> None:
    """Let PostgreSQL number what comes next behind what was copied."""
    for table in TABLES:
        if "id" in table.c:
            name = table.name
            counter = f"pg_get_serial_sequence('\"{name}\"', 'id')"
            target.execute(text(f'SELECT setval({counter}, (SELECT coalesce(max(id), 0) + 1 FROM "{name}"), false)'))
