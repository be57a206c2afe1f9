"""Sessions put into the history and read from it: recorded ones, and those that were done without sensors."""

from __future__ import annotations

import json
import re
from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass
from functools import lru_cache
from operator import itemgetter
from typing import Any

from sqlalchemy import Connection, Dialect, Table, bindparam, select

from imu_shoulder.errors import ParameterError
from imu_shoulder.history.migrate import StoreError
from imu_shoulder.history.people import ensure_athlete, find_athlete, require_one_of, text_of, write_journal
from imu_shoulder.history.rows import Row, SessionRows, drill_summaries, made_by
from imu_shoulder.history.schema import ARM_SET, ATHLETE, DRILL_SUMMARY, EXPORTED, PARAMETERS, REP, SESSION
from imu_shoulder.history.store import Store, moment_from, now_utc, utc
from imu_shoulder.identity import person
from imu_shoulder.limits import MAX_REPS, MAX_SETS
from imu_shoulder.model import EVENT_SIDES

DONE = ("yes", "partly", "no")
# What a folder is listed as whose session was taken out.
SOURCE = "source of a session taken out"
# No session has so large a number, and SQLite cannot be asked for it.
_NO_NUMBER = 2**63
# What a list of sessions shows: all columns but for the long one.
LISTED = tuple(column for column in SESSION.c if column.name != "summary")

_NEW_SESSION = SESSION.insert().returning(SESSION.c.id)
_NEW_SETS = ARM_SET.insert().returning(ARM_SET.c.id, sort_by_parameter_order=True)
_CHANGED = ATHLETE.update().where(ATHLETE.c.id == bindparam("who")).values(changes=ATHLETE.c.changes + 1)


@dataclass(frozen=True, slots=True)
class ManualSet:
    """One line of what was done without sensors. side: right, left or both; reps: of one set."""

    drill: str
    side: str
    sets: int
    reps: int
    load_kg: float | None = None


def put(connection: Connection, athlete_id: int, rows: SessionRows, replaces: int | None = None) -> int:
    """Write a session and all that belongs to it; returns its id.

    connection: a writer's. replaces: id of the session whose results give way; it keeps its id, notes and verdicts.
    """
    values = {**rows.session, "athlete_id": athlete_id}
    _know_parameters(connection, rows)
    if replaces is None:
        found = int(connection.execute(_NEW_SESSION, values).scalar_one())
    else:
        found = replaces
        for table in (ARM_SET, DRILL_SUMMARY):
            connection.execute(table.delete().where(table.c.session_id == found))
        connection.execute(SESSION.update().where(SESSION.c.id == found).values(**values))
    if rows.sets:
        new = [{**own, "session_id": found} for own, _ in rows.sets]
        ids = connection.execute(_NEW_SETS, new).scalars().all()
        reps = [
            {**rep, "set_id": set_id, "place": place}
            for set_id, (_, own) in zip(ids, rows.sets, strict=True)
            for place, rep in enumerate(own)
        ]
        if reps:
            _put_many(connection, REP, reps)
    by = made_by(values.get("version"), values.get("parameters_sha256"))
    shared = {"athlete_id": athlete_id, "session_id": found, "start_utc": values["start_utc"], "made_by": by}
    summaries = [{**row, **shared} for row in drill_summaries(rows.sets)]
    if summaries:
        _put_many(connection, DRILL_SUMMARY, summaries)
    changed(connection, athlete_id)
    return found


def _put_many(connection: Connection, table: Table, rows: Sequence[Row]) -> None:
    """Rows with every column, in one statement of the driver's own: they are numbers and texts, and `more`."""
    statement, order = _insert_of(table, connection.dialect)
    ready = [{**row, "more": None if row["more"] is None else json.dumps(row["more"])} for row in rows]
    if order is None:
        connection.exec_driver_sql(statement, ready)
    else:
        in_order = itemgetter(*order)
        connection.exec_driver_sql(statement, [in_order(row) for row in ready])


@lru_cache(maxsize=8)
def _insert_of(table: Table, dialect: Dialect) -> tuple[str, tuple[str, ...] | None]:
    """The statement as the driver takes it, and the order of its values where they have no names."""
    insert = table.insert().compile(dialect=dialect, column_keys=list(table.c.keys()))
    return str(insert), None if insert.positiontup is None else tuple(insert.positiontup)


def changed(connection: Connection, athlete_id: int) -> None:
    """Say that an athlete's sessions are others than before. connection: a writer's."""
    connection.execute(_CHANGED, {"who": athlete_id})


def _know_parameters(connection: Connection, rows: SessionRows) -> None:
    digest = rows.session.get("parameters_sha256")
    if digest is None:
        return
    known = select(PARAMETERS.c.sha256).where(PARAMETERS.c.sha256 == digest)
    if connection.execute(known).first() is None:
        connection.execute(PARAMETERS.insert(), {"sha256": digest, "contents": rows.parameters})


