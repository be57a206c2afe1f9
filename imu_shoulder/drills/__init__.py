"""Drills are data: one TOML file each, read and checked here. A new drill needs no code."""

from __future__ import annotations

import re
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass, field
from functools import cache
from importlib import resources
from pathlib import Path
from typing import Any, Literal

from imu_shoulder.drills.judged import DRAWN_ANGLES, FORM_ANGLES, JUDGED, JUDGED_ANGLES
from imu_shoulder.drills.judged import Form as Form
from imu_shoulder.errors import DrillError

SCHEMA = 1
ARM_ROLES = ("each", "hold_and_lift")
BODIES = ("upright", "lying", "bent_over")
# Words of a set-up that say the body is not upright, for which the file must then say how it is.
NOT_UPRIGHT = re.compile(r"\b(lie|lies|lying|side-lying|prone|supine|face[- ]?down|bend(ing)? over|bent over)\b", re.I)


@dataclass(frozen=True, slots=True)
class AngleRange:
    """A closed range of one joint angle in degrees; either end may be open (infinite).

    above: None for the angle itself; "start" where the range counts from the arm's own angle at the start
    of the rep, or the name of an earlier station where it counts from the angle held there.
    """

    angle: str
    low_deg: float
    high_deg: float
    above: str | None = None


@dataclass(frozen=True, slots=True)
class Station:
    """A posture the rep must pass through, in order, held for at least hold_s (0: not held)."""

    name: str
    ranges: tuple[AngleRange, ...]
    hold_s: float


@dataclass(frozen=True, slots=True)
class AskedPause:
    """A pause asked for part-way, at low_deg to high_deg of the leading angle, on the way "up" or "down"."""

    way: Literal["up", "down"]
    low_deg: float
    high_deg: float
    hold_s: float


@dataclass(frozen=True, slots=True)
class Dose:
    """What is asked for. Starting points that are common practice; the practitioner's plan overrides them."""

    sets: int
    reps: int
    load: str
    source: str


@dataclass(frozen=True, slots=True)
class Drill:
    """One drill. leading_angle names the angle whose rise and fall is the rep.

    body: how the trunk is asked to be: upright (standing or sitting), lying, or bent_over. Without a sensor on the
    trunk elevation and plane of the arm are told in upright ones only.
    posture: "start" or a station's name -> angle -> degrees, for drawings only: what the ranges leave open.
    """

    id: str
    title: str
    purpose: str
    set_up: tuple[str, ...]
    cautions: tuple[str, ...]
    leading_angle: str
    arms: Literal["each", "hold_and_lift"]
    start: tuple[AngleRange, ...]
    stations: tuple[Station, ...]
    lift_at_least_s: float
    lower_at_least_s: float
    form: Form
    dose: Dose
    clean_before: tuple[str, ...] = ()
    followed_by: tuple[str, ...] = ()
    pauses: tuple[AskedPause, ...] = ()
    body: Literal["upright", "lying", "bent_over"] = "upright"
    posture: Mapping[str, Mapping[str, float]] = field(default_factory=dict)

    @property
    def top(self) -> Station:
        """The last station: the one the rep turns round at."""
        return self.stations[-1]

    def leading_range(self, station: Station) -> AngleRange | None:
        """The range the station asks of the leading angle, if it asks one."""
        return next((r for r in station.ranges if r.angle == self.leading_angle), None)

    def top_band_deg(self, start_deg: float) -> tuple[float, float] | None:
        """The absolute band asked of the leading angle at the top, for a rep that starts at start_deg."""
        top = self.leading_range(self.top)
        if top is None:
            return None
        shift = start_deg if top.above == "start" else 0.0
        return top.low_deg + shift, top.high_deg + shift


def shipped_ids() -> tuple[str, ...]:
    """Ids of the drills that come with the package, sorted."""
    folder = resources.files(__package__)
    return tuple(sorted(f.name.removesuffix(".toml") for f in folder.iterdir() if f.name.endswith(".toml")))


@cache
def load_shipped(drill_id: str) -> Drill:
    """A shipped drill. Raises DrillError for an unknown id."""
    if drill_id not in shipped_ids():
        raise DrillError(
            f"one of the drills {', '.join(shipped_ids())}",
            f"the name was {drill_id!r}",
            "use one of these or a drill file",
        )
    text = (resources.files(__package__) / f"{drill_id}.toml").read_text(encoding="utf-8")
    return parse_drill(text, f"{drill_id}.toml")


def load_file(path: Path) -> Drill:
    """A drill from the user's own TOML file. Raises DrillError."""
    try:
        text = path.read_text(encoding="utf-8")
    except (OSError, UnicodeDecodeError) as error:
        raise DrillError("a readable drill file", f"{path} is not ({error})", "check the path") from error
    return parse_drill(text, path.name)


