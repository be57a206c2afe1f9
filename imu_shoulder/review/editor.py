"""The form of a plan: from the TOML of a version to fields, and from what was typed back to TOML, checked as any."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from imu_shoulder.drills import Drill, load_shipped, shipped_ids
from imu_shoulder.errors import ShoulderError
from imu_shoulder.limits import MAX_ITEMS
from imu_shoulder.plan import PlanError, parse_plan
from imu_shoulder.plan.duration import drill_duration, overview
from imu_shoulder.plan.writing import Table, plan_table, plan_text

NAME = "the plan"
# Fields of the form by the key of the plan that they are.
HEAD = ("pain_ceiling", "after_surgery", "instability", "note")
ELSEWHERE = ("schema", "athlete", "days", "drill")
ITEM = (
    *("id", "side", "direction", "sets", "reps", "hold_s", "lift_at_least_s", "lower_at_least_s"),
    *("load_kg", "band", "rest_s", "note"),
)
NUMBERS = ("pain_ceiling", "sets", "hold_s", "lift_at_least_s", "lower_at_least_s", "load_kg", "rest_s")
LOW, HIGH, TRUNK, MORE = "top_at_least", "top_at_most", "trunk_deg", "more"
_PLACE = re.compile(r"^(?:(?:the )?\[?([a-z_]+)[^ ]*\]? of )?\[\[drill\]\] (\d+)|^([a-z_]+) in ")


@dataclass(frozen=True, slots=True)
class Checked:
    """What was typed. text: the plan's file. error: what is wrong, empty for nothing; row, key: where, if known."""

    text: str
    error: str = ""
    row: int | None = None
    key: str = ""
    told: Mapping[str, Any] | None = None
    minutes: tuple[float, ...] = ()

    def as_json(self) -> dict[str, Any]:
        """For the page."""
        return {
            "toml": self.text,
            "error": self.error,
            "row": self.row,
            "key": self.key,
            "told": self.told,
            "minutes": self.minutes,
        }


def fields_of(toml: str) -> dict[str, Any]:
    """The form of a plan: texts by field, `days`, and `drill`, a list of the same."""
    table = plan_table(toml, NAME)
    return {
        **{key: _typed(table.get(key)) for key in HEAD},
        "days": table.get("days") or [],
        "drill": [_item_fields(item) for item in table.get("drill") or []],
    }


def empty_fields(pain_ceiling: float, after_surgery: str, instability: str) -> dict[str, Any]:
    """The form of a first plan, with what the athlete's profile says."""
    head = {"pain_ceiling": _typed(pain_ceiling), "after_surgery": after_surgery, "instability": instability}
    return {**head, "note": "", "days": [], "drill": [empty_item()]}


def empty_item() -> dict[str, str]:
    """A line of the form that nothing was typed into; its drill is the first one."""
    return _item_fields({"id": shipped_ids()[0], "side": "right"})


def _item_fields(item: Mapping[str, Any]) -> dict[str, str]:
    limits = dict(item.get("limits") or {})
    top = limits.pop("top_deg", {})
    trunk = limits.pop("trunk_deg", None)
    rest = {key: value for key, value in item.items() if key not in (*ITEM, "limits")}
    reps = item.get("reps")
    rest |= {"limits": limits} if limits else {}
    own = {key: _typed(item.get(key)) for key in ITEM}
    if isinstance(reps, dict):
        own["reps"] = ", ".join(f"{count} {side}" for side, count in reps.items())
    return {
        **own,
        LOW: _typed(top.get("at_least")),
        HIGH: _typed(top.get("at_most")),
        TRUNK: _typed(trunk),
        MORE: _more_text(rest),
    }


def _more_text(rest: Mapping[str, Any]) -> str:
    """Keys without a field of their own, as they stand in the file."""
    return plan_text({"drill": [rest]}).partition("[[drill]]")[2].strip()


def _typed(value: Any) -> str:
    return "" if value is None else f"{value:g}" if isinstance(value, float) else str(value)


def kept_keys(toml: str) -> Table:
    """What stands in a plan beside what the form has, such as a path, which nobody types into a page."""
    return {key: value for key, value in plan_table(toml, NAME).items() if key not in (*HEAD, *ELSEWHERE)}


