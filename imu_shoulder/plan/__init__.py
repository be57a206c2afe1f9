"""A plan is data: what the practitioner asked of one athlete, drill by drill, read and checked here from TOML."""

from __future__ import annotations

import math
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from imu_shoulder.drills import Dose, Drill, Form, load_shipped, shipped_ids
from imu_shoulder.drills.judged import FORM_ANGLES, JUDGED
from imu_shoulder.errors import ShoulderError
from imu_shoulder.model import EVENT_SIDES, SIDES, Side
from imu_shoulder.report.pain import PAIN_CEILING

SCHEMA = 1
FORM_RANGES = tuple(JUDGED[name].column for name in FORM_ANGLES)
PLAN_KEYS = ("schema", "athlete", "pain_ceiling", "drill")
DRILL_KEYS = (
    *("id", "side", "sets", "reps", "hold_s", "lift_at_least_s", "lower_at_least_s"),
    *("load_kg", "band", "limits"),
)
LIMIT_KEYS = ("top_deg", *FORM_RANGES, "trunk_deg")


class PlanError(ShoulderError):
    """A plan file is unusable, or is not this athlete's."""


@dataclass(frozen=True, slots=True)
class PlannedDrill:
    """One drill of a plan. drill: with the plan's hold, tempo and limits in place of its own.

    side: right, left or both; for a drill in which one arm holds, the arm that lifts. reps: per arm, of one set.
    """

    drill: Drill
    side: str
    sets: int
    reps: Mapping[Side, int]
    load_kg: float | None = None
    band: str | None = None

    @property
    def sides(self) -> tuple[Side, ...]:
        return tuple(side for side in SIDES if self.side in (side, "both"))

    def asked_of(self, side: Side, source: str) -> Drill:
        """The drill with the dose this plan asks of one arm. source: named in the results."""
        load = self.band or ("" if self.load_kg is None else f"{self.load_kg:g} kg")
        return replace(self.drill, dose=Dose(self.sets, self.reps[side], load, source))


@dataclass(frozen=True, slots=True)
class Plan:
    """What was asked of an athlete, in order. name: of the file. pain_ceiling: 0-10."""

    name: str
    athlete: str
    drills: tuple[PlannedDrill, ...]
    pain_ceiling: float = PAIN_CEILING


def load_plan(path: Path, drills: Mapping[str, Drill] | None = None) -> Plan:
    """A plan from a TOML file. drills: the user's own, looked at before the shipped ones. Raises PlanError."""
    try:
        text = path.read_text(encoding="utf-8")
    except (OSError, UnicodeDecodeError) as error:
        raise PlanError("a readable plan file", f"{path} is not ({error})", "check the path") from error
    return parse_plan(text, path.name, drills)


def parse_plan(text: str, name: str, drills: Mapping[str, Drill] | None = None) -> Plan:
    """A plan from TOML text; `name` is used in messages and results. Raises PlanError."""
    try:
        table = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise PlanError("a TOML file", f"{name} is not TOML ({error})", "correct that line") from error
    return _Reader(name, drills or {}).plan(table)


