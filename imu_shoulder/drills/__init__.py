"""Drills are data: one TOML file each, read and checked here. A new drill needs no code."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from functools import cache
from importlib import resources
from pathlib import Path
from typing import Any, Literal

from imu_shoulder.checked import Checked
from imu_shoulder.drills.judged import DRAWN_ANGLES, JUDGED, JUDGED_ANGLES, Ends
from imu_shoulder.drills.limits import PLACES, FormLimit
from imu_shoulder.drills.limits import AngleRange as AngleRange
from imu_shoulder.drills.limits import Form as Form
from imu_shoulder.errors import DrillError
from imu_shoulder.limits import MAX_ASKED_S, MAX_REPS, MAX_SETS

SCHEMA = 1
# Between sets of light drills for endurance: a minute or less, common practice.
USUAL_REST_S = 60.0
ARM_ROLES = ("each", "hold_and_lift")
BODIES = ("upright", "lying", "bent_over")
_KEYS = (
    *(
        "schema",
        "id",
        "title",
        "purpose",
        "set_up",
        "cautions",
        "leading_angle",
        "arms",
        "start",
        "or_start",
        "stations",
        "tempo",
    ),
    *("form", "directions", "dose", "clean_before", "followed_by", "pauses", "posture", "body"),
)
# Words of a set-up that say the body is not upright, for which the file must then say how it is.
NOT_UPRIGHT = re.compile(r"\b(lie|lies|lying|side-lying|prone|supine|face[- ]?down|bend(ing)? over|bent over)\b", re.I)


@dataclass(frozen=True, slots=True)
class Station:
    """A posture the rep must pass through, in order, held for at least hold_s (0: not held)."""

    name: str
    ranges: tuple[AngleRange, ...]
    hold_s: float


@dataclass(frozen=True, slots=True)
class AskedPause:
    """A pause asked for part-way, at low_deg to high_deg of the leading angle, on the way "up" or "down".

    above: "start" where the range counts from the rep's own start, None for the angle itself.
    """

    way: Literal["up", "down"]
    low_deg: float
    high_deg: float
    hold_s: float
    above: Literal["start"] | None = None


@dataclass(frozen=True, slots=True)
class Dose:
    """How much: a drill's usual dose, a starting point that is common practice, or what a plan asks of the athlete.

    rest_s: between two sets. asked: whether somebody asked it of this athlete, as a plan does; else it is the drill's
    usual one.
    """

    sets: int
    reps: int
    load: str
    source: str
    rest_s: float = USUAL_REST_S
    asked: bool = False


@dataclass(frozen=True, slots=True)
class Drill:
    """One drill. leading_angle names the angle whose rise and fall is the rep.

    body: how the trunk is asked to be: upright (standing or sitting), lying, or bent_over. Without a sensor on the
    trunk elevation and plane of the arm are told in upright ones only.
    posture: "start" or a station's name -> angle -> degrees, for drawings only: what the ranges leave open.
    or_start: another posture that reps may set out from instead, in all of a set.
    directions: name -> plane of elevation asked at the top, for a drill that may be done in several; direction: the one
    that the form asks for now, "" without any.
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
    or_start: tuple[AngleRange, ...] = ()
    directions: Mapping[str, Ends] = field(default_factory=dict)
    direction: str = ""

    def towards(self, direction: str) -> Drill:
        """The drill done in one of its directions. Raises DrillError for another."""
        if direction not in self.directions:
            some = f"one of the directions {', '.join(self.directions)}" if self.directions else "no direction"
            raise DrillError(f"{some} for {self.title}", f"it was {direction!r}", "correct the plan or the set's mark")
        plane = FormLimit(AngleRange("plane", *self.directions[direction]))
        form = replace(self.form, limits=self.form.replaced("plane", [plane]))
        return replace(self, form=form, direction=direction)

    def within_own(self, own_deg: Mapping[str, float]) -> Drill:
        """The drill with the share asked of the athlete's own range where that is known. own_deg: by angle.

        A range that counts from the start takes the whole own range from there.
        """
        stations = []
        for station in self.stations:
            ranges = [
                replace(asked, low_deg=asked.of_own * own_deg[asked.angle], of_own=None)
                if asked.of_own is not None and asked.angle in own_deg
                else asked
                for asked in station.ranges
            ]
            stations.append(replace(station, ranges=tuple(ranges)))
        return replace(self, stations=tuple(stations))

    @property
    def own_unknown(self) -> tuple[str, ...]:
        """Angles asked as a share of the athlete's own range, which is not known: the drill's own number stands."""
        ranges = [asked for station in self.stations for asked in station.ranges]
        return tuple(dict.fromkeys(asked.angle for asked in ranges if asked.of_own is not None))

    @property
    def top(self) -> Station:
        """The last station: the one the rep turns round at."""
        return self.stations[-1]

    @property
    def counted_by(self) -> tuple[AngleRange, ...]:
        """What is asked of the angles that say what is a rep, as little as is enough for that."""
        if self.by_stations:
            return tuple(asked for place in self.facing_anywhere().stations for asked in place.ranges)
        return () if self.leading_arc is None else (self.leading_arc,)

    def facing_anywhere(self) -> Drill:
        """The drill for an athlete of whom it is not known which way the body faces: stations without what turns with
        that. As it is, where nothing else tells one station from another."""
        rest = [tuple(r for r in s.ranges if r.above is not None or not JUDGED[r.angle].turns) for s in self.stations]
        if () in rest or len(set(rest)) < len(rest):
            return self
        stations = [replace(station, ranges=ranges) for station, ranges in zip(self.stations, rest, strict=True)]
        return replace(self, stations=tuple(stations))

    @property
    def by_stations(self) -> bool:
        """Whether a rep is cut by its postures: it leaves the start, stays at several stations, and comes back."""
        return len(self.stations) > 1

    @property
    def arc(self) -> AngleRange | None:
        """The range that says how far the arm goes: of the leading angle, or the first of the last of several stations.
        Less is a short arc; what else a station asks is its posture."""
        if self.by_stations:
            return self.top.ranges[0]
        return next((r for r in self.top.ranges if r.angle == self.leading_angle), None)

    @property
    def leading_arc(self) -> AngleRange | None:
        """The same where it is asked of the leading angle."""
        return self.arc if self.arc is not None and self.arc.angle == self.leading_angle else None

    def top_band_deg(self, start_deg: float) -> tuple[float, float] | None:
        """The absolute band asked of the leading angle at the top, for a rep that starts at start_deg."""
        top = self.leading_arc
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
    drill = Drill(
        id=table.name("id"),
        title=table.name("title"),
        purpose=table.text("purpose", ""),
        set_up=table.texts("set_up"),
        body=_body(table),
        cautions=table.texts("cautions"),
        leading_angle=table.choice("leading_angle", JUDGED_ANGLES),
        arms=table.choice("arms", ARM_ROLES, "each"),
        start=start,
        or_start=tuple(_angle_range(asked) for asked in table.tables("or_start", least=0)),
        stations=stations,
        lift_at_least_s=tempo.number("lift_at_least_s", least=0.0),
        lower_at_least_s=tempo.number("lower_at_least_s", least=0.0),
        form=_form(table.table("form"), tuple(station.name for station in stations)),
        dose=_dose(table.table("dose", required=True)),
        clean_before=table.texts("clean_before"),
        followed_by=table.texts("followed_by"),
        pauses=tuple(asked_pause(asked) for asked in table.tables("pauses", least=0)),
        posture=_posture(table.table("posture"), ("start", *(station.name for station in stations))),
    )
    return _directed(drill, table.table("directions"))