def check(athlete: str, fields: Mapping[str, Any], kept: Mapping[str, Any] | None = None) -> Checked:
    """What was typed as a plan, and what the plan's own reader says of it. kept: keys that the form does not have."""
    text = ""
    try:
        table = {**(kept or {}), **_table(athlete, fields)}
        text = plan_text(table)
        plan = parse_plan(text, NAME)
    except ShoulderError as error:
        row, key = _place(error)
        # As the form calls it, not as the file does.
        return Checked(text, f"Expected {error.expected}, but {error.came}.".replace("[[drill]]", "drill"), row, key)
    told = overview(plan)
    return Checked(text, told=told, minutes=tuple(round(drill_duration(i).total_s / 60.0, 1) for i in plan.drills))


def _place(error: ShoulderError) -> tuple[int | None, str]:
    found = _PLACE.match(error.expected.removeprefix("keys of "))
    if found is None:
        return None, ""
    key, row, head = found.groups()
    return (int(row) - 1, key or "") if row else (None, head or "")


def _table(athlete: str, fields: Mapping[str, Any]) -> Table:
    items, days = fields.get("drill"), fields.get("days")
    if not isinstance(items, list) or not isinstance(days, list) or len(items) > MAX_ITEMS:
        raise PlanError("a form with drills and days", "something else came", "reload the page")
    head = {key: value for key in HEAD if (value := _value(key, fields.get(key))) is not None}
    table: Table = {"athlete": athlete, **head}
    if days:
        table["days"] = [str(day) for day in days]
    return {**table, "drill": [_item(place, item) for place, item in enumerate(items, start=1)]}


def _value(key: str, typed: object) -> Any:
    """What a field means: a number where it is one, else the text, for the plan's reader to judge; None for nothing."""
    text = str(typed if typed is not None else "").strip()
    if not text:
        return None
    return _number(text) if key in NUMBERS else text


def _number(text: str) -> Any:
    if re.fullmatch(r"[+-]?\d{1,9}", text):
        return int(text)
    return float(text.replace(",", ".")) if re.fullmatch(r"[+-]?\d{0,9}[.,]?\d{1,9}", text) else text


def _item(place: int, item: object) -> dict[str, Any]:
    if not isinstance(item, dict):
        raise PlanError("a form with drills and days", "something else came", "reload the page")
    own = {key: value for key in ITEM if (value := _value(key, item.get(key))) is not None}
    if "reps" in own:
        own["reps"] = _reps(str(own["reps"]))
    more = _more(place, str(item.get(MORE) or ""))
    limits = more.pop("limits", {})
    limits = dict(limits) if isinstance(limits, dict) else {"limits": limits}
    ends = {"at_least": item.get(LOW), "at_most": item.get(HIGH)}
    top = {key: _number(str(end).strip()) for key, end in ends.items() if str(end or "").strip()}
    limits |= {"top_deg": top} if top else {}
    trunk = str(item.get(TRUNK) or "").strip()
    limits |= {TRUNK: _number(trunk)} if trunk else {}
    return {**more, **own, **({"limits": limits} if limits else {})}


def _reps(text: str) -> Any:
    """8, or a number for each arm: 8 right, 10 left."""
    each = re.findall(r"(\d{1,6}) *(right|left)", text)
    if each and re.fullmatch(r"[\d, a-z]*", text):
        return {side: int(count) for count, side in each}
    return _number(text)


def _more(place: int, text: str) -> dict[str, Any]:
    return plan_table(text, f"more of [[drill]] {place} in {NAME}")


def drills_for_form() -> list[dict[str, Any]]:
    """Every shipped drill with what the form offers of it."""
    return [_offered(load_shipped(name)) for name in shipped_ids()]


def _offered(drill: Drill) -> dict[str, Any]:
    dose = drill.dose
    usual = {"sets": dose.sets, "reps": dose.reps, "rest_s": f"{dose.rest_s:g}", "hold_s": f"{drill.top.hold_s:g}"}
    usual |= {"lift_at_least_s": f"{drill.lift_at_least_s:g}", "lower_at_least_s": f"{drill.lower_at_least_s:g}"}
    ways = {"directions": list(drill.directions), "direction": drill.direction or ""}
    return {"id": drill.id, "title": drill.title, "purpose": drill.purpose, "load": dose.load, **ways, "usual": usual}
