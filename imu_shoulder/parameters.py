"""Parameters by dotted name, such as judge.least_sd_deg: the built-in values, those changed, and a user's file.

A set of parameters is a frozen dataclass whose fields are values or further such dataclasses; the names are those of
the keys under `parameters` in summary.json.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from dataclasses import MISSING, Field, fields, is_dataclass, replace
from difflib import get_close_matches
from functools import cache
from pathlib import Path
from types import MappingProxyType
from typing import Any, ClassVar, Protocol, TypeVar

from imu_shoulder.checked import Checked
from imu_shoulder.errors import ParameterError, ShoulderError


class Dataclass(Protocol):
    """Any dataclass."""

    __dataclass_fields__: ClassVar[dict[str, Field[Any]]]


P = TypeVar("P", bound=Dataclass)
# A value further off than this many times the built-in one is a slip of the pen. Ours; it is less than 57.3, so that
# degrees written for radians are mostly noticed.
MOST_TIMES = 30.0
WHERE = "docs/constants.md has them all"


def values_of(params: Dataclass) -> dict[str, Any]:
    """Every value by its dotted name."""
    return _flat({field.name: getattr(params, field.name) for field in fields(params)})


@cache
def built_in(kind: type[Dataclass]) -> Mapping[str, Any]:
    """The built-in values of a class of parameters, by dotted name."""
    own = {}
    for field in fields(kind):
        factory = field.default_factory
        own[field.name] = field.default if factory is MISSING else factory()
    return MappingProxyType(_flat(own))


def changed(params: Dataclass) -> dict[str, dict[str, Any]]:
    """The values that are not the built-in ones, by dotted name: `value` and `built_in`."""
    usual = built_in(type(params))
    found = {name: value for name, value in values_of(params).items() if value != usual[name]}
    return {name: {"value": value, "built_in": usual[name]} for name, value in found.items()}


def told(changes: Mapping[str, Mapping[str, Any]]) -> str:
    """What `changed` says as a sentence, also as read back from a file; empty where nothing was changed."""
    if not changes:
        return ""
    each = ", ".join(f"{name} {_word(one['value'])} (not {_word(one['built_in'])})" for name, one in changes.items())
    return f"Worked out with parameters other than the built-in ones: {each}. Compare only with results of the same."


def require_same(
    ours: Mapping[str, Any], theirs: Mapping[str, Any], what: str, error: type[ShoulderError], apart: Iterable[str] = ()
) -> None:
    """Raises the error where two results, as `changed` says it of them, were worked out with different parameters.

    what: whose `theirs` are. apart: names and tables that may differ.
    """

    def counts(name: str) -> bool:
        return not any(name == one or name.startswith(f"{one}.") for one in apart)

    both = {name for name in {*ours, *theirs} if counts(name) and ours.get(name) != theirs.get(name)}
    if both:
        each = ", ".join(sorted(both))
        do = "analyse that one again with the same --params"
        raise error(f"{what} worked out with the same parameters", f"these differ: {each}", do)


def require_possible(params: Dataclass, in_order: Iterable[tuple[str, str]] = ()) -> None:
    """Raises ParameterError for a value that cannot be meant.

    in_order: pairs of names of which the first must be less than the second.
    """
    usual, found = built_in(type(params)), values_of(params)
    for name, value in found.items():
        if isinstance(usual[name], bool | str):
            continue
        each = value if isinstance(value, tuple) else () if value is None else (value,)
        least, most = _limits(name, usual[name])
        for one in each:
            if isinstance(one, bool) or not isinstance(one, int | float) or not least <= one <= most:
                expected = f"{name} to be a number from {least:.4g} to {most:.4g}"
                raise ParameterError(expected, f"it is {one!r}", "correct it, or leave it out for the built-in value")
    for low, high in in_order:
        if found[low] >= found[high]:
            came = f"they are {found[low]:.4g} and {found[high]:.4g}"
            raise ParameterError(f"{low} less than {high}", came, "correct one of them")


def read_parameters(path: Path, base: P, elsewhere: Mapping[str, str]) -> P:
    """The parameters `base` with what a TOML file sets, in tables such as [orient.stillness].

    elsewhere: names that no file sets, with the option that does. Raises ParameterError.
    """
    top = Checked.read(path, ParameterError, "a file of parameters")
    given = _given(top, "", base, path.name, elsewhere)
    try:
        return with_values(base, given)
    except ParameterError as error:
        raise ParameterError(f"{error.expected} in {path.name}", error.came, error.do) from None


def with_values(params: P, given: Mapping[str, Any]) -> P:
    """The same parameters with other values, by dotted name. Raises ParameterError."""
    own: dict[str, Any] = {}
    inner: dict[str, dict[str, Any]] = {}
    for name, value in given.items():
        first, _, rest = name.partition(".")
        if rest:
            inner.setdefault(first, {})[rest] = value
        else:
            own[first] = value
    own |= {name: with_values(getattr(params, name), below) for name, below in inner.items()}
    return replace(params, **own)


def _flat(own: Mapping[str, Any], before: str = "") -> dict[str, Any]:
    out: dict[str, Any] = {}
    for key, value in own.items():
        name = f"{before}{key}"
        if is_dataclass(value) and not isinstance(value, type):
            out |= _flat({field.name: getattr(value, field.name) for field in fields(value)}, f"{name}.")
        else:
            out[name] = value
    return out


def _limits(name: str, usual: Any) -> tuple[float, float]:
    """Least and most that may be meant; None as the built-in value leaves that to the class."""
    if usual is None:
        return -math.inf, math.inf
    sizes = usual if isinstance(usual, tuple) else (usual,)
    least = 0.0 if "margin" in name else min(sizes) / MOST_TIMES
    most = max(sizes) * MOST_TIMES
    return (max(least, 1), most) if isinstance(usual, int) else (least, min(most, 1.0) if _is_share(name) else most)


def _is_share(name: str) -> bool:
    return name.endswith(("_share", ".share"))


def _given(table: Checked, before: str, base: Dataclass, file: str, elsewhere: Mapping[str, str]) -> dict[str, Any]:
    """The values of a table by dotted name, each of the type of the built-in one."""
    usual = built_in(type(base))
    out: dict[str, Any] = {}
    for key in table:
        name = f"{before}{key}"
        if name in elsewhere:
            came, do = "it is there", f"leave it out; the option {elsewhere[name]} of analyse sets it"
            raise ParameterError(f"no {name} in {file}", came, do)
        if name in usual:
            out[name] = _value(table, key, usual[name])
        elif any(known.startswith(f"{name}.") for known in usual):
            out |= _given(table.table(key), f"{name}.", base, file, elsewhere)
        else:
            expected = f"parameters of the analysis in {file}"
            raise ParameterError(expected, f"there is {name}", f"the nearest is {_nearest(name, usual)}; {WHERE}")
    return out


def _value(table: Checked, key: str, usual: Any) -> Any:
    if isinstance(usual, bool):
        return table.flag(key, usual)
    if isinstance(usual, tuple):
        return table.numbers(key)
    return table.whole(key) if isinstance(usual, int) else table.number(key)


def _nearest(name: str, known: Iterable[str]) -> str:
    """Of the same last part, where there is one; else what is spelt most alike, tables too."""
    last = name.rpartition(".")[2]
    tables = {one.rpartition(".")[0] for one in known} - {""}
    alike = [one for one in known if one.rpartition(".")[2] == last] or [*known, *sorted(tables)]
    return get_close_matches(name, alike, n=1, cutoff=0.0)[0]


def _word(value: Any) -> str:
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, float):
        return f"{value:.6g}"
    if isinstance(value, list | tuple):
        return " and ".join(map(_word, value))
    return "the declared rate" if value is None else str(value)
