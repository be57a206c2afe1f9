"""One sensor of the draft: its clock, its rate and its units by what the numbers show, each with the reason."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np

from imu_shoulder.align.clock import repair_clock
from imu_shoulder.align.params import AlignParams
from imu_shoulder.draft import names as said
from imu_shoulder.draft.evidence import (
    NEVER_STILL_SHARE,
    Unit,
    acc_unit,
    counts_of_gravity,
    impossible_rad_s,
    is_whole,
    nice_rate,
    other_axes,
    possible_rate,
    size_of,
    turned,
    unit_by_path,
    unit_of_counts,
)
from imu_shoulder.draft.pairs import Pair
from imu_shoulder.draft.parts import COUNT, TICKS, UNKNOWN, Part, Time, times_of
from imu_shoulder.draft.questions import Answers, Question
from imu_shoulder.errors import RecordingError
from imu_shoulder.model import FloatArray
from imu_shoulder.sources.column_map import axes_matrix
from imu_shoulder.sources.instruments import joined
from imu_shoulder.sources.stamps import TIME_UNIT_S, is_text, seconds_of
from imu_shoulder.units import ACC_UNIT_M_S2, GYR_UNIT_RAD_S, STANDARD_GRAVITY_M_S2

_RATE = re.compile(r"(\d+(?:[.,]\d+)?)\s*Hz", re.IGNORECASE)
_RATE_WORDS = re.compile(r"(?:rate|freq|sampling|odr)\D{0,20}?(\d+(?:[.,]\d+)?)", re.IGNORECASE)
_NUMBERS = re.compile(r"(?<![\w.])\d+\.?\d*(?:[eE][+-]?\d+)?(?![\w.])")


@dataclass
class Draft:
    """What is drafted of one sensor.

    label: what the user calls it by. keys: of its table in the map, why: the reason beside a key. notes: what else is
    said of it.
    """

    pair: Pair
    label: str
    keys: dict[str, Any] = field(default_factory=dict)
    why: dict[str, str] = field(default_factory=dict)
    notes: list[str] = field(default_factory=list)
    questions: list[Question] = field(default_factory=list)
    time_s: FloatArray = field(default_factory=lambda: np.empty(0))
    acc: FloatArray = field(default_factory=lambda: np.empty((0, 3)))
    gyr: FloatArray = field(default_factory=lambda: np.empty((0, 3)))
    rate_hz: float = 0.0
    epoch_s: float | None = None

    def put(self, key: str, value: Any, why: str = "") -> None:
        self.keys[key] = value
        if why:
            self.why[key] = why

    def ask(self, key: str, asked: str, why: str, option: str, choices: Sequence[str] = ()) -> None:
        self.questions.append(Question(key, asked, why, option, self.label, choices))

    @property
    def acc_m_s2(self) -> FloatArray:
        """(N, 3) in the gyroscope's axes, once unit and axes are known."""
        factor = ACC_UNIT_M_S2[self.keys["acc_unit"]] * float(self.keys.get("acc_scale", 1.0))
        return np.asarray(self.acc @ axes_matrix(self.keys.get("acc_axes", "xyz")).T * factor)

    @property
    def gyr_rad_s(self) -> FloatArray:
        """(N, 3), once the unit is known."""
        return self.gyr * (GYR_UNIT_RAD_S[self.keys["gyr_unit"]] * float(self.keys.get("gyr_scale", 1.0)))


def drafted(pair: Pair, label: str, answers: Answers) -> Draft:
    """The sensor as far as it can be told without the others."""
    draft = Draft(pair, label)
    acc, gyr = pair.acc, pair.gyr
    draft.put("file", acc.looked.name)
    if acc.rows.chosen:
        draft.put("rows", _rows(acc), "the rows of this sensor")
    clock = _clock(draft, acc, answers)
    draft.put("acc_columns", acc.columns(), _where(acc))
    if pair.gravity is not None:
        draft.put("gravity_columns", pair.gravity.columns(), "the accelerometer has no gravity: it is added")
    gyr_time = _gyroscope_clock(draft, acc, gyr, clock)
    draft.put("gyr_columns", gyr.columns(), _where(gyr))
    if draft.questions:
        return draft
    _read(draft, clock, gyr_time)
    return draft


def _where(part: Part) -> str:
    if part.by_numbers:
        size = "of one size at rest, as gravity is" if part.kind == said.ACC else "near nothing at rest"
        return f"no names tell: three numbers {size}"
    numbered = any(isinstance(column, int) for column in part.columns())
    names = ", ".join(part.looked.names[place] for place in part.places if part.looked.names[place])
    return f"named {names}" + (f" under {part.group}" if part.group else "") if numbered and names else ""


