"""Sessions of invented athletes: what an analysis would have said, drawn from a level, a day's share and each rep's.

Values of a session are off the athlete's level by a share of the day, as sensors put on anew make it, and each rep's by
its own. Sources. All sizes here are ours, of the order that simulated recordings show; no person was measured.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import cache
from typing import Any

import numpy as np

from imu_shoulder import __version__
from imu_shoulder.advise import shipped_rules
from imu_shoulder.advise.advice import advise
from imu_shoulder.advise.since import since_last
from imu_shoulder.analysis import Params
from imu_shoulder.assess.faults import CRITERIA
from imu_shoulder.assess.sets import asked_texts
from imu_shoulder.assess.words import counted, titled
from imu_shoulder.cautions import CAUTIONS
from imu_shoulder.drills import Drill
from imu_shoulder.history.rows import Row, SessionRows, json_parameters, recorded
from imu_shoulder.model import Event, FloatArray, Side
from imu_shoulder.plan import Plan
from imu_shoulder.plan.held import hold_against
from imu_shoulder.plan.matching import Match
from imu_shoulder.report.headlines import first_lines
from imu_shoulder.report.pain import notes_of, tell_sets

SUMMARY_SCHEMA = 1
# Between two sets, and of the calibration before the first one.
_REST_S, _FIRST_S = 45.0, 60.0


@dataclass(frozen=True, slots=True)
class Level:
    """How an athlete does a drill. steady_deg: SD about a hold; held_s and lower_s in s; arc_deg; clean: 0 to 1."""

    steady_deg: float = 1.1
    held_s: float = 6.0
    arc_deg: float = 84.0
    lower_s: float = 2.2
    clean: float = 0.85


@dataclass(frozen=True, slots=True)
class Noise:
    """Standard deviations of a day and of a rep; of steadiness as a share of it."""

    day_steady: float = 0.12
    rep_steady: float = 0.25
    day_held_s: float = 0.25
    rep_held_s: float = 0.3
    day_arc_deg: float = 2.5
    rep_arc_deg: float = 2.0
    day_lower_s: float = 0.12
    rep_lower_s: float = 0.2


@dataclass(frozen=True, slots=True)
class Day:
    """One session that is to be invented. levels: by drill and arm."""

    name: str
    start: str
    levels: Mapping[tuple[str, Side], Level]
    pain: float = 0.0
    effort: float = 4.0
    done_share: float = 1.0


@cache
def _parameters() -> dict[str, Any]:
    return json_parameters(Params())


def invent(
    plan: Plan,
    day: Day,
    rng: np.random.Generator,
    noise: Noise | None = None,
    history: Sequence[Mapping[str, Any]] = (),
) -> SessionRows:
    """The rows of one session that follows a plan. history: summaries of the sessions before, the latest first."""
    noise = noise or Noise()
    entries, tables, events, matches = [], [], [], {}
    now_s, number = _FIRST_S, 0
    for place, item in enumerate(plan.drills):
        for _ in range(item.sets):
            number += 1
            arms: dict[Side, Match] = {}
            ends = []
            for side in item.sides:
                asked = item.asked_of(side, f"the plan {plan.name}")
                reps = max(1, round(asked.dose.reps * day.done_share))
                table = _reps(asked, side, number, now_s, reps, day.levels[item.drill.id, side], noise, rng)
                entries.append(_entry(asked, side, number, table))
                tables.append(table)
                arms[side] = Match(item.drill.id, place, False)
                ends.append(table[-1]["end_s"])
            matches[number] = arms
            pain = round(min(10.0, day.pain), 1)
            length_s = max(ends) - now_s
            done = Event(now_s, length_s, "set", item.drill.id, item.side, pain, item.load_kg, effort=day.effort)
            events.append(done)
            now_s = max(ends) + _REST_S
    pain_told = tell_sets(entries, events, plan.pain_ceiling)
    summary: dict[str, Any] = {
        "schema": SUMMARY_SCHEMA,
        "recording": {
            "name": day.name,
            "athlete": plan.athlete,
            "start": day.start,
            "duration_s": now_s,
            "sha256": {},
        },
        "versions": {"imu_shoulder": __version__},
        "parameters": _parameters(),
        "parameters_changed": {},
        "calibration": {},
        "no_pose": "",
        "elevation_reference": "trunk",
        "data_quality": {},
        "findings": [],
        "not_seen": ["Nothing was measured: this athlete is invented."],
        "cautions": list(CAUTIONS),
        "pain": pain_told,
        "notes": notes_of(events),
        "sets": entries,
        "range": None,
    }
    summary["plan"] = hold_against(plan, matches, entries)
    drills = {item.drill.id: item.asked_of(item.sides[0], "") for item in plan.drills}
    summary["advice"] = advise((summary, *history), drills, shipped_rules(), limits_first=bool(plan.limits_first))
    summary["since_last"] = since_last((summary, *history))
    summary["first_lines"] = first_lines(summary)
    return recorded(summary, [rep for table in tables for rep in table])


def _reps(
    drill: Drill, side: Side, number: int, start_s: float, count: int, level: Level, noise: Noise, rng: Any
) -> list[Row]:
    """The rows of reps.csv of one arm's set."""
    holds = drill.top.hold_s > 0
    steady = level.steady_deg * np.exp(rng.normal(0, noise.day_steady) + rng.normal(0, noise.rep_steady, count))
    held_s = np.clip(level.held_s + rng.normal(0, noise.day_held_s) + rng.normal(0, noise.rep_held_s, count), 0.3, None)
    held_s = held_s if holds else np.full(count, 0.9)
    arc = level.arc_deg + rng.normal(0, noise.day_arc_deg) + rng.normal(0, noise.rep_arc_deg, count)
    lower_s = np.clip(
        level.lower_s + rng.normal(0, noise.day_lower_s) + rng.normal(0, noise.rep_lower_s, count), 0.6, None
    )
    lift_s = lower_s * rng.uniform(0.8, 1.0, count)
    start = rng.normal(5, 1, count)
    # Of each of these the fault that comes first. A fault is where the figure is: one that is drawn moves it there.
    figures = {"hold": held_s, "arc": arc, "tempo": lower_s}
    least = {"hold": drill.top.hold_s, "arc": _least_arc_deg(drill, start), "tempo": drill.lower_at_least_s}
    possible = [name for name in asked_texts(drill) if name in figures]
    faulty = (rng.random(count) >= level.clean) & bool(possible)
    drawn = rng.choice(possible, count) if possible else np.full(count, "")
    faults = np.full(count, "", dtype=object)
    for name in possible:
        hit, short = faulty & (drawn == name), rng.uniform(0.7, 0.92, count)
        figures[name] = np.where(hit, np.minimum(figures[name], short * least[name]), figures[name])
        missed = (figures[name] < least[name]) & (faults == "")
        faults[missed] = CRITERIA[name].faults[0].name
    held_s, arc, lower_s = figures["hold"], figures["arc"], figures["tempo"]
    length = lift_s + held_s + lower_s + 1.0
    starts = start_s + 2.0 + np.concatenate([[0.0], np.cumsum(length)[:-1]])
    nan = np.full(count, np.nan)
    columns = {
        "set": number,
        "drill": drill.id,
        "side": side,
        "rep": np.arange(1, count + 1),
        "start_s": starts,
        "top_start_s": starts + lift_s,
        "top_end_s": starts + lift_s + held_s,
        "end_s": starts + lift_s + held_s + lower_s,
        "angle": drill.leading_angle,
        "start_deg": start,
        "top_deg": start + arc,
        "arc_deg": arc,
        "lift_s": lift_s,
        "hold_s": held_s,
        "lower_s": lower_s,
        "rest_s": np.full(count, 1.0),
        "peak_velocity_deg_s": 1.9 * arc / lift_s,
        "hold_sd_deg": steady if holds else nan,
        "hold_drift_deg_s": rng.normal(-0.1, 0.1, count) if holds else nan,
        "hold_tremor_deg_s": 0.8 * steady if holds else nan,
        "time_in_band_pct": np.clip(rng.normal(96, 3, count), 0, 100),
        "smoothness_lift": rng.normal(-1.8, 0.1, count),
        "smoothness_lower": rng.normal(-1.9, 0.1, count),
        "elbow_deg": rng.normal(_elbow_deg(drill), 2, count),
        "thumb_up_deg": rng.normal(60, 5, count),
        "plane_deg": rng.normal(35, 3, count),
        "trunk_lean_deg": np.abs(rng.normal(2, 1, count)),
        "faults": faults,
        "excluded": "",
        "role": "lift",
        "stations": "",
        "elevation_reference": "trunk",
        "close": "",
        "direction": drill.direction,
    }
    each = {name: value.tolist() if isinstance(value, np.ndarray) else value for name, value in columns.items()}
    listed = {name: value if isinstance(value, list) else [value] * count for name, value in each.items()}
    return [
        {name: round(value, 3) if isinstance(value, float) else value for name, value in zip(listed, row, strict=True)}
        for row in zip(*listed.values(), strict=True)
    ]


