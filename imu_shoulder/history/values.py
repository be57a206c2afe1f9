"""The sessions of a history as values for statistics: see validate.retest."""

from __future__ import annotations

import pandas as pd
from sqlalchemy import select

from imu_shoulder.history.schema import ATHLETE, DRILL_SUMMARY, MEASURES
from imu_shoulder.history.store import Store
from imu_shoulder.validate.retest import VALUES, one_a_day


def values_of_store(store: Store) -> tuple[pd.DataFrame, int]:
    """The values (VALUES) of all sessions with sensors that the newest version and parameters made; and how many rows
    of sessions were left out as others made them."""
    joined = DRILL_SUMMARY.join(ATHLETE, ATHLETE.c.id == DRILL_SUMMARY.c.athlete_id)
    query = select(DRILL_SUMMARY, ATHLETE.c.person).select_from(joined).order_by(DRILL_SUMMARY.c.start_utc)
    with store.read() as connection:
        rows = [dict(row) for row in connection.execute(query).mappings()]
    newest = rows[-1]["made_by"] if rows else ""
    used = [row for row in rows if row["made_by"] == newest]
    found = [
        {**{name: row[name] for name in ("person", "drill", "direction", "side", "role")}, "day": row["start_utc"][:10]}
        | {"measure": measure, "value": value}
        for row in used
        for measure, value in {**{name: row[name] for name in MEASURES}, **(row["more"] or {})}.items()
        if value is not None
    ]
    return one_a_day(pd.DataFrame(found, columns=list(VALUES))), len(rows) - len(used)