def add_manual(
    store: Store,
    athlete: str,
    start: str,
    done: str,
    dose: Sequence[ManualSet] = (),
    *,
    pain: float | None = None,
    effort: float | None = None,
    note: str = "",
) -> int:
    """A session that no sensor saw, in the athlete's or coach's words; returns its id.

    start: ISO 8601. done: yes, partly or no. pain, effort: 0 to 10. Raises ParameterError, and StoreError where the
    athlete has one at this moment already.
    """
    row = manual_row(start, done, dose, pain, effort, note)
    with store.write() as connection:
        athlete_id = ensure_athlete(connection, athlete)
        if is_there(connection, athlete_id, row["start_utc"]):
            raise StoreError(f"one session of {athlete} at {start}", "there is one", "give another time")
        return put_unrecorded(connection, athlete_id, row)


def is_there(connection: Connection, athlete_id: int, start_utc: str) -> bool:
    """Whether an athlete has a session that began at this moment."""
    same = (SESSION.c.athlete_id == athlete_id) & (SESSION.c.start_utc == start_utc)
    return connection.execute(select(SESSION.c.id).where(same)).first() is not None


def put_unrecorded(connection: Connection, athlete_id: int, row: Row, arms: Sequence[Row] = ()) -> int:
    """Write a session of which no recording is here, such as of `manual_row`. connection: a writer's.

    arms: the columns of `drill_summary` but for ids and start, where somebody else worked them out.
    """
    ceiling = connection.execute(select(ATHLETE.c.pain_ceiling).where(ATHLETE.c.id == athlete_id)).scalar_one()
    pain = row["pain_highest"]
    found = put(connection, athlete_id, SessionRows({**row, "pain_over": pain is not None and pain > ceiling}))
    if arms:
        shared = {"athlete_id": athlete_id, "session_id": found, "start_utc": row["start_utc"]}
        _put_many(connection, DRILL_SUMMARY, [{**arm, **shared} for arm in arms])
    return found


def manual_row(
    start: str, done: str, dose: Sequence[ManualSet], pain: float | None, effort: float | None, note: str
) -> Row:
    """The columns of a session without sensors, as `add_manual` has them. Raises ParameterError."""
    start_utc = utc(moment_from(start))
    require_one_of("what was done", done, DONE)
    for what, value in (("pain", pain), ("effort", effort)):
        require_rating(what, value)
    for line in dose:
        _require_line(line)
    if done == "no" and dose:
        raise ParameterError("no dose where nothing was done", f"there are {len(dose)} lines", "leave them out")
    sides = [(line, 2 if line.side == "both" else 1) for line in dose]
    return {
        "kind": "manual",
        "start_utc": start_utc,
        "start": start,
        "name": "without sensors",
        "added_at": now_utc(),
        "done": done,
        "sets_done": sum(line.sets * arms for line, arms in sides) if dose or done == "no" else None,
        "reps_done": sum(line.sets * line.reps * arms for line, arms in sides) if dose or done == "no" else None,
        "pain_highest": pain,
        "effort": effort,
        "note": text_of(note, "a note", blank=True),
        "summary": {"dose": [asdict(line) for line in dose]},
    }


def require_rating(what: str, value: float | None) -> None:
    """Raises ParameterError for what is no rating from 0 to 10; None is not rated."""
    if value is not None and not 0.0 <= value <= 10.0:
        raise ParameterError(f"{what} from 0 to 10", f"it is {value:g}", "give a number in between")


def _require_line(line: ManualSet) -> None:
    text_of(line.drill, "the id of a drill")
    require_one_of("a side", line.side, EVENT_SIDES)
    for what, value, most in (("sets", line.sets, MAX_SETS), ("reps", line.reps, MAX_REPS)):
        if not 1 <= value <= most:
            raise ParameterError(f"{what} from 1 to {most}", f"it is {value}", "correct it")
    if line.load_kg is not None and not 0.0 <= line.load_kg < 1000.0:
        raise ParameterError("a load from 0 kg on", f"it is {line.load_kg:g}", "correct it")


def dose_line(text: str) -> ManualSet:
    """What was done of one drill, from words such as full_can:both:2x10@1.5. Raises ParameterError."""
    found = re.fullmatch(r"([^:]+):([a-z]+):(\d{1,4})x(\d{1,4})(?:@(\d{1,3}(?:\.\d+)?))?", text.strip())
    if found is None:
        do = "write it like full_can:both:2x10@1.5"
        raise ParameterError("a dose as DRILL:SIDE:SETSxREPS, with @KG for a load", f"it is {text!r}", do)
    drill, side, sets_done, reps_done, load_kg = found.groups()
    return ManualSet(drill, side, int(sets_done), int(reps_done), None if load_kg is None else float(load_kg))