def _directed(drill: Drill, table: Checked) -> Drill:
    """The drill in its usual direction, where the file tells several."""
    names = tuple(name for name in table if name != "usual")
    if not names and "usual" not in table:
        return drill
    if drill.form.of("plane"):
        raise table.wrong("usual", "left out, or plane_deg of [form]: both say where the arm goes", table.get("usual"))
    ranges = {}
    for name in names:
        asked = table.table(name)
        asked.known(("at_least", "at_most"))
        ranges[name] = asked.ends()
    return replace(drill, directions=ranges).towards(table.choice("usual", names))


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
        name, earlier = given.name("name"), ["start", *(station.name for station in found)]
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
    table.known(("angle", "at_least", "at_most", "above", "of_own"))
    above = table.text("above") if "above" in table else None
    return AngleRange(table.choice("angle", JUDGED_ANGLES), *table.ends(), above, own_share(table))


def own_share(table: Checked) -> float | None:
    """Which share of the athlete's own range a table of a range asks; None where it asks none."""
    if "of_own" not in table:
        return None
    share = table.number("of_own", least=0.0, most=1.5)
    if "at_least" not in table:
        raise table.wrong("of_own", "beside at_least, which stands where the own range is not known", share)
    return share


def asked_pause(table: Checked) -> AskedPause:
    """One table of [[pauses]]."""
    table.known(("way", "at_least", "at_most", "hold_s", "above"))
    above = table.choice("above", ("start",)) if "above" in table else None
    return AskedPause(table.choice("way", ("up", "down")), *table.ends(), table.number("hold_s", least=0.0), above)


def _form(table: Checked, stations: tuple[str, ...]) -> Form:
    columns = {angle.column: name for name, angle in JUDGED.items()}
    table.known((*columns, "trunk_deg", "upper_arm_swing_deg", "closing_deg"))

    def most(key: str) -> float | None:
        return table.number(key, least=0.0) if key in table else None

    return Form(
        limits=tuple(limit for key in columns if key in table for limit in form_limits(table, key, stations)),
        trunk_deg=most("trunk_deg"),
        upper_arm_swing_deg=most("upper_arm_swing_deg"),
        closing_deg=most("closing_deg"),
    )


def form_limits(table: Checked, key: str, stations: tuple[str, ...]) -> list[FormLimit]:
    """The limits of one angle under its column's name: a range, or several."""
    several = isinstance(table.get(key), list)
    angle = next(name for name, own in JUDGED.items() if own.column == key)
    out = []
    for asked in table.tables(key) if several else [table.table(key)]:
        asked.known(("at_least", "at_most", "where", "above"))
        where = asked.choice("where", (*PLACES, *stations), "top")
        above = asked.choice("above", ("start",)) if "above" in asked else None
        out.append(FormLimit(AngleRange(angle, *asked.ends(), above), where))
    return out


def _dose(table: Checked) -> Dose:
    table.known(("sets", "reps", "load", "source", "rest_s"))
    load, source = table.text("load", ""), table.text("source")
    rest_s = table.number("rest_s", USUAL_REST_S, least=0.0, most=MAX_ASKED_S)
    sets, reps = table.whole("sets", least=1, most=MAX_SETS), table.whole("reps", least=1, most=MAX_REPS)
    return Dose(sets, reps, load, source, rest_s)


def _posture(table: Checked, places: tuple[str, ...]) -> dict[str, dict[str, float]]:
    table.known(places)
    found: dict[str, dict[str, float]] = {}
    for place in table:
        angles = table.table(place)
        angles.known(DRAWN_ANGLES)
        found[place] = {angle: angles.number(angle) for angle in angles}
    return found