def _least_arc_deg(drill: Drill, start: FloatArray) -> FloatArray:
    """How far the leading angle must go at the least, from where each rep starts."""
    bands = [drill.top_band_deg(own) for own in start.tolist()]
    return np.array([0.0 if band is None else band[0] - own for band, own in zip(bands, start, strict=True)])


def _elbow_deg(drill: Drill) -> float:
    """Where the elbow is: in the middle of what the drill asks, a little bent where it asks for a straight one."""
    ends = drill.form.ends_of("elbow")
    return 8.0 if ends is None or ends[0] < 0 else sum(ends) / 2


def _entry(drill: Drill, side: Side, number: int, reps: Sequence[Row]) -> dict[str, Any]:
    """The entry of the summary of one arm's set, with what pages and advice look at."""
    faults: dict[str, list[int]] = {}
    for rep in reps:
        if rep["faults"]:
            faults.setdefault(rep["faults"], []).append(rep["rep"])
    numbers, clean = [rep["rep"] for rep in reps], sum(not rep["faults"] for rep in reps)
    held = _median(reps, "hold_s") or 0.0
    asks_hold = drill.top.hold_s > 0
    headline = f"{len(reps)} of {counted(drill.dose.reps, 'rep')}, {clean} clean."
    headline += f" Held {held:.1f} s of {drill.top.hold_s:g} s (median)." if asks_hold else ""
    return {
        "set": number,
        "drill": drill.id,
        "title": titled(drill),
        "direction": drill.direction,
        "cautions": list(drill.cautions),
        "side": side,
        "role": "lift",
        "start_s": reps[0]["start_s"] - 2.0,
        "end_s": reps[-1]["end_s"],
        "angle": drill.leading_angle,
        "band_deg": None,
        "asked": {
            "reps": drill.dose.reps,
            "sets": drill.dose.sets,
            "by": "plan",
            "hold_s": drill.top.hold_s or None,
            "lift_at_least_s": drill.lift_at_least_s,
            "lower_at_least_s": drill.lower_at_least_s,
            "source": drill.dose.source,
        },
        "done": {"reps": len(reps), "scored": len(reps), "clean": clean, "extra": 0, "excluded": 0},
        "unseen_s": 0.0,
        "headline": headline,
        "change": "",
        "criteria": [_criterion(name, text, faults, numbers) for name, text in asked_texts(drill).items()],
        "faults": [{"name": name, "reps": where} for name, where in faults.items()],
        "holding": None,
        "excluded": [],
        "steadiness": {"hold_sd_deg": {"median": _median(reps, "hold_sd_deg"), "n": len(reps)}},
        "tempo": {name: {"median": _median(reps, name), "n": len(reps)} for name in ("lift_s", "hold_s", "lower_s")},
        "judged": True,
        "side_difference": None,
        "notes": [],
        "close": [],
    }


def _criterion(name: str, text: str, faults: Mapping[str, Sequence[int]], numbers: Sequence[int]) -> dict[str, Any]:
    own = {fault.name for fault in CRITERIA[name].faults}
    missed = sorted(rep for fault, where in faults.items() if fault in own for rep in where)
    met = [rep for rep in numbers if rep not in missed]
    share = len(met) / len(numbers) if numbers else None
    return {"name": name, "asked": text, "met": met, "missed": missed, "unknown": [], "share": share, "numbers": {}}


def _median(reps: Sequence[Row], name: str) -> float | None:
    found = float(np.median([rep[name] for rep in reps]))
    return found if np.isfinite(found) else None
