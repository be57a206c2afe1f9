"""Prints how the answers hold for persons drawn wider than any constant was set on: python tests/print_wide.py

Sessions of the second simulator with two drawn sets each. Every row but two changes one thing of calm persons, so that
it shows what breaks an answer; `all at once` draws everything wide. `off, not said`: sets in which an angle is
further off than 5 deg and than twice its stated sd. Clean reps break no limit by the true angles.
"""

from __future__ import annotations

import argparse
from collections import defaultdict
from collections.abc import Callable, Iterator
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, field, replace
from functools import partial

import numpy as np
import pandas as pd
from second_simulator import Interlude, Person, Truth, calmed, perform, person, session
from second_simulator.measured import TrueRep

from imu_shoulder.analysis import Analysis
from imu_shoulder.assess.exclusions import EXCLUSIONS
from imu_shoulder.assess.judge import JudgedRep
from imu_shoulder.errors import ShoulderError
from imu_shoulder.model import Recording, SensorStream
from imu_shoulder.pipeline import analyse

# Persons of this script are numbered from here on, apart from every other figure's seeds.
FIRST_SEED = 70_000
ANGLES = ("rotation_deg", "elbow_deg", "elevation_deg")
LEAST_OFF_DEG = 5.0
LEAST_KNOWN = 0.2
STAND, WALK = Interlude("stand", 10.0, 0.0), Interlude("walk", 15.0)

Change = Callable[[Person, np.random.Generator], Person]
Harm = Callable[[Recording, np.random.Generator], Recording]


def as_is(who: Person, rng: np.random.Generator) -> Person:
    return who


def calm(who: Person, rng: np.random.Generator) -> Person:
    return calmed(who)


def restless(who: Person, rng: np.random.Generator) -> Person:
    return replace(calmed(who), sway_deg=rng.uniform(0.7, 1.5), wander_deg=rng.uniform(0.7, 1.5))


def slow(who: Person, rng: np.random.Generator) -> Person:
    return replace(calmed(who), tempo_s=rng.uniform(4.0, 8.0), hold_s=rng.uniform(8.0, 20.0))


def quick(who: Person, rng: np.random.Generator) -> Person:
    return replace(calmed(who), tempo_s=rng.uniform(0.8, 1.2), hold_s=rng.uniform(2.0, 3.0), pause_s=0.3)


def soft(who: Person, rng: np.random.Generator) -> Person:
    return replace(calmed(who), arms=who.arms)


def unmarked(recording: Recording, rng: np.random.Generator) -> Recording:
    return replace(recording, events=tuple(event for event in recording.events if event.trial_type != "set"))


def only_samples(recording: Recording, rng: np.random.Generator) -> Recording:
    return replace(recording, events=())


def one_sensor(harm: Callable[[SensorStream, Recording], SensorStream]) -> Harm:
    """Of a wrist or an upper arm, drawn."""

    def harmed(recording: Recording, rng: np.random.Generator) -> Recording:
        limbs = [placement for placement in sorted(recording.streams) if placement != "sternum"]
        placement = str(rng.choice(limbs))
        bad = harm(recording.streams[placement], recording)
        return replace(recording, streams={**recording.streams, placement: bad})

    return harmed


def _last_set_s(recording: Recording) -> tuple[float, float]:
    event = [event for event in recording.events if event.trial_type == "set"][-1]
    return event.onset_s, event.end_s


def lost(stream: SensorStream, recording: Recording) -> SensorStream:
    """A third of the last set is missing."""
    first_s, last_s = _last_set_s(recording)
    at = (stream.time_s - first_s) / (last_s - first_s)
    kept = (at < 1 / 3) | (at > 2 / 3)
    return replace(stream, time_s=stream.time_s[kept], acc_m_s2=stream.acc_m_s2[kept], gyr_rad_s=stream.gyr_rad_s[kept])


