"""Texts of people's on their way out: for terminals, and for spreadsheets. Pages escape by their templates."""

from __future__ import annotations

import json
import re
from collections.abc import Callable, Iterable, Mapping, Sequence
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    import pandas as pd

# Control characters but the line's end, and those that turn the direction of writing round (Unicode Bidirectional
# Algorithm, UAX 9, section 2): a terminal obeys them, nobody sees them.
_UNSEEN = re.compile("[\x00-\x09\x0b-\x1f\x7f-\x9f\u200e\u200f\u202a-\u202e\u2066-\u2069]")
# What makes a formula of a cell in a spreadsheet. Source: CWE-1236.
_FORMULA = ("=", "+", "-", "@", "\t", "\r")
_AS_TEXT = "'"


def visible(text: str) -> str:
    """The text with what a terminal would obey written out, such as \\x1b."""
    return _UNSEEN.sub(lambda found: found[0].encode("unicode_escape").decode(), text)


def toml_quoted(text: str) -> str:
    """A text as a TOML file holds it."""
    # JSON's string syntax is a subset of TOML's basic strings, except for DEL, which JSON leaves bare.
    return json.dumps(text, ensure_ascii=False).replace("\x7f", "\\u007f")


def toml_value(value: object) -> str:
    """A text, number, truth, list or table in one line, as a TOML file holds it. Raises ValueError for others."""
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, int):
        return str(value)
    if isinstance(value, float):
        return repr(float(value))  # one of numpy's says what it is, too
    if isinstance(value, str):
        return toml_quoted(value)
    if isinstance(value, Mapping):
        return "{ " + ", ".join(f"{toml_quoted(str(key))} = {toml_value(own)}" for key, own in value.items()) + " }"
    if isinstance(value, Sequence):
        return f"[{', '.join(map(toml_value, value))}]"
    raise ValueError(value)


def csv_text(table: pd.DataFrame, **how: Any) -> str:
    """A table as CSV that a spreadsheet takes for data: a text that begins like a formula gets an apostrophe before it.

    how: more of what DataFrame.to_csv takes.
    """
    return str(_changed(table, _guarded).to_csv(index=False, lineterminator="\n", **how))


def as_written(table: pd.DataFrame) -> pd.DataFrame:
    """A table read back from csv_text, its texts without the apostrophes."""
    return _changed(table, _bare)


def _changed(table: pd.DataFrame, change: Callable[[object], object]) -> pd.DataFrame:
    """The table with its texts changed; columns in which nothing changes stay as they are, of the kind they are."""
    texts = [name for name in table.columns if table[name].dtype.kind not in "biuf"]
    cells = {name: [change(cell) for cell in table[name]] for name in texts}
    out = table.copy(deep=False)
    for name, new in cells.items():
        if _differ(new, table[name]):
            out[name] = table[name].map(change)
    return out


def _differ(new: Iterable[object], old: Iterable[object]) -> bool:
    return any(isinstance(one, str) and one != other for one, other in zip(new, old, strict=True))


def _guarded(cell: object) -> object:
    """A carriage return would end the row for some readers: a blank stands in its place."""
    if not isinstance(cell, str):
        return cell
    return (_AS_TEXT if _is_formula(cell) else "") + cell.replace("\r", " ")


def _bare(cell: object) -> object:
    return cell[1:] if isinstance(cell, str) and cell[:1] == _AS_TEXT and _is_formula(cell[1:]) else cell


def _is_formula(cell: str) -> bool:
    """A number is none, though it may begin with a sign."""
    if not cell.startswith(_FORMULA):
        return False
    try:
        float(cell)
    except ValueError:
        return True
    return cell[0] in "\t\r"
