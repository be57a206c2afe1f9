"""Baseline range tests are data like drills: one TOML file each, read and checked here."""

from __future__ import annotations

import math
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache
from importlib import resources
from pathlib import Path
from typing import Any, Literal

from imu_shoulder.drills.judged import JUDGED
from imu_shoulder.errors import ShoulderError

SCHEMA = 1
ANGLES = tuple(name for name, angle in JUDGED.items() if angle.in_range_tests)
SEXES = ("m", "f")
# In the order in which they are done: the easy ones first.
SHIPPED = ("flexion", "abduction", "external_rotation_at_side", "external_rotation_at_90", "internal_rotation_at_90")
KEYS = (
    *("schema", "id", "title", "set_up", "cautions", "trials", "least_rise_deg", "measure", "from_start"),
    "read_where",
    *("posture", "difference", "published"),
)


class RangeError(ShoulderError):
    """A range test's file is unusable, or the recording holds no range test."""


@dataclass(frozen=True, slots=True)
class Limit:
    """A closed range of one angle in degrees. when: at the top, or midway (elevation 60 to 120) on the way there."""

    angle: str
    low_deg: float
    high_deg: float
    when: Literal["top", "midway"] = "top"


@dataclass(frozen=True, slots=True)
class Published:
    """A published value of one sex and an age range. middle: mean or median. p5_deg: 5th percentile where known."""

    sex: str
    ages: tuple[int, int]
    people: str
    middle: str
    middle_deg: float
    source: str
    p5_deg: float | None = None


@dataclass(frozen=True, slots=True)
class Difference:
    """The minimal detectable change (90 %) that a difference is read against, of the usual way of measuring."""

    mdc90_deg: float
    source: str


@dataclass(frozen=True, slots=True)
class RangeTest:
    """One active range test.

    measure: angle name -> factor; their weighted sum is what rises to the top. read_where: the sum is read only there.
    from_start: counted from where the arm usually starts in this test, for turns about the vertical, which drift.
    posture: a trial outside is named and left out. least_rise_deg: a rise under half of it is no trial.
    """

    id: str
    title: str
    set_up: tuple[str, ...]
    cautions: tuple[str, ...]
    trials: int
    least_rise_deg: float
    measure: Mapping[str, float]
    from_start: bool
    read_where: tuple[Limit, ...]
    posture: tuple[Limit, ...]
    difference: Difference | None
    published: tuple[Published, ...]


@cache
def shipped_tests() -> Mapping[str, RangeTest]:
    """The tests that come with the package, by id, in the order in which they are done."""
    folder = resources.files(__package__) / "tests"
    return {name: parse_test((folder / f"{name}.toml").read_text(encoding="utf-8"), f"{name}.toml") for name in SHIPPED}


def load_test(path: Path) -> RangeTest:
    """A range test from a TOML file of the user's. Raises RangeError."""
    try:
        text = path.read_text(encoding="utf-8")
    except (OSError, UnicodeDecodeError) as error:
        raise RangeError("a readable file of a range test", f"{path} is not ({error})", "check the path") from error
    return parse_test(text, path.name)


def parse_test(text: str, name: str) -> RangeTest:
    """A range test from TOML text; `name` is used in messages. Raises RangeError."""
    try:
        table = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise RangeError("a TOML file", f"{name} is not TOML ({error})", "correct that line") from error
    return _Reader(name).test(table)


