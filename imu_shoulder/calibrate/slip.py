"""A sensor that turned on its strap during the session: when, by how much, and on which limb.

Two things must agree before a slip is said. A quick turn of one sensor (the pulse), and a lasting change of how that
sensor lies to its neighbour on the arm: wherever the neighbour later shows a posture it had shown before, the
sensor is turned by just that pulse, while without the pulse it would lie as before. A quick movement has the first
but not the second, a new posture or a drift of the heading the second but not the first.
The attitudes before any correction of the heading are used: the correction takes a part of a slip for drift.
A sensor whose neighbour on the arm (wrist and upper arm) is not worn cannot be judged.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import pairwise
from math import inf, radians

import numpy as np
from scipy.signal import find_peaks
from scipy.spatial.transform import Rotation

from imu_shoulder.calibrate.pose import Pose
from imu_shoulder.frames import Z_AXIS, rotation_from_quat
from imu_shoulder.model import SIDES, BoolArray, Event, Finding, FloatArray, IntArray
from imu_shoulder.orient.attitude import Attitude


@dataclass(frozen=True, slots=True)
class SlipParams:
    """What counts as a slip.

    least_rad: smallest turn that is said. pulse_s: how long a slip may last; flank_s: how long before and after it the
    limb's own turning is looked at. pulse_least_rad: smallest quick turn that is looked at.
    agree_rad, agree_share: the lasting change may differ from the pulse by this much or this share of it (the larger).
    step_s: postures are compared at this spacing. same_rad: how well people come back to a posture, as a standard
    deviation; rest_rad: the same for hanging from set to set; drift_rad_s: heading between the two sensors.
    cap: standard deviations at which a posture counts as not seen before. least_evidence: sum over compared moments of
    the log-likelihood ratio, with one independent moment per independent_s. least_share: share of them that must
    speak for the slip. neutral_rad: gravity within this angle of the neutral pose in the neighbour.
    """

    least_rad: float = radians(11.0)
    pulse_s: float = 0.4
    window_s: float = 0.8
    alone: float = 1.5
    pulse_least_rad: float = radians(8.0)
    agree_rad: float = radians(10.0)
    agree_share: float = 0.5
    step_s: float = 0.5
    same_rad: float = radians(5.0)
    rest_rad: float = radians(7.0)
    drift_rad_s: float = radians(0.04)
    cap: float = 3.0
    least_evidence: float = 4.0
    least_share: float = 0.6
    independent_s: float = 2.0
    neutral_rad: float = radians(20.0)
    most: int = 3


@dataclass(frozen=True, slots=True)
class Slip:
    """One sensor's turn on its strap: turn_rad (3,) is a rotation vector in the sensor's axes before the slip."""

    placement: str
    time_s: float
    turn_rad: FloatArray
    evidence: float

    @property
    def angle_deg(self) -> float:
        return float(np.degrees(np.linalg.norm(self.turn_rad)))


def find_slips(
    time_s: FloatArray,
    rate_hz: float,
    attitudes: Mapping[str, Attitude],
    events: Sequence[Event],
    pose: Pose,
    params: SlipParams,
) -> list[Slip]:
    """Slips of the wrist and upper-arm sensors after the neutral pose, in time order.

    attitudes: by placement, as the filter gave them. Only arms that wear both sensors can be judged.
    """
    found: list[Slip] = []
    for side in SIDES:
        pair = [attitudes[p] for p in (f"{side}_upper_arm", f"{side}_wrist") if p in pose.earth_from_sensor]
        if len(pair) == 2:
            found += _of_arm(time_s, rate_hz, pair, events, pose, params)
    return sorted(found, key=lambda slip: slip.time_s)


def slip_findings(slips: Sequence[Slip]) -> list[Finding]:
    """What the report says of each slip."""
    return [
        Finding(
            slip.placement,
            "sensor_slip",
            "fault",
            f"The {slip.placement.replace('_', ' ')} sensor turned on its strap by about {slip.angle_deg:.0f} deg; "
            "reps of this arm from then on were not scored. Tighten the strap and record the calibration again.",
            value=round(slip.angle_deg, 1),
            start_s=slip.time_s,
        )
        for slip in slips
    ]


def _of_arm(
    time_s: FloatArray,
    rate_hz: float,
    pair: Sequence[Attitude],
    events: Sequence[Event],
    pose: Pose,
    params: SlipParams,
) -> list[Slip]:
    """Slips of one arm, the best supported first; each is taken out before the next is looked for."""
    step = max(1, round(params.step_s * rate_hz))
    both = pair[0].valid & pair[1].valid & (time_s >= pose.start_s)
    rows = np.arange(0, len(time_s), step)
    rows = rows[both[rows]]
    pulses = [_pulses(rate_hz, pair[n], pair[1 - n], time_s > pose.end_s, params) for n in range(2)]
    quats = [attitude.quat_earth_from_sensor[rows].copy() for attitude in pair]
    slips: list[Slip] = []
    while len(slips) < params.most and len(rows) > 1:
        best = None
        for n, attitude in enumerate(pair):
            moments = _Moments(
                time_s[rows], attitude.placement, quats[n], quats[1 - n], pair[1 - n].placement, events, pose, params
            )
            taken = [slip.time_s for slip in slips]
            for row, pulse in pulses[n]:
                at_s = float(time_s[row])
                if any(abs(at_s - other) < 1.0 for other in taken):
                    continue
                judged = moments.judge(at_s, pulse)
                if judged is not None and (best is None or judged[0] > best[0]):
                    best = (judged[0], n, Slip(attitude.placement, at_s, judged[1], judged[0]))
        if best is None:
            break
        _, n, slip = best
        slips.append(slip)
        after = time_s[rows] >= slip.time_s
        unturned = rotation_from_quat(quats[n][after]) * Rotation.from_rotvec(slip.turn_rad).inv()
        quats[n][after] = unturned.as_quat(scalar_first=True)
    return slips


def _pulses(
    rate_hz: float, own: Attitude, neighbour: Attitude, where: BoolArray, params: SlipParams
) -> list[tuple[int, FloatArray]]:
    """Rows of quick turns that the neighbour did not share, each with the sensor's turn (3,) in its own axes."""
    mine, theirs = (_quick(rate_hz, sensor.rate_earth_rad_s, params) for sensor in (own, neighbour))
    size = np.linalg.norm(mine, axis=1)
    alone = size > params.alone * np.linalg.norm(theirs, axis=1)
    peaks, _ = find_peaks(np.where(alone & where, size, 0.0), height=params.pulse_least_rad, distance=0.3 * rate_hz)
    into_sensor = rotation_from_quat(own.quat_earth_from_sensor[peaks]).inv()
    return list(zip(peaks.tolist(), into_sensor.apply(mine[peaks]), strict=True)) if len(peaks) else []


