"""The instruments in a file that was looked at: which three columns, in which rows, of which kind, with which time."""

from __future__ import annotations

import re
from collections.abc import Collection, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import PurePath

import numpy as np
import pandas as pd

from imu_shoulder.draft import names as said
from imu_shoulder.draft.evidence import (
    GUESSED_RATE_HZ,
    JITTERS,
    Steps,
    Unit,
    gravity_unit,
    is_whole,
    possible_rate,
    since_1970,
    size_of,
    steps_of,
)
from imu_shoulder.draft.look import NUMBER, TEXT, Looked
from imu_shoulder.errors import RecordingError
from imu_shoulder.model import BoolArray, FloatArray
from imu_shoulder.sources.stamps import CLOCK, TIME_UNIT_S, is_text, seconds_of

# A column of so many texts may say which sensor a row is of.
_MOST_SENSORS = 24
_ROW_WORDS = re.compile(
    r"id$|sensor|device|node|unit|kind|type|placement|position|location|limb|body|mac|serial|source|channel|tag|addr|name$"
)
_NO_ROW_WORDS = re.compile(
    r"label|activity|state|status|user|subject|model|gt$|class|session|trial|button|battery|charge"
)
_GYROSCOPE_RESTS = 0.25
# No sensor writes larger ones.
_MOST_NUMBER = 1e12


@dataclass(frozen=True)
class Time:
    """A column of times: its unit (of stamps), seconds per number where it counts, and its steps in seconds."""

    place: int
    unit: str
    unit_s: float
    steps: Steps
    epoch: bool  # since 1970, so that files share it
    why: str

    @property
    def rate_hz(self) -> float:
        return self.steps.rate


@dataclass(frozen=True)
class Rows:
    """Some rows of a file: those with a text at a place each, all without one; and the columns that were read."""

    looked: Looked
    chosen: Mapping[int, str]
    frame: pd.DataFrame
    _texts: dict[int, pd.Series] = field(default_factory=dict, repr=False, compare=False)

    def numbers(self, places: Sequence[int]) -> FloatArray:
        values = self.frame[list(places)].to_numpy(dtype=np.float64)
        # A damaged cell must not drown the others.
        return np.ascontiguousarray(np.clip(values, -_MOST_NUMBER, _MOST_NUMBER))

    @property
    def value(self) -> str:
        """The texts that tell them from others."""
        return " ".join(self.chosen.values())

    @property
    def about(self) -> str:
        """The one instrument that they, or their file, are said to be of; "" where of none or several."""
        return said.kind_of_text(self.value) or said.kind_of_text(PurePath(self.looked.name).name)

    def texts(self, place: int) -> pd.Series:
        if place not in self._texts:
            self._texts[place] = self.looked.table.read_columns([place], [place], self.chosen)[place]
        return self._texts[place]


@dataclass(frozen=True)
class Part:
    """Three columns of some rows. body: words of its name that are neither kind nor axis. unit: as the file says."""

    rows: Rows
    places: tuple[int, int, int]
    kind: str
    body: str
    unit: Unit | None
    group: str = ""
    by_numbers: bool = False

    @property
    def looked(self) -> Looked:
        return self.rows.looked

    @property
    def hints(self) -> tuple[str, ...]:
        """Texts that may say where it is worn, the nearest first."""
        path = PurePath(self.looked.name)
        notes = [
            line for line in self.looked.before if re.search(r"note|placement|position|location|limb|body", line, re.I)
        ]
        # A letter alone is a side only where the same name has a limb.
        named = [name for name in (self.looked.names[place] for place in self.places) if said.worn_by([name])[0]]
        return (*named, self.group, self.rows.value, path.name.split(".")[0], *reversed(path.parent.parts), *notes)

    def columns(self) -> list[str | int]:
        return [self.looked.column(place) for place in self.places]

    def values(self) -> FloatArray:
        return self.rows.numbers(self.places)


def numeric(looked: Looked) -> list[int]:
    return [place for place, kind in enumerate(looked.kinds) if kind == NUMBER]


def parts_of(looked: Looked) -> list[Part]:
    """The instruments in a file. Raises RecordingError where its rows cannot be read."""
    out: list[Part] = []
    for rows in _split(looked):
        named = list(_named(rows))
        out += [part for part in named if part.kind]
        missing = {said.ACC, said.GYR} - {part.kind for part in named}
        if missing:
            taken = {place for part in named for place in part.places}
            out += [part for part in _by_numbers(rows, taken, missing) if part.kind in missing or not named]
    return out