def _rows(part: Part) -> dict[str, str]:
    return {str(part.looked.column(place)): text for place, text in part.rows.chosen.items()}


def _clock(draft: Draft, acc: Part, answers: Answers) -> Time | None:
    """The accelerometer's time, and the rate; a question where the one or the other cannot be told."""
    times = times_of(acc)
    clock = next((time for time in times if time.unit != COUNT), None)
    count = next((time for time in times if time.unit == COUNT), None)
    if clock is not None and clock.unit == UNKNOWN:
        if answers.time_unit in TIME_UNIT_S:
            unit_s = TIME_UNIT_S[answers.time_unit]
            clock = replace(clock, unit=answers.time_unit, unit_s=unit_s, steps=clock.steps.in_seconds(unit_s))
        elif answers.rate_hz is not None:
            # Whatever it counts, so many of it are a second.
            draft.put("time_column", acc.looked.column(clock.place), clock.why)
            draft.put("tick_rate_hz", clock.steps.usual * answers.rate_hz, "by the rate that you said")
            draft.put("sample_rate_hz", answers.rate_hz, "as you said")
            draft.rate_hz = answers.rate_hz
            return replace(clock, unit=TICKS, unit_s=1.0 / (clock.steps.usual * answers.rate_hz))
        else:
            name = acc.looked.names[clock.place] or f"column {clock.place + 1}"
            asked, option = f"the unit of the time in {acc.looked.name}", "--time-unit UNIT or --rate HZ"
            draft.ask("time_unit", asked, f"{name}: {clock.why}", option, tuple(TIME_UNIT_S))
            return None
    if clock is not None:
        draft.put("time_column", acc.looked.column(clock.place), clock.why)
        draft.put("time_unit", clock.unit)
        draft.rate_hz = clock.rate_hz
        draft.put("sample_rate_hz", nice_rate(clock.rate_hz), "measured in its times")
        if clock.steps.holes:
            draft.notes.append(f"{clock.steps.holes} gaps in its times")
        return clock
    rate_hz, why = _said_rate(acc)
    if answers.rate_hz is not None:
        rate_hz, why = answers.rate_hz, "as you said"
    if rate_hz is None:
        counts = "only a count of rows" if count is not None else "no column of times"
        draft.ask("rate", "the sampling rate in Hz", f"{acc.looked.name} has {counts}", "--rate HZ")
        return None
    draft.rate_hz = rate_hz
    draft.put("sample_rate_hz", rate_hz, why)
    if count is not None:
        draft.put("time_column", acc.looked.column(count.place), "counts the samples, also those that were lost")
        draft.put("tick_rate_hz", rate_hz)
        if count.steps.holes:
            draft.notes.append(f"{count.steps.holes} gaps in its count")
        return count
    return None


def _said_rate(part: Part) -> tuple[float | None, str]:
    """A rate that stands in the lines above the table, where there is one alone."""
    for line in part.looked.before:
        for pattern in (_RATE_WORDS, _RATE):
            found = {float(text.replace(",", ".")) for text in pattern.findall(line)}
            found = {rate for rate in found if possible_rate(rate)}
            if len(found) == 1:
                return found.pop(), f"the file says: {line.strip()[:80]}"
    return None, ""


def _gyroscope_clock(draft: Draft, acc: Part, gyr: Part, clock: Time | None) -> Time | None:
    """The gyroscope's own file, rows and time, where they are others than the accelerometer's."""
    if gyr.looked is not acc.looked:
        draft.put("gyr_file", gyr.looked.name)
    if gyr.rows.chosen != acc.rows.chosen:
        draft.put("gyr_rows", _rows(gyr))
    if clock is None:
        return None
    times = times_of(gyr)
    # In the accelerometer's own rows, its time is the gyroscope's, unless that has one beside its own columns.
    times = [time if time.unit != UNKNOWN else replace(time, unit=clock.unit, unit_s=clock.unit_s) for time in times]
    same = [time for time in times if gyr.looked is acc.looked and time.place == clock.place]
    alike = [
        time
        for time in times
        if time.unit == clock.unit
        and (gyr.looked is not acc.looked and gyr.looked.names[time.place] == acc.looked.names[clock.place])
    ]
    fitting = same or alike or [time for time in times if time.unit == clock.unit]
    own = fitting[0] if fitting else None
    if gyr.rows is acc.rows and times and times[0].unit == clock.unit and times[0].place != clock.place:
        between = clock.place < max(acc.places) < times[0].place
        own = times[0] if between else own
    if own is None:
        draft.ask(
            "time_unit",
            f"the time of the gyroscope in {gyr.looked.name}",
            "it has no times like the accelerometer's",
            "--rate HZ",
        )
        return None
    if gyr.looked.column(own.place) != draft.keys.get("time_column"):
        draft.put("gyr_time_column", gyr.looked.column(own.place), "its own clock")
    if own.rate_hz and abs(own.rate_hz / draft.rate_hz - 1) > 0.05 and own.unit != COUNT:
        draft.notes.append(
            f"its gyroscope has {own.rate_hz:.4g} Hz, laid onto the accelerometer's times by straight lines"
        )
    return own