def parse_drill(text: str, name: str) -> Drill:
    """A drill from TOML text; `name` is used in messages. Raises DrillError."""
    try:
        table = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise DrillError("a TOML file", f"{name} is not TOML ({error})", "correct that line") from error
    return _Reader(name).drill(table)


class _Reader:
    """Reads checked values out of nested tables, so that each mistake names its file and key."""

    def __init__(self, name: str) -> None:
        self._name = name

    def fail(self, key: str, expected: str, came: object) -> DrillError:
        return DrillError(f"{key} in {self._name} to be {expected}", f"it was {came!r}", "correct the drill file")

    def get(
        self,
        table: Mapping[str, Any],
        key: str,
        kind: type | tuple[type, ...],
        expected: str,
        default: Any = ...,
    ) -> Any:
        if key not in table and default is not ...:
            return default
        value = table.get(key)
        if isinstance(value, bool) or not isinstance(value, kind):
            raise self.fail(key, expected, value)
        return value

    def known(self, table: Mapping[str, Any], where: str, allowed: set[str]) -> None:
        for key in table:
            if key not in allowed:
                raise self.fail(f"every key of {where}", f"one of {', '.join(sorted(allowed))}", key)

    def texts(self, table: Mapping[str, Any], key: str) -> tuple[str, ...]:
        value = self.get(table, key, list, "a list of texts", [])
        if not all(isinstance(item, str) for item in value):
            raise self.fail(key, "a list of texts", value)
        return tuple(value)

    def number(self, table: Mapping[str, Any], key: str, default: Any = ...) -> Any:
        value = self.get(table, key, (int, float), "a number of 0 or more", default)
        if isinstance(value, (int, float)) and not 0 <= value < float("inf"):
            raise self.fail(key, "a number of 0 or more", value)
        return value

    def whole(self, table: Mapping[str, Any], key: str) -> int:
        value = self.get(table, key, int, "a whole number of 1 or more")
        if value < 1:
            raise self.fail(key, "a whole number of 1 or more", value)
        return int(value)

    def angle_range(self, table: Mapping[str, Any], where: str) -> AngleRange:
        self.known(table, where, {"angle", "at_least", "at_most", "above"})
        angle = self.get(table, "angle", str, f"one of {', '.join(JUDGED_ANGLES)}")
        if angle not in JUDGED_ANGLES:
            raise self.fail(f"angle of {where}", f"one of {', '.join(JUDGED_ANGLES)}", angle)
        ends = [self.get(table, key, (int, float), "a number of degrees", None) for key in ("at_least", "at_most")]
        if ends == [None, None]:
            raise self.fail(where, "a range with at_least, at_most or both", table)
        low, high = (
            -float("inf") if ends[0] is None else float(ends[0]),
            float("inf") if ends[1] is None else float(ends[1]),
        )
        if not low < high:
            raise self.fail(where, "a range whose at_least is under its at_most", table)
        return AngleRange(angle, low, high, self.get(table, "above", str, "start or a station's name", None))

    def pair(self, table: Mapping[str, Any], key: str) -> tuple[float, float] | None:
        if key not in table:
            return None
        inner = self.get(table, key, dict, "a table with at_least, at_most or both")
        found = self.angle_range({"angle": key.removesuffix("_deg"), **inner}, f"form.{key}")
        return found.low_deg, found.high_deg

    def drill(self, table: Mapping[str, Any]) -> Drill:
        self.known(
            table,
            self._name,
            {"schema", "id", "title", "purpose", "set_up", "cautions", "leading_angle", "arms", "start"}
            | {"stations", "tempo", "form", "dose", "clean_before", "followed_by", "pauses", "posture", "body"},
        )
        if table.get("schema") != SCHEMA:
            raise self.fail("schema", str(SCHEMA), table.get("schema"))
        leading = self.get(table, "leading_angle", str, f"one of {', '.join(JUDGED_ANGLES)}")
        if leading not in JUDGED_ANGLES:
            raise self.fail("leading_angle", f"one of {', '.join(JUDGED_ANGLES)}", leading)
        arms = table.get("arms", "each")
        if arms not in ARM_ROLES:
            raise self.fail("arms", f"one of {', '.join(ARM_ROLES)}", arms)
        stations = self.get(table, "stations", list, "a list of stations")
        if not stations:
            raise self.fail("stations", "one station or more", stations)
        tempo = self.get(table, "tempo", dict, "a table")
        self.known(tempo, "tempo", {"lift_at_least_s", "lower_at_least_s"})
        return Drill(
            id=self.get(table, "id", str, "a text"),
            title=self.get(table, "title", str, "a text"),
            purpose=self.get(table, "purpose", str, "a text", ""),
            set_up=self.texts(table, "set_up"),
            body=self.body(table),
            cautions=self.texts(table, "cautions"),
            leading_angle=leading,
            arms=arms,
            start=tuple(self.angle_range(r, "start") for r in self.get(table, "start", list, "a list of ranges", [])),
            stations=self.stations(stations),
            lift_at_least_s=self.number(tempo, "lift_at_least_s"),
            lower_at_least_s=self.number(tempo, "lower_at_least_s"),
            form=self.form(self.get(table, "form", dict, "a table", {})),
            dose=self.dose(self.get(table, "dose", dict, "a table")),
            clean_before=self.texts(table, "clean_before"),
            followed_by=self.texts(table, "followed_by"),
            pauses=tuple(self.pause(p) for p in self.get(table, "pauses", list, "a list of pauses", [])),
            posture=self.posture(
                self.get(table, "posture", dict, "a table", {}),
                {"start", *(s["name"] for s in stations if isinstance(s, dict) and "name" in s)},
            ),
        )

    def body(self, table: Mapping[str, Any]) -> Any:
        """How the trunk is asked to be. A set-up that tells people to lie must not pass for an upright one."""
        said = next((line for line in self.texts(table, "set_up") if NOT_UPRIGHT.search(line)), None)
        if "body" not in table and said is not None:
            raise self.fail("body", f"given, out of {', '.join(BODIES)}, where set_up says {said!r}", None)
        body = table.get("body", "upright")
        if body not in BODIES:
            raise self.fail("body", f"one of {', '.join(BODIES)}", body)
        return body

    def pause(self, table: Any) -> AskedPause:
        if not isinstance(table, dict):
            raise self.fail("pauses", "a list of tables", table)
        self.known(table, "pauses", {"way", "at_least", "at_most", "hold_s"})
        way = self.get(table, "way", str, "up or down")
        if way not in ("up", "down"):
            raise self.fail("way of pauses", "up or down", way)
        ends = {key: value for key, value in table.items() if key in ("at_least", "at_most")}
        # The angle of a pause is the leading one, whichever that is.
        found = self.angle_range({"angle": "elevation", **ends}, "pauses")
        return AskedPause(way, found.low_deg, found.high_deg, float(self.number(table, "hold_s")))

    def posture(self, table: Mapping[str, Any], places: set[str]) -> dict[str, dict[str, float]]:
        self.known(table, "posture", places)
        found: dict[str, dict[str, float]] = {}
        for place in table:
            angles = self.get(table, place, dict, "a table of angles")
            self.known(angles, f"posture.{place}", set(DRAWN_ANGLES))
            found[place] = {angle: float(self.get(angles, angle, (int, float), "degrees")) for angle in angles}
        return found

    def stations(self, tables: list[Any]) -> tuple[Station, ...]:
        found = tuple(self.station(table) for table in tables)
        for place, station in enumerate(found):
            earlier = ["start", *(s.name for s in found[:place])]
            for needed in station.ranges:
                if needed.above is not None and needed.above not in earlier:
                    raise self.fail(f"above of station {station.name}", f"one of {', '.join(earlier)}", needed.above)
        return found

    def station(self, table: Any) -> Station:
        if not isinstance(table, dict):
            raise self.fail("stations", "a list of tables", table)
        self.known(table, "stations", {"name", "hold_s", "ranges"})
        name = self.get(table, "name", str, "a text")
        ranges = self.get(table, "ranges", list, "a list of ranges")
        if not ranges:
            raise self.fail(f"ranges of station {name}", "one range or more", ranges)
        return Station(
            name,
            tuple(self.angle_range(r, f"station {name}") for r in ranges),
            float(self.number(table, "hold_s", 0.0)),
        )

    def form(self, table: Mapping[str, Any]) -> Form:
        columns = [JUDGED[name].column for name in FORM_ANGLES]
        self.known(table, "form", {*columns, "trunk_deg", "closing_deg"})
        return Form(
            **{column: self.pair(table, column) for column in columns},
            trunk_deg=self.number(table, "trunk_deg", None),
            closing_deg=self.number(table, "closing_deg", None),
        )

    def dose(self, table: Mapping[str, Any]) -> Dose:
        self.known(table, "dose", {"sets", "reps", "load", "source"})
        return Dose(
            sets=self.whole(table, "sets"),
            reps=self.whole(table, "reps"),
            load=self.get(table, "load", str, "a text", ""),
            source=self.get(table, "source", str, "a text"),
        )
