"""What the names of columns and files say: of which instrument, about which axis, in which unit, worn where.

The words are those that programs commonly write, in English and German (common practice).
"""

from __future__ import annotations

import re
from collections.abc import Iterable
from dataclasses import dataclass
from itertools import pairwise

from imu_shoulder.model import ACROMION, ARM_SEGMENTS, STERNUM, UPPER_ARM, WRIST, on_arm

ACC, GYR, MAG, GRAVITY, LINEAR, OTHER = "acc", "gyr", "mag", "gravity", "linear", "other"
AXES = ("x", "y", "z")

# Runs of these letters in a word, the first that fits; what takes gravity out comes before what has it.
_KINDS = (
    (GYR, r"gyr|rotrate|rotationrate|angularvel|angvel|angularrate|turnrate|(?:roll|pitch|yaw)rate|^omega|^rr$"),
    (GYR, r"winkelgeschw|drehrate"),
    (OTHER, r"quat|euler|orient|rotationvector|rotvec|rotmat|matrix|^mat$|angle|^pitch$|^roll$|^yaw$|veloc"),
    (LINEAR, r"linear|^lin|useracc|freeacc|worldacc|globalacc|dynamicacc|earthacc"),
    (GRAVITY, r"grav"),
    (ACC, r"acc|beschl|gforce|specificforce"),
    (MAG, r"mag|compass|field|kompass"),
)
# Single letters that stand before an axis: ax, gy, mz, wx.
_LETTERS = {"a": ACC, "g": GYR, "w": GYR, "r": GYR, "m": MAG, "c": MAG, "o": OTHER, "q": OTHER}
_AXIS_WORDS = {**{axis: axis for axis in AXES}, "xaxis": "x", "yaxis": "y", "zaxis": "z"}
_TURNS = {"roll": "x", "pitch": "y", "yaw": "z"}

_ACC_UNITS = (
    ("m/s^2", 1.0, r"m/s\^?2|m/s²|m/s/s|m/\(s\^2\)|ms-2|m\*s-2|mps2|m_s2|m\.s-2|ms\^-2"),
    ("m/s^2", 0.01, r"cm/s\^?2|cm/s²|gals?"),
    ("m/s^2", 0.001, r"mm/s\^?2|mm/s²"),
    ("g", 0.001, r"mg|milli ?g"),
    ("g", 1.0, r"g|gs|g's|g-force"),
)
_GYR_UNITS = (
    ("rad/s", 1.0, r"rad/s(?:ec)?|rads|radps|rad_s|rad\*s-1|rad per s(?:ec)?"),
    ("deg/s", 0.001, r"mdps|mdeg/s|milli ?deg/s"),
    ("deg/s", 1.0, r"deg/s(?:ec)?|dps|°/s|degs|degps|deg_s|deg per s(?:ec)?|degree/s(?:ec)?|degrees/s(?:ec)?"),
)
_TIME_UNITS = (
    ("ns", r"ns|nsec|nanos?|nanoseconds?"),
    ("us", r"us|µs|usec|micros?|microseconds?"),
    ("ms", r"ms|msec|millis?|milliseconds?|millisec"),
    ("s", r"s|sec|secs|seconds?|seconds?elapsed|elapsedseconds?"),
)
_TIME_WORDS = re.compile(
    r"time|stamp|tick|zeit|epoch|clock|elapsed|^t$|^ts$|milli|micro|nano|second|^sec$|^ms$|arrival|utc"
)
_COUNT_WORDS = re.compile(r"count|index|^no$|^nr$|sample|packet|^id$|^n$|row|frame|seq|zähler|zaehler|^#$|^$|^unnamed")


@dataclass(frozen=True, slots=True)
class Column:
    """What one column's name says. kind, axis, unit: "" where it says nothing. stem: the name without its axis."""

    kind: str
    axis: str
    stem: str
    unit: tuple[str, float] | None


def words(text: str) -> list[str]:
    """Small words of a name: cut at what is no letter or digit, and where small letters meet a capital."""
    spaced = re.sub(r"([a-zäöü])([A-ZÄÖÜ])", r"\1 \2", text)
    spaced = re.sub(r"([A-Z]+)([A-Z][a-z])", r"\1 \2", spaced)
    return [word for word in re.split(r"[^a-zäöüµ°0-9]+", spaced.lower()) if word]


