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
from math import inf, radians

import numpy as np
from scipy.signal import find_peaks
from scipy.spatial.transform import Rotation

from imu_shoulder.calibrate.pose import Pose
from imu_shoulder.frames import Z_AXIS, quat_from_rotation, rotation_from_quat
from imu_shoulder.model import SIDES, BoolArray, Event, Finding, FloatArray, IntArray
from imu_shoulder.orient.attitude import Attitude


@dataclass(frozen=True, slots=True)
class SlipParams:
    """What counts as a slip.

    least_rad: smallest turn that is said, the mean of the quick and the lasting one. pulse_s: how long a quick turn may
    last, each tried; windows: over so many times as long the limb's own turning is told from it. pulse_least_rad:
    smallest quick turn looked at;
    alone: it is this many times what the neighbour shows. agree_share: how far the lasting turn may differ from the
    quick one at most, as a share of it; agree_sd: how far it usually does. step_s: postures are compared at this
    spacing. same_rad: how well people come back to a posture within a set, as a standard deviation; rest_rad: the
    same for hanging, from set to set;
    drift_rad_s: of the heading between the two sensors. cap: standard deviations at which a posture counts
    as not seen before. least_evidence: log-likelihood ratio of the compared moments, taken as independent every
    independent_s; least_share: share of the telling ones that must speak for the slip.
    neutral_rad: gravity within this angle of the neutral pose is hanging.
    """

    least_rad: float = radians(10.0)
    pulse_s: tuple[float, ...] = (0.3, 0.5)
    windows: float = 2.0
    pulse_least_rad: float = radians(12.0)
    alone: float = 1.5
    agree_share: float = 0.6
    agree_sd: float = 0.25
    step_s: float = 0.5
    same_rad: float = radians(5.0)
    rest_rad: float = radians(7.0)
    drift_rad_s: float = radians(0.04)
    cap: float = 3.0
    least_evidence: float = 9.0
    least_share: float = 0.45
    independent_s: float = 2.0
    neutral_rad: float = radians(20.0)


MOST_MOMENTS = 500


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
    after_pose = time_s > pose.end_s
    pulses = [_pulses(time_s, rate_hz, pair[n], pair[1 - n], after_pose, params) for n in range(2)]
    # Every moment is compared with every other, so a long recording is looked at in longer steps.
    step_s = max(params.step_s, float(time_s[-1] - time_s[0]) / MOST_MOMENTS)
    rows = np.arange(0, len(time_s), max(1, round(step_s * rate_hz)))
    rows = rows[(pair[0].valid & pair[1].valid & (time_s >= pose.start_s))[rows]]
    quats = [attitude.quat_earth_from_sensor[rows] for attitude in pair]
    slips: list[Slip] = []
    while any(pulses) and len(rows):
        judged: list[Slip] = []
        for n, own in enumerate(pair):
            if pulses[n]:
                other = pair[1 - n].placement
                moments = _Moments(time_s[rows], (own.placement, quats[n]), (other, quats[1 - n]), events, pose, params)
                judged += [slip for pulse in pulses[n] if (slip := moments.judge(pulse)) is not None]
        if not judged:
            break
        best = max(judged, key=lambda slip: slip.evidence)
        slips.append(best)
        n = [attitude.placement for attitude in pair].index(best.placement)
        later = time_s[rows] >= best.time_s
        back = Rotation.from_rotvec(-best.turn_rad)
        quats[n] = np.where(later[:, None], quat_from_rotation(rotation_from_quat(quats[n]) * back), quats[n])
        # What was judged and not found may be found now; what is near a found slip is part of it.
        apart_s = params.windows * max(params.pulse_s)
        pulses = [[p for p in own if abs(p.time_s - best.time_s) > apart_s] for own in pulses]
    return slips


@dataclass(frozen=True, slots=True)
class _Pulse:
    """A quick turn (3,) of one sensor in its own axes, and how long it took."""

    time_s: float
    lasts_s: float
    turn_rad: FloatArray


