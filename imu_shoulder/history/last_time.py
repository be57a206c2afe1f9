"""How the drills of a plan went the last time: for the page that is shown before a set."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from typing import Any

from sqlalchemy import Connection, func, select

from imu_shoulder.history.rows import Row
from imu_shoulder.history.schema import ARM_SET, ATHLETE, REP, SESSION
from imu_shoulder.history.store import Store
from imu_shoulder.identity import person
from imu_shoulder.plan import Plan, PlannedDrill
from imu_shoulder.report.lines import next_time


def reminded(store: Store, plan: Plan) -> Plan:
    """The plan, each of its drills with best hold, load and cue of the last session that had it."""
    with store.read() as connection:
        query = select(ATHLETE.c.id).where(ATHLETE.c.person == person(plan.athlete))
        athlete_id = connection.execute(query).scalar()
        if athlete_id is None:
            return plan
        items = [replace(item, last_time=_last_time(connection, athlete_id, item)) for item in plan.drills]
    return replace(plan, drills=tuple(items))


def _last_time(connection: Connection, athlete_id: int, item: PlannedDrill) -> str:
    """Of the last session with this drill in this direction; each arm by itself where both lift."""
    lifted = (ARM_SET.c.role == "lift") & (ARM_SET.c.drill == item.drill.id)
    lifted &= (ARM_SET.c.direction == item.drill.direction) & ARM_SET.c.side.in_(item.sides)
    of_athlete = SESSION.join(ARM_SET, ARM_SET.c.session_id == SESSION.c.id)
    latest = (
        select(SESSION.c.id)
        .select_from(of_athlete)
        .where(SESSION.c.athlete_id == athlete_id, lifted)
        .order_by(SESSION.c.start_utc.desc())
        .limit(1)
    )
    found = connection.execute(latest).scalar()
    if found is None:
        return ""
    best = (
        select(ARM_SET.c.side, func.max(REP.c.hold_s).label("hold_s"), func.max(ARM_SET.c.load_kg).label("load_kg"))
        .select_from(ARM_SET.outerjoin(REP, (REP.c.set_id == ARM_SET.c.id) & (REP.c.excluded == "")))
        .where(ARM_SET.c.session_id == found, lifted)
        .group_by(ARM_SET.c.side)
        .order_by(ARM_SET.c.side.desc())
    )
    rows = [dict(row) for row in connection.execute(best).mappings()]
    summary = connection.execute(select(SESSION.c.summary).where(SESSION.c.id == found)).scalar() or {}
    return "; ".join(text for row in rows if (text := _words(row, item, summary, len(rows) > 1)))


def _words(row: Row, item: PlannedDrill, summary: Mapping[str, Any], several: bool) -> str:
    told = [f"best hold {row['hold_s']:.1f} s"] if row["hold_s"] is not None and item.drill.top.hold_s > 0 else []
    told += [f"{row['load_kg']:g} kg"] if row["load_kg"] is not None else []
    told += _cue(row, item, summary)
    return (f"{row['side']} " if several and told else "") + ", ".join(told)


def _cue(row: Row, item: PlannedDrill, summary: Mapping[str, Any]) -> list[str]:
    """What the report said to change, of the last set."""
    own = [
        entry
        for entry in summary.get("sets", ())
        if (entry["drill"], entry["side"], entry["role"]) == (item.drill.id, row["side"], "lift")
    ]
    text = next_time(own[-1]) if own else ""
    return [text.removeprefix("Next time: ").rstrip(".")] if text else []
