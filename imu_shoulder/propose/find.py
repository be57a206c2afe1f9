"""What is proposed of a whole recording: the pose, the calibration movements, and the sets with their drills."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace

from imu_shoulder.align import align_recording
from imu_shoulder.analysis import Params
from imu_shoulder.angles.joint import ArmAngles
from imu_shoulder.drills import Drill, load_shipped, shipped_ids
from imu_shoulder.engine.asked import Asked
from imu_shoulder.engine.order import Part
from imu_shoulder.engine.whole import Whole
from imu_shoulder.errors import CalibrationError
from imu_shoulder.model import MAYBE_SET, Aligned, Event, Proposal, Recording, Side
from imu_shoulder.plan import Plan
from imu_shoulder.propose.arms import Arm, find_arms
from imu_shoulder.propose.pose import find_start
from imu_shoulder.propose.regular import among
from imu_shoulder.propose.sets import Named, Stretch, cut_to_recording, named, stretches
from imu_shoulder.segment.proposing import ProposeParams

# In the words of a row.
MAYBE = "may be no exercise: not counted"


def proposals(
    recording: Recording,
    plan: Plan | None = None,
    drills: Mapping[str, Drill] | None = None,
    params: Params | None = None,
    aligned: Aligned | None = None,
) -> tuple[Proposal, ...]:
    """What nobody marked in the recording, in time order: a neutral pose, calibration movements, sets, what may be one.

    Kinds that are marked are left as they are and not proposed. drills: the user's own by id, beside the shipped ones.
    plan: its drills are likelier, the one that comes next most of all. aligned: the recording on one clock, where it
    is there already.
    Raises ShoulderError when the recording cannot be used.
    """
    params = params or Params()
    aligned = aligned or align_recording(recording, params.align)
    marked = recording.events
    known = [Proposal(event.trial_type, event.onset_s, event.end_s) for event in marked]
    arms = find_arms(aligned, params.propose.repeats)
    sets_marked = [event for event in marked if event.trial_type == "set"]
    start = find_start(aligned, arms, sets_marked, params.calibrate.min_pose_s, params.propose)
    found: list[Proposal] = []
    if not any(event.trial_type == "neutral_pose" for event in marked) and start.pose is not None:
        found.append(start.pose)
    if not any(event.trial_type not in ("neutral_pose", "set") for event in marked):
        found += start.movements
    if any(event.trial_type == "set" for event in marked):
        return tuple(sorted(found, key=lambda own: own.start_s))
    movements = [own for own in (*known, *found) if own.kind not in ("set", "neutral_pose")]
    sets = stretches(arms, movements, params.propose)
    events = (*marked, *(own.event for own in found))
    angles = _angles(aligned, params, events, sets)
    if angles is None:
        # The pose is none: it moves.
        found, angles = [], {}
    all_s = float(aligned.time_s[0]), float(aligned.time_s[-1])
    sets = [cut_to_recording(own, *all_s) for own in sets]
    named_sets = _named(sets, plan, drills or {}, aligned, angles, params.propose)
    # A drill that is recognised says more than that nobody rests, and so do movements of a calibration.
    told = bool(movements) or any(own.drill for own in named_sets)
    found += named_sets if told else _whole(arms, _beside_pose(all_s, (*known, *found)), params.propose) or named_sets
    return tuple(sorted(found, key=lambda own: own.start_s))


def proposed(
    recording: Recording,
    plan: Plan | None = None,
    drills: Mapping[str, Drill] | None = None,
    params: Params | None = None,
    aligned: Aligned | None = None,
) -> Recording:
    """The recording with what is proposed of it among its events; as it is where that was done, or all is marked.
    What only may be a set is among the proposals alone."""
    if not recording.lacks_marks:
        return recording
    found = proposals(recording, plan, drills, params, aligned)
    sure = (own.event for own in found if own.kind != MAYBE_SET)
    events = sorted((*recording.events, *sure), key=lambda event: event.onset_s)
    return replace(recording, events=tuple(events), proposals=found)


def _angles(
    aligned: Aligned, params: Params, events: Sequence[Event], sets: Sequence[Stretch]
) -> Mapping[Side, ArmAngles] | None:
    """The arms' angles, from the pose that is marked or proposed; none without one, and None where it moves."""
    if not any(event.trial_type == "neutral_pose" for event in events):
        return {}
    # Headings are kept over a set as over a marked one, whatever its drill turns out to be; in what comes back by
    # chance the body turns.
    every = tuple(sorted((*events, *(own.event for own in sets if own.may_count)), key=lambda event: event.onset_s))
    whole = Whole(aligned, params, Asked())
    try:
        whole.advance(Part(aligned.time_s, aligned.tracks, every, every))
    except CalibrationError:
        return None
    return whole.arms


