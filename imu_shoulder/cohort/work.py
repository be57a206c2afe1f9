"""One recording of a cohort, as a worker does it: fetch, analyse, keep. Nothing that it meets gets out."""

from __future__ import annotations

import hashlib
import traceback
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass
from functools import cache
from pathlib import Path

from imu_shoulder.analysis import Params
from imu_shoulder.cohort.find import MAP
from imu_shoulder.cohort.place import Place
from imu_shoulder.cohort.store import ERROR, MEMORY, REFUSED, Failure, drop, keep
from imu_shoulder.cohort.tables import tables_of
from imu_shoulder.drills import Drill
from imu_shoulder.errors import ShoulderError
from imu_shoulder.files import make_folders, scratch_folder
from imu_shoulder.pipeline import analyse
from imu_shoulder.range import shipped_tests
from imu_shoulder.sources.any_kind import read_any
from imu_shoulder.sources.folder import HEAD

PACKAGE = Path(__file__).parents[1]


@dataclass(frozen=True, slots=True)
class Job:
    """source, out: URLs. recording: its folder in source, with its files. stale: older files of it in out."""

    source: str
    out: str
    recording: str
    files: tuple[str, ...]
    result: str
    stale: tuple[str, ...]
    params: Params
    drills: Mapping[str, Drill]
    code: str


@cache
def code_digest() -> str:
    """Hexadecimal digits that stand for the program: another text of it may give other results."""
    found = hashlib.sha256()
    for path in sorted([*PACKAGE.rglob("*.py"), *PACKAGE.rglob("*.toml")]):
        found.update(path.relative_to(PACKAGE).as_posix().encode() + b"\0" + path.read_bytes())
    return found.hexdigest()


def do(job: Job) -> Failure | None:
    """Analyse a recording and keep its rows. None, or why there are none; then none of an earlier run are left."""
    out = Place.at(job.out)
    try:
        if code_digest() != job.code:
            raise RuntimeError("this worker has another text of the program than the one that asks; install the same")
        with _at_hand(job) as folder:
            recording = read_any(folder if HEAD in job.files else folder / MAP)
        apart = shipped_tests().keys() - job.drills.keys()
        analysis = analyse(recording, job.params, job.drills, apart=apart)
        tables = tables_of(analysis, job.recording, job.result)
        drop(out, job.stale)
        keep(out, recording.athlete, job.recording, job.result, tables)
    except ShoulderError as error:
        failure = Failure(job.recording, job.result, REFUSED, str(error))
    except MemoryError as error:
        failure = Failure(job.recording, job.result, MEMORY, f"it ran out of memory ({error})", traceback.format_exc())
    except Exception as error:
        failure = Failure(job.recording, job.result, ERROR, f"{type(error).__name__}: {error}", traceback.format_exc())
    else:
        return None
    drop(out, job.stale)
    return failure


@contextmanager
def _at_hand(job: Job) -> Iterator[Path]:
    """The recording's folder on this machine."""
    source = Place.at(job.source)
    if source.is_local:
        yield Path(source.path(job.recording))
        return
    with scratch_folder() as scratch:
        for name in job.files:
            make_folders((scratch / name).parent)
            source.fetch(name if job.recording == "." else f"{job.recording}/{name}", scratch / name)
        yield scratch