def _split(looked: Looked) -> list[Rows]:
    """The rows of each sensor, where a column says whose they are; else all of them."""
    tellers = _tellers(looked)
    frame = looked.table.read_columns(numeric(looked), tellers)
    if not tellers:
        return [Rows(looked, {}, frame)]
    out = []
    keys = frame[tellers].fillna("").apply(lambda column: column.str.strip())
    for values, group in frame.groupby([keys[place] for place in tellers], sort=True):
        texts = values if isinstance(values, tuple) else (values,)
        if len(group) >= 50 and all(texts):
            out.append(Rows(looked, dict(zip(tellers, map(str, texts), strict=True)), group))
    return out or [Rows(looked, {}, frame)]


def _tellers(looked: Looked) -> list[int]:
    """Columns that say which sensor a row is of: few texts, whose rows go through the same times."""
    out = []
    for place, kind in enumerate(looked.kinds):
        name = " ".join(said.words(looked.names[place]))
        plain = looked.layout.header_rows == 0
        if kind not in (TEXT, NUMBER) or (not plain and (said.is_time(name) or _NO_ROW_WORDS.search(name))):
            continue
        few = looked.sample[place].nunique()
        if few > _MOST_SENSORS or (kind == NUMBER and not plain and not _ROW_WORDS.search(name)):
            continue
        if kind == NUMBER and any(not re.fullmatch(r"-?\d+", cell) for cell in looked.sample[place] if cell):
            continue
        if _tells(looked, place):
            out.append(place)
    return out


def _tells(looked: Looked, place: int) -> bool:
    numbers = [other for other in numeric(looked) if other != place]
    texts = looked.table.read_columns([place], [place])[place].fillna("").str.strip()
    counts = texts.value_counts()
    usual = counts[(counts >= 50) & (counts.index != "")]
    if not 2 <= len(usual) <= _MOST_SENSORS:
        return False
    # Rows of sensors take turns, or one sensor's come after another's and time begins anew; labels of what was done
    # do neither: they stand side by side in time.
    order = texts.to_numpy()
    changes = int(np.count_nonzero(order[1:] != order[:-1]))
    if changes > 0.2 * len(order) * (1 - float(usual.max()) / len(order)):
        return True
    if changes >= 3 * len(usual):
        return False
    frame = looked.table.read_columns(numbers)
    ends = set(np.flatnonzero(order[1:] != order[:-1]) + 1)
    for other in numbers[:6]:
        values = np.nan_to_num(frame[other].to_numpy(dtype=np.float64))
        back = np.flatnonzero(np.diff(values) < -0.5 * np.ptp(values)) + 1
        if 0 < len(back) <= changes and set(back) <= ends:
            return True
    return False


def _named(rows: Rows) -> Iterator[Part]:
    """Instruments by the names of columns."""
    looked = rows.looked
    about = rows.about
    opened: dict[tuple[str, str, str], dict[str, int]] = {}
    units: dict[tuple[str, str, str], Unit | None] = {}
    for place, name in enumerate(looked.names):
        if looked.kinds[place] != NUMBER or not name:
            continue
        column = said.column_of(name, looked.units[place])
        if not column.axis or said.is_time(name):
            continue
        kind = column.kind
        # In a file of one instrument a bare axis, or its unit, is that of the file.
        if about and (not kind or (kind in (said.ACC, said.GYR) and not column.stem)):
            kind = about
        key = (kind, column.stem, looked.groups[place])
        triple = opened.setdefault(key, {})
        triple[column.axis] = place
        units[key] = units.get(key) or column.unit
        if len(triple) == 3:
            body = " ".join(
                word
                for word in column.stem.split()
                if word.isdigit() or (not said.kind_of_text(word) and len(word) > 1)
            )
            x, y, z = (triple[axis] for axis in said.AXES)
            yield Part(rows, (x, y, z), kind, body, units[key], looked.groups[place])
            del opened[key]


def _by_numbers(rows: Rows, taken: Collection[int], missing: Collection[str]) -> list[Part]:
    """Instruments by what the numbers show, where no name tells: three columns in a row.

    taken: columns that have a name's meaning already. Others count where they have no name, or one of a missing kind.
    """
    looked = rows.looked
    about = rows.about
    places = [
        place
        for place in numeric(looked)
        if place not in rows.chosen
        and place not in taken
        and (not looked.names[place] or not taken or said.column_of(looked.names[place]).kind in missing)
        and _varies(rows, place)
    ]
    out: list[Part] = []
    at = 0
    while at + 3 <= len(places):
        x, y, z = places[at : at + 3]
        kind = _kind_by_numbers(rows, (x, y, z)) if (y, z) == (x + 1, x + 2) else ""
        if kind and (not about or kind == about):
            out.append(Part(rows, (x, y, z), kind, "", None, by_numbers=True))
            at += 3
        else:
            at += 1
    return out


