"""What people said of sessions: notes, verdicts of the coach over the program's, and decisions on advice.

Measured values are never touched: a verdict that is overruled stays, with the coach's beside it.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from sqlalchemy import Connection, Table, select

from imu_shoulder.history.migrate import StoreError
from imu_shoulder.history.people import name_of, require_one_of, text_of
from imu_shoulder.history.rows import Row
from imu_shoulder.history.schema import DECISION, NOTE, SESSION, VERDICT
from imu_shoulder.history.store import Store, now_utc
from imu_shoulder.model import SIDES

AUTHORS = ("coach", "athlete")
DECISIONS = ("accepted", "declined")
# What a coach may say in place of the program's verdict.
SAYS = ("clean", "fault", "not a rep", "a rep")


def add_note(
    store: Store,
    athlete_id: int,
    text: str,
    who: str,
    author: str = "coach",
    session_id: int | None = None,
    set_number: int | None = None,
    side: str | None = None,
) -> int:
    """A note about an athlete, a session, or one arm's set of it; returns its id. Raises ParameterError, StoreError."""
    require_one_of("an author", author, AUTHORS)
    values = {"athlete_id": athlete_id, "session_id": session_id, "set_number": set_number, "side": side}
    values |= {"author": author, "text": text_of(text, "a note"), "who": name_of(who, "who it is"), "at": now_utc()}
    with store.write() as connection:
        if session_id is not None:
            _require_of(connection, session_id, athlete_id)
        return _new(connection, NOTE, values)


def notes(store: Store, athlete_id: int, session_id: int | None = None) -> list[Row]:
    """Of an athlete, or of one session, the latest first."""
    query = select(NOTE).where(NOTE.c.athlete_id == athlete_id)
    if session_id is not None:
        query = query.where(NOTE.c.session_id == session_id)
    with store.read() as connection:
        return [dict(row) for row in connection.execute(query.order_by(NOTE.c.at.desc(), NOTE.c.id.desc())).mappings()]


def overrule(
    store: Store, session_id: int, set_number: int, side: str, rep: int, says: str, why: str, who: str, fault: str = ""
) -> int:
    """What the coach says of a rep in place of the program; returns its id. The latest on a rep and fault counts.

    fault: the one that is overruled, empty for the rep as a whole. Raises ParameterError, StoreError.
    """
    require_one_of("a verdict", says, SAYS)
    require_one_of("a side", side, SIDES)
    values = {"session_id": session_id, "set_number": set_number, "side": side, "rep": rep, "says": says}
    values |= {"why": text_of(why, "why"), "who": name_of(who, "who it is"), "fault": fault, "at": now_utc()}
    with store.write() as connection:
        _require_of(connection, session_id)
        return _new(connection, VERDICT, values)


def verdicts(store: Store, session_id: int) -> list[Row]:
    """All of a session, the latest last."""
    query = select(VERDICT).where(VERDICT.c.session_id == session_id).order_by(VERDICT.c.id)
    with store.read() as connection:
        return [dict(row) for row in connection.execute(query).mappings()]


def decide(
    store: Store, session_id: int, drill: str, side: str, advice: Mapping[str, Any], decision: str, why: str, who: str
) -> int:
    """What the coach decided on an entry of the summary's advice; returns its id. Raises ParameterError, StoreError."""
    require_one_of("a decision", decision, DECISIONS)
    values: Row = {"session_id": session_id, "drill": drill, "side": side, "advice": dict(advice)}
    values |= {"decision": decision, "why": text_of(why, "why"), "who": name_of(who, "who it is"), "at": now_utc()}
    with store.write() as connection:
        values["athlete_id"] = _require_of(connection, session_id)
        return _new(connection, DECISION, values)


def decisions(store: Store, athlete_id: int) -> list[Row]:
    """Of an athlete, the latest first."""
    query = select(DECISION).where(DECISION.c.athlete_id == athlete_id).order_by(DECISION.c.id.desc())
    with store.read() as connection:
        return [dict(row) for row in connection.execute(query).mappings()]


def _new(connection: Connection, table: Table, values: Mapping[str, Any]) -> int:
    return int(connection.execute(table.insert().returning(table.c.id), values).scalar_one())


def _require_of(connection: Connection, session_id: int, athlete_id: int | None = None) -> int:
    """The athlete of a session, who must be this one if one is given. Raises StoreError."""
    found = connection.execute(select(SESSION.c.athlete_id).where(SESSION.c.id == session_id)).scalar()
    if found is None or athlete_id not in (None, found):
        whose = "of this athlete" if athlete_id is not None else "of the history"
        raise StoreError(f"a session {whose}", f"number {session_id} is none", "see imu-shoulder history list")
    return int(found)