def _seconds(part: Part, time: Time | None, rate_hz: float) -> FloatArray:
    if time is None:
        return np.arange(len(part.rows.frame)) / rate_hz
    if is_text(time.unit):
        return seconds_of(part.rows.texts(time.place), time.unit, part.looked.name)
    scale = 1.0 / rate_hz if time.unit == COUNT else time.unit_s
    return np.asarray(part.rows.frame[time.place].to_numpy(dtype=np.float64) * scale)


def _read(draft: Draft, clock: Time | None, gyr_time: Time | None) -> None:
    """The numbers, on the accelerometer's clock from 0, in the units that stand in the file."""
    pair = draft.pair
    acc_s, acc = _measured(pair.acc, clock, draft.rate_hz)
    if pair.gravity is not None:
        acc = acc + pair.gravity.values()[np.isfinite(pair.acc.values()).all(axis=1)]
    gyr_s, gyr = _measured(pair.gyr, gyr_time, draft.rate_hz)
    if clock is not None and clock.epoch:
        draft.epoch_s = float(acc_s[0])
    time_s, acc, gyr = joined((acc_s, acc), (gyr_s, gyr), pair.gyr.looked.path.name)
    # As the analysis does: stamps of packets, and those that jitter, are put right.
    repaired = repair_clock(time_s, draft.rate_hz, AlignParams().bridge_s)
    draft.time_s, draft.acc, draft.gyr = repaired.time_s, acc[repaired.rows], gyr[repaired.rows]


def _measured(part: Part, time: Time | None, rate_hz: float) -> tuple[FloatArray, FloatArray]:
    values = part.values()
    rows = np.isfinite(values).all(axis=1)
    time_s = _seconds(part, time, rate_hz)
    rows &= np.isfinite(time_s)
    if np.count_nonzero(rows) < 50:
        raise RecordingError(
            f"a recording in {part.looked.name}",
            f"it has {np.count_nonzero(rows)} rows of numbers",
            "give a longer one",
        )
    return time_s[rows], values[rows]


def _above(part: Part) -> list[float]:
    """Numbers in the lines above a table."""
    return [float(text) for line in part.looked.before[-60:] for text in _NUMBERS.findall(line)]


def accelerometer(draft: Draft, answers: Answers) -> None:
    """Its unit, by the size of gravity at rest; of one that is never still by what it reads in the mean."""
    size = size_of(draft.acc, draft.rate_hz)
    hint, above, whole = draft.pair.acc.unit, _above(draft.pair.acc), is_whole(draft.acc)
    why = f"at rest it reads {size.at_rest:.4g}, with a spread of {100 * size.share:.1f} % over its rests"
    if answers.acc_unit or answers.acc_scale is not None:
        _put_unit(draft, "acc", (answers.acc_unit or "g", answers.acc_scale or 1.0), f"as you said; {why}")
        return
    unit = counts_of_gravity(size.at_rest, above) if whole and size.at_rest > 50 else None
    unit = unit or acc_unit(draft.acc, draft.rate_hz, size, hint)
    if not whole and size.share > NEVER_STILL_SHARE:
        why = f"it is never still; {why}"
        draft.notes.append("its accelerometer is never still: its unit is that whose gravity is nearest in the mean")
    if unit is None or (hint is not None and hint != unit and not _alike(hint, unit, ACC_UNIT_M_S2)):
        came = f"{draft.label}: {why}, where gravity is {STANDARD_GRAVITY_M_S2:.2f} m/s^2 or 1 g"
        came += f"; its header says {hint[0]}" if hint is not None else ""
        draft.ask(
            "acc_unit", "the accelerometer's unit", came, "--acc-unit UNIT and --acc-scale NUMBER", tuple(ACC_UNIT_M_S2)
        )
        return
    _put_unit(draft, "acc", unit, why + (", and the header says so" if hint == unit else ""))