def _quick(rate_hz: float, rate_rad_s: FloatArray, params: SlipParams) -> FloatArray:
    """Size (M, 3) of the turn of pulse_s around each row, on top of a limb turning smoothly; 0 near gaps and ends.

    Least squares of a bell on a parabola over window_s, as one filter.
    """
    half = round(params.window_s / 2 * rate_hz)
    out = np.zeros_like(rate_rad_s)
    if len(rate_rad_s) <= 2 * half:
        return out
    x = np.arange(-half, half + 1) / half
    bell = np.maximum(1.0 - (x * params.window_s / params.pulse_s) ** 2, 0.0) ** 2
    bell *= rate_hz / bell.sum()
    smooth = np.column_stack([np.ones_like(x), x**2])
    alone = bell - smooth @ np.linalg.lstsq(smooth, bell, rcond=None)[0]
    weights = alone / (alone @ bell)
    missing = ~np.isfinite(rate_rad_s).all(axis=1)
    known = np.where(missing[:, None], 0.0, rate_rad_s)
    for axis in range(3):
        out[:, axis] = np.convolve(known[:, axis], weights, "same")
    out[np.convolve(missing, np.ones(2 * half + 1), "same") > 0.5] = 0.0
    out[:half], out[-half:] = 0.0, 0.0
    return out


