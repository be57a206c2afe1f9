"""A plan written: as the TOML file that it is, and as a table with one row per drill for a spreadsheet, and back.

A plan in the making is a table as TOML reads it (`Table`): what a form or a command fills in. Whether it is a plan is
what `parse_plan` says of its text.
"""

from __future__ import annotations

import tomllib
from collections.abc import Mapping, Sequence
from io import StringIO
from typing import Any

import pandas as pd

from imu_shoulder.limits import MAX_ITEMS
from imu_shoulder.plan import DRILL_KEYS, PLAN_KEYS, SCHEMA, Plan, PlanError
from imu_shoulder.texts import as_written, csv_text, toml_quoted, toml_value

Table = dict[str, Any]
# Of a spreadsheet: what is said of the whole plan stands in every row, before what is asked of the drill.
_OF_PLAN = tuple(key for key in PLAN_KEYS if key not in ("schema", "drill"))
_PREFIX = "plan_"
# Keys whose cells are TOML values, such as { right = 8, left = 10 }; all others are a text or a number.
_TABLES = ("limits", "own_range_deg", "pauses")
_TEXTS = ("id", "side", "band", "direction", "note")


def plan_table(text: str, name: str) -> Table:
    """The table of a plan's TOML text. name: for messages. Raises PlanError for what is no TOML."""
    try:
        return tomllib.loads(text)
    except (ValueError, RecursionError) as error:
        raise PlanError(f"{name} to be TOML", f"it is not ({error})", "correct that line") from error


def plan_text(table: Mapping[str, Any]) -> str:
    """The TOML text of a plan's table: keys in the order of the page about plans, empty ones left out.

    Raises PlanError for a value that TOML has no form for.
    """
    whole = {"schema": SCHEMA, **table}
    lines = [f"{key} = {_value(whole[key])}" for key in PLAN_KEYS if key != "drill" and _said(whole.get(key))]
    for drill in whole.get("drill", ()):
        lines += ["", "[[drill]]"]
        lines += [f"{key} = {_value(drill[key])}" for key in DRILL_KEYS if _said(drill.get(key), key)]
        lines += _unknown(drill, DRILL_KEYS)
    return "\n".join([*lines, *_unknown(whole, PLAN_KEYS)]) + "\n"


def _unknown(table: Mapping[str, Any], known: Sequence[str]) -> list[str]:
    """Keys that a plan does not have are written too: reading the text refuses them by name."""
    return [f"{toml_quoted(key)} = {_value(value)}" for key, value in table.items() if key not in known]


def _said(value: object, key: str = "") -> bool:
    """Whether there is something to write; no pauses at all are something to ask for."""
    return (key == "pauses" and value is not None) or value not in (None, "", [], {})


def _value(value: object) -> str:
    try:
        return toml_value(value)
    except ValueError as error:
        raise PlanError("values that a plan can hold", f"there is {error.args[0]!r}", "leave it out") from error


def standing_alone(text: str, plan: Plan) -> str:
    """The text of a plan with the numbers of its range test in place of that file's name, so that it needs no other.

    plan: read from the text, where the file was found.
    """
    table = plan_table(text, plan.name)
    if table.pop("range_test", None) is None:
        return text
    for drill, item in zip(table["drill"], plan.drills, strict=True):
        angles = dict.fromkeys(angle for own in item.own_deg.values() for angle in own)
        each = {angle: {side: own[angle] for side, own in item.own_deg.items() if angle in own} for angle in angles}
        drill["own_range_deg"] = each
    return plan_text(table)


def plan_csv(text: str, name: str) -> str:
    """A plan's TOML text as CSV, one row per drill. Raises PlanError."""
    table = plan_table(text, name)
    head = {f"{_PREFIX}{key}": _cell(table[key], "") for key in _OF_PLAN if key in table}
    rows = [{**head, **{key: _cell(value, key) for key, value in drill.items()}} for drill in table.get("drill", ())]
    columns = [*head, *(key for key in DRILL_KEYS if any(key in row for row in rows))]
    return csv_text(pd.DataFrame(rows, columns=columns, dtype=object))


def _cell(value: object, key: str) -> object:
    return _value(value) if isinstance(value, dict | list) or key in _TABLES else value


def plan_from_csv(text: str, name: str) -> str:
    """The TOML text of a plan from CSV as `plan_csv` writes it. Raises PlanError for what is no such table."""
    do = "see the columns in docs/plan.md"
    try:
        found = as_written(pd.read_csv(StringIO(text), dtype=str, keep_default_na=False, nrows=MAX_ITEMS + 1))
    except (ValueError, pd.errors.ParserError) as error:
        raise PlanError(f"{name} to be CSV with one row per drill", f"it is not ({error})", do) from error
    known = {*DRILL_KEYS, *(f"{_PREFIX}{key}" for key in _OF_PLAN)}
    strange = [column for column in found.columns if column not in known]
    if strange or found.empty:
        came = f"there is {strange[0]!r}" if strange else "there is no row"
        raise PlanError(f"columns of {name} out of {', '.join(sorted(known))}", came, do)
    rows = found.to_dict("records")
    table: Table = {}
    for key in _OF_PLAN:
        said = list(dict.fromkeys(row.get(f"{_PREFIX}{key}", "") for row in rows))
        if len(said) > 1:
            raise PlanError(f"one {_PREFIX}{key} in all rows of {name}", f"there are {len(said)}", "write it alike")
        if said[0]:
            table[key] = _read(said[0], key, name, text_wanted=key not in ("pain_ceiling", "days"))
    table["drill"] = [
        {key: _read(row[key], key, name, text_wanted=key in _TEXTS) for key in DRILL_KEYS if row.get(key)}
        for row in rows
    ]
    return plan_text(table)


def _read(cell: str, key: str, name: str, *, text_wanted: bool) -> object:
    if text_wanted:
        return cell
    try:
        return tomllib.loads(f"value = {cell}")["value"]
    except (ValueError, KeyError, RecursionError):
        raise PlanError(f"a number or TOML value as {key} in {name}", f"it is {cell!r}", "correct it") from None
