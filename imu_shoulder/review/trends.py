"""The trends of an athlete's page: per drill a row for each measure, per arm a picture and what is said of it."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime
from operator import itemgetter
from typing import Any

import numpy as np
from markupsafe import Markup

from imu_shoulder.assess.words import drill_title
from imu_shoulder.history.change import JUDGED, Statement
from imu_shoulder.history.plans import PlanVersion
from imu_shoulder.model import SIDES, FloatArray
from imu_shoulder.review.drawing import Line, Trend, trend_svg
from imu_shoulder.review.standing import Stand
from imu_shoulder.review.words import SHOWN, Shown, amount

Row = Mapping[str, Any]
EPOCH = date(1970, 1, 1)
# A long history is shown from so many days back; all of it on request.
SHOWN_DAYS = 182
_SECONDS_A_DAY = 86400.0
_SHOWN_OF = itemgetter(*SHOWN)


@dataclass(frozen=True, slots=True)
class Cell:
    """One arm's trend of one measure. said: in a sentence, for who does not see the picture."""

    picture: Markup
    statement: Statement | None
    latest: str
    said: str


@dataclass(frozen=True, slots=True)
class DrillTrends:
    """sides: the arms that did the drill, right first. rows: measure and the cell of each of these arms, or None."""

    title: str
    sides: tuple[str, ...]
    rows: tuple[tuple[Shown, tuple[Cell | None, ...]], ...]


def day_of(start_utc: str) -> float:
    """Days since 1970."""
    return datetime.fromisoformat(start_utc).timestamp() / _SECONDS_A_DAY


def drill_trends(trend: Sequence[Row], stand: Stand, versions: Sequence[PlanVersion]) -> list[DrillTrends]:
    """Of every drill, the latest done first. trend: rows of the query of that name, in time. versions: of the plan."""
    drills: dict[tuple[str, str], dict[str, list[Row]]] = {}
    for row in trend:
        if row["role"] == "lift":
            drills.setdefault((row["drill"], row["direction"]), {}).setdefault(row["side"], []).append(row)
    day = {start: day_of(start) for start in {row["start_utc"] for row in trend}}
    plan_marks = [(day_of(own.valid_from), f"plan {own.number}") for own in versions if own.number > 1]
    out = []
    for (drill, direction), by_side in drills.items():
        sides = tuple(side for side in SIDES if side in by_side)
        days = {side: np.array([day[row["start_utc"]] for row in by_side[side]]) for side in sides}
        marks = {side: [*_program_marks(by_side[side], days[side]), *plan_marks] for side in sides}
        # None becomes NaN.
        values = {side: np.array([_SHOWN_OF(row) for row in by_side[side]], dtype=float).T for side in sides}
        rows = []
        for place, shown in enumerate(SHOWN.values()):
            cells = tuple(
                _cell(
                    shown, values[side][place], days[side], stand.of((drill, direction, side), shown.name), marks[side]
                )
                for side in sides
            )
            if any(cell is not None for cell in cells):
                rows.append((shown, cells))
        out.append((by_side, DrillTrends(drill_title(drill, direction), sides, tuple(rows))))
    latest = [(max(rows[-1]["start_utc"] for rows in by_side.values()), own) for by_side, own in out]
    return [own for _, own in sorted(latest, key=lambda pair: pair[0], reverse=True)]


def _cell(
    shown: Shown, values: FloatArray, days: FloatArray, found: Statement | None, marks: Sequence[tuple[float, str]]
) -> Cell | None:
    known = values[np.isfinite(values)]
    if not len(known):
        return None
    latest = amount(float(known[-1]), shown.name)
    said = f"{shown.title}: {len(known)} sessions, {amount(float(known[0]), shown.name)} to {latest} {shown.unit}"
    band, through = _window(shown, days, found)
    marks = [(day, text) for day, text in marks if days[0] <= day <= days[-1]]
    picture = trend_svg(
        Trend(
            f"{said}{f', {found.state}' if found else ''}",
            EPOCH,
            [Line(days, values * shown.factor)],
            band,
            through,
            marks,
            ends=shown.ends,
        )
    )
    return Cell(picture, found, latest, said)


def _window(shown: Shown, days: FloatArray, found: Statement | None) -> tuple[Any, Any]:
    """What chance does about the trend's start, and the trend, both over the days that were looked at."""
    if found is None or found.first is None or found.latest is None:
        return None, None
    start, end = float(np.unique(np.floor(days))[-found.days :][0]), float(days[-1])
    through = (start, found.first * shown.factor, end, found.latest * shown.factor)
    if found.mdc_low is None or found.mdc_high is None:
        return None, through
    low, high = sorted(end * shown.factor for end in (found.mdc_low, found.mdc_high))
    return (low, high, start, end), through


def _program_marks(rows: Sequence[Row], days: FloatArray) -> list[tuple[float, str]]:
    """Where other versions or parameters of the program made the sessions: values on both sides are not compared."""
    made = [row["made_by"] for row in rows]
    return [(float(days[k]), "other version") for k in range(1, len(made)) if made[k] != made[k - 1]]


def pain_trend(own: Sequence[Row], ceiling: float) -> Markup | None:
    """Pain before, at most after sets, and on the next morning. own: sessions in time."""
    days = np.array([day_of(row["start_utc"]) for row in own])
    names = {"pain_before": "before", "pain_highest": "after", "pain_next_morning": "morning"}
    lines = [Line(days, np.array([row[name] for row in own], dtype=float), style) for name, style in names.items()]
    if not any(np.isfinite(line.values).any() for line in lines):
        return None
    said = f"Pain of 10 over {len(own)} sessions; the ceiling is {ceiling:g}"
    return trend_svg(Trend(said, EPOCH, lines, level=ceiling, ends=(0.0, 10.0)))


def overview(stand: Stand) -> list[tuple[str, str, list[tuple[Shown, Statement | None]]]]:
    """Drill, arm and what is said of each measure: the table that is read first."""
    arms = sorted(dict.fromkeys(one.arm for one in stand.said), key=lambda arm: (arm[:2], arm[2] != SIDES[0]))
    return [
        (drill_title(arm[0], arm[1]), arm[2], [(SHOWN[name], stand.of(arm, name)) for name in JUDGED]) for arm in arms
    ]
