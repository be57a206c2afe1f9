"""The sessions on which tests/write_constants.py moves every constant: each has something that constants guard against.

Of both simulators; persons of numbers that no other table and no tuning uses.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import second_simulator as second
from second_simulator import Fault, Interlude, SetPlan, calmed, perform, person

from imu_shoulder.model import Recording
from imu_shoulder.simulate import (
    Athlete,
    Damage,
    ElbowBends,
    ForwardRaises,
    Pause,
    Pose,
    Scenario,
    SensorModel,
    SetScript,
    Slip,
    simulate,
)
from imu_shoulder.simulate.scenarios import ARMS
from imu_shoulder.simulate.script import PartWay

FIRST_PERSON = 700
WORN = (*ARMS, "sternum")
RIGHT = ("right_wrist", "right_upper_arm")


@dataclass(frozen=True, slots=True)
class Session:
    """One recording with its truth.

    angles: by side, columns (N,) at time_s (N,), degrees. reps: the true ones, of either simulator. told: whether the
    sensors sit as they should, so that angles can be held against the truth. live: whether it is also played as live.
    """

    name: str
    recording: Recording
    time_s: np.ndarray
    angles: Mapping[str, Mapping[str, np.ndarray]]
    reps: Sequence[Any]
    told: bool = True
    live: bool = False


def _ours(name: str, blocks: Sequence[Any], who: int, **others: Any) -> Session:
    options = {key: others.pop(key) for key in ("told", "live") if key in others}
    start = (Pose(), ElbowBends(), ForwardRaises(2))
    scenario = Scenario(
        others.pop("athlete", Athlete()), (*start, *blocks, Pause(2, "stand")), others.pop("placements", WORN), **others
    )
    run = simulate(scenario, who)
    reps = [rep for rep in run.truth.reps if rep.counts]
    return Session(name, run.recording, run.truth.time_s, run.truth.angles, reps, **options)


def _other(name: str, who: second.Person, sets: Sequence[SetPlan], **others: Any) -> Session:
    recording, truth = perform(second.session(who, sets, **others))
    return Session(name, recording, truth.time_s, truth.angles, truth.reps)


def calm(who: int) -> Session:
    faults = {3: ("shrug",), 5: ("trunk_moved",)}
    sets = (SetScript("full_can", "right", reps=6, faults=faults), Pause(5, "walk"), SetScript("overhead_short_arc"))
    return _ours("calm, one shrug", sets, who, placements=(*WORN, "right_acromion"))


def faulty(who: int) -> Session:
    of_can = {1: ("short_arc",), 2: ("thumb_down",), 3: ("hold_short",), 4: ("partial",), 5: ("start_missed",)}
    of_turn = {2: ("elbow_off",), 3: ("false_start",), 4: ("too_fast",), 5: ("hold_broken",), 6: ("short_arc",)}
    sets = (
        SetScript("full_can", "right", reps=6, faults=of_can),
        Pause(5, "fidget"),
        SetScript("band_external_rotation", "right", reps=7, faults=of_turn),
    )
    return _ours("faults of form", sets, who, placements=RIGHT)


def slipped(who: int) -> Session:
    sets = (
        SetScript("full_can", "both", reps=4),
        Pause(6, "walk"),
        SetScript("band_external_rotation", "both", reps=5),
        Pause(6, "walk"),
        SetScript("full_can", "both", reps=4),
    )
    sensors = {
        "right_upper_arm": SensorModel(slips=(Slip(105.0, 24.0),)),
        "left_wrist": SensorModel(slips=(Slip(135.0, 13.0, (1.0, 0.0, 0.0)),)),
    }
    return _ours("straps that slip", sets, who, placements=ARMS, sensors=sensors, told=False)


def damaged(who: int) -> Session:
    sets = (SetScript("full_can", "both", reps=5), Pause(6, "walk"), SetScript("band_loop_raise", "both", reps=4))
    damage = {
        "right_wrist": Damage(drop_share=0.02, bursts=8, burst_s=0.1, outages=((75.0, 1.4),)),
        "right_upper_arm": Damage(bursts=6, burst_s=0.16),
        "left_wrist": Damage(stuck=(("gyr_x", 80.0, 81.5),), duplicate_share=0.004),
        "left_upper_arm": Damage(outages=((62.0, 0.3), (90.0, 4.0))),
    }
    sensors = {
        "right_wrist": SensorModel(gyr_range_deg_s=60.0),
        "left_wrist": SensorModel(clock_ppm=80.0, stamp_jitter_s=0.003),
        "sternum": SensorModel(true_rate_factor=0.98),
    }
    return _ours("gaps, losses, clipping", sets, who, damage=damage, sensors=sensors)


def unmarked(who: int) -> Session:
    sets = (SetScript("full_can", "right", reps=6), Pause(12, "walk"), SetScript("row_rotate", "right", reps=4))
    made = _ours("sets not marked", sets, who, placements=RIGHT)
    kept = tuple(e for e in made.recording.events if e.trial_type not in ("set", "neutral_pose"))
    return replace(made, recording=replace(made.recording, events=kept))


def swapped(who: int) -> Session:
    """The sensors of the right arm swapped, that of the left wrist laid aside as it was in the pose."""
    sets = (SetScript("full_can", "both", reps=4), Pause(5, "walk"), SetScript("band_loop_raise", "both", reps=4))
    made = _ours("sensors swapped and not worn", sets, who, placements=ARMS, told=False)
    streams = dict(made.recording.streams)
    wrist, upper = (streams[f"right_{segment}"] for segment in ("wrist", "upper_arm"))
    streams["right_wrist"] = replace(upper, placement="right_wrist")
    streams["right_upper_arm"] = replace(wrist, placement="right_upper_arm")
    left = streams["left_wrist"]
    noise = np.random.default_rng(who).normal(size=(2, *left.acc_m_s2.shape))
    acc = left.acc_m_s2[100:200].mean(axis=0) + 0.01 * noise[0]
    streams["left_wrist"] = replace(left, acc_m_s2=acc, gyr_rad_s=0.001 * noise[1])
    return replace(made, recording=replace(made.recording, streams=streams))


def unsteady_pose(who: int) -> Session:
    athlete = Athlete("U.P.", sway_deg=0.8, pose_elevation_deg=7.0, pose_elbow_deg=14.0)
    sets = (SetScript("full_can", "both", reps=4), Pause(5, "walk"), SetScript("band_external_rotation", "left"))
    made = _ours("a short pose with much sway", sets, who, athlete=athlete)
    short = tuple(replace(e, duration_s=2.4) if e.trial_type == "neutral_pose" else e for e in made.recording.events)
    return replace(made, recording=replace(made.recording, events=short))


def restless(who: int) -> Session:
    sets = [
        SetPlan("full_can", "both", 4, tempo_s=2.0, hold_s=5.5),
        SetPlan("row_rotate_press", "right", 3, tempo_s=1.4),
    ]
    return _other(
        "restless, walks, sternum", person(who, "table"), sets, sternum=True, between=[Interlude("walk", 12.0)]
    )


def restless_alone(who: int) -> Session:
    faults = {2: (Fault("elbow_off_side", 12.0),), 4: (Fault("short_arc", 8.0),)}
    sets = [
        SetPlan("band_external_rotation", "right", 6, tempo_s=1.5, hold_s=2.0, faults=faults),
        SetPlan("full_can", "right", 4, tempo_s=2.0, hold_s=5.5),
        SetPlan("band_external_rotation", "right", 5, tempo_s=1.5, hold_s=2.0),
    ]
    between = [Interlude("walk", 10.0), Interlude("sit", 10.0)]
    arms = ("right",)
    return _other("restless, no sternum", person(who, "table"), sets, sternum=False, between=between, arms=arms)


def cheap(who: int) -> Session:
    sets = [
        SetPlan("full_can", "left", 5, tempo_s=1.8, hold_s=5.5),
        SetPlan("overhead_short_arc", "left", 5, tempo_s=1.5),
    ]
    between = [Interlude("walk", 12.0, 80.0), Interlude("adjust", 6.0)]
    return _other(
        "a cheap sensor", person(who, "table"), sets, sternum=False, between=between, arms=("left",), grade="cheap"
    )


def slow(who: int) -> Session:
    sets = [
        SetPlan("band_external_rotation", "right", 3, tempo_s=6.0, hold_s=18.0),
        SetPlan("full_can", "right", 3, 5.0, 15.0),
    ]
    return _other(
        "slow, holds long",
        person(who, "table"),
        sets,
        between=[Interlude("stand", 8.0)],
        arms=("right",),
        sternum=False,
    )


def quick(who: int) -> Session:
    sets = [
        SetPlan("full_can", "both", 6, tempo_s=0.8, hold_s=1.0, pause_s=0.3),
        SetPlan("row_rotate", "left", 4, tempo_s=0.8, pause_s=0.3, faults={2: (Fault("station_skipped"),)}),
    ]
    return _other("quick, holds short", person(who, "table"), sets, between=[Interlude("scratch", 8.0)], sternum=True)


def lying(who: int) -> Session:
    sets = [
        SetPlan("sidelying_external_rotation", "right", 6, tempo_s=1.6),
        SetPlan("full_can_hold_and_lift", "right", 4, tempo_s=1.8),
    ]
    return _other(
        "calm, lies and stands", calmed(person(who, "table")), sets, between=[Interlude("walk", 10.0)], sternum=True
    )


def pausing(who: int) -> Session:
    """Unasked pauses part-way, marks that cut into movements, and a pose alone: no calibration movements."""
    sets = [
        SetPlan("full_can", "right", 5, 1.8, 5.5, breaks=(("up", 0.5, 1.6), ("down", 0.5, 1.6)), mark_s=(0.3, 0.2)),
        SetPlan("full_can", "left", 5, 1.8, 5.5, faults={k: (Fault("hold_short", 0.5),) for k in (2, 3)}),
    ]
    made = second.session(person(who, "table"), sets, sternum=False, between=[Interlude("walk", 10.0)])
    recording, truth = perform(replace(made, blocks=(made.blocks[0], *made.blocks[3:])))
    return Session("pauses part-way, the pose alone", recording, truth.time_s, truth.angles, truth.reps)


def streamed() -> Session:
    """Right arm only: short, as a stream takes long. A hole within a rep, and a strap that slips in the second set."""
    sets = (
        SetScript("full_can", "right", reps=4, faults={2: ("hold_short",), 3: ("too_fast",)}),
        Pause(5, "walk"),
        SetScript("band_external_rotation", "right", reps=5, faults={2: ("partial",), 3: ("false_start",)}),
    )
    sensors = {"right_upper_arm": SensorModel(slips=(Slip(112.0, 13.0),))}
    damage = {"right_wrist": Damage(outages=((52.0, 0.7),), bursts=3)}
    return _ours("played as live", sets, FIRST_PERSON + 20, placements=RIGHT, sensors=sensors, damage=damage, live=True)


SESSIONS: tuple[Callable[[int], Session], ...] = (
    *(calm, faulty, slipped, damaged, unmarked, swapped, unsteady_pose),
    *(restless, restless_alone, cheap, slow, quick, lying, pausing),
)


# Close calls: what is only just a fault, a slip or a swap, for constants that move nothing above.


def little_faults(who: int, sternum: bool) -> Session:
    """A degree or so beyond the drill's limits, or a third of a second; shrugs of some degrees."""
    sizes = {
        1: ("short_arc", 1.2),
        3: ("thumb_down", 1.2),
        4: ("hold_short", 4.7),
        6: ("shrug", 6.0),
        8: ("elbow_off", 1.2),
    }
    of_can = {rep: (Fault(kind, size),) for rep, (kind, size) in sizes.items()}
    of_start = {2: (Fault("start_missed", 5.0),), 4: (Fault("shrug", 9.0),), 5: (Fault("trunk_moved", 1.2),)}
    sets = [
        SetPlan("full_can", "right", 9, 1.8, 5.2, faults=of_can),
        SetPlan("full_can", "right", 6, 1.8, 5.2, faults=of_start),
    ]
    between = [Interlude("walk", 8.0)]
    options = {"arms": ("right",), "sternum": sternum, "acromion": True, "between": between}
    return _other("faults that are hardly any", calmed(person(who, "table")), sets, **options)


