"""Range tests of a recording as plain data: best and mean, sides beside each other, published values as context."""

from __future__ import annotations

import math
from collections.abc import Collection, Mapping, Sequence
from typing import Any

import numpy as np

from imu_shoulder.analysis import Analysis
from imu_shoulder.errors import ParameterError
from imu_shoulder.model import SIDES, Event, Side
from imu_shoulder.range import RangeError, RangeTest, shipped_tests
from imu_shoulder.range.trials import Trial, find_trials, measured
from imu_shoulder.segment.model import rows_between

SCHEMA = 1
CONTEXT = (
    "Published ranges are context, not a diagnosis and not a goal. An examiner read them from a goniometer or an "
    "inclinometer; these are sensors. The licensed practitioner decides what a range means for this athlete."
)
# From here on a lean of the trunk is told beside the trial.
TRUNK_DEG = 10.0
TOTAL_OF = ("external_rotation_at_90", "internal_rotation_at_90")
WHY_MISSED = {
    "elbow": "elbow not as asked",
    "elevation": "upper arm not at the asked height",
    "plane": "arm not in the asked direction",
    "gap": "sensor data missing",
}


def range_ids(events: Sequence[Event], tests: Collection[str]) -> Collection[str]:
    """The range tests, out of those of these ids, that the set events name."""
    return {e.drill for e in events if e.trial_type == "set" and e.drill is not None and e.drill in tests}


def require_range_tests(events: Sequence[Event], tests: Mapping[str, RangeTest]) -> None:
    """Raises RangeError where no set event names a range test."""
    if not range_ids(events, tests):
        raise RangeError(
            f"a set row in events.tsv whose drill is one of {', '.join(tests)}",
            "there is none",
            "mark each range test as a set with its id and side",
        )


def range_results(
    analysis: Analysis, tests: Mapping[str, RangeTest] | None = None, age: int | None = None, sex: str | None = None
) -> dict[str, Any]:
    """Every range test of the recording. age: years. sex: m or f; both only choose the published values.

    Raises RangeError where the recording holds no range test, ParameterError for an impossible age.
    """
    tests = shipped_tests() if tests is None else tests
    if age is not None and not 0 < age < 120:
        raise ParameterError("an age in years from 1 to 119", f"it was {age}", "correct --age or leave it out")
    events = analysis.recording.events
    require_range_tests(events, tests)
    named = range_ids(events, tests)
    found = [_test(analysis, test, age, sex) for test in tests.values() if test.id in named]
    return {
        "schema": SCHEMA,
        "recording": {key: getattr(analysis.recording, key) for key in ("name", "athlete", "start")},
        "age": age,
        "sex": sex,
        "elevation_reference": "/".join(sorted({arm.elevation_reference for arm in analysis.arms.values()})),
        "tests": found,
        "total_rotation": total_rotation(found),
        "context": CONTEXT,
        "parameters_changed": analysis.params.changed,
    }


def total_rotation(tests: Sequence[Mapping[str, Any]]) -> dict[str, Any] | None:
    """The whole arc of rotation at 90 deg of abduction, external and internal together, by the means of each side.

    A pose that was off adds to the one as much as it takes from the other. None where no side has both.
    """
    by_id = {test["id"]: test["sides"] for test in tests}
    external, internal = (by_id.get(name, {}) for name in TOTAL_OF)
    sides = {
        side: round(external[side]["mean_deg"] + internal[side]["mean_deg"], 2)
        for side in SIDES
        if all(side in found and found[side]["mean_deg"] is not None for found in (external, internal))
    }
    if not sides:
        return None
    difference = round(sides["right"] - sides["left"], 2) if len(sides) == 2 else None
    return {"sides": sides, "difference_deg": difference, "of": list(TOTAL_OF)}


