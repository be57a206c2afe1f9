"""Sessions for print_strata.py: persons of both simulators outside the tuned range, and what they truly did."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from print_coverage import any_person
from print_tempo import side_of
from second_simulator import Interlude, SetPlan, perform, person, session
from second_simulator.session import random_fault
from true_limits import Span, TrueArm, margins_deg, true_arm

from imu_shoulder.drills import load_shipped, shipped_ids
from imu_shoulder.model import SIDES, FloatArray, Recording, Side
from imu_shoulder.simulate import Chore, ForwardRaises, Pause, Pose, Scenario, SensorModel, SetScript, simulate
from imu_shoulder.simulate.scenarios import ARMS
from imu_shoulder.simulate.script import possible_faults

# Sessions are numbered from here on, apart from every other figure's seeds.
FIRST_SEED = 500_000
# Twice as far as an angle is known.
PLAIN_DEG, PLAIN_SHARE = 10.0, 0.2
WRONG_SHARE = 0.15
# Longer strokes are slow; a set of them is long.
USUAL_STROKE_S = 4.0
SLOW_REPS = 4
BETWEEN_S = 12.0
PASSED_OVER = ("station_skipped", "order_wrong")


@dataclass(frozen=True, slots=True)
class Stratum:
    """Ranges from which a session's person is drawn, every other one as wide as ours go. between: what may be done
    between sets; sternum: None where it is drawn."""

    sway_deg: Span = (0.2, 1.5)
    wander_deg: Span = (0.2, 1.5)
    tempo_s: Span = (0.8, 8.0)
    hold_s: Span = (2.0, 20.0)
    hidden: Span = (0.1, 0.5)
    bias_deg_s: Span = (0.1, 1.5)
    between: tuple[str, ...] = ("stand", "walk", "sit", "lie")
    sternum: bool | None = None


STRATA = {
    "quiet": Stratum(sway_deg=(0.2, 0.5), wander_deg=(0.2, 0.5)),
    "restless": Stratum(sway_deg=(0.9, 1.5), wander_deg=(0.9, 1.5)),
    "quick": Stratum(tempo_s=(0.8, 1.5), hold_s=(2.0, 6.0)),
    "slow": Stratum(tempo_s=(4.0, 8.0), hold_s=(8.0, 20.0)),
    "firm skin": Stratum(hidden=(0.1, 0.2)),
    "soft skin": Stratum(hidden=(0.4, 0.5)),
    "large bias": Stratum(bias_deg_s=(1.0, 1.5)),
    "walking": Stratum(between=("walk",), sternum=True),
    "walking, no breastbone sensor": Stratum(between=("walk",), sternum=False),
    "sitting and lying": Stratum(between=("sit", "lie")),
}


@dataclass(frozen=True, slots=True)
class TrueRep:
    """span_s: from setting out to being back. margins: by fault, how far inside its limit, degrees or seconds. put_in:
    faults by the judge's names. hold_s: as docs/measures.md has it."""

    set: int
    side: Side
    drill: str
    span_s: Span
    hold_s: float
    put_in: tuple[str, ...]
    margins: Mapping[str, float]

    @property
    def clean(self) -> bool:
        return not self.put_in and all(margin >= 0 for margin in self.margins.values())

    @property
    def plain(self) -> tuple[str, ...]:
        """What was put in and is truly missed by more than is a matter of opinion."""
        drill = load_shipped(self.drill)
        asked_s = {"hold_short": drill.top.hold_s, "too_fast": min(drill.lift_at_least_s, drill.lower_at_least_s)}
        least = {name: PLAIN_SHARE * asked_s[name] if name in asked_s else PLAIN_DEG for name in self.put_in}
        return tuple(n for n in self.put_in if n in PASSED_OVER or self.margins.get(n, 0.0) <= -least[n])


@dataclass(frozen=True, slots=True)
class Run:
    """One session and its truth, of either simulator. angles: by side, columns (N,) on time_s."""

    recording: Recording
    reps: tuple[TrueRep, ...]
    time_s: FloatArray
    angles: Mapping[Side, Mapping[str, FloatArray]]
    tempo_s: float


def drawn(
    stratum: Stratum, number: int
) -> tuple[dict[str, float], list[str], bool, list[SetPlan], np.random.Generator]:
    """Of one session: the person's figures, what is done between sets, whether the sternum sensor is worn, the sets."""
    rng = np.random.default_rng([FIRST_SEED, number])
    figures = {
        name: float(rng.uniform(*getattr(stratum, name))) for name in ("sway_deg", "wander_deg", "hidden", "bias_deg_s")
    }
    figures |= {name: float(np.exp(rng.uniform(*np.log(getattr(stratum, name))))) for name in ("tempo_s", "hold_s")}
    plans = []
    for drill_id in rng.choice(shipped_ids(), int(rng.integers(3, 5))):
        reps = SLOW_REPS if figures["tempo_s"] > USUAL_STROKE_S else int(rng.integers(4, 7))
        faults = {k: (random_fault(drill_id, rng),) for k in range(1, reps + 1) if rng.random() < WRONG_SHARE}
        mark_s = (float(rng.uniform(0.4, 2.5)), float(rng.uniform(0.4, 2.5)))
        plans.append(SetPlan(str(drill_id), side_of(str(drill_id), rng), reps, faults=faults, mark_s=mark_s))
    between = [str(kind) for kind in rng.choice(stratum.between, len(plans) - 1)]
    sternum = bool(rng.random() < 0.5) if stratum.sternum is None else stratum.sternum
    return figures, between, sternum, plans, rng


