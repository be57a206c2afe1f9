"""A folder of results: what is in it, and how a recording's rows come into it, whole or not at all.

Each recording has one file in each of reps/, sets/ and sensors/, under athlete=NAME/. The one of sensors/ is written
last and removed first: rows count that have it. Names hold the recording and the result they are of, so that a listing
says what is done.
"""

from __future__ import annotations

import hashlib
import io
import json
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import asdict, dataclass
from typing import Any

import pyarrow as pa
import pyarrow.parquet as pq

from imu_shoulder.cohort.place import Place
from imu_shoulder.cohort.tables import SENSORS, TABLES, TEXT, as_parquet
from imu_shoulder.files import refusing

FAILURES = "failures.parquet"
# A recording that cannot be used cannot be used next time either; everything else may have been the machine's.
REFUSED, ERROR, MEMORY, LOST = "refused", "error", "memory", "lost"
# Not in a name of a file or folder of some system, and those that hive style and its readers give a meaning.
_ESCAPED = frozenset('/\\:*?"<>|=%#+&')
_DIGITS = 16


@dataclass(frozen=True, slots=True)
class Failure:
    """A recording without rows. kind: refused, error, memory or lost. reason: one line. trace: where it was."""

    recording: str
    result: str
    kind: str
    reason: str
    trace: str = ""


@dataclass(frozen=True, slots=True)
class Kept:
    """What a folder of results holds. done: results by key of the recording. files: names of all its files by key."""

    done: Mapping[str, str]
    files: Mapping[str, Sequence[str]]


def digest(*parts: object) -> str:
    """Hexadecimal digits that stand for these parts."""
    return hashlib.sha256(json.dumps(parts, sort_keys=True, default=str).encode()).hexdigest()[:_DIGITS]


def name_in(table: str, athlete: str, recording: str, result: str) -> str:
    """The file of a recording's rows in a table."""
    folder = "".join(f"%{ord(c):02X}" if c in _ESCAPED or not c.isprintable() else c for c in athlete)
    return f"{table}/athlete={folder}/{digest(recording)}-{result}.parquet"


def kept_in(place: Place) -> Kept:
    """What is there, from a listing alone."""
    done: dict[str, str] = {}
    files: dict[str, list[str]] = {}
    for table in TABLES:
        for name, _ in place.files(table):
            key, dash, result = name.rpartition("/")[2].removesuffix(".parquet").partition("-")
            if not dash or not name.endswith(".parquet"):
                continue
            files.setdefault(key, []).append(name)
            if table == SENSORS:
                done[key] = result
    return Kept(done, files)


def keep(place: Place, athlete: str, recording: str, result: str, tables: Mapping[str, pa.Table]) -> None:
    """Write a recording's rows; those of SENSORS last. Raises OSError."""
    for table in TABLES:
        place.write(name_in(table, athlete, recording, result), as_parquet(tables[table]))


def drop(place: Place, names: Iterable[str]) -> None:
    """Remove a recording's older files, those of SENSORS first. Raises OSError."""
    for name in sorted(names, key=lambda name: not name.startswith(f"{SENSORS}/")):
        place.remove(name)


def read_failures(place: Place) -> list[Failure]:
    data = place.read(FAILURES)
    rows: list[dict[str, Any]] = [] if data is None else pq.read_table(io.BytesIO(data)).to_pylist()
    return [Failure(**row) for row in rows]


def write_failures(place: Place, failures: Iterable[Failure]) -> None:
    """Raises OutputError."""
    rows = [asdict(failure) for failure in sorted(failures, key=lambda failure: failure.recording)]
    schema = pa.schema(dict.fromkeys(Failure.__dataclass_fields__, TEXT))
    with refusing(place.url):
        place.write(FAILURES, as_parquet(pa.Table.from_pylist(rows, schema)))
