"""A first plan from a list of drills: each with its usual dose, or with that which is given."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence

from imu_shoulder.drills import Drill, load_shipped, shipped_ids
from imu_shoulder.plan import PlanError, parse_plan
from imu_shoulder.plan.writing import Table, plan_text

_LINE = re.compile(r"([^:]+):([a-z]+)(?::(\d{1,4})x(\d{1,4}))?(?:@(\d{1,3}(?:\.\d+)?))?")


def draft(
    athlete: str, lines: Sequence[str], drills: Mapping[str, Drill], days: Sequence[str] = (), note: str = ""
) -> str:
    """The TOML text of a plan. lines: DRILL:SIDE[:SETSxREPS][@KG] each. drills: the user's own. Raises PlanError."""
    table: Table = {
        "athlete": athlete,
        "days": list(days),
        "note": note,
        "drill": [_line(one, drills) for one in lines],
    }
    text = plan_text(table)
    parse_plan(text, "the new plan", drills)
    return text


def _line(text: str, drills: Mapping[str, Drill]) -> Table:
    found = _LINE.fullmatch(text.strip())
    if found is None:
        do = "write it like full_can:right, or full_can:right:2x8@1.5"
        raise PlanError("a drill as DRILL:SIDE, with :SETSxREPS and @KG where wanted", f"it is {text!r}", do)
    drill_id, side, sets, reps, load_kg = found.groups()
    drill = drills.get(drill_id) or (load_shipped(drill_id) if drill_id in shipped_ids() else None)
    if drill is None:
        ids = ", ".join([*drills, *shipped_ids()])
        raise PlanError(f"one of the drills {ids}", f"it is {drill_id!r}", "use one of these, or give its file")
    asked: Table = {"id": drill_id, "side": side}
    asked |= {"sets": int(sets or drill.dose.sets), "reps": int(reps or drill.dose.reps)}
    return asked if load_kg is None else {**asked, "load_kg": float(load_kg)}