def with_recordings(store: Store, which: Sequence[str]) -> list[int]:
    """Ids of sessions whose recording is kept, in time: by number, of athletes by name, or all for none.

    Raises StoreError.
    """
    wanted = select(SESSION.c.id).where(SESSION.c.kept.is_not(None)).order_by(SESSION.c.start_utc, SESSION.c.id)
    if which:
        named = [one for one in which if not one.isdecimal() or is_name_alone(store, one)]
        rows = [session(store, int(one)) for one in which if one not in named]
        numbers = [require_recording(row)["id"] for row in rows]
        people = [find_athlete(store, one).id for one in named]
        wanted = wanted.where(SESSION.c.id.in_(numbers) | SESSION.c.athlete_id.in_(people))
    with store.read() as connection:
        return list(connection.execute(wanted).scalars())


def require_recording(row: Row) -> Row:
    """A session whose recording is kept. Raises StoreError for another one."""
    if row["kept"] is None:
        why = "was entered by hand" if row["kind"] == "manual" else "came from a file, without its recording"
        raise StoreError("a session whose recording is kept", f"number {row['id']} {why}", "choose another one")
    return row


def is_name_alone(store: Store, number: str) -> bool:
    """Whether digits are the name of an athlete, and not the number of a session."""
    with store.read() as connection:
        of_session = select(SESSION.c.id).where(SESSION.c.id == min(int(number), _NO_NUMBER - 1))
        if connection.execute(of_session).first() is not None:
            return False
        return connection.execute(select(ATHLETE.c.id).where(ATHLETE.c.person == person(number))).first() is not None


def rate_next_morning(store: Store, session_id: int, pain: float | None) -> None:
    """The pain on the morning after a session, 0 to 10; None for not rated. Raises ParameterError, StoreError."""
    require_rating("pain on the next morning", pain)
    _require_number(session_id)
    change = SESSION.update().where(SESSION.c.id == session_id).values(pain_next_morning=pain)
    with store.write() as connection:
        athlete_id = connection.execute(change.returning(SESSION.c.athlete_id)).scalar()
        if athlete_id is None:
            raise _no_session(session_id)
        changed(connection, athlete_id)


def remove_session(store: Store, session_id: int, why: str, who: str) -> Row:
    """Take a session out that should not be there, with its notes, verdicts and kept recording; returns what it was.

    The journal says so. Raises ParameterError, StoreError.
    """
    row, why = session(store, session_id), text_of(why, "why")
    with store.write([row["kept"]] if row["kept"] else []) as connection:
        if not connection.execute(SESSION.delete().where(SESSION.c.id == session_id)).rowcount:
            raise _no_session(session_id)  # somebody was quicker
        changed(connection, row["athlete_id"])
        if row["source"]:  # so that it goes, or is named, when its athlete is deleted
            own = {"athlete_id": row["athlete_id"], "path": row["source"], "what": SOURCE, "at": now_utc()}
            connection.execute(EXPORTED.insert(), own)
        detail = f"number {session_id} of {row['start']}, {row['name']}: {why}"
        write_journal(connection, who, "session removed", detail, row["athlete_id"])
    return row


def sessions(store: Store, athlete_id: int) -> list[Row]:
    """Of an athlete, the latest first: the columns of `session` but for its summary."""
    query = select(*LISTED).where(SESSION.c.athlete_id == athlete_id).order_by(SESSION.c.start_utc.desc())
    with store.read() as connection:
        return [dict(row) for row in connection.execute(query).mappings()]


def session(store: Store, session_id: int) -> Row:
    """One session with its summary. Raises StoreError where there is none."""
    _require_number(session_id)
    with store.read() as connection:
        row = connection.execute(select(SESSION).where(SESSION.c.id == session_id)).mappings().first()
    if row is None:
        raise _no_session(session_id)
    return dict(row)


def _require_number(session_id: int) -> None:
    if session_id >= _NO_NUMBER:
        raise _no_session(session_id)


def _no_session(session_id: int) -> StoreError:
    return StoreError("a session of the history", f"number {session_id} is none", "see imu-shoulder history list")


def sets(store: Store, session_id: int) -> list[Row]:
    """The sets of a session, arm by arm."""
    query = select(ARM_SET).where(ARM_SET.c.session_id == session_id).order_by(ARM_SET.c.number, ARM_SET.c.id)
    with store.read() as connection:
        return [dict(row) for row in connection.execute(query).mappings()]


def reps(store: Store, set_id: int) -> list[Row]:
    """The reps of one arm's set in the order of reps.csv."""
    query = select(REP).where(REP.c.set_id == set_id).order_by(REP.c.place)
    with store.read() as connection:
        return [dict(row) for row in connection.execute(query).mappings()]


def earlier_summaries(
    connection: Connection, athlete_id: int, start_utc: str, parameters: str, most: int = 5
) -> list[Mapping[str, Any]]:
    """Summaries of the sessions with sensors before a moment that the same parameters made, the latest first."""
    query = (
        select(SESSION.c.summary)
        .where(SESSION.c.athlete_id == athlete_id, SESSION.c.kind == "recorded", SESSION.c.start_utc < start_utc)
        .where(SESSION.c.parameters_sha256 == parameters)
        .order_by(SESSION.c.start_utc.desc())
        .limit(most)
    )
    return list(connection.execute(query).scalars())
