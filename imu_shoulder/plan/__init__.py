"""A plan is data: what the practitioner asked of one athlete, drill by drill, read and checked here from TOML."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

from imu_shoulder.assess.words import titled
from imu_shoulder.checked import Checked
from imu_shoulder.drills import (
    USUAL_REST_S,
    Dose,
    Drill,
    asked_pause,
    form_limits,
    load_shipped,
    own_share,
    shipped_ids,
)
from imu_shoulder.drills.judged import JUDGED, JUDGED_ANGLES
from imu_shoulder.errors import ShoulderError
from imu_shoulder.limits import MAX_REPS, MAX_SETS
from imu_shoulder.model import EVENT_SIDES, SIDES, Side
from imu_shoulder.range.own import own_range_deg
from imu_shoulder.report.pain import PAIN_CEILING

SCHEMA = 1
FORM_RANGES = {angle.column: name for name, angle in JUDGED.items()}
PLAN_KEYS = (
    *("schema", "athlete", "pain_ceiling", "after_surgery", "instability", "days", "note", "range_test", "drill"),
)
DAYS = ("Monday", "Tuesday", "Wednesday", "Thursday", "Friday", "Saturday", "Sunday")
DRILL_KEYS = (
    *("id", "side", "sets", "reps", "hold_s", "lift_at_least_s", "lower_at_least_s"),
    *("load_kg", "band", "limits", "direction", "rest_s", "own_range_deg", "pauses", "note"),
)
LIMIT_KEYS = ("top_deg", *FORM_RANGES, "trunk_deg", "upper_arm_swing_deg")


class PlanError(ShoulderError):
    """A plan file is unusable, or is not this athlete's."""


@dataclass(frozen=True, slots=True)
class PlannedDrill:
    """One drill of a plan. drill: with the plan's hold, tempo and limits in place of its own.

    side: right, left or both; for a drill in which one arm holds, the arm that lifts. reps: per arm, of one set.
    own_deg: of each arm the athlete's own pain-free range, by angle, where the plan or its range test says it. note: to
    the athlete. last_time: how it went then, in words; no part of the plan's file, said by who knows earlier sessions.
    """

    drill: Drill
    side: str
    sets: int
    reps: Mapping[Side, int]
    load_kg: float | None = None
    band: str | None = None
    rest_s: float = USUAL_REST_S
    own_deg: Mapping[Side, Mapping[str, float]] = field(default_factory=dict)
    note: str = ""
    last_time: str = ""

    @property
    def title(self) -> str:
        """The drill's title, with its direction where that is not the drill's usual one."""
        return titled(self.drill)

    @property
    def sides(self) -> tuple[Side, ...]:
        return tuple(side for side in SIDES if self.side in (side, "both"))

    def towards(self, direction: str | None) -> PlannedDrill:
        """Done in another of the drill's directions; as it is for none. Raises DrillError for one it has not."""
        return replace(self, drill=self.drill.towards(direction)) if direction else self

    def asked_of(self, side: Side, source: str) -> Drill:
        """The drill with the dose this plan asks of one arm. source: named in the results."""
        load = self.band or ("" if self.load_kg is None else f"{self.load_kg:g} kg")
        dose = Dose(self.sets, self.reps[side], load, source, self.rest_s, asked=True)
        return replace(self.drill.within_own(self.own_deg.get(side, {})), dose=dose)


@dataclass(frozen=True, slots=True)
class Plan:
    """What was asked of an athlete, in order. name: of the file. pain_ceiling: 0-10.

    after_surgery, instability: what the surgeon and the practitioner allow after an operation, or in a shoulder that is
    known to slip out; empty where neither is known. days: of the week on which it is to be done, in their order; empty
    where the plan does not say. note: to the athlete.
    """

    name: str
    athlete: str
    drills: tuple[PlannedDrill, ...]
    pain_ceiling: float = PAIN_CEILING
    after_surgery: str = ""
    instability: str = ""
    days: tuple[str, ...] = ()
    note: str = ""

    @property
    def by_id(self) -> dict[str, Drill]:
        """Its drills as it asks them."""
        return {planned.drill.id: planned.drill for planned in self.drills}

    @property
    def limits_first(self) -> tuple[str, ...]:
        """What comes before every drill and every rule, in words."""
        told = (("After surgery", self.after_surgery), ("A known instability", self.instability))
        return tuple(f"{what}: the surgeon's and the practitioner's limits come first. {t}" for what, t in told if t)


def load_plan(path: Path, drills: Mapping[str, Drill] | None = None) -> Plan:
    """A plan from a TOML file. drills: the user's own, looked at before the shipped ones. Raises PlanError."""
    return _plan(Checked.read(path, PlanError, "a readable plan file"), path.name, drills or {}, path.parent)


def parse_plan(text: str, name: str, drills: Mapping[str, Drill] | None = None) -> Plan:
    """A plan from TOML text; `name` is used in messages and results, files are looked for here. Raises PlanError."""
    return _plan(Checked.parse(text, name, PlanError), name, drills or {}, Path())


def _plan(table: Checked, name: str, own: Mapping[str, Drill], folder: Path) -> Plan:
    table.known(PLAN_KEYS)
    table.schema(SCHEMA)
    ceiling = table.number("pain_ceiling", PAIN_CEILING, least=0.0, most=10.0)
    tested: Mapping[Side, Mapping[str, float]] = {}
    if "range_test" in table:
        tested = own_range_deg(folder / table.text("range_test"), ceiling, PlanError)
    return Plan(
        name,
        table.name("athlete").strip(),
        tuple(_planned(item, own, tested) for item in table.tables("drill")),
        ceiling,
        after_surgery=_sentence(table.text("after_surgery")) if "after_surgery" in table else "",
        instability=_sentence(table.text("instability")) if "instability" in table else "",
        days=_days(table),
        note=table.text("note").strip() if "note" in table else "",
    )


