"""Plain words and number formats of the report: one place for how a fault, an angle or a gap in the data is said."""

from __future__ import annotations

import math
import numbers
import re
from collections.abc import Mapping, Sequence
from datetime import datetime
from typing import Any, TypeGuard

from imu_shoulder.assess.exclusions import EXCLUSIONS
from imu_shoulder.assess.faults import CRITERIA, FAULTS
from imu_shoulder.assess.words import counted as counted
from imu_shoulder.assess.words import done_of as done_of
from imu_shoulder.assess.words import joined as joined
from imu_shoulder.assess.words import rep_list as rep_list

MISSING = "–"
# One line of README and every report: how far the figures were held against people.
HOW_CHECKED = (
    "No person wearing these sensors was measured for angles yet; counts were checked on open recordings of people "
    "(docs/validation.md). How to check angles: docs/protocol.md."
)

# A fault is the athlete's; what the data have are warnings.
SEVERITIES = {"fault": "Serious warning", "warning": "Warning", "note": "Note"}


def plain(name: object) -> str:
    """A snake_case name as words, for names without an entry above."""
    return str(name).replace("_", " ")


def fault(name: str) -> str:
    """A fault in words; one that this version does not know, of older or newer results, by its name."""
    return FAULTS[name].label if name in FAULTS else plain(name)


def criterion(name: str) -> str:
    """A criterion in words, likewise."""
    return CRITERIA[name].label if name in CRITERIA else sentence(plain(name))


def exclusion(name: str) -> str:
    """Why an attempt could not be scored, likewise."""
    return EXCLUSIONS[name].label if name in EXCLUSIONS else plain(name)


def angle(name: object) -> str:
    """An angle's name without unit as words."""
    return "elevation about gravity" if name == "elevation_gravity" else plain(name)


# Where each angle has its zero and which way it grows, in degrees; docs/coordinates.md has the exact words.
ZEROS = {
    "elevation": "Elevation: 0° with the arm hanging, 90° with the upper arm level",
    "plane": "Plane: 0° is raised to the side, 90° to the front, less than 0° behind the side",
    "rotation": "Rotation of the upper arm: 0° as in the neutral pose, more is turned outward, less inward",
    "elbow": "Elbow: 0° straight, 90° bent to a right angle",
    "forearm": "Forearm: 0° with the thumb forward, more is the palm turned down, less turned up",
    "thumb_up": "Thumb up: 90° thumb to the ceiling, 0° level, less than 0° thumb down",
    "trunk_lean": "Trunk: lean in degrees from the neutral pose",
    "shrug": "Shrug: degrees that the shoulder blade turned up beyond what goes with the arm",
}


def zero(angle_name: str) -> str:
    """Zero, sign and unit of an angle in words; "" of what is no angle."""
    return ZEROS.get(angle_name, "")


def sentence(text: str) -> str:
    """The text with a capital first letter; the rest stays as it is."""
    return text[:1].upper() + text[1:]


def degrees(text: object) -> str:
    """The text with the sign in place of the unit's name, and true minus signs."""
    return re.sub(r" deg\b", "°", re.sub(r"(?<= )-(?=\d)", "−", str(text)))


def is_number(value: object) -> TypeGuard[float]:
    """True for a finite number."""
    return isinstance(value, numbers.Real) and not isinstance(value, bool) and math.isfinite(value)


def number(value: Any, digits: int = 0) -> str:
    """A number with fixed digits and no negative zero; a dash where it is not known."""
    if not is_number(value):
        return MISSING
    text = f"{value:.{digits}f}"
    return text.lstrip("-") if float(text) == 0 else text.replace("-", "−")


def value(thing: Any) -> str:
    """Any leaf of a parameter table as text, without a float's noise digits."""
    if thing is None or thing != thing:
        return MISSING
    if isinstance(thing, float):
        return f"{thing:.6g}"
    if isinstance(thing, (list, tuple)):
        return ", ".join(value(item) for item in thing)
    return str(thing)


def clock(time_s: Any) -> str:
    """Seconds of the recording's clock as minutes:seconds."""
    if not is_number(time_s):
        return MISSING
    whole = math.floor(time_s + 0.5)
    return f"{whole // 60}:{whole % 60:02d}"


def date(start: Any) -> str:
    """An ISO 8601 time as a date in words; the text itself where it is not one."""
    try:
        found = datetime.fromisoformat(str(start))
    except ValueError:
        return str(start)
    return f"{found.day} {found:%B %Y, %H:%M}"


def reps_named(reps: Sequence[object]) -> str:
    """`rep 4`, `reps 4 and 7`."""
    return f"{'rep' if len(reps) == 1 else 'reps'} {joined(reps)}"


def band(ends: Sequence[float | None] | None) -> str:
    """A target band in degrees, in words; empty where the drill asks none."""
    low, high = ends if ends is not None else (None, None)
    if is_number(low) and is_number(high):
        return f"{number(low)} to {number(high)}°"
    if is_number(low):
        return f"at least {number(low)}°"
    return f"at most {number(high)}°" if is_number(high) else ""


def flat(table: Mapping[str, Any], before: str = "") -> list[tuple[str, str]]:
    """A nested table as (dotted name, text) rows."""
    rows: list[tuple[str, str]] = []
    for key, item in table.items():
        name = f"{before}{key}"
        rows += flat(item, f"{name}.") if isinstance(item, Mapping) else [(name, value(item))]
    return rows
