"""Recordings as people make them, without a mark: sessions of 5 to 8 sets of all drills in any order, and days
without exercise, by both simulators."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from second_simulator import Interlude, Movement, Session, SetPlan, perform, person, session
from second_simulator.housework import ROUNDS
from second_simulator.session import SET_S

from imu_shoulder.drills import load_shipped, shipped_ids
from imu_shoulder.model import Event, Recording
from imu_shoulder.simulate import (
    Athlete,
    BendsAtShoulderHeight,
    Chore,
    ElbowBends,
    ForwardRaises,
    Pause,
    Pose,
    Scenario,
    SetScript,
    simulate,
)
from imu_shoulder.simulate.housework import HOUSEWORK
from imu_shoulder.simulate.scenarios import ARMS, daily

FEWEST_SETS, MOST_SETS = 5, 8
ONE_ARM = ("full_can_hold_and_lift", "sidelying_external_rotation")


def drawn(rng: np.random.Generator) -> list[tuple[str, str]]:
    """Drills with their arms: 5 to 8 sets, no drill again before all eight were done."""
    count = int(rng.integers(FEWEST_SETS, MOST_SETS + 1))
    drills = [str(drill) for drill in rng.permutation(shipped_ids())][:count]
    return [(drill, _arms(drill, rng)) for drill in drills]


def _arms(drill: str, rng: np.random.Generator) -> str:
    if drill == "band_loop_raise":
        return "both"
    return str(rng.choice(["right", "left"] if drill in ONE_ARM else ["right", "left", "both"]))


def bends_high(seed: int) -> bool:
    """Whether the person also does bends at shoulder height: every other one."""
    return bool(np.random.default_rng([seed, 163]).random() < 0.5)


def first_session(seed: int) -> tuple[Recording, tuple[Event, ...]]:
    """A session by the package's own simulator, without its marks, and the marks."""
    rng = np.random.default_rng([seed, 161])
    athlete = Athlete(
        f"one {seed}",
        humerus_m=rng.uniform(0.26, 0.34),
        forearm_m=rng.uniform(0.22, 0.29),
        pose_elevation_deg=rng.uniform(1, 8),
        pose_elbow_deg=rng.uniform(1, 12),
        hand_deg=rng.normal(-4, 6),
        sway_deg=rng.uniform(0.2, 0.9),
        unevenness_deg=rng.uniform(0.2, 0.9),
        variation=rng.uniform(0.7, 1.5),
        soft_tissue_share=rng.uniform(0.1, 0.5),
        raise_plane_deg=rng.normal(87, 3),
    )
    tempo_s = float(np.exp(rng.uniform(np.log(1.0), np.log(5.0))))
    blocks: list[Pose | ElbowBends | ForwardRaises | BendsAtShoulderHeight | Pause | SetScript] = [
        Pose(),
        ElbowBends(int(rng.integers(3, 6))),
        ForwardRaises(int(rng.integers(2, 5))),
    ]
    if bends_high(seed):
        blocks.append(BendsAtShoulderHeight())
    for drill, side in drawn(rng):
        holds = load_shipped(drill).top.hold_s > 0
        hold_s = float(rng.uniform(2.0, 8.0)) if holds else None
        lift_s, lower_s = tempo_s * rng.uniform(0.85, 1.2, 2)
        rep_s = (lift_s + lower_s) * len(load_shipped(drill).stations) + (hold_s or 0.5) + 1
        reps = int(np.clip(SET_S / rep_s, 3, rng.integers(4, 11)))
        activity = str(rng.choice(["walk", "stand", "fidget"]))
        blocks.append(Pause(float(rng.uniform(8, 30)), activity))  # type: ignore[arg-type]
        blocks.append(
            SetScript(drill, side, reps, hold_s, float(lift_s), float(lower_s), rest_s=float(rng.uniform(0.4, 2.5)))
        )
    blocks.append(Pause(float(rng.uniform(8, 20)), "walk"))
    placements = (*ARMS, "sternum") if rng.random() < 0.5 else ARMS
    scenario = Scenario(athlete, tuple(blocks), placements, name=f"one_{seed}")
    return unmarked(simulate(scenario, seed).recording)


def second_session(seed: int) -> tuple[Recording, tuple[Event, ...]]:
    """The same by the second simulator, its persons those of the wide table."""
    who = person(seed, "table")
    rng = who.random(162)
    plans = []
    for drill, side in drawn(rng):
        loaded = load_shipped(drill)
        rep_s = 2 * who.tempo_s * len(loaded.stations) + who.pause_s + (who.hold_s if loaded.top.hold_s else 0.5)
        reps = int(np.clip(SET_S / rep_s, 3, min(loaded.dose.reps, 10)))
        plans.append(SetPlan(drill, side, reps))
    return unmarked(perform(session(who, plans, number=seed, high_bends=bends_high(seed)))[0])


def unmarked(recording: Recording) -> tuple[Recording, tuple[Event, ...]]:
    return replace(recording, events=()), recording.events


def first_day(seed: int, minutes: float = 30.0) -> Recording:
    return replace(simulate(daily(minutes, seed), seed).recording, events=())


def second_day(seed: int, minutes: float = 30.0) -> Recording:
    return replace(perform(session(person(seed, "table"), scenario="daily", minutes=minutes))[0], events=())


# What each piece of housework lasts, from and to, in s.
WORK_S = (30.0, 150.0)


def first_housework(seed: int, minutes: float = 30.0) -> Recording:
    """Half an hour of other things that come back: teeth, pots, tables, ironing, hair, nails, wool, washing, balls."""
    rng = np.random.default_rng([seed, 164])
    blocks: list[Chore | Pause] = []
    for name in _some(rng, tuple(HOUSEWORK), minutes):
        blocks += [Chore(name, float(rng.uniform(*WORK_S))), Pause(float(rng.uniform(5, 25)), "walk")]
    scenario = Scenario(Athlete("M.K."), tuple(blocks), ARMS, name=f"housework_{seed}")
    return replace(simulate(scenario, seed).recording, events=())


def second_housework(seed: int, minutes: float = 30.0) -> Recording:
    """The same by the second simulator's means, after a pose."""
    who = person(seed, "table")
    rng = who.random(165)
    blocks: list[Movement | Interlude] = [Movement("neutral_pose", 5.0)]
    for name in _some(rng, tuple(ROUNDS), minutes):
        blocks += [Interlude(name, float(rng.uniform(*WORK_S))), Interlude("walk", float(rng.uniform(5, 25)))]
    worn = ("right_wrist", "right_upper_arm", "left_wrist", "left_upper_arm")
    return replace(perform(Session(who, tuple(blocks), worn, "usual", seed))[0], events=())


def _some(rng: np.random.Generator, names: tuple[str, ...], minutes: float) -> list[str]:
    """In any order, none twice before all were done."""
    count = round(60 * minutes / (sum(WORK_S) / 2 + 15))
    return [str(name) for _ in range(count // len(names) + 1) for name in rng.permutation(names)][:count]