class _Reader:
    def __init__(self, name: str, drills: Mapping[str, Drill]) -> None:
        self._name = name
        self._own = drills

    def fail(self, where: str, expected: str, came: object) -> PlanError:
        was = "it was missing" if came is None else f"it was {came!r}"
        return PlanError(f"{where} of the plan {self._name} to be {expected}", was, "correct the plan")

    def known(self, table: Mapping[str, Any], where: str, allowed: tuple[str, ...]) -> None:
        for key in table:
            if key not in allowed:
                raise self.fail(f"every key of {where}", f"one of {', '.join(allowed)}", key)

    def number(self, value: object, where: str, high: float = math.inf) -> float:
        fits = isinstance(value, (int, float)) and not isinstance(value, bool)
        if not fits or not 0 <= float(value) <= high or math.isinf(float(value)):  # type: ignore[arg-type]
            raise self.fail(where, "a number of 0 or more" if math.isinf(high) else f"from 0 to {high:g}", value)
        return float(value)  # type: ignore[arg-type]

    def whole(self, value: object, where: str) -> int:
        if not isinstance(value, int) or isinstance(value, bool) or value < 1:
            raise self.fail(where, "a whole number of 1 or more", value)
        return value

    def text(self, value: object, where: str) -> str:
        if not isinstance(value, str) or not value.strip():
            raise self.fail(where, "a text", value)
        return value.strip()

    def plan(self, table: Mapping[str, Any]) -> Plan:
        self.known(table, "the top", PLAN_KEYS)
        if table.get("schema") != SCHEMA:
            raise self.fail("schema", str(SCHEMA), table.get("schema"))
        items = table.get("drill")
        if not isinstance(items, list) or not items or not all(isinstance(item, dict) for item in items):
            raise self.fail("drill", "one [[drill]] table or more", items)
        return Plan(
            self._name,
            self.text(table.get("athlete"), "athlete"),
            tuple(self.item(item, f"[[drill]] {place}") for place, item in enumerate(items, start=1)),
            self.number(table.get("pain_ceiling", PAIN_CEILING), "pain_ceiling", 10.0),
        )

    def item(self, table: Mapping[str, Any], where: str) -> PlannedDrill:
        self.known(table, where, DRILL_KEYS)
        drill = self.find(self.text(table.get("id"), f"id in {where}"), where)
        side = table.get("side")
        if side not in EVENT_SIDES:
            raise self.fail(f"side in {where}", f"one of {', '.join(EVENT_SIDES)}", side)
        if "load_kg" in table and "band" in table:
            raise self.fail(f"the load in {where}", "load_kg or band", "both")
        sides = tuple(arm for arm in SIDES if side in (arm, "both"))
        return PlannedDrill(
            self.changed(drill, table, where),
            side,
            self.whole(table.get("sets", drill.dose.sets), f"sets in {where}"),
            self.reps(table.get("reps", drill.dose.reps), sides, where),
            self.number(table["load_kg"], f"load_kg in {where}") if "load_kg" in table else None,
            self.text(table["band"], f"band in {where}") if "band" in table else None,
        )

    def find(self, drill_id: str, where: str) -> Drill:
        if drill_id in self._own:
            return self._own[drill_id]
        if drill_id not in shipped_ids():
            ids = ", ".join([*self._own, *shipped_ids()])
            raise PlanError(
                f"id in {where} of the plan {self._name} to be one of the drills {ids}",
                f"it was {drill_id!r}",
                "use one of these, or give the drill's file as well",
            )
        return load_shipped(drill_id)

    def reps(self, value: object, sides: tuple[Side, ...], where: str) -> Mapping[Side, int]:
        """One number for every arm, or a table with a number for each."""
        if not isinstance(value, dict):
            count = self.whole(value, f"reps in {where}")
            return dict.fromkeys(sides, count)
        if set(value) != set(sides):
            raise self.fail(f"reps in {where}", f"a whole number, or a table of {' and '.join(sides)}", value)
        return {side: self.whole(value[side], f"reps.{side} in {where}") for side in sides}

    def changed(self, drill: Drill, table: Mapping[str, Any], where: str) -> Drill:
        """The drill with the plan's hold, tempo and limits."""
        tempo: dict[str, Any] = {
            key: self.number(table[key], f"{key} in {where}")
            for key in ("lift_at_least_s", "lower_at_least_s")
            if key in table
        }
        drill = replace(drill, **tempo)
        if "hold_s" in table:
            hold_s = self.number(table["hold_s"], f"hold_s in {where}")
            held = [station for station in drill.stations if station.hold_s > 0] or [drill.top]
            stations = [replace(s, hold_s=hold_s) if s in held else s for s in drill.stations]
            drill = replace(drill, stations=tuple(stations))
        return self.limited(drill, table.get("limits", {}), where)

    def limited(self, drill: Drill, limits: object, where: str) -> Drill:
        if not isinstance(limits, dict):
            raise self.fail(f"limits in {where}", "a table", limits)
        self.known(limits, f"limits in {where}", LIMIT_KEYS)
        ranges: dict[str, Any] = {
            key: self.ends(limits[key], f"limits.{key} in {where}") for key in FORM_RANGES if key in limits
        }
        form: Form = replace(drill.form, **ranges)
        if "trunk_deg" in limits:
            form = replace(form, trunk_deg=self.number(limits["trunk_deg"], f"limits.trunk_deg in {where}"))
        drill = replace(drill, form=form)
        if "top_deg" not in limits:
            return drill
        low, high = self.ends(limits["top_deg"], f"limits.top_deg in {where}")
        leading = drill.leading_range(drill.top)
        if leading is None:
            raise self.fail(f"limits in {where}", "without top_deg, as this drill's last station asks none", "top_deg")
        asked = [replace(r, low_deg=low, high_deg=high) if r is leading else r for r in drill.top.ranges]
        top = replace(drill.top, ranges=tuple(asked))
        return replace(drill, stations=(*drill.stations[:-1], top))

    def ends(self, value: object, where: str) -> tuple[float, float]:
        expected = "a table with at_least, at_most or both, in degrees, the first under the second"
        if not isinstance(value, dict) or not value or not set(value) <= {"at_least", "at_most"}:
            raise self.fail(where, expected, value)
        for end in value.values():
            if isinstance(end, bool) or not isinstance(end, (int, float)) or not math.isfinite(end):
                raise self.fail(where, expected, value)
        low, high = float(value.get("at_least", -math.inf)), float(value.get("at_most", math.inf))
        if not low < high:
            raise self.fail(where, expected, value)
        return low, high