def column_of(name: str, unit_cell: str = "") -> Column:
    """What a column's name and the cell of a line of units under it say."""
    bare, unit_text = _without_unit(name)
    unit_text = unit_cell.strip("[]() ") or unit_text
    parts = words(bare)
    axis = ""
    for place in range(len(parts) - 1, -1, -1):
        if parts[place] in _AXIS_WORDS:
            axis = _AXIS_WORDS[parts.pop(place)]
            break
        numbered = re.fullmatch(r"([xyz])(\d+)", parts[place])
        if numbered:
            axis, parts[place] = numbered[1], numbered[2]
            break
        if parts[place] == "axis" and place and parts[place - 1] in AXES:
            axis = parts[place - 1]
            del parts[place - 1 : place + 1]
            break
    if not axis and parts and re.fullmatch(r"[a-z]+[xyz]\d*", parts[-1]):
        found = re.fullmatch(r"([a-z]+?)([xyz])(\d*)", parts[-1])
        if found and (found[1] in _LETTERS or _kind("".join([*parts[:-1], found[1]])) != ""):
            axis = found[2]
            parts[-1] = found[1] + found[3]
    if not axis and "rate" in parts and set(parts) & _TURNS.keys():
        axis = next(_TURNS[part] for part in parts if part in _TURNS)
        parts = ["gyro" if part in _TURNS else part for part in parts]
    kind = _kind("".join(parts)) or next((_kind(part) for part in parts if _kind(part)), "")
    if not kind and axis:
        kind = next(
            (_LETTERS[part.rstrip("0123456789")] for part in parts if part.rstrip("0123456789") in _LETTERS), ""
        )
    unit = unit_of(unit_text, kind)
    if not kind and unit is not None and axis:
        kind = ACC if unit[0] in ("m/s^2", "g") else GYR
    return Column(kind, axis, " ".join(parts), unit)


def _without_unit(name: str) -> tuple[str, str]:
    """A name without its unit, and the unit: in brackets, after a stroke, or after the word IN."""
    found = re.search(r"[\[(]\s*([^\[\]]*?)\s*[\])]\s*$", name)
    if found and not re.fullmatch(r"[xyzXYZ]|\d+", found[1]):
        return name[: found.start()], found[1]
    found = re.search(r"[_ ]IN[_ ](.+)$", name, re.IGNORECASE)
    if found:
        return name[: found.start()], found[1].replace("_", " ").lower().replace("deg per s", "deg/s")
    return name, ""


def _kind(joined: str) -> str:
    return next((kind for kind, pattern in _KINDS if re.search(pattern, joined)), "")


def kind_of_text(text: str) -> str:
    """The instrument that a file's name, or the text that marks its rows, speaks of; "" where of none or several."""
    joined = words(text)
    whole = "".join(joined)
    if re.search(r"acc", whole) and re.search(r"gyr", whole):
        return ""
    kinds = {_kind(pair) for pair in (*joined, *(a + b for a, b in pairwise(joined)))} - {""}
    if len(kinds) > 1 and ACC in kinds and kinds & {LINEAR, GRAVITY}:
        kinds.discard(ACC)
    return kinds.pop() if len(kinds) == 1 else ""


def unit_of(text: str, kind: str = "") -> tuple[str, float] | None:
    """A unit of the column map, and how many of it one is; None for a text that is none."""
    bare = text.strip().lower().replace(" per second", "/s").replace("degrees", "deg").replace("degree", "deg")
    if not bare:
        return None
    for unit, scale, pattern in (*(() if kind == GYR else _ACC_UNITS), *(() if kind == ACC else _GYR_UNITS)):
        if re.fullmatch(pattern, bare):
            return unit, scale
    return None


def time_unit_of(name: str, unit_cell: str = "") -> str:
    """The unit that a time column's name speaks of, "" where of none."""
    bare, text = _without_unit(name)
    for candidate in (unit_cell.strip("[]() "), text, *reversed(words(bare)), "".join(words(bare))):
        for unit, pattern in _TIME_UNITS:
            if candidate and re.fullmatch(pattern, candidate.lower()):
                return unit
    return ""


def is_time(name: str) -> bool:
    return any(_TIME_WORDS.search(word) for word in words(name))


def is_count(name: str) -> bool:
    bare = words(name) or [""]
    return any(_COUNT_WORDS.search(word) for word in bare)


_SEGMENTS = (
    (UPPER_ARM, r"upperarm|humerus|oberarm|bicep|tricep|^r?l?ua\d*$|uparm|brachium"),
    (ACROMION, r"acromi|shoulder|scapula|schulter"),
    (STERNUM, r"stern|chest|trunk|torso|breast|brust|thorax"),
    (WRIST, r"wrist|forearm|lowerarm|handgelenk|unterarm|watch|^r?l?fa\d*$|^[rl]la\d*$|^[rl]wr\d*$|radius|ulna"),
)
_SIDES = (
    ("right", r"^(?:right|rechts?|rechte[rsn]?|r|rt|re|r(?:ua|fa|la|wr))\d*$"),
    ("left", r"^(?:left|links?|linke[rsn]?|l|lt|li|l(?:ua|fa|la|wr))\d*$"),
)


def worn_by(texts: Iterable[str]) -> tuple[str, str]:
    """Segment and side that texts speak of, the nearest text first; "" where none does, or two do in one text."""
    segment = side = ""
    for text in texts:
        parts = words(text)
        joined = [*parts, *(a + b for a, b in pairwise(parts))]
        segments = {name for name, pattern in _SEGMENTS if any(re.search(pattern, part) for part in joined)}
        sides = {name for name, pattern in _SIDES if any(re.fullmatch(pattern, part) for part in parts)}
        sides |= {name for name in ("right", "left") if any(part.startswith(name) for part in parts)}
        segment = segment or (segments.pop() if len(segments) == 1 else "")
        side = side or (sides.pop() if len(sides) == 1 else "")
    return segment, side


def placement_of(segment: str, side: str) -> str:
    """The placement; "" where segment or side is missing."""
    if segment in ARM_SEGMENTS:
        return on_arm("right" if side == "right" else "left", segment) if side else ""
    return segment
