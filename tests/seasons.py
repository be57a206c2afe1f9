"""Seasons with known truth for the statements of change: a practice of athletes, drawn apart from the program's own.

Every athlete has a scatter of their own, some much more than the others; days are three a week with some missing; a
few sessions are outliers. Levels are those of a stretch of the season, on the measure's own scale.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy import stats

from imu_shoulder.history.change import JUDGED, Series, Statement, statements
from imu_shoulder.history.noise import Part, learn, part_of

KINDS = ("plateau", "improves", "falls back", "noisy", "up and down")
# On the scale of each measure: an athlete's usual level, and the scatter of a session with sensors put on anew.
USUAL = {"hold_sd_deg": 1.1, "hold_s": 5.0, "arc_deg": 84.0, "lower_s": 2.2, "clean_share": 0.8}
SCATTER = {"hold_sd_deg": 0.15, "hold_s": 0.35, "arc_deg": 3.5, "lower_s": 0.18, "clean_share": 0.12}


@dataclass(frozen=True)
class Season:
    """One athlete: a series of each measure and drill, the truth without scatter, and which of them truly change."""

    kind: str
    series: list[Series]
    truth: list[np.ndarray]
    changes: list[bool]


def practice(seed: int, athletes: int = 12, sessions: int = 14, drills: int = 2, window: int = 10) -> list[Season]:
    """A practice; kinds in turn. Athletes who improve or fall back do so in one measure of one drill, by twice the
    minimal detectable change of that athlete over the latest `window` sessions."""
    rng = np.random.default_rng(seed)
    return [_athlete(rng, KINDS[number % len(KINDS)], sessions, drills, window) for number in range(athletes)]


def days_of(rng: np.random.Generator, sessions: int) -> np.ndarray:
    """Three days a week, some missing."""
    gaps = rng.choice([2.0, 2.0, 3.0, 5.0], sessions - 1, p=[0.5, 0.2, 0.25, 0.05])
    return np.concatenate([[0.0], np.cumsum(gaps)])


def _athlete(rng: np.random.Generator, kind: str, sessions: int, drills: int, window: int) -> Season:
    days = days_of(rng, sessions)
    mine = float(np.exp(rng.normal(0, 0.25))) * (2.5 if kind == "noisy" else 1.0)
    changing = int(rng.integers(drills * len(USUAL)))
    series, truths, changes = [], [], []
    straps = rng.normal(size=sessions)  # one part of what a session is off is common to its measures
    for number in range(drills * len(USUAL)):
        name = list(USUAL)[number % len(USUAL)]
        sem = SCATTER[name] * mine * float(np.exp(rng.normal(0, 0.1)))
        level = float(JUDGED[name].on_scale(np.array([USUAL[name]]))[0]) * np.ones(sessions)
        change = 2.0 * 1.96 * np.sqrt(2.0) * sem
        changes.append(kind in ("improves", "falls back") and number == changing)
        if changes[-1]:
            sign = JUDGED[name].better * (1.0 if kind == "improves" else -1.0)
            ramp = np.clip((days - days[-window]) / (days[-1] - days[-window]), 0.0, 1.0)
            # So that a share stays one.
            level = level + sign * change * (ramp - (0.5 if name == "clean_share" else 0.0))
        if kind == "up and down":
            level = level + change * np.interp(days, [0, days[sessions // 2], days[-1]], [0.0, 0.5, 0.0])
        off = 0.5 * straps + np.sqrt(0.75) * rng.normal(size=sessions)
        measured = level + sem * off * np.where(rng.random(sessions) < 0.02, 3.0, 1.0)
        series.append(Series(name, days, np.array([JUDGED[name].off_scale(float(v)) for v in measured])))
        truths.append(level)
    return Season(kind, series, truths, changes)


def said_of(seasons: list[Season]) -> list[list[Statement]]:
    """What is said of each athlete, the scatter known from all of them."""
    parts = {
        (who, place): [_part(one)] for who, season in enumerate(seasons) for place, one in enumerate(season.series)
    }
    known = learn(parts)
    return [
        statements(
            season.series, [known.scatter(who, place, parts[who, place][0]) for place in range(len(season.series))]
        )
        for who, season in enumerate(seasons)
    ]


def _part(series: Series) -> Part:
    return part_of(series.days, JUDGED[series.measure].on_scale(series.values))


@dataclass
class Score:
    """Counts over athletes. sessions: of athletes; false: with any change said where none is; wrong: with any change
    said in the other direction than the truth's; changed, found: truly changed series and those found."""

    sessions: int = 0
    false: int = 0
    wrong: int = 0
    changed: int = 0
    found: int = 0


def score(seasons: list[Season], window: int = 10) -> dict[str, Score]:
    """By kind of season."""
    out = {kind: Score() for kind in KINDS}
    for season, said in zip(seasons, said_of(seasons), strict=True):
        own = out[season.kind]
        own.sessions += 1
        false = wrong = False
        for one, truth, changes, statement in zip(season.series, season.truth, season.changes, said, strict=True):
            direction = {"better": 1, "worse": -1}.get(statement.state, 0) * JUDGED[one.measure].better
            slope = stats.theilslopes(truth[-window:], one.days[-window:])[0]  # of the levels, free of scatter
            true = 0 if abs(slope) < 1e-9 else int(np.sign(slope))
            wrong |= direction != 0 and true != 0 and direction != true
            false |= direction != 0 and true == 0
            own.changed += changes
            own.found += changes and direction == true != 0
        own.false += false
        own.wrong += wrong
    return out


def total(scores: list[dict[str, Score]]) -> dict[str, Score]:
    """The counts of several practices, added up by kind."""
    out = {kind: Score() for kind in KINDS}
    for found in scores:
        for kind, own in found.items():
            for name in vars(own):
                setattr(out[kind], name, getattr(out[kind], name) + getattr(own, name))
    return out
