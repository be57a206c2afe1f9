"""What a draft cannot see, asked of the user; and what the user said already."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

from imu_shoulder.errors import ColumnMapError
from imu_shoulder.model import PLACEMENTS


@dataclass(frozen=True)
class Answers:
    """What the user said. placements: of sensors, by their label or number. acc_unit, gyr_unit: with the scale."""

    placements: Mapping[str, str] = field(default_factory=dict)
    side: str = ""
    rate_hz: float | None = None
    time_unit: str = ""
    acc_unit: str = ""
    gyr_unit: str = ""
    acc_scale: float | None = None
    gyr_scale: float | None = None


@dataclass(frozen=True)
class Question:
    """asked: what is to be known. why: what was seen. option: how it is answered on the command line.

    about: the sensor's label where each sensor has its own answer. choices: none for a number.
    """

    key: str
    asked: str
    why: str
    option: str
    about: str = ""
    choices: Sequence[str] = ()


def placements_of(options: Sequence[str]) -> dict[str, str]:
    """Placements by sensor, of options like wrist.csv=right_wrist. Raises ColumnMapError."""
    out: dict[str, str] = {}
    for option in options:
        label, mark, placement = option.rpartition("=")
        if not mark or not label.strip() or placement.strip() not in PLACEMENTS:
            expected = f"--placement as NAME=PLACEMENT, with a placement out of {', '.join(PLACEMENTS)}"
            raise ColumnMapError(expected, f"it is {option!r}", "correct it")
        if label.strip() in out:
            raise ColumnMapError("one --placement for each sensor", f"{label.strip()!r} has two", "leave one out")
        out[label.strip()] = placement.strip()
    return out


def sentence(questions: Sequence[Question]) -> ColumnMapError:
    """All that is asked, as one sentence."""
    asked = dict.fromkeys(question.asked for question in questions)
    why = dict.fromkeys(question.why for question in questions)
    options = dict.fromkeys(question.option for question in questions)
    return ColumnMapError(f"to know {'; '.join(asked)}", "; ".join(why), f"add {' and '.join(options)}")