def _test(analysis: Analysis, test: RangeTest, age: int | None, sex: str | None) -> dict[str, Any]:
    events = [e for e in analysis.recording.events if e.trial_type == "set" and e.drill == test.id]
    asked = [side for side in SIDES if any(event.side in (side, "both", None) for event in events)]
    sides = {side: _side(analysis, test, side, events) for side in asked}
    difference = _difference(test, sides)
    return {
        "id": test.id,
        "title": test.title,
        "angle": test.angle,
        "sides": sides,
        "difference": difference,
        "published": [
            {
                "sex": row.sex,
                "ages": list(row.ages),
                "people": row.people,
                "middle": row.middle,
                "middle_deg": row.middle_deg,
                "p5_deg": row.p5_deg,
                "source": row.source,
                "how": row.how,
            }
            for row in test.published
            if (sex is None or row.sex == sex) and (age is None or row.ages[0] <= age <= row.ages[1])
        ],
    }


def _side(analysis: Analysis, test: RangeTest, side: Side, events: Sequence[Event]) -> dict[str, Any]:
    arm = analysis.arms.get(side)
    curve = None if arm is None else measured(test, arm.angles)
    own = [event for event in events if event.side in (side, "both", None)]
    pain = max((event.pain for event in own if event.pain is not None), default=None)
    if arm is None or curve is None:
        shown = (
            "no sensor on this arm" if arm is None else "the sensors worn and the calibration do not show this angle"
        )
        return {"trials": [], "counted": 0, "best_deg": None, "mean_deg": None, "pain": pain, "not_seen": shown}
    trials: list[Trial] = []
    for event in own:
        rows = rows_between(analysis.aligned.time_s, event.onset_s, event.end_s)
        trials += find_trials(
            test,
            analysis.aligned.time_s[rows],
            analysis.aligned.rate_hz,
            curve[rows],
            {name: values[rows] for name, values in arm.angles.items()},
            {name: values[rows] for name, values in arm.sd.items()},
            analysis.params.segment.reps,
        )
    counted = [trial.value_deg for trial in trials if not trial.missed]
    first = counted[: test.trials]
    return {
        "trials": [_trial(number, trial) for number, trial in enumerate(trials, start=1)],
        "counted": len(counted),
        "best_deg": round(max(counted), 2) if counted else None,
        # More trials than asked would make one athlete's mean of other things than another's.
        "mean_deg": round(float(np.mean(first)), 2) if first else None,
        "mean_of": len(first),
        # Most of it is the pose, alike in every trial: the mean of several is no surer than one.
        "sd_deg": round(float(np.median([t.sd_deg for t in trials if not t.missed])), 2) if counted else None,
        "pain": pain,
        "not_seen": None,
    }


def _trial(number: int, trial: Trial) -> dict[str, Any]:
    def plain(value: float) -> float | None:
        return round(value, 2) if math.isfinite(value) else None

    return {
        "trial": number,
        "start_s": plain(trial.start_s),
        "top_start_s": plain(trial.top_start_s),
        "top_end_s": plain(trial.top_end_s),
        "value_deg": plain(trial.value_deg),
        "sd_deg": plain(trial.sd_deg),
        "posture_deg": {name: plain(value) for name, value in trial.posture_deg.items()},
        "trunk_deg": plain(trial.trunk_deg),
        "trunk_moved": bool(trial.trunk_deg > TRUNK_DEG),
        "left_out": list(trial.missed),
        "text": ", ".join(WHY_MISSED[name] for name in trial.missed),
    }


def _difference(test: RangeTest, sides: Mapping[Side, Mapping[str, Any]]) -> dict[str, Any] | None:
    """Right less left, of best and of mean; None where a side is missing."""
    if len(sides) < 2 or any(side["best_deg"] is None for side in sides.values()):
        return None
    best, mean = (round(sides["right"][key] - sides["left"][key], 2) for key in ("best_deg", "mean_deg"))
    known = test.difference
    return {
        "best_deg": best,
        "mean_deg": mean,
        "mdc90_deg": None if known is None else known.mdc90_deg,
        "over_mdc90": None if known is None else abs(mean) > known.mdc90_deg,
        "source": None if known is None else known.source,
    }
