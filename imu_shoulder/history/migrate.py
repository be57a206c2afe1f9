"""A database brought to the newest version of the tables, step by step, in one transaction.

Steps of our own and no migration library: they are few, both databases take them, and they are tested with a file of
every version. A new database is made by the newest tables at once; a test holds that both ways lead to the same.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping

from sqlalchemy import Connection, inspect, select

from imu_shoulder.errors import ShoulderError
from imu_shoulder.history.schema import EXPORTED, META, SCATTER, SCHEMA_VERSION, STANDING


def _to_2(connection: Connection) -> None:
    EXPORTED.create(connection)


def _to_3(connection: Connection) -> None:
    """What is worked out of sessions is worked out otherwise, and so anew. Version 2 brought these tables."""
    for table in (SCATTER, STANDING):
        table.drop(connection, checkfirst=True)
        table.create(connection)


# Version -> what leads to it from the one before. A table that a later step changes must be written out in the earlier
# one as it was.
STEPS: Mapping[int, Callable[[Connection], None]] = {2: _to_2, 3: _to_3}
NEWEST = max(STEPS)


class StoreError(ShoulderError):
    """The history's database cannot be used, or what was asked of it cannot be."""


def bring_up_to_date(connection: Connection) -> None:
    """Make the tables, or change those of an older version; in the transaction that is open. Raises StoreError."""
    version = version_of(connection)
    if version is None:
        # PostgreSQL's schema may be shared with others; a file is one program's.
        foreign = inspect(connection).get_table_names() if connection.dialect.name == "sqlite" else []
        if foreign or inspect(connection).has_table("session"):
            place = connection.engine.url.database
            raise StoreError(f"a history at {place}", "its tables are another program's", "give another --db")
        META.create_all(connection)
        connection.execute(SCHEMA_VERSION.insert().values(version=NEWEST))
        return
    if version < 1:
        do = "put back a backup: history restore FOLDER with another --db"
        raise StoreError("a history of this program", "the version of its tables is none", do)
    if version > NEWEST:
        came = f"it is of version {version} of its tables, and this program knows {NEWEST}"
        raise StoreError("a history of this program or an older one", came, "update the program")
    for step in range(version + 1, NEWEST + 1):
        STEPS[step](connection)
    connection.execute(SCHEMA_VERSION.update().values(version=NEWEST))


def version_of(connection: Connection) -> int | None:
    """Of the tables; None where there are none yet, 0 where something else than a number stands there."""
    if not inspect(connection).has_table(SCHEMA_VERSION.name):
        return None
    found = connection.execute(select(SCHEMA_VERSION.c.version)).scalar()
    return found if found is None or isinstance(found, int) else 0