def little_slips(who: int) -> Session:
    turns = ("full_can", "band_external_rotation", "full_can", "band_external_rotation")
    sets = [block for drill in turns for block in (SetScript(drill, "both", reps=4), Pause(6, "fidget"))]
    sensors = {
        "right_upper_arm": SensorModel(slips=(Slip(95.0, 11.0), Slip(200.0, 9.0, (1.0, 0.0, 0.0)))),
        "left_wrist": SensorModel(slips=(Slip(150.0, 11.0, (0.0, 0.0, 1.0)),)),
    }
    return _ours("slips that are hardly any", sets, who, placements=ARMS, sensors=sensors, told=False)


def quietly_swapped(who: int) -> Session:
    """No elbow bends to show that sensors are swapped; a sensor laid aside that is jolted about as much as a person."""
    made = swapped(who)
    kept = tuple(event for event in made.recording.events if event.trial_type != "elbow_bends")
    streams = dict(made.recording.streams)
    left = streams["left_wrist"]
    jolts = np.random.default_rng(who).normal(size=left.gyr_rad_s.shape)
    streams["left_wrist"] = replace(left, gyr_rad_s=0.0022 * jolts)
    return replace(made, name="swaps hardly seen", recording=replace(made.recording, streams=streams, events=kept))


def other_arm(who: int) -> Session:
    """The sensors of the two arms swapped, on a person whose other arm moves along by half."""
    reps = {"right": 4, "left": 1}
    sets = (
        SetScript("full_can", "both", reps=reps),
        Pause(5, "walk"),
        SetScript("band_external_rotation", "both", reps=reps),
    )
    made = _ours("sides swapped", sets, who, placements=ARMS, told=False)
    streams = {}
    for placement, stream in made.recording.streams.items():
        side, _, segment = placement.partition("_")
        other = f"{'left' if side == 'right' else 'right'}_{segment}"
        streams[other] = replace(stream, placement=other)
    events = tuple(replace(e, side="right") if e.trial_type == "set" else e for e in made.recording.events)
    return replace(made, recording=replace(made.recording, streams=streams, events=events))


