"""How small a change in arc or steadiness this set-up can see, by simulating sessions before and after a change."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any, Literal

import numpy as np
from scipy import stats

from imu_shoulder.drills import load_shipped
from imu_shoulder.errors import ParameterError
from imu_shoulder.pipeline import analyse
from imu_shoulder.simulate import SensorModel, simulate
from imu_shoulder.simulate.scenarios import drill_scenario

# What is changed for each measure, in steps: the top of the arc in degrees, or the RMS of a slow wander in the hold.
CHANGES: dict[str, tuple[str, tuple[float, ...]]] = {
    "arc_deg": ("top_deg", (2.0, 4.0, 6.0, 8.0)),
    "hold_sd_deg": ("hold_wander_deg", (0.25, 0.5, 1.0, 2.0)),
}
Measure = Literal["arc_deg", "hold_sd_deg"]


@dataclass(frozen=True, slots=True)
class PowerStep:
    """changed_by: what the athlete did differently. seen: mean difference of the session medians.

    power: share of pairs of sessions, one before and one after, that differ by more than the MDC95.
    """

    changed_by: float
    seen: float
    power: float


@dataclass(frozen=True, slots=True)
class PowerResult:
    """session_sd: of one session's median over unchanged sessions, person and set-up together.

    mdc95: 1.96 sqrt(2) times that. smallest: the first change with a power of 0.8 or more, None if no step has it.
    """

    measure: str
    drill: str
    sessions: int
    reps: int
    session_sd: float
    mdc95: float
    steps: tuple[PowerStep, ...]

    @property
    def smallest(self) -> PowerStep | None:
        return next((step for step in self.steps if step.power >= 0.8), None)


def power_by_simulation(
    measure: Measure,
    drill: str = "full_can",
    *,
    sessions: int = 8,
    reps: int = 6,
    sensor: SensorModel | None = None,
    progress: Callable[[str], None] = lambda stage: None,
) -> PowerResult:
    """Simulate sessions of one athlete who changes, and of one who does not, and compare the medians of each session.

    The simulated person varies from rep to rep as simulate.Athlete says; straps and sensors are drawn anew for each
    session. Raises ParameterError for a drill without an absolute arc or without a hold.
    """
    if sessions < 4:
        raise ParameterError("4 sessions or more", f"there are {sessions}", "ask for more; 8 take a minute or two")
    knob, sizes = CHANGES[measure]
    before = _baseline(measure, drill)
    unchanged = _sessions(measure, drill, before, range(1, sessions + 1), reps, sensor, progress)
    session_sd = float(unchanged.std(ddof=1))
    mdc95 = float(stats.norm.ppf(0.975) * np.sqrt(2) * session_sd)
    steps = []
    for k, size in enumerate(sizes, start=1):
        seeds = range(1000 * k + 1, 1000 * k + sessions + 1)
        changed = _sessions(measure, drill, {knob: before[knob] + size}, seeds, reps, sensor, progress)
        apart = changed[:, None] - unchanged[None, :]
        steps.append(PowerStep(size, float(apart.mean()), float((np.abs(apart) > mdc95).mean())))
    return PowerResult(measure, drill, sessions, reps, session_sd, mdc95, tuple(steps))


def _baseline(measure: Measure, drill: str) -> dict[str, float]:
    found = load_shipped(drill)
    if measure == "hold_sd_deg":
        if not found.top.hold_s > 0:
            raise ParameterError("a drill with a hold", f"{drill} has none", "take full_can or another with a hold")
        return {"hold_wander_deg": 0.0}
    asked = found.leading_arc
    if asked is None or asked.above is not None or not np.isfinite([asked.low_deg, asked.high_deg]).all():
        raise ParameterError(
            "a drill whose top is asked for between two angles", f"{drill} is not one", "take full_can or another raise"
        )
    return {"top_deg": (asked.low_deg + asked.high_deg) / 2}


def _sessions(
    measure: Measure,
    drill: str,
    knobs: dict[str, Any],
    seeds: Sequence[int] | range,
    reps: int,
    sensor: SensorModel | None,
    progress: Callable[[str], None],
) -> np.ndarray:
    """The median over the scored reps of each session (sessions,)."""
    medians: list[float] = []
    for seed in seeds:
        progress(f"{measure} {', '.join(f'{k} {v:g}' for k, v in knobs.items())}, session {len(medians) + 1}")
        placements = ("right_wrist", "right_upper_arm")
        scenario = drill_scenario(drill, reps=reps, sensor=sensor, placements=placements, **knobs)
        analysis = analyse(simulate(scenario, seed).recording)
        values = [j.values[measure] for found in analysis.sets for j in found.judged if not j.excluded]
        medians.append(float(np.nanmedian(values)))
    return np.array(medians)