def _days(table: Checked) -> tuple[str, ...]:
    """Days of the week in their order, however they were written down."""
    given = table.texts("days")
    if len(set(given)) < len(given) or not set(given) <= set(DAYS):
        raise table.wrong("days", f"a list out of {', '.join(DAYS)}, each once", list(given))
    return tuple(day for day in DAYS if day in given)


def _sentence(text: str) -> str:
    return f"{text.strip().rstrip('.')}."


def _planned(table: Checked, own: Mapping[str, Drill], tested: Mapping[Side, Mapping[str, float]]) -> PlannedDrill:
    table.known(DRILL_KEYS)
    drill = _find(table, own)
    side = table.choice("side", EVENT_SIDES)
    if "load_kg" in table and "band" in table:
        raise table.wrong("the load", "load_kg or band", "both")
    sides = tuple(arm for arm in SIDES if side in (arm, "both"))
    said = _own(table.table("own_range_deg"), sides)
    return PlannedDrill(
        _changed(drill, table),
        side,
        table.whole("sets", drill.dose.sets, least=1, most=MAX_SETS),
        _reps(table, drill.dose.reps, sides),
        table.number("load_kg", least=0.0) if "load_kg" in table else None,
        table.name("band").strip() if "band" in table else None,
        table.number("rest_s", drill.dose.rest_s, least=0.0),
        {arm: {**tested.get(arm, {}), **said[arm]} for arm in sides},
        table.text("note").strip() if "note" in table else "",
    )


def _own(table: Checked, sides: tuple[Side, ...]) -> Mapping[Side, Mapping[str, float]]:
    """The athlete's own pain-free range by arm and angle: one number for every arm, or a table with one for each."""
    table.known(JUDGED_ANGLES)
    found: dict[Side, dict[str, float]] = {side: {} for side in sides}
    for angle in table:
        each = table.table(angle) if isinstance(table.get(angle), dict) else None
        if each is not None:
            each.known(sides)
        for side in sides:
            if each is None:
                found[side][angle] = table.positive(angle)
            elif side in each:
                found[side][angle] = each.positive(side)
    return found


def _find(table: Checked, own: Mapping[str, Drill]) -> Drill:
    drill_id = table.text("id").strip()
    if drill_id in own:
        return own[drill_id]
    if drill_id not in shipped_ids():
        ids = ", ".join([*own, *shipped_ids()])
        do = "use one of these, or give the drill's file as well"
        raise table.wrong("id", f"one of the drills {ids}", drill_id, do)
    return load_shipped(drill_id)


def _reps(table: Checked, asked: int, sides: tuple[Side, ...]) -> Mapping[Side, int]:
    """One number for every arm, or a table with a number for each."""
    given = table.get("reps")
    if not isinstance(given, dict):
        return dict.fromkeys(sides, table.whole("reps", asked, least=1, most=MAX_REPS))
    if set(given) != set(sides):
        raise table.wrong("reps", f"a whole number, or a table of {' and '.join(sides)}", given)
    return {side: table.table("reps").whole(side, least=1, most=MAX_REPS) for side in sides}


def _changed(drill: Drill, table: Checked) -> Drill:
    """The drill with the plan's hold, tempo and limits."""
    tempo: dict[str, Any] = {
        key: table.number(key, least=0.0) for key in ("lift_at_least_s", "lower_at_least_s") if key in table
    }
    drill = replace(drill, **tempo)
    if "direction" in table:
        if not drill.directions:
            raise table.wrong("direction", f"left out, as {drill.title} has none", table.get("direction"))
        drill = drill.towards(table.choice("direction", tuple(drill.directions)))
    if "hold_s" in table:
        hold_s = table.number("hold_s", least=0.0)
        held = [station for station in drill.stations if station.hold_s > 0] or [drill.top]
        stations = [replace(s, hold_s=hold_s) if s in held else s for s in drill.stations]
        drill = replace(drill, stations=tuple(stations))
    if "pauses" in table:
        drill = replace(drill, pauses=tuple(asked_pause(asked) for asked in table.tables("pauses", least=0)))
    return _limited(drill, table.table("limits"))


def _limited(drill: Drill, limits: Checked) -> Drill:
    limits.known(LIMIT_KEYS)
    form, stations = drill.form, tuple(station.name for station in drill.stations)
    for key, angle in FORM_RANGES.items():
        if key in limits:
            form = replace(form, limits=form.replaced(angle, form_limits(limits, key, stations)))
    if "trunk_deg" in limits:
        form = replace(form, trunk_deg=limits.number("trunk_deg", least=0.0))
    if "upper_arm_swing_deg" in limits:
        form = replace(form, upper_arm_swing_deg=limits.number("upper_arm_swing_deg", least=0.0))
    drill = replace(drill, form=form)
    if "top_deg" not in limits:
        return drill
    asked_top = limits.table("top_deg")
    asked_top.known(("at_least", "at_most", "of_own"))
    low, high = asked_top.ends()
    share = own_share(asked_top)
    leading = drill.leading_arc
    if leading is None:
        raise limits.wrong("top_deg", "left out, as this drill's last station asks none", limits.get("top_deg"))
    asked = [replace(r, low_deg=low, high_deg=high, of_own=share) if r is leading else r for r in drill.top.ranges]
    top = replace(drill.top, ranges=tuple(asked))
    return replace(drill, stations=(*drill.stations[:-1], top))