def lying_alone(who: int) -> Session:
    """Lies without a sternum sensor, and only the elbow bends show where forward is."""
    sets = [SetPlan("sidelying_external_rotation", "right", 6, 1.6), SetPlan("full_can", "right", 4, 1.8, 5.5)]
    between = [Interlude("walk", 10.0)]
    made = second.session(person(who, "table"), sets, sternum=False, between=between, arms=("right",))
    recording, truth = perform(replace(made, blocks=(*made.blocks[:2], *made.blocks[3:])))
    return Session("lies, no sternum, no raises", recording, truth.time_s, truth.angles, truth.reps)


def hardly_clipped(who: int) -> Session:
    sets = (
        SetScript("full_can", "right", reps=8, lift_s=1.2, lower_s=1.2),
        Pause(5, "walk"),
        SetScript("band_external_rotation"),
    )
    sensors = {"right_wrist": SensorModel(gyr_range_deg_s=123.0), "right_upper_arm": SensorModel(gyr_range_deg_s=126.0)}
    return _ours("hardly clipped", sets, who, placements=RIGHT, sensors=sensors)


def streamed_long() -> Session:
    """A set of over a minute with pauses part-way and holes in holds and lifts, after a while of walking about."""
    pauses = (PartWay("up", 0.5, 1.5), PartWay("down", 0.6, 2.5))
    can = SetScript("full_can", "right", reps=6, pauses=pauses)
    sets = (can, Pause(40, "walk"), SetScript("band_external_rotation", "right", reps=12))
    damage = {p: Damage(outages=((56.0, 0.6), (84.0, 0.3), (98.0, 0.5), (101.0, 1.2))) for p in RIGHT}
    return _ours("played as live, long", sets, FIRST_PERSON + 40, placements=RIGHT, damage=damage, live=True)


def close_calls() -> Iterator[Session]:
    first = FIRST_PERSON + 30
    yield little_faults(first, sternum=True)
    yield little_faults(first + 1, sternum=False)
    for number, make in enumerate((little_slips, quietly_swapped, other_arm, lying_alone, hardly_clipped), start=2):
        yield make(first + number)
    yield streamed_long()


def population() -> Iterator[Session]:
    """Every session by a person of its own, then the one that is played as live, too."""
    for number, make in enumerate(SESSIONS):
        yield make(FIRST_PERSON + number)
    yield streamed()