def _pulses(
    time_s: FloatArray, rate_hz: float, own: Attitude, neighbour: Attitude, where: BoolArray, params: SlipParams
) -> list[_Pulse]:
    """Quick turns that the neighbour did not share."""
    out: list[_Pulse] = []
    for lasts_s in params.pulse_s:
        rates = (own.rate_earth_rad_s, neighbour.rate_earth_rad_s)
        mine, theirs = (_quick(rate_hz, rate, lasts_s, params.windows * lasts_s) for rate in rates)
        size = np.linalg.norm(mine, axis=1)
        alone = size > params.alone * np.linalg.norm(theirs, axis=1)
        peaks, _ = find_peaks(np.where(alone & where, size, 0.0), height=params.pulse_least_rad, distance=0.3 * rate_hz)
        if len(peaks):
            turns = rotation_from_quat(own.quat_earth_from_sensor[peaks]).inv().apply(mine[peaks])
            out += [_Pulse(float(time_s[row]), lasts_s, turn) for row, turn in zip(peaks, turns, strict=True)]
    return out


def _quick(rate_hz: float, rate_rad_s: FloatArray, lasts_s: float, window_s: float) -> FloatArray:
    """Size (M, 3) of a turn of lasts_s around each row, on top of a limb turning smoothly; 0 near gaps and ends.

    Least squares of a bell on a parabola over window_s, as one filter.
    """
    half = round(window_s / 2 * rate_hz)
    out = np.zeros_like(rate_rad_s)
    if len(rate_rad_s) <= 2 * half:
        return out
    x = np.arange(-half, half + 1) / half
    bell = np.maximum(1.0 - (x * window_s / lasts_s) ** 2, 0.0) ** 2
    bell *= rate_hz / bell.sum()
    smooth = np.column_stack([np.ones_like(x), x**2])
    alone = bell - smooth @ np.linalg.lstsq(smooth, bell, rcond=None)[0]
    weights = alone / (alone @ bell)
    missing = np.asarray(~np.isfinite(rate_rad_s).all(axis=1))
    known = np.where(missing[:, None], 0.0, rate_rad_s)
    for axis in range(3):
        out[:, axis] = np.convolve(known[:, axis], weights, "same")
    out[np.convolve(missing, np.ones(2 * half + 1), "same") > 0.5] = 0.0
    out[:half], out[-half:] = 0.0, 0.0
    return out


