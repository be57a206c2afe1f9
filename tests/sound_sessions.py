"""Sessions of sound sensors, as different as people and sensors are: of none may anything be told.

By turns persons of both simulators, every drill, calm, restless, quick, slow, walking, sitting and lying, good and
cheap sensors, one arm, no breastbone sensor, a wrist alone; then the recordings of the checkout. A sensor whose zero
was drawn further off than a fault, or that was swung to the end of its range, is not sound: another one is drawn.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import replace
from pathlib import Path

import numpy as np
from second_simulator import Interlude, Person, Session, SetPlan, calmed, perform, person, session

from imu_shoulder.drills import shipped_ids
from imu_shoulder.model import Recording, SensorStream
from imu_shoulder.simulate import Athlete, SensorModel, simulate
from imu_shoulder.simulate.scenarios import daily, drill_scenario
from imu_shoulder.simulate.script import Scenario
from imu_shoulder.sources.folder import read_recording

RECORDINGS = Path(__file__).parents[1] / "recordings"
# From here on an accelerometer's zero is a fault of the table, not a sound sensor's; nobody draws more often than this.
FAULTY_M_S2, DRAWS = 0.5, 200
# What goes wrong in it, and is told of it, is written beside it.
DAMAGED = "damaged_warm_up"
ARM = ("right_wrist", "right_upper_arm")
BOTH = (*ARM, "left_wrist", "left_upper_arm")
WALK, SIT, LIE, DRINK = (Interlude(kind, 15.0) for kind in ("walk", "sit", "lie", "drink"))


def _drill(seed: int) -> str:
    return shipped_ids()[seed // len(SOUND) % len(shipped_ids())]


def _one(placements: tuple[str, ...], rate_hz: float = 100.0, **knobs: float) -> Callable[[int], Recording]:
    """Of the own simulator, a set of one drill."""

    def make(seed: int) -> Recording:
        worn = tuple(p for p in placements if p in (*BOTH, "sternum"))
        scenario = drill_scenario(_drill(seed), "right", placements=worn, rate_hz=rate_hz, reps=5, **knobs)
        return _simulated(scenario, seed)

    return make


def _cheap(seed: int) -> Recording:
    sensor = SensorModel(1.0, 0.005, 0.015, 0.015, 20.0, 300.0, 0.01, 0.8, 4.0, 1000.0, 14, 60.0)
    worn = (*BOTH, "sternum")
    return _simulated(drill_scenario(_drill(seed), "right", placements=worn, reps=5, sensor=sensor), seed)


def _still(seed: int) -> Recording:
    """A person who hardly sways."""
    athlete = Athlete(sway_deg=0.1, tremor_deg=0.01)
    return _simulated(drill_scenario(_drill(seed), "right", athlete=athlete, reps=4), seed)


def _day(seed: int) -> Recording:
    return _simulated(daily(3.0, seed), seed)


def _two(
    change: Callable[[Person, np.random.Generator], Person] = lambda who, rng: who,
    sets: int = 2,
    **asked: object,
) -> Callable[[int], Recording]:
    """Of the second simulator, some sets."""

    def make(seed: int) -> Recording:
        rng = np.random.default_rng([seed, 15])
        who = change(person(seed, "table"), rng)
        drills = [_drill(seed), *(str(rng.choice(shipped_ids())) for _ in range(sets - 1))]
        side = "right" if asked.get("arms") else str(rng.choice(["both", "right"]))
        plans = [SetPlan(drill, "right" if drill.endswith("lift") else side, 5) for drill in drills]
        return _performed(lambda number: session(who, plans, number=number, **asked), seed)  # type: ignore[arg-type]

    return make


def _wrist_only(seed: int) -> Recording:
    recording = _two(arms=("right",), sternum=False)(seed)
    return replace(recording, streams={"right_wrist": recording.streams["right_wrist"]})


def _housework(seed: int) -> Recording:
    return _performed(lambda number: session(person(seed, "table"), scenario="daily", number=number), seed)


def _simulated(scenario: Scenario, seed: int) -> Recording:
    """As `_sound`. The same draw with no zero off shows what each sensor's zero is."""
    bare = replace(scenario, sensor=replace(scenario.sensor, acc_bias_mg=0.0))

    def drawn(number: int) -> tuple[Recording, list[float]]:
        recording, without = simulate(scenario, number).recording, simulate(bare, number).recording.streams
        off = [(s.acc_m_s2 - without[p].acc_m_s2).mean(axis=0) for p, s in recording.streams.items()]
        return recording, [float(np.linalg.norm(zero)) for zero in off]

    return _sound(drawn, seed)