def _named(
    sets: Sequence[Stretch],
    plan: Plan | None,
    own: Mapping[str, Drill],
    aligned: Aligned,
    angles: Mapping[Side, ArmAngles],
    params: ProposeParams,
) -> list[Proposal]:
    """In order of time, each with the drill that it is likeliest, what the plan still asks for being likelier."""
    choices = {drill_id: load_shipped(drill_id) for drill_id in shipped_ids()} | dict(own)
    due: list[str] = []
    if plan is not None:
        choices |= plan.by_id
        due = [planned.drill.id for planned in plan.drills for _ in range(planned.sets)]
    out: list[Named] = []
    for stretch in sets:
        priors = {} if plan is None else _priors(choices, plan, due, params)
        found = named(stretch, list(choices.values()), priors, aligned, angles)
        if found.told.drill in due and found.chance * found.told.probability >= params.least_probability:
            due.remove(found.told.drill)
        out.append(found)
    told = [
        replace(own.told, probability=chance * own.told.probability)
        for own, chance in zip(out, among([own.chance for own in out], params.even), strict=True)
    ]
    doubted = [
        replace(own, kind=MAYBE_SET, doubt="; ".join(filter(None, [MAYBE, own.doubt])))
        for own in told
        if params.least_named <= own.probability < params.least_probability
    ]
    return [own for own in told if own.probability >= params.least_probability] + doubted


def _beside_pose(all_s: tuple[float, float], others: Sequence[Proposal]) -> tuple[float, float]:
    """A span up to the pose that it begins or ends with."""
    first_s, last_s = all_s
    for own in others:
        if own.kind == "neutral_pose" and own.start_s - first_s < last_s - own.end_s:
            first_s = max(first_s, own.end_s)
        elif own.kind == "neutral_pose":
            last_s = min(last_s, own.start_s)
    return first_s, last_s


def _whole(arms: Sequence[Arm], all_s: tuple[float, float], params: ProposeParams) -> list[Proposal]:
    """A short recording without a rest as one set of each arm: it was cut to it, however uneven it is.

    all_s: from when to when it lasts.
    """
    out = []
    first_s, last_s = all_s
    for arm in arms:
        # At its ends it may rest.
        longest_s = float((arm.stays.end_s - arm.stays.start_s)[1:-1].max(initial=0.0))
        too_long = last_s - first_s > params.short_s or longest_s > params.rest_s
        if too_long or len(arm.stays.start_s) < params.fewest_stays:
            return []
        reps = max((chain.reps for chain in arm.exercise), default=0)
        chance = params.even.filled_chance if reps >= params.even.filled_reps else params.least_probability
        doubt = "" if reps >= params.even.filled_reps else "no movement in it comes back evenly"
        out.append(Proposal("set", first_s, last_s, arm.side, probability=chance, reps=reps, doubt=doubt))
    return out


def _priors(choices: Mapping[str, Drill], plan: Plan, due: Sequence[str], params: ProposeParams) -> dict[str, float]:
    asked = {planned.drill.id for planned in plan.drills}
    weights = {name: params.asked_weight if name in asked else params.unasked_weight for name in choices}
    if due:
        weights[due[0]] = params.next_weight
    return weights
