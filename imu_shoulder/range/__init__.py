"""Baseline range tests are data like drills: one TOML file each, read and checked here."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache
from importlib import resources
from pathlib import Path
from typing import Literal

from imu_shoulder.checked import Checked
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
    """A published value of one sex and an age range. middle: mean or median. p5_deg: 5th percentile where known.

    how: in which posture and by whom it was measured, "" where the file does not say.
    """

    sex: str
    ages: tuple[int, int]
    people: str
    middle: str
    middle_deg: float
    source: str
    p5_deg: float | None = None
    how: str = ""


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

    @property
    def angle(self) -> str | None:
        """The one angle that the test reads; None where it reads several together."""
        (name, factor), *more = self.measure.items()
        return name if factor == 1.0 and not more else None


@cache
def shipped_tests() -> Mapping[str, RangeTest]:
    """The tests that come with the package, by id, in the order in which they are done."""
    folder = resources.files(__package__) / "tests"
    return {name: parse_test((folder / f"{name}.toml").read_text(encoding="utf-8"), f"{name}.toml") for name in SHIPPED}


def load_test(path: Path) -> RangeTest:
    """A range test from a TOML file of the user's. Raises RangeError."""
    return _test(Checked.read(path, RangeError, "a readable file of a range test"))


def parse_test(text: str, name: str) -> RangeTest:
    """A range test from TOML text; `name` is used in messages. Raises RangeError."""
    return _test(Checked.parse(text, name, RangeError))


def _test(table: Checked) -> RangeTest:
    table.known(KEYS)
    table.schema(SCHEMA)
    measure = table.table("measure", required=True)
    measure.known(ANGLES)
    if not any(True for _ in measure):
        raise table.wrong("measure", f"a table of factors for {', '.join(ANGLES)}", table.get("measure"))
    return RangeTest(
        table.text("id"),
        table.text("title"),
        table.texts("set_up"),
        table.texts("cautions"),
        table.whole("trials", 3, least=1),
        table.number("least_rise_deg", least=5.0),
        {angle: measure.number(angle) for angle in measure},
        table.flag("from_start", default=False),
        tuple(_limit(given) for given in table.tables("read_where", least=0)),
        tuple(_limit(given) for given in table.tables("posture", least=0)),
        _difference(table.table("difference")) if "difference" in table else None,
        tuple(_published(given) for given in table.tables("published", least=0)),
    )


def _limit(table: Checked) -> Limit:
    table.known(("angle", "at_least", "at_most", "when"))
    return Limit(table.choice("angle", ANGLES), *table.ends(), table.choice("when", ("top", "midway"), "top"))


def _difference(table: Checked) -> Difference:
    table.known(("mdc90_deg", "source"))
    return Difference(table.number("mdc90_deg", least=0.0), table.text("source"))


def _published(table: Checked) -> Published:
    table.known(("sex", "ages", "people", "middle", "middle_deg", "p5_deg", "source", "how"))
    ages = table.get("ages")
    if not isinstance(ages, list) or len(ages) != 2 or not all(type(age) is int for age in ages):
        raise table.wrong("ages", "two whole years", ages)
    return Published(
        table.choice("sex", SEXES),
        (ages[0], ages[1]),
        table.text("people"),
        table.text("middle"),
        table.number("middle_deg"),
        table.text("source"),
        table.number("p5_deg") if "p5_deg" in table else None,
        table.text("how") if "how" in table else "",
    )