def _performed(planned: Callable[[int], Session], seed: int) -> Recording:
    """As `_sound`, and no sensor reaches the end of its range."""

    def drawn(number: int) -> tuple[Recording, list[float]]:
        recording, truth = perform(planned(number))
        zeros = [float(np.linalg.norm(errors.acc_bias_m_s2)) for errors in truth.errors.values()]
        return recording, [np.inf] if any(map(_clips, recording.streams.values())) else zeros

    return _sound(drawn, seed)


def _sound(drawn: Callable[[int], tuple[Recording, list[float]]], seed: int) -> Recording:
    """The first one of a session's numbers whose sensors are sound. drawn: it, and how far off each zero is, m/s^2."""
    for draw in range(DRAWS):
        recording, zeros = drawn(seed + 100_000 * draw)
        if max(zeros) < FAULTY_M_S2:
            return recording
    raise ValueError(f"none of {DRAWS} draws of session {seed} has sound sensors")


def _clips(stream: SensorStream) -> bool:
    ranges = ((stream.acc_m_s2, stream.acc_range_m_s2), (stream.gyr_rad_s, stream.gyr_range_rad_s))
    return any(limit is not None and np.abs(values).max() >= 0.999 * limit for values, limit in ranges)


def restless(who: Person, rng: np.random.Generator) -> Person:
    return replace(calmed(who), sway_deg=rng.uniform(0.7, 1.5), wander_deg=rng.uniform(0.7, 1.5))


def slow(who: Person, rng: np.random.Generator) -> Person:
    return replace(calmed(who), tempo_s=rng.uniform(4.0, 8.0), hold_s=rng.uniform(8.0, 20.0))


def quick(who: Person, rng: np.random.Generator) -> Person:
    return replace(calmed(who), tempo_s=rng.uniform(0.6, 1.0), hold_s=rng.uniform(0.5, 2.0), pause_s=0.2)


def calm(who: Person, rng: np.random.Generator) -> Person:
    return calmed(who)


SOUND: dict[str, Callable[[int], Recording]] = {
    "one": _one((*BOTH, "sternum")),
    "one, one arm": _one(ARM),
    "one, quick": _one((*BOTH, "sternum"), 50.0, lift_s=0.7, lower_s=0.7, rest_s=0.3, hold_s=0.6),
    "one, slow": _one((*ARM, "sternum"), 52.0, lift_s=5.0, lower_s=6.0),
    "one, cheap sensors": _cheap,
    "one, still": _still,
    "one, a day": _day,
    "two": _two(),
    "two, calm": _two(calm, sternum=True, grade="usual"),
    "two, restless": _two(restless, sternum=True),
    "two, slow": _two(slow, 1),
    "two, quick": _two(quick, sternum=False),
    "two, walking": _two(between=(WALK,), sternum=False),
    "two, sitting, lying, drinking": _two(calm, 4, between=(SIT, LIE, DRINK)),
    "two, cheap sensors": _two(grade="cheap"),
    "two, one arm": _two(arms=("right",), sternum=True),
    "two, one arm, no breastbone sensor": _two(calm, 1, arms=("right",), sternum=False),
    "two, a wrist alone": _wrist_only,
    "two, a day": _housework,
}


def sound_sessions(first: int, count: int) -> Iterator[tuple[str, Recording]]:
    """So many, kind by kind in turn, numbered from `first` on; then the recordings of the checkout."""
    kinds = list(SOUND.items())
    for number in range(first, first + count):
        name, make = kinds[(number - first) % len(kinds)]
        yield f"{name} {number}", make(number)
    for folder in sorted(path.parent for path in RECORDINGS.glob("*/recording.toml")):
        if folder.name != DAMAGED:
            yield folder.name, read_recording(folder)