class _Moments:
    """How a sensor lies to its neighbour at every moment, against every other that may show the same posture."""

    def __init__(
        self,
        time_s: FloatArray,
        own: tuple[str, FloatArray],
        neighbour: tuple[str, FloatArray],
        events: Sequence[Event],
        pose: Pose,
        params: SlipParams,
    ) -> None:
        """own, neighbour: placement and quat_earth_from_sensor (K, 4) at time_s (K,)."""
        self._placement, self._time_s, self._params = own[0], time_s, params
        self._step_s = float(np.median(np.diff(time_s))) if len(time_s) > 1 else params.step_s
        up, hangs = zip(*(_hanging(*sensor, pose, params) for sensor in (own, neighbour)), strict=True)
        block = _blocks(time_s, events)
        together = (block[:, None] == block[None, :]) & (block[:, None] >= 0)
        # A sensor that has slipped need not seem to hang: only the earlier moment must.
        hanging = hangs[1][:, None] & (hangs[1] & hangs[0])[None, :]
        sd = np.where(together, params.same_rad, params.rest_rad)
        self._sd = np.hypot(sd, params.drift_rad_s * np.abs(time_s[:, None] - time_s[None, :]))
        apart = np.arccos(np.clip(up[1] @ up[1].T, -1.0, 1.0)) / self._sd
        # All of these are (K, K), [later, earlier]; only pairs that can ever count are worked out.
        able = (together | hanging) & (apart < params.cap) & (time_s[:, None] > time_s[None, :])
        self._neighbour = np.where(able, apart**2, inf)
        self._quat = np.zeros((*able.shape, 4))
        later, earlier = np.nonzero(able)
        self._quat[able] = _turned_alone(own[1][earlier], own[1][later], neighbour[1][earlier], neighbour[1][later])
        self._unturned = np.full(able.shape, inf)
        unturned = _apart(self._quat[able], np.zeros(3), self._sd[able])
        self._unturned[able] = self._neighbour[able] + unturned

    def judge(self, pulse: _Pulse) -> Slip | None:
        """The slip that began with this pulse, its lasting turn fitted; None where nothing lasted."""
        params, limit = self._params, self._params.cap**2
        first, last = np.searchsorted(self._time_s, [pulse.time_s - pulse.lasts_s, pulse.time_s + pulse.lasts_s])
        cut = (slice(last, None), slice(None, first))
        unturned, near, quat, sd = (m[cut] for m in (self._unturned, self._neighbour, self._quat, self._sd))
        if not unturned.size:
            return None
        turn = pulse.turn_rad
        for _ in range(4):
            turned = near + _apart(quat, turn, sd)
            match = turned.argmin(axis=1)
            seen = np.flatnonzero(turned.min(axis=1) < limit)
            if not len(seen):
                return None
            turn = rotation_from_quat(quat[seen, match[seen]]).mean().as_rotvec()
        differs = float(np.linalg.norm(turn - pulse.turn_rad) / np.linalg.norm(pulse.turn_rad))
        if np.linalg.norm(turn + pulse.turn_rad) / 2 < params.least_rad or differs > params.agree_share:
            return None
        turned = near + _apart(quat, turn, sd)
        # Later moments must be explained by earlier ones and the other way round: a wider range is no slip.
        evidence = inf
        for axis in (1, 0):
            costs = (np.minimum(cost.min(axis=axis), limit) for cost in (unturned, turned))
            gain = next(costs) - next(costs)
            telling = np.abs(gain) > 1.0
            if not telling.any() or np.mean(gain[telling] > 0) < params.least_share:
                return None
            evidence = min(evidence, float(gain.sum()) / 2 * self._step_s / params.independent_s)
        # After fidgeting a hand hangs a little otherwise: a pulse that fits that badly speaks against a slip.
        evidence -= (differs / params.agree_sd) ** 2 / 2
        return Slip(self._placement, pulse.time_s, turn, evidence) if evidence > params.least_evidence else None


def _hanging(
    placement: str, quat_earth_from_sensor: FloatArray, pose: Pose, params: SlipParams
) -> tuple[FloatArray, BoolArray]:
    """The vertical (K, 3) in the sensor's axes, and where it is as in the neutral pose (K,)."""
    up = rotation_from_quat(quat_earth_from_sensor).inv().apply(Z_AXIS)
    return up, up @ pose.earth_from_sensor[placement].inv().apply(Z_AXIS) > np.cos(params.neutral_rad)


def _blocks(time_s: FloatArray, events: Sequence[Event]) -> IntArray:
    """Number of the event each moment lies in, -1 outside."""
    block = np.full(len(time_s), -1, dtype=np.intp)
    for number, event in enumerate(events):
        block[(time_s >= event.onset_s) & (time_s <= event.end_s)] = number
    return block


def _turned_alone(own: FloatArray, own_later: FloatArray, other: FloatArray, other_later: FloatArray) -> FloatArray:
    """How far a sensor turned on its own between two moments: quaternions (P, 4), scalar first.

    All are quat_earth_from_sensor (P, 4), of the sensor and of its neighbour. The body may have turned about the
    vertical in between; that is taken from the neighbour, so it holds where the neighbour shows the same posture.
    """
    body = _times(other_later, _inverse(other))
    size = np.maximum(np.hypot(body[..., 0], body[..., 3]), 1e-9)
    back = np.zeros_like(body)
    back[..., 0], back[..., 3] = body[..., 0] / size, -body[..., 3] / size
    return _times(_times(_inverse(own), back), own_later)


def _inverse(quat: FloatArray) -> FloatArray:
    return np.asarray(quat * np.array([1.0, -1.0, -1.0, -1.0]))


def _times(a: FloatArray, b: FloatArray) -> FloatArray:
    """Product of quaternions (P, 4), scalar first."""
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
