"""Runs a scenario: a recording as the sensors would have written it, and the truth behind it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from scipy.interpolate import CubicSpline
from scipy.spatial.transform import Rotation

from imu_shoulder.drills import load_shipped
from imu_shoulder.frames import Z_AXIS, quat_from_rotation, rotation_from_quat
from imu_shoulder.model import PLACEMENTS, FloatArray, Recording, SensorStream, Side
from imu_shoulder.simulate.daily import do_chore
from imu_shoulder.simulate.damage import Damage
from imu_shoulder.simulate.holds import true_hold
from imu_shoulder.simulate.kinematics import Body, body_motion, chain
from imu_shoulder.simulate.range_tests import perform_range_test
from imu_shoulder.simulate.script import (
    BendsAtShoulderHeight,
    Block,
    Chore,
    ElbowBends,
    ForwardRaises,
    Pause,
    Pose,
    RangeTestScript,
    Scenario,
    SetScript,
)
from imu_shoulder.simulate.sensor import sense, slipping, true_motion
from imu_shoulder.simulate.sets import SetPerformance
from imu_shoulder.simulate.stage import (
    Attempt,
    Stage,
    bend_at_shoulder_height,
    bend_elbows,
    pause,
    raise_forward,
    strike_pose,
)

FINE_RATE_HZ = 400.0
FINE_FACTOR = 4


@dataclass(frozen=True, slots=True)
class TrueRep:
    """What truly happened in one attempt. Times are seconds of the recording's clock.

    set: 1-based among the set events. side: the arm. rep: 1-based; a false_start carries the number of the
    rep it precedes. start_s: the motion sets out; top_start_s: it has arrived at the drill's last station;
    top_end_s: it leaves; end_s: back at the start. start_deg: the drill's leading angle at start_s; top_deg: its median
    from top_start_s to top_end_s. role: lift or hold (the arm that stays up in hold and lift). counts: False
    for partial and false_start. stations: (name, arrives_s, leaves_s) in the order visited. hold_start_s, hold_end_s:
    the hold as docs/measures.md has it, by the true angles; of an arm that stays up from arriving to leaving.
    """

    set: int
    drill: str
    side: Side
    rep: int
    start_s: float
    top_start_s: float
    top_end_s: float
    end_s: float
    start_deg: float
    top_deg: float
    role: str
    faults: tuple[str, ...]
    counts: bool
    stations: tuple[tuple[str, float, float], ...]
    hold_start_s: float
    hold_end_s: float

    @property
    def hold_s(self) -> float:
        return self.hold_end_s - self.hold_start_s

    @property
    def arc_deg(self) -> float:
        return self.top_deg - self.start_deg


@dataclass(frozen=True, slots=True)
class Truth:
    """time_s: (M,) at the scenario's rate, seconds of the recording's clock.

    angles: per side and column (M,), degrees: elevation_deg (about the trunk), elevation_gravity_deg, plane_deg (also
    where it means nothing, near 0 and 180), rotation_deg (from the ISB zero, not from the person's pose),
    elbow_deg, forearm_deg, thumb_up_deg, trunk_lean_deg (from the vertical), trunk_turn_deg (heading, left
    positive), scapula_deg (upward rotation with any shrug).
    quats: quat_earth_from_<bone> (M, 4), scalar first, by bone: thorax, right_humerus, right_forearm,
    right_scapula and so on. Frames of both sides are right-handed ISB frames; mirror the left for clinical angles.
    sensor_quats: quat_earth_from_sensor (M, 4) by placement. mountings: quat_segment_from_sensor (4,).
    """

    time_s: FloatArray
    angles: Mapping[Side, Mapping[str, FloatArray]]
    quats: Mapping[str, FloatArray]
    sensor_quats: Mapping[str, FloatArray]
    mountings: Mapping[str, FloatArray]
    reps: tuple[TrueRep, ...]


@dataclass(frozen=True, slots=True)
class Simulated:
    recording: Recording
    truth: Truth


def simulate(scenario: Scenario, seed: int) -> Simulated:
    """The scenario as recorded, with its truth. The same scenario and seed give the same arrays.

    The motion does not depend on which sensors are worn or how good they are.
    """
    motion_seed, *sensor_seeds = np.random.SeedSequence(seed).spawn(1 + len(PLACEMENTS))
    stage = _perform(scenario, np.random.default_rng(motion_seed))
    factor = max(FINE_FACTOR, int(np.ceil(FINE_RATE_HZ / scenario.rate_hz)))
    fine_s = np.arange(int(stage.now_s * scenario.rate_hz) * factor + 1) / (scenario.rate_hz * factor)
    body = body_motion(
        scenario.athlete, {channel: stage.line.evaluate(channel, fine_s) for channel in stage.line.channels}
    )
    streams: dict[str, SensorStream] = {}
    sensor_quats: dict[str, FloatArray] = {}
    mountings: dict[str, FloatArray] = {}
    for placement in scenario.placements:
        rng = np.random.default_rng(sensor_seeds[PLACEMENTS.index(placement)])
        drawn = Rotation.random(rng=rng)
        given = scenario.mountings.get(placement)
        mounting = drawn if given is None else rotation_from_quat(np.asarray(given))
        streams[placement], attitude = _record(scenario, placement, fine_s, body, mounting, rng)
        sensor_quats[placement] = quat_from_rotation(attitude[::factor])
        mountings[placement] = quat_from_rotation(mounting)
    events = tuple(sorted(stage.events, key=lambda event: event.onset_s))
    recording = Recording(scenario.name, scenario.athlete.name, scenario.start, streams, events)
    angles = {
        side: {name: values[::factor] for name, values in columns.items()} for side, columns in body.angles.items()
    }
    quats = {name: quat_from_rotation(attitude[::factor]) for name, attitude in body.bones.items()}
    attempts = sorted(stage.attempts, key=lambda attempt: (attempt.set, attempt.start_s))
    reps = tuple(_true_rep(attempt, fine_s, body) for attempt in attempts)
    return Simulated(recording, Truth(fine_s[::factor], angles, quats, sensor_quats, mountings, reps))


def _perform(scenario: Scenario, rng: np.random.Generator) -> Stage:
    stage, sets = Stage(scenario.athlete, rng), 0
    for block in scenario.blocks:
        if isinstance(block, SetScript):
            sets += 1
            SetPerformance(stage, block, sets).perform()
        else:
            _perform_block(stage, block)
    stage.finish()
    return stage


def _perform_block(stage: Stage, block: Block) -> None:
    match block:
        case Pose():
            strike_pose(stage, block)
        case ElbowBends():
            bend_elbows(stage, block)
        case ForwardRaises():
            raise_forward(stage, block)
        case BendsAtShoulderHeight():
            bend_at_shoulder_height(stage, block)
        case Pause():
            pause(stage, block)
        case Chore():
            do_chore(stage, block)
        case RangeTestScript():
            perform_range_test(stage, block)


def _record(
    scenario: Scenario, placement: str, fine_s: FloatArray, body: Body, mounting: Rotation, rng: np.random.Generator
) -> tuple[SensorStream, Rotation]:
    """The stream as written, and earth_from_sensor on the fine grid."""
    model = scenario.sensors.get(placement, scenario.sensor)
    skin, position_m = body.worn[placement]
    attitude = chain(skin, slipping(model, fine_s), mounting)
    force, rate = true_motion(fine_s, attitude, position_m, scenario.gravity_m_s2)
    stream, sampled_s = sense(model, placement, fine_s, force, rate, scenario.rate_hz, rng)
    damage = scenario.damage.get(placement, Damage())
    gravity = CubicSpline(fine_s, attitude.inv().apply(scenario.gravity_m_s2 * Z_AXIS))(sampled_s)
    return damage.apply(stream, gravity, rng), attitude


def _true_rep(attempt: Attempt, fine_s: FloatArray, body: Body) -> TrueRep:
    drill, angles = load_shipped(attempt.drill), body.angles[attempt.side]
    leading = angles[f"{drill.leading_angle}_deg"]
    span_s, top_s = (attempt.start_s, attempt.end_s), (attempt.top_start_s, attempt.top_end_s)
    hold_s = top_s
    if attempt.role == "lift":
        stays = {name: (arrives_s, leaves_s) for name, arrives_s, leaves_s in attempt.stations}
        hold_s = true_hold(drill, fine_s, angles, span_s, top_s, stays)
    top = leading[(fine_s >= attempt.top_start_s) & (fine_s <= attempt.top_end_s)]
    return TrueRep(
        attempt.set,
        attempt.drill,
        attempt.side,
        attempt.rep,
        attempt.start_s,
        attempt.top_start_s,
        attempt.top_end_s,
        attempt.end_s,
        float(np.interp(attempt.start_s, fine_s, leading)),
        float(np.median(top)),
        attempt.role,
        attempt.faults,
        attempt.counts,
        attempt.stations,
        *hold_s,
    )