def run_one(stratum: Stratum, number: int) -> Run:
    """Our own simulator; it lies down in a side-lying set only, and sits in place of lying between sets."""
    figures, between, sternum, plans, rng = drawn(stratum, number)
    athlete, bends = any_person(FIRST_SEED + number)
    athlete = replace(athlete, sway_deg=figures["sway_deg"], soft_tissue_share=figures["hidden"])
    blocks: list[Any] = [Pose(), bends, ForwardRaises()]
    for k, plan in enumerate(plans):
        drill = load_shipped(plan.drill)
        what = ["stand", *between][k]
        blocks.append(Chore("sit", BETWEEN_S) if what in ("sit", "lie") else Pause(BETWEEN_S if k else 4.0, what))
        can = sorted(possible_faults(drill) - {"partial", "false_start", "shrug", "hold_broken"})
        turns_round = drill.top.hold_s == 0 and rng.random() < 0.5
        up_s, down_s = figures["tempo_s"] * rng.uniform(0.8, 1.25, 2)
        blocks.append(
            SetScript(
                plan.drill,
                plan.side,
                reps=plan.reps,
                hold_s=None if turns_round else figures["hold_s"],
                lift_s=float(np.clip(up_s, 0.8, 8.0)),
                lower_s=float(np.clip(down_s, 0.8, 8.0)),
                rest_s=float(rng.uniform(0.3, 3.0)),
                faults={rep: (str(rng.choice(can)),) for rep in plan.faults},
            )
        )
    sensor = SensorModel(gyr_bias_deg_s=figures["bias_deg_s"])
    placements = (*ARMS, "sternum") if sternum else ARMS
    run = simulate(Scenario(athlete, (*blocks, Pause(3, "stand")), placements, sensor=sensor), FIRST_SEED + number)
    arms = {side: true_arm(run.truth, side, run.truth.angles[side]) for side in SIDES}
    reps = []
    for rep in (rep for rep in run.truth.reps if rep.role == "lift" and rep.counts):
        drill = load_shipped(rep.drill)
        stays = sorted(rep.stations, key=lambda stay: stay[1])
        moved_s = [b[1] - a[2] for a, b in zip([("", 0.0, rep.start_s), *stays[:-1]], stays, strict=True)]
        too_fast = min(sum(moved_s) - drill.lift_at_least_s, rep.end_s - rep.top_end_s - drill.lower_at_least_s)
        times = {"too_fast": too_fast} | ({"hold_short": rep.hold_s - drill.top.hold_s} if drill.top.hold_s else {})
        span_s = (rep.start_s, rep.end_s)
        reps.append(_rep(arms[rep.side], rep, span_s, {name: (a, b) for name, a, b in stays}, times))
    return Run(run.recording, tuple(reps), run.truth.time_s, run.truth.angles, figures["tempo_s"])


def run_two(stratum: Stratum, number: int) -> Run:
    """The second simulator."""
    figures, between, sternum, plans, _ = drawn(stratum, number)
    who = person(FIRST_SEED + number, "table")
    skins = {side: replace(arm, skin=replace(arm.skin, hidden=figures["hidden"])) for side, arm in who.arms.items()}
    bias = figures["bias_deg_s"]
    own = {name: figures[name] for name in ("sway_deg", "wander_deg", "tempo_s", "hold_s")}
    who = replace(who, arms=skins, bias_deg_s=(bias, bias), **own)
    done = [Interlude(kind, BETWEEN_S) for kind in between]
    recording, truth = perform(session(who, plans, sternum=sternum, between=done))
    arms = {side: true_arm(truth, side, {**truth.angles[side], **truth.trunk}) for side in SIDES}
    reps = []
    for rep in (rep for rep in truth.reps if rep.role == "lift"):
        times = {name: rep.margins[name] for name in ("too_fast", "hold_short") if name in rep.margins}
        stays = {stay.name: (stay.start_s, stay.end_s) for stay in rep.stays}
        reps.append(_rep(arms[rep.side], rep, (rep.set_out_s, rep.arrived_s), stays, times))
    return Run(recording, tuple(reps), truth.time_s, truth.angles, figures["tempo_s"])


def _rep(arm: TrueArm, rep: Any, span_s: Span, stays_s: Mapping[str, Span], times: Mapping[str, float]) -> TrueRep:
    margins = margins_deg(load_shipped(rep.drill), arm, span_s, stays_s, holds=False)
    put_in = tuple("upper_arm_off" if name == "elbow_off_side" else name for name in rep.faults)
    return TrueRep(rep.set, rep.side, rep.drill, span_s, rep.hold_s, put_in, {**margins, **times})


RUNS = {"one": run_one, "two": run_two}
