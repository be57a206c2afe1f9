"""Plain words of the coach's pages: measures, changes, days."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date, datetime

from imu_shoulder.history.change import Statement
from imu_shoulder.report import words

# State of a statement -> its sign on the page, and the class of its colour. The word always stands beside it.
SIGNS: Mapping[str, str] = {"better": "▲", "no real change": "=", "worse": "▼", "too little to say": "?"}


@dataclass(frozen=True, slots=True)
class Shown:
    """A measure with a picture. way: which way is better, in words, empty where neither is. factor: to the shown unit.

    ends: of the axis, where it is always the same.
    """

    name: str
    title: str
    unit: str
    way: str = ""
    factor: float = 1.0
    digits: int = 1
    ends: tuple[float, float] | None = None


SHOWN = {
    own.name: own
    for own in (
        Shown("hold_sd_deg", "Hold steadiness", "° sway", "less is better", digits=2),
        Shown("hold_s", "Hold time", "s", "more is better"),
        Shown("arc_deg", "Arc", "°", "more is better", digits=0),
        Shown("lower_s", "Tempo, lowering", "s", "longer is better"),
        Shown("clean_share", "Clean reps", "%", "more is better", 100.0, 0, (0.0, 100.0)),
        Shown("load_kg", "Load", "kg"),
        Shown("effort", "Effort", "of 10", ends=(0.0, 10.0), digits=0),
        Shown("pain", "Pain after sets", "of 10", ends=(0.0, 10.0), digits=0),
    )
}
# A change of a measure in a sentence, for the worse and for the better.
SHORT: Mapping[str, tuple[str, str]] = {
    "hold_sd_deg": ("hold less steady", "hold steadier"),
    "hold_s": ("held shorter", "held longer"),
    "arc_deg": ("smaller arc", "larger arc"),
    "lower_s": ("lowered faster", "lowered slower"),
    "clean_share": ("fewer clean reps", "more clean reps"),
}


def of_ten(value: float | None) -> str:
    return words.MISSING if value is None else f"{value:g} of 10"


def amount(value: float | None, name: str) -> str:
    """A value of a measure as it is shown."""
    own = SHOWN[name]
    return words.MISSING if value is None else words.number(value * own.factor, own.digits)


def with_unit(value: float | None, name: str) -> str:
    """The same with its unit."""
    unit = SHOWN[name].unit
    return f"{amount(value, name)}{'' if unit.startswith('°') else chr(0xA0)}{unit}"


def from_to(found: Statement) -> str:
    """The ends of a trend with the unit."""
    if found.first is None or found.latest is None:
        return ""
    return f"{amount(found.first, found.measure)} to {with_unit(found.latest, found.measure)}"


def changed(found: Statement) -> str:
    """A measure that fell back or got better, in a few words."""
    return f"{SHORT[found.measure][found.state == 'better']} ({from_to(found)})"


def day(start: str) -> str:
    """The date of a session in short."""
    found = datetime.fromisoformat(start)
    return f"{found.day} {found:%b %Y}"


def days_since(start_utc: str, today: date) -> int:
    return (today - datetime.fromisoformat(start_utc).date()).days


def ago(start_utc: str, today: date) -> str:
    days = days_since(start_utc, today)
    return "today" if days <= 0 else "yesterday" if days == 1 else f"{days} days ago"
