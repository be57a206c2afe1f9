"""A sensor that turned on its strap during the session: when, by how much, and on which limb.

Two things must agree before a slip is said. A quick turn of one sensor that its neighbour on the arm does not share
(slip_pulses), and a lasting change by just that turn of how the sensor lies to its neighbour in quiet moments
(slip_postures). A quick movement has the first but not the second, a new posture or a drift of the heading the second
but not the first. The attitudes before any correction of the heading are used: it takes a part of a slip for drift.
A sensor whose neighbour on the arm (wrist and upper arm) is not worn cannot be judged.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from itertools import groupby

import numpy as np
from scipy.spatial.transform import Rotation

from imu_shoulder.calibrate.pose import Pose
from imu_shoulder.calibrate.slip_model import Slip, SlipParams
from imu_shoulder.calibrate.slip_postures import Postures, blocks, without_repeats
from imu_shoulder.calibrate.slip_pulses import Pulse, find_pulses
from imu_shoulder.findings import finding_of
from imu_shoulder.frames import quat_from_rotation, rotation_from_quat
from imu_shoulder.model import SIDES, Event, Finding, FloatArray, Side, limb_words, limbs_of
from imu_shoulder.orient.attitude import Attitude
from imu_shoulder.orient.moments import QuietMoments


def find_slips(
    time_s: FloatArray,
    rate_hz: float,
    attitudes: Mapping[str, Attitude],
    moments: Mapping[Side, QuietMoments],
    events: Sequence[Event],
    pose: Pose,
    params: SlipParams,
) -> list[Slip]:
    """Slips of the wrist and upper-arm sensors after the neutral pose, in time order.

    attitudes: by placement, as the filter gave them. moments: the quiet ones of each arm, its upper-arm and wrist
    sensors first. Only arms that wear both can be judged.
    """
    found: list[Slip] = []
    for side in SIDES:
        pair = [attitudes[p] for p in limbs_of(side) if p in pose.earth_from_sensor]
        if len(pair) == 2:
            pulses = find_pulses(time_s, rate_hz, pair, pose.end_s, params)
            found += slips_of_arm(side, pulses, moments[side], events, pose, params)
    return sorted((slip for slip in found if slip.stands(found, params)), key=lambda slip: slip.time_s)


def slip_findings(slips: Sequence[Slip]) -> list[Finding]:
    """What the report says of each slip."""
    return [
        finding_of(
            slip.placement,
            "sensor_slip",
            f"The {limb_words(slip.placement)} sensor turned on its strap by about {slip.angle_deg:.0f} deg; "
            "reps of this arm from then on were not scored. Tighten the strap and record the calibration again.",
            value=round(slip.angle_deg, 1),
            start_s=slip.time_s,
        )
        for slip in slips
    ]


def slips_of_arm(
    side: Side,
    pulses: Sequence[Sequence[Pulse]],
    moments: QuietMoments,
    events: Sequence[Event],
    pose: Pose,
    params: SlipParams,
) -> list[Slip]:
    """Slips of one arm that wears both sensors that are suspected, the best supported first; each is taken out before
    the next is looked for. pulses: of its upper-arm and its wrist sensor.
    """
    placements = limbs_of(side)
    worn = moments.time_s >= pose.start_s
    drift_rad_s = float(np.hypot(*moments.drift_rad_s[:2]))
    seen = [quat_from_rotation(sensor)[worn] for sensor in moments.earth_from_sensor[:2]]
    slips: list[Slip] = []
    while any(pulses) and worn.any():
        time_s, quats = without_repeats(moments.time_s[worn], seen, params)
        block = blocks(time_s, events, side)
        judged: list[Slip] = []
        for n, placement in enumerate(placements):
            postures = Postures(time_s, [quats[n], quats[1 - n]], block, drift_rad_s, params)
            judged += _judged(placement, sorted(pulses[n], key=lambda pulse: pulse.time_s), postures, params)
        if not judged:
            break
        best = max(judged, key=lambda slip: slip.evidence)
        slips.append(best)
        n = placements.index(best.placement)
        later = moments.time_s[worn] > best.time_s
        seen[n][later] = quat_from_rotation(rotation_from_quat(seen[n][later]) * Rotation.from_rotvec(-best.turn_rad))
        # What was judged and not found may be found now; what is near a found slip is part of it.
        apart_s = params.windows * max(params.pulse_s)
        pulses = [[pulse for pulse in own if abs(pulse.time_s - best.time_s) > apart_s] for own in pulses]
    return _lasting(slips, params)


def _lasting(slips: Sequence[Slip], params: SlipParams) -> list[Slip]:
    """Those of one arm that were not undone soon: a strap gives way, it does not go back by itself."""

    def undo(one: Slip, other: Slip) -> bool:
        both = Rotation.from_rotvec(one.turn_rad) * Rotation.from_rotvec(other.turn_rad)
        soon = abs(one.time_s - other.time_s) < params.lasting_s
        return one.placement == other.placement and soon and bool(both.magnitude() < params.least_rad)

    return [slip for slip in slips if not any(undo(slip, other) for other in slips if other is not slip)]


def _judged(placement: str, pulses: Sequence[Pulse], postures: Postures, params: SlipParams) -> Iterator[Slip]:
    """The slips that may have begun with these pulses and are suspected, in order of time."""
    for split, near in groupby(pulses, key=lambda pulse: postures.split(pulse.time_s)):
        across, own = postures.across(split), list(near)
        if across is None:
            continue
        for pulse, lasting, turn in zip(own, *across.judge(own), strict=True):
            of_a_hand = np.linalg.norm(pulse.turn_rad) > params.hand_rad
            evidence = float(lasting) + (0.0 if of_a_hand else min(pulse.evidence, params.least_evidence))
            if evidence > params.suspect_evidence and np.linalg.norm(turn) > params.least_rad:
                of_each = float(lasting) if of_a_hand else min(float(lasting), pulse.evidence)
                yield Slip(placement, pulse.begins_s, turn, evidence, of_each)