class _Reader:
    def __init__(self, name: str) -> None:
        self._name = name

    def fail(self, where: str, expected: str, came: object) -> RangeError:
        return RangeError(f"{where} in {self._name} to be {expected}", f"it was {came!r}", "correct the file")

    def known(self, table: object, where: str, allowed: tuple[str, ...]) -> Mapping[str, Any]:
        if not isinstance(table, dict):
            raise self.fail(where, "a table", table)
        for key in table:
            if key not in allowed:
                raise self.fail(f"every key of {where}", f"one of {', '.join(allowed)}", key)
        return table

    def text(self, table: Mapping[str, Any], key: str) -> str:
        value = table.get(key)
        if not isinstance(value, str) or not value:
            raise self.fail(key, "a text", value)
        return value

    def texts(self, table: Mapping[str, Any], key: str) -> tuple[str, ...]:
        value = table.get(key, [])
        if not isinstance(value, list) or not all(isinstance(item, str) for item in value):
            raise self.fail(key, "a list of texts", value)
        return tuple(value)

    def number(self, value: object, where: str, low: float = -math.inf) -> float:
        if isinstance(value, bool) or not isinstance(value, (int, float)) or not math.isfinite(value) or value < low:
            raise self.fail(where, "a number" if math.isinf(low) else f"a number of {low:g} or more", value)
        return float(value)

    def test(self, table: Mapping[str, Any]) -> RangeTest:
        self.known(table, "the top", KEYS)
        if table.get("schema") != SCHEMA:
            raise self.fail("schema", str(SCHEMA), table.get("schema"))
        trials = table.get("trials", 3)
        if isinstance(trials, bool) or not isinstance(trials, int) or trials < 1:
            raise self.fail("trials", "a whole number of 1 or more", trials)
        measure = self.known(table.get("measure"), "measure", ANGLES)
        if not measure:
            raise self.fail("measure", f"a table of factors for {', '.join(ANGLES)}", measure)
        difference, from_start = table.get("difference"), table.get("from_start", False)
        if not isinstance(from_start, bool):
            raise self.fail("from_start", "true or false", from_start)
        return RangeTest(
            self.text(table, "id"),
            self.text(table, "title"),
            self.texts(table, "set_up"),
            self.texts(table, "cautions"),
            trials,
            self.number(table.get("least_rise_deg"), "least_rise_deg", 5.0),
            {angle: self.number(factor, f"measure.{angle}") for angle, factor in measure.items()},
            from_start,
            self.limits(table, "read_where"),
            self.limits(table, "posture"),
            None if difference is None else self.difference(difference),
            tuple(self.published(item) for item in table.get("published", [])),
        )

    def limits(self, table: Mapping[str, Any], key: str) -> tuple[Limit, ...]:
        given = table.get(key, [])
        if not isinstance(given, list):
            raise self.fail(key, "a list of limits", given)
        return tuple(self.limit(item, key) for item in given)

    def limit(self, item: object, where: str) -> Limit:
        table = self.known(item, where, ("angle", "at_least", "at_most", "when"))
        angle, when = table.get("angle"), table.get("when", "top")
        if angle not in ANGLES:
            raise self.fail(f"angle of {where}", f"one of {', '.join(ANGLES)}", angle)
        if when not in ("top", "midway"):
            raise self.fail(f"when of {where}", "top or midway", when)
        ends = [self.number(table[key], f"{key} of {where}") for key in ("at_least", "at_most") if key in table]
        low, high = table.get("at_least", -math.inf), table.get("at_most", math.inf)
        if not ends or not low < high:
            raise self.fail(where, "a range with at_least, at most or both, the first under the second", table)
        return Limit(angle, float(low), float(high), when)

    def difference(self, item: object) -> Difference:
        table = self.known(item, "difference", ("mdc90_deg", "source"))
        return Difference(self.number(table.get("mdc90_deg"), "mdc90_deg", 0.0), self.text(table, "source"))

    def published(self, item: object) -> Published:
        keys = ("sex", "ages", "people", "middle", "middle_deg", "p5_deg", "source")
        table = self.known(item, "published", keys)
        sex, ages = table.get("sex"), table.get("ages")
        if sex not in SEXES:
            raise self.fail("sex of published", "m or f", sex)
        if not isinstance(ages, list) or len(ages) != 2 or not all(isinstance(age, int) for age in ages):
            raise self.fail("ages of published", "two whole years", ages)
        return Published(
            sex,
            (ages[0], ages[1]),
            self.text(table, "people"),
            self.text(table, "middle"),
            self.number(table.get("middle_deg"), "middle_deg"),
            self.text(table, "source"),
            self.number(table["p5_deg"], "p5_deg") if "p5_deg" in table else None,
        )
