"""Drills are data: one TOML file each, read and checked here. A new drill needs no code."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass, field
from functools import cache
from importlib import resources
from pathlib import Path
from typing import Any, Literal

from imu_shoulder.checked import Checked
from imu_shoulder.drills.judged import DRAWN_ANGLES, FORM_ANGLES, JUDGED, JUDGED_ANGLES
from imu_shoulder.drills.judged import Form as Form
from imu_shoulder.errors import DrillError

SCHEMA = 1
ARM_ROLES = ("each", "hold_and_lift")
BODIES = ("upright", "lying", "bent_over")
_KEYS = (
    *("schema", "id", "title", "purpose", "set_up", "cautions", "leading_angle", "arms", "start", "stations", "tempo"),
    *("form", "dose", "clean_before", "followed_by", "pauses", "posture", "body"),
)
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
    """How much: a drill's usual dose, a starting point that is common practice, or what a plan asks of the athlete.

    asked: whether somebody asked it of this athlete, as a plan does; else it is the drill's usual one.
    """

    sets: int
    reps: int
    load: str
    source: str
    asked: bool = False


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

    @property
    def counted_by(self) -> frozenset[str]:
        """The angles that say what is a rep."""
        places = self.stations if self.by_stations else ()
        return frozenset((self.leading_angle, *(asked.angle for place in places for asked in place.ranges)))

    @property
    def by_stations(self) -> bool:
        """Whether a rep is cut by its postures: it leaves the start, stays at several stations, and comes back."""
        return len(self.stations) > 1

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
    return _drill(Checked.read(path, DrillError, "a readable drill file"))


def parse_drill(text: str, name: str) -> Drill:
    """A drill from TOML text; `name` is used in messages. Raises DrillError."""
    return _drill(Checked.parse(text, name, DrillError))


def _drill(table: Checked) -> Drill:
    table.known(_KEYS)
    table.schema(SCHEMA)
    tempo = table.table("tempo", required=True)
    tempo.known(("lift_at_least_s", "lower_at_least_s"))
    stations = _stations(table)
    start = tuple(_angle_range(asked) for asked in table.tables("start", least=0))
    if len(stations) > 1 and not start:
        raise table.wrong("start", "the posture that a rep of several stations leaves and comes back to", None)
    return Drill(
        id=table.text("id"),
        title=table.text("title"),
        purpose=table.text("purpose", ""),
        set_up=table.texts("set_up"),
        body=_body(table),
        cautions=table.texts("cautions"),
        leading_angle=table.choice("leading_angle", JUDGED_ANGLES),
        arms=table.choice("arms", ARM_ROLES, "each"),
        start=start,
        stations=stations,
        lift_at_least_s=tempo.number("lift_at_least_s", least=0.0),
        lower_at_least_s=tempo.number("lower_at_least_s", least=0.0),
        form=_form(table.table("form")),
        dose=_dose(table.table("dose", required=True)),
        clean_before=table.texts("clean_before"),
        followed_by=table.texts("followed_by"),
        pauses=tuple(_pause(asked) for asked in table.tables("pauses", least=0)),
        posture=_posture(table.table("posture"), ("start", *(station.name for station in stations))),
    )


def _body(table: Checked) -> Any:
    """How the trunk is asked to be. A set-up that tells people to lie must not pass for an upright one."""
    said = next((line for line in table.texts("set_up") if NOT_UPRIGHT.search(line)), None)
    if "body" not in table and said is not None:
        raise table.wrong("body", f"given, out of {', '.join(BODIES)}, where set_up says {said!r}", None)
    return table.choice("body", BODIES, "upright")


def _stations(table: Checked) -> tuple[Station, ...]:
    found: list[Station] = []
    for given in table.tables("stations"):
        given.known(("name", "hold_s", "ranges"))
        name, earlier = given.text("name"), ["start", *(station.name for station in found)]
        if name in earlier:
            raise given.wrong("name", f"another than {', '.join(earlier)}", name)
        ranges = []
        for asked in given.tables("ranges"):
            ranges.append(_angle_range(asked))
            if ranges[-1].above not in (None, *earlier):
                raise asked.wrong("above", f"one of {', '.join(earlier)}", ranges[-1].above)
        found.append(Station(name, tuple(ranges), given.number("hold_s", 0.0, least=0.0)))
    return tuple(found)


def _angle_range(table: Checked) -> AngleRange:
    table.known(("angle", "at_least", "at_most", "above"))
    above = table.text("above") if "above" in table else None
    return AngleRange(table.choice("angle", JUDGED_ANGLES), *table.ends(), above)


def _pause(table: Checked) -> AskedPause:
    table.known(("way", "at_least", "at_most", "hold_s"))
    return AskedPause(table.choice("way", ("up", "down")), *table.ends(), table.number("hold_s", least=0.0))


def _form(table: Checked) -> Form:
    columns = [JUDGED[name].column for name in FORM_ANGLES]
    table.known((*columns, "trunk_deg", "closing_deg"))

    def pair(key: str) -> tuple[float, float] | None:
        if key not in table:
            return None
        inner = table.table(key)
        inner.known(("at_least", "at_most"))
        return inner.ends()

    def most(key: str) -> float | None:
        return table.number(key, least=0.0) if key in table else None

    limits = {column: pair(column) for column in columns}
    return Form(**limits, trunk_deg=most("trunk_deg"), closing_deg=most("closing_deg"))


def _dose(table: Checked) -> Dose:
    table.known(("sets", "reps", "load", "source"))
    load, source = table.text("load", ""), table.text("source")
    return Dose(table.whole("sets", least=1), table.whole("reps", least=1), load, source)


def _posture(table: Checked, places: tuple[str, ...]) -> dict[str, dict[str, float]]:
    table.known(places)
    found: dict[str, dict[str, float]] = {}
    for place in table:
        angles = table.table(place)
        angles.known(DRAWN_ANGLES)
        found[place] = {angle: angles.number(angle) for angle in angles}
    return found