class _Moments:
    """How a sensor lies to its neighbour at every moment, against every other moment that may show the same posture."""

    def __init__(
        self,
        time_s: FloatArray,
        placement: str,
        quat_own: FloatArray,
        quat_neighbour: FloatArray,
        neighbour: str,
        events: Sequence[Event],
        pose: Pose,
        params: SlipParams,
    ) -> None:
        self._time_s, self._params = time_s, params
        own, other = rotation_from_quat(quat_own), rotation_from_quat(quat_neighbour)
        up = other.inv().apply(Z_AXIS)
        pose_up = pose.earth_from_sensor[neighbour].inv().apply(Z_AXIS)
        hangs = up @ pose_up > np.cos(params.neutral_rad)
        block = _blocks(time_s, events)
        together = (block[:, None] == block[None, :]) & (block[:, None] >= 0)
        own_up = own.inv().apply(Z_AXIS) @ pose.earth_from_sensor[placement].inv().apply(Z_AXIS)
        hanging = hangs[:, None] & (hangs & (own_up > np.cos(params.neutral_rad)))[None, :]
        self._sd = np.where(together, params.same_rad, params.rest_rad)
        lasts_s = np.abs(time_s[:, None] - time_s[None, :])
        self._sd = np.hypot(self._sd, params.drift_rad_s * lasts_s)
        apart = np.arccos(np.clip(up @ up.T, -1.0, 1.0)) / self._sd
        self._neighbour = np.where(together | hanging, apart**2, inf)
        # [later, earlier]: the turn of the sensor on its limb between the two, if the limb lies to the neighbour as then.
        self._quat = _relative(quat_own, quat_neighbour)
        self._before = self._neighbour + _apart(self._quat, np.zeros(3), self._sd)

    def judge(self, at_s: float, pulse_rad: FloatArray) -> tuple[float, FloatArray] | None:
        """Evidence and lasting turn (3,) for a slip at at_s that began as pulse_rad; None where it does not hold."""
        params = self._params
        first, last = np.searchsorted(self._time_s, [at_s - params.pulse_s, at_s + params.pulse_s])
        cut = (slice(last, None), slice(None, first))
        before = self._before[cut]
        if not before.size:
            return None
        limit = params.cap**2
        if np.minimum(before.min(axis=1), limit).mean() < 0.5:
            return None
        near, quat, sd = self._neighbour[cut], self._quat[cut], self._sd[cut]
        turn = pulse_rad
        for _ in range(4):
            cost = near + _apart(quat, turn, sd)
            match = cost.argmin(axis=1)
            rows = np.arange(len(match))
            chosen = cost[rows, match] < limit
            if not chosen.any():
                return None
            turn = _mean_turn(quat[rows, match][chosen])
        allowed = max(params.agree_rad, params.agree_share * float(np.linalg.norm(pulse_rad)))
        if np.linalg.norm(turn) < params.least_rad or np.linalg.norm(turn - pulse_rad) > allowed:
            return None
        cost = near + _apart(quat, turn, sd)
        # Later moments must be explained by earlier ones and the other way round: a wider range is no slip.
        evidence = inf
        for axis in (1, 0):
            gain = (np.minimum(before.min(axis=axis), limit) - np.minimum(cost.min(axis=axis), limit)) / 2
            telling = np.abs(gain) > 0.5
            if not telling.any() or (gain[telling] > 0).mean() < params.least_share:
                return None
            evidence = min(evidence, float(gain.sum()) * params.step_s / params.independent_s)
        return (evidence, turn) if evidence > params.least_evidence else None


def _blocks(time_s: FloatArray, events: Sequence[Event]) -> IntArray:
    block = np.full(len(time_s), -1, dtype=np.intp)
    for number, event in enumerate(events):
        block[(time_s >= event.onset_s) & (time_s <= event.end_s)] = number
    return block


def _relative(own: FloatArray, other: FloatArray) -> FloatArray:
    """Quaternions (K, K, 4), [later, earlier]: own[earlier]^-1 * turn^-1 * own[later].

    turn is the neighbour's turn about the vertical from earlier to later: the whole body may have turned.
    """
    swung = _times(other[:, None, :], _inverse(other)[None, :, :])
    size = np.hypot(swung[..., 0], swung[..., 3])
    size = np.where(size > 0, size, 1.0)
    back = np.zeros_like(swung)
    back[..., 0], back[..., 3] = swung[..., 0] / size, -swung[..., 3] / size
    return _times(_times(np.broadcast_to(_inverse(own)[None, :, :], swung.shape), back), own[:, None, :])


def _inverse(quat: FloatArray) -> FloatArray:
    return quat * np.array([1.0, -1.0, -1.0, -1.0])


def _times(a: FloatArray, b: FloatArray) -> FloatArray:
    """Product of quaternions (..., 4), scalar first, with broadcasting."""
    aw, ax, ay, az = np.moveaxis(a, -1, 0)
    bw, bx, by, bz = np.moveaxis(b, -1, 0)
    return np.stack(
        [
            aw * bw - ax * bx - ay * by - az * bz,
            aw * bx + ax * bw + ay * bz - az * by,
            aw * by - ax * bz + ay * bw + az * bx,
            aw * bz + ax * by - ay * bx + az * bw,
        ],
        axis=-1,
    )


def _apart(quat: FloatArray, turn_rad: FloatArray, sd_rad: FloatArray) -> FloatArray:
    """Squared angle between quat (J, I, 4) and one turn (3,), in standard deviations."""
    to = Rotation.from_rotvec(turn_rad).as_quat(scalar_first=True)
    return np.asarray((2 * np.arccos(np.clip(np.abs(quat @ to), 0.0, 1.0)) / sd_rad) ** 2)


def _mean_turn(quat: FloatArray) -> FloatArray:
    return np.asarray(rotation_from_quat(quat).mean().as_rotvec())
