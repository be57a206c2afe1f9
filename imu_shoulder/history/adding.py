"""From a recording folder to its session, through the one flow; and worked out anew from what is kept."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any, Literal, TypeGuard

import pandas as pd
from sqlalchemy import Connection, select

from imu_shoulder.advise.session import analyse_session
from imu_shoulder.analysis import Analysis, Params
from imu_shoulder.drills import Drill
from imu_shoulder.errors import RecordingError
from imu_shoulder.history.keeping import content_sha256, data_sha256, folder_of, keep, name_of
from imu_shoulder.history.people import ensure_athlete
from imu_shoulder.history.plans import plan_at
from imu_shoulder.history.rows import Row, SessionRows, json_parameters, moment_of, parameters_sha256, recorded
from imu_shoulder.history.schema import ATHLETE, SESSION
from imu_shoulder.history.sessions import earlier_summaries, put, require_recording, session
from imu_shoulder.history.standing import say_what_changed
from imu_shoulder.history.store import Store
from imu_shoulder.identity import person
from imu_shoulder.model import Recording
from imu_shoulder.plan import parse_plan
from imu_shoulder.report.folder import write_outputs
from imu_shoulder.report.tables import reps_table
from imu_shoulder.sources.folder import HEAD, read_recording

State = Literal["added", "there already", "replaced", "worked out anew"]
RESULTS = "results"


@dataclass(frozen=True, slots=True)
class Added:
    """What became of a recording. replaced: the same measurements were there with other marks or another head."""

    session_id: int
    athlete: str
    start: str
    state: State


@dataclass(frozen=True, slots=True)
class How:
    """By what sessions are worked out. drills: the user's own by id."""

    params: Params
    drills: Mapping[str, Drill]
    progress: Callable[[str], None] = lambda stage: None


def recordings_in(folder: Path) -> Iterator[Path]:
    """The folder itself if it is a recording, else all that are in it, by name. Raises RecordingError for none."""
    if (folder / HEAD).is_file():
        yield folder
        return
    found = sorted(path.parent for path in folder.rglob(HEAD)) if folder.is_dir() else []
    if not found:
        came = "there is none" if folder.is_dir() else "there is no such folder"
        raise RecordingError(f"recording folders in {folder}", came, "give the folder that holds recording.toml")
    yield from found


def add_recording(store: Store, folder: Path, how: How) -> Added:
    """Analyse a recording folder, keep a copy of it, and write its session; whole, or nothing of it.

    A recording that is there already stays as it is. Raises ShoulderError.
    """
    recording = read_recording(folder)
    with store.read() as connection:
        there = _there(connection, recording)
    if _is_same(there, recording):
        return Added(there["id"], recording.athlete, recording.start, "there already")
    made = _worked_out(store, recording, how)
    name = name_of(content_sha256(recording))
    origin = {"source": str(folder.resolve()), "kept": name, "content_sha256": content_sha256(recording)}
    made.rows.session.update(origin, data_sha256=data_sha256(recording))
    old = [there["kept"]] if there is not None and there["kept"] else []
    with store.write([name, *old]) as connection:
        there = _there(connection, recording)  # another process may have been quicker
        if _is_same(there, recording):
            return Added(there["id"], recording.athlete, recording.start, "there already")
        keep(store.kept, name, folder, recording.file_sha256)
        athlete_id = ensure_athlete(connection, recording.athlete)
        session_id = put(connection, athlete_id, made.rows, None if there is None else there["id"])
    write_outputs(made.analysis, folder_of(store.kept, name) / RESULTS, summary=made.summary)
    say_what_changed(store)
    return Added(session_id, recording.athlete, recording.start, "added" if there is None else "replaced")


def redo(store: Store, session_id: int, how: How) -> Added:
    """Work a session out anew from its kept recording, by the plan in force then. Raises ShoulderError."""
    row = session(store, session_id)
    recording = read_kept(store, row)
    made = _worked_out(store, recording, how)
    with store.write() as connection:
        put(connection, row["athlete_id"], made.rows, session_id)
    write_outputs(made.analysis, folder_of(store.kept, row["kept"]) / RESULTS, summary=made.summary)
    say_what_changed(store)
    return Added(session_id, recording.athlete, recording.start, "worked out anew")


def read_kept(store: Store, row: Row) -> Recording:
    """The kept recording of a session under the name it came with. Raises StoreError where none is kept."""
    return replace(read_recording(folder_of(store.kept, require_recording(row)["kept"])), name=row["name"])


def results_folder(store: Store, session_id: int, how: How) -> Path:
    """The folder with the session's reps.csv, angles.parquet, summary.json and report.html.

    Made anew from the kept recording where a killed process left none. Raises ShoulderError.
    """
    row = require_recording(session(store, session_id))
    folder = folder_of(store.kept, row["kept"]) / RESULTS
    if not folder.is_dir():
        redo(store, session_id, how)
    return folder


@dataclass(frozen=True, slots=True)
class _Made:
    """What the flow made of a recording, before it is written. plan_id: of the version that it was held against."""

    analysis: Analysis
    summary: dict[str, Any]
    rows: SessionRows


def _worked_out(store: Store, recording: Recording, how: How) -> _Made:
    start_utc = moment_of(recording.start)
    with store.read() as connection:
        mine = select(ATHLETE.c.id, ATHLETE.c.pain_ceiling).where(ATHLETE.c.person == person(recording.athlete))
        athlete_id, ceiling = connection.execute(mine).one_or_none() or (None, None)
        version, earlier = None, []
        if athlete_id is not None:
            version = plan_at(connection, athlete_id, start_utc)
            digest = parameters_sha256(json_parameters(how.params))
            earlier = earlier_summaries(connection, athlete_id, start_utc, digest)
    plan = None if version is None else parse_plan(version.toml, f"plan, version {version.number}", how.drills)
    analysis, summary = analyse_session(recording, how.drills, how.params, how.progress, plan, earlier)
    rows = recorded(summary, records(reps_table(analysis)), None if plan is not None else ceiling)
    rows.session["plan_version_id"] = None if version is None else version.id
    return _Made(analysis, summary, rows)


def _is_same(there: Row | None, recording: Recording) -> TypeGuard[Row]:
    """Whether it is there with the same marks and head, and a copy of it is kept."""
    same = there is not None and there["content_sha256"] == content_sha256(recording)
    return same and there is not None and there["kept"] is not None


def records(table: pd.DataFrame) -> list[Row]:
    """The rows of a table, by column."""
    return [{str(name): value for name, value in row.items()} for row in table.to_dict("records")]


def _there(connection: Connection, recording: Recording) -> Row | None:
    """The session with the same measurements."""
    columns = SESSION.c.id, SESSION.c.content_sha256, SESSION.c.kept
    query = select(*columns).where(SESSION.c.data_sha256 == data_sha256(recording))
    row = connection.execute(query).mappings().first()
    return None if row is None else dict(row)