def accelerometer_axes(draft: Draft) -> None:
    """Those of the gyroscope, where the accelerometer's are plainly others."""
    axes = other_axes(draft.acc_m_s2, draft.gyr, draft.time_s, draft.rate_hz)
    if axes is not None:
        draft.put("acc_axes", list(axes), "so its two instruments agree on how it turns; as they stand they do not")
        draft.notes.append("its accelerometer's axes are not its gyroscope's: see acc_axes")


def gyroscope(draft: Draft, answers: Answers, fellows: Sequence[Draft] | None = None) -> bool:
    """Its unit, by how far it turned in all against gravity; where it hardly did, by its header or its fellows.

    Whether that is settled, if only by a question. Without fellows it is not, where the numbers do not tell.
    """
    if answers.gyr_unit or answers.gyr_scale is not None:
        _put_unit(draft, "gyr", (answers.gyr_unit or "deg/s", answers.gyr_scale or 1.0), "as you said")
        return True
    hint = draft.pair.gyr.unit
    unit, why = _by_numbers(draft)
    if unit is not None and hint is not None and not _alike(hint, unit, GYR_UNIT_RAD_S):
        _ask_gyroscope(draft, f"its header says {hint[0]}, but gravity's turning says {unit[0]}")
    elif unit is not None:
        _put_unit(draft, "gyr", hint or unit, why + (", and the header says so" if hint else ""))
    elif why:
        _ask_gyroscope(draft, why)
    elif hint is not None and not (hint[0] == "rad/s" and impossible_rad_s(draft.gyr)):
        _put_unit(draft, "gyr", hint, "its header says so; it turned too little to be told by gravity")
    elif fellows is None:
        return False
    else:
        same = {_unit_of(one) for one in fellows if "gyr_unit" in one.keys and _written_alike(one, draft)}
        if len(same) == 1:
            _put_unit(draft, "gyr", same.pop(), "as the others, which are written alike; it turned too little itself")
        else:
            _ask_gyroscope(draft, "it turned too little to be told by gravity")
    return True


def _by_numbers(draft: Draft) -> tuple[Unit | None, str]:
    """The gyroscope's unit by gravity's turning, and the reason; without a unit, why it cannot be told, or nothing."""
    if not is_whole(draft.gyr):
        found = unit_by_path(draft.acc_m_s2, draft.gyr, draft.rate_hz)
        if found is None:
            return None, ""
        return found[0], f"in that unit it turned {found[1]:.1f} times as far in all as gravity did in it"
    seen = turned(draft.acc_m_s2, draft.gyr, draft.time_s, draft.rate_hz)
    if seen is None:
        return None, ""
    unit = unit_of_counts(seen, _above(draft.pair.gyr))
    if unit is not None:
        off = 100 * abs(seen.factor / (GYR_UNIT_RAD_S[unit[0]] * unit[1]) - 1)
        return unit, f"gravity turned as it says in that unit, within {max(1.0, off):.0f} %"
    if seen.agreement < 0.5:
        return None, "its numbers are counts, and it does not turn as its accelerometer does"
    step = f"about {np.degrees(seen.factor):.3g} deg/s each by gravity's turning, which is no usual step"
    return None, f"its numbers are counts, of {step}"


def _unit_of(draft: Draft) -> Unit:
    return draft.keys["gyr_unit"], draft.keys.get("gyr_scale", 1.0)


def _written_alike(one: Draft, other: Draft) -> bool:
    return one.pair.gyr.looked.names == other.pair.gyr.looked.names


def _ask_gyroscope(draft: Draft, came: str) -> None:
    option = "--gyr-unit UNIT and, for counts, --gyr-scale NUMBER"
    draft.ask("gyr_unit", "the gyroscope's unit", f"{draft.label}: {came}", option, tuple(GYR_UNIT_RAD_S))


def _alike(one: Unit, other: Unit, sizes: dict[str, float]) -> bool:
    return abs(sizes[one[0]] * one[1] / (sizes[other[0]] * other[1]) - 1) < 0.3


def _put_unit(draft: Draft, which: str, unit: Unit, why: str) -> None:
    draft.put(f"{which}_unit", unit[0], why)
    if unit[1] != 1.0:
        draft.put(f"{which}_scale", unit[1], "what one of its numbers is in that unit")
