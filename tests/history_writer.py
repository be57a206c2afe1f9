"""A process that writes into a history, to be killed or run beside others: python history_writer.py WHAT DB ..."""

from __future__ import annotations

import sys
from pathlib import Path

from imu_shoulder.analysis import Params
from imu_shoulder.history import adding
from imu_shoulder.history import store as store_module
from imu_shoulder.history.people import add_athlete
from imu_shoulder.history.sessions import put
from imu_shoulder.history.store import open_store


def _said(step):
    def run(*args, **named):
        print(step.__name__, flush=True)
        return step(*args, **named)

    return run


def add(db: str, kept: str, folder: str) -> None:
    """Add one recording, and say each step when it begins."""
    for module, name in ((store_module, "mark"), *((adding, own) for own in ("keep", "put", "write_outputs"))):
        setattr(module, name, _said(getattr(module, name)))
    with open_store(db, Path(kept)) as store:
        how = adding.How(Params(), {}, lambda stage: print(stage, flush=True))
        adding.add_recording(store, Path(folder), how)
    print("done", flush=True)


def many(db: str, kept: str, athlete: str, count: str) -> None:
    """Put so many invented sessions, one transaction each; 0 for no end. Says each when it is committed."""
    from histories import rows_of

    with open_store(db, Path(kept)) as store:
        found = add_athlete(store, athlete).id
        number = 0
        while not int(count) or number < int(count):
            rows = rows_of(athlete, number)
            with store.write() as connection:
                put(connection, found, rows)
            print(number, flush=True)
            number += 1


if __name__ == "__main__":
    {"add": add, "many": many}[sys.argv[1]](*sys.argv[2:])