def stuck(stream: SensorStream, recording: Recording) -> SensorStream:
    """The first axis of the gyroscope stays at its value from the last set on."""
    gyr = stream.gyr_rad_s.copy()
    row = int(np.searchsorted(stream.time_s, _last_set_s(recording)[0]))
    gyr[row:, 0] = gyr[row, 0]
    return replace(stream, gyr_rad_s=gyr)


def scaled(stream: SensorStream, recording: Recording) -> SensorStream:
    return replace(stream, gyr_rad_s=1.08 * stream.gyr_rad_s)


def shifted(stream: SensorStream, recording: Recording) -> SensorStream:
    return replace(stream, acc_m_s2=stream.acc_m_s2 + np.array([0.6, 0.0, 0.0]))


@dataclass(frozen=True, slots=True)
class Stratum:
    """change: of the person. sternum: None where it is drawn. harm: of what was recorded."""

    change: Change = calm
    sternum: bool | None = True
    between: tuple[Interlude, ...] | None = (STAND,)
    grade: str | None = "good"
    harm: Harm | None = None


STRATA = {
    "calm": Stratum(),
    "calm, no breastbone sensor": Stratum(sternum=False),
    "restless": Stratum(restless),
    "slow": Stratum(slow),
    "quick": Stratum(quick),
    "soft tissue of any share": Stratum(soft),
    "cheap sensors": Stratum(grade="cheap"),
    "walking between": Stratum(between=(WALK,)),
    "walking, no breastbone sensor": Stratum(sternum=False, between=(WALK,)),
    "sitting and lying between": Stratum(between=(Interlude("sit"), Interlude("lie"))),
    "sets not marked": Stratum(harm=unmarked),
    "nothing marked": Stratum(harm=only_samples),
    "a sensor lost for a while": Stratum(harm=one_sensor(lost)),
    "a gyroscope's axis stuck": Stratum(harm=one_sensor(stuck)),
    "a gyroscope 8 % too fast": Stratum(harm=one_sensor(scaled)),
    "an accelerometer off by 0.6 m/s^2": Stratum(harm=one_sensor(shifted)),
    "all at once": Stratum(as_is, None, None, None),
}


@dataclass(slots=True)
class Seen:
    """One set of one arm. error_deg, sd_deg: root mean squares by angle; inside: share within 1.96 sd."""

    stratum: str
    person: int
    drill: str
    asked: int
    found: int = 0
    unscored: int = 0
    clean: int = 0
    blamed: int = 0
    refused: str = ""
    error_deg: dict[str, float] = field(default_factory=dict)
    sd_deg: dict[str, float] = field(default_factory=dict)
    inside: dict[str, float] = field(default_factory=dict)

    @property
    def off(self) -> bool:
        """Whether an angle is wrong and not said to be."""
        return any(error > max(LEAST_OFF_DEG, 2 * self.sd_deg[angle]) for angle, error in self.error_deg.items())


def session_seen(job: tuple[str, int]) -> list[Seen]:
    """Every set of every arm of one session."""
    name, number = job
    stratum = STRATA[name]
    rng = np.random.default_rng([number, 11])
    who = stratum.change(person(number, "table"), rng)
    drawn = session(who, sternum=stratum.sternum, between=stratum.between, grade=stratum.grade, number=number)
    # The third set and all after it are left out, with what is done before them.
    third = [k for k, block in enumerate(drawn.blocks) if type(block).__name__ == "SetPlan"][2]
    recording, truth = perform(replace(drawn, blocks=drawn.blocks[:third]))
    if stratum.harm is not None:
        recording = stratum.harm(recording, rng)
    sets: dict[tuple[int, str], list[TrueRep]] = defaultdict(list)
    for rep in truth.reps:
        if rep.role == "lift":
            sets[rep.set, rep.side].append(rep)
    try:
        analysis = analyse(recording)
    except ShoulderError as error:
        return [Seen(name, number, reps[0].drill, len(reps), refused=str(error)) for reps in sets.values()]
    return [_seen(Seen(name, number, reps[0].drill, len(reps)), reps, analysis, truth) for reps in sets.values()]