def _varies(rows: Rows, place: int) -> bool:
    """Whether a column measures something: it is no time, no count, and does not stand still."""
    values = rows.frame[place].to_numpy(dtype=np.float64)
    told = values[np.isfinite(values)]
    if len(told) < 50 or len(np.unique(told[:2000])) < 8:
        return False
    return bool((np.diff(told) >= 0).mean() < 0.95)


def _kind_by_numbers(rows: Rows, places: tuple[int, int, int]) -> str:
    values = rows.numbers(places)
    values = values[np.isfinite(values).all(axis=1)]
    size = size_of(values, GUESSED_RATE_HZ)
    if size.share < 0.06 and gravity_unit(size.at_rest, is_whole(values), None) is not None:
        return said.ACC
    if size.share >= 0.06 and size.at_rest < _GYROSCOPE_RESTS * size.swing:
        return said.GYR
    return said.OTHER if size.share < 0.06 else ""


def times_of(part: Part) -> list[Time]:
    """All columns that may be a part's time, the best first: since 1970 before from 0, even before uneven."""
    looked, found = part.looked, []
    measured: BoolArray = np.asarray(np.isfinite(part.values()).all(axis=1))
    for place, kind in enumerate(looked.kinds):
        if place in part.places or place in part.rows.chosen:
            continue
        time = _text_time(part, place, kind, measured) if is_text(kind) else None
        if kind == NUMBER:
            time = _counted_time(part, place, measured)
        if time is not None:
            # Of several in a wide table, the nearest on the left is its own.
            found.append((_worth(time, looked.names[place], part.places[0] - place), time))
    return [time for _, time in sorted(found, key=lambda one: one[0])]


def _worth(time: Time, name: str, before: int) -> tuple[float, ...]:
    uneven = 1.0 if time.steps.jitter > JITTERS else 0.0
    return uneven, 0.0 if time.epoch else 1.0, 0.0 if before > 0 else 1.0, abs(before)


def _text_time(part: Part, place: int, unit: str, measured: BoolArray) -> Time | None:
    try:
        seconds = seconds_of(part.rows.texts(place), unit, part.looked.name)[measured]
    except RecordingError:
        return None
    steps = steps_of(seconds)
    return None if steps is None else Time(place, unit, 1.0, steps, unit != CLOCK, f"texts of {unit}")


# Rates that sensors for movement usually have: by those alone a unit is told.
_USUAL_HZ = (12.0, 600.0)
# Units of a time: a count of rows, ticks of a known rate, and what cannot be told.
COUNT, TICKS, UNKNOWN = "count", "tick", "?"


def _counted_time(part: Part, place: int, measured: BoolArray) -> Time | None:
    """A column that goes up, in the unit that makes a rate of it; none where it only counts rows."""
    name = part.looked.names[place]
    values = part.rows.frame[place].to_numpy(dtype=np.float64)[measured]
    steps = steps_of(values)
    if steps is None:
        return None
    hint = said.time_unit_of(name, part.looked.units[place])
    counts = steps.whole and steps.usual == 1.0 and hint != "ms"
    if counts or (name and said.is_count(name) and not said.is_time(name) and not hint):
        return Time(place, COUNT, 0.0, steps, False, "counts rows") if steps.whole else None
    if not hint and name and not said.is_time(name):
        return None
    first = float(values[0])
    fitting = [unit for unit, unit_s in TIME_UNIT_S.items() if possible_rate(steps.rate / unit_s)]
    fitting = [unit for unit in fitting if unit == hint] or fitting
    if not fitting:
        return None
    unit, unit_s = fitting[0], TIME_UNIT_S[fitting[0]]
    rate_hz = steps.rate / unit_s
    epoch = since_1970(first * unit_s)
    why = f"steps of {steps.usual:.6g}, which in {unit} is {rate_hz:.4g} Hz"
    if hint and hint != unit:
        return Time(place, UNKNOWN, 1.0, steps, False, f"its name says {hint}, but it has {why}")
    if not hint and not epoch and not _USUAL_HZ[0] <= rate_hz <= _USUAL_HZ[1]:
        return Time(place, UNKNOWN, 1.0, steps, False, f"it has {why}, and may count something else")
    return Time(place, unit, unit_s, steps.in_seconds(unit_s), epoch, why + (", counted from 1970" if epoch else ""))