def _seen(out: Seen, reps: list[TrueRep], analysis: Analysis, truth: Truth) -> Seen:
    side, first_s, last_s = reps[0].side, reps[0].start_s, reps[-1].end_s
    judged = [
        j
        for of_set in analysis.sets
        if of_set.arm_set.side == side
        for j in of_set.judged
        if first_s - 1 < (j.rep.start_s + j.rep.end_s) / 2 < last_s + 1
    ]
    done = [j for j in judged if not (j.excluded and EXCLUSIONS[j.excluded].given_up)]
    out.found, out.unscored = len(done), sum(bool(j.excluded) for j in done)
    for rep in (rep for rep in reps if not rep.broken):
        out.clean += 1
        out.blamed += any(j.faults and not j.excluded for j in done if _same(j, rep))
    arm = analysis.arms.get(side)
    # What is not scored is not told as true.
    if arm is None or out.unscored == len(done):
        return out
    time_s = analysis.aligned.time_s
    rows = slice(*np.searchsorted(time_s, (first_s, last_s)))
    for angle in ANGLES:
        if angle not in arm.angles:
            continue
        about = arm.elevation_reference if angle == "elevation_deg" else "trunk"
        column = "elevation_gravity_deg" if about == "gravity" else angle
        true_deg = np.interp(time_s[rows], truth.time_s, truth.angles[side][column])
        error = (arm.angles[angle][rows] - true_deg + 180) % 360 - 180
        known = np.isfinite(error)
        if known.mean() < LEAST_KNOWN:
            continue
        error, sd = error[known], arm.sd[angle][rows][known]
        out.error_deg[angle], out.sd_deg[angle] = (float(np.sqrt(np.mean(v**2))) for v in (error, sd))
        out.inside[angle] = float(np.mean(np.abs(error) < 1.96 * sd))
    return out


def _same(judged: JudgedRep, rep: TrueRep) -> bool:
    return rep.start_s < (judged.rep.start_s + judged.rep.end_s) / 2 < rep.end_s


def row(name: str, seen: list[Seen]) -> dict[str, object]:
    rotation = [one for one in seen if "rotation_deg" in one.error_deg]
    errors = [one.error_deg["rotation_deg"] for one in rotation]
    inside = [share for one in seen for share in one.inside.values()]
    clean = sum(one.clean for one in seen)
    return {
        "persons": name,
        "sets": len(seen),
        "refused": sum(bool(one.refused) for one in seen),
        "counted exactly": sum(one.found == one.asked for one in seen),
        "reps not scored, said": sum(one.unscored for one in seen),
        "rotation known": len(rotation),
        "error deg, median": np.median(errors) if errors else np.nan,
        "90 %": np.quantile(errors, 0.9) if errors else np.nan,
        "stated sd deg": np.median([one.sd_deg["rotation_deg"] for one in rotation]) if rotation else np.nan,
        "coverage": np.mean(inside) if inside else np.nan,
        "off, not said": sum(one.off for one in seen),
        "clean reps": clean,
        "blamed": sum(one.blamed for one in seen),
    }


def tables(persons: int, first: int, names: list[str]) -> Iterator[dict[str, object]]:
    jobs = [(name, FIRST_SEED + first + k) for name in names for k in range(persons)]
    found: dict[str, list[Seen]] = defaultdict(list)
    with ProcessPoolExecutor(2) as pool:
        for of_session in pool.map(session_seen, jobs):
            for one in of_session:
                found[one.stratum].append(one)
    yield from map(partial(_of, found), names)


def _of(found: dict[str, list[Seen]], name: str) -> dict[str, object]:
    return row(name, found[name])


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--persons", type=int, default=16, help="of every row")
    parser.add_argument("--first", type=int, default=0, help="number of the first person")
    parser.add_argument("--only", choices=list(STRATA), action="append")
    options = parser.parse_args()
    table = pd.DataFrame(list(tables(options.persons, options.first, options.only or list(STRATA))))
    print(table.to_markdown(index=False, floatfmt=".2f"))


if __name__ == "__main__":
    main()
