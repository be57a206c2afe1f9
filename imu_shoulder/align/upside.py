"""An accelerometer that points down where it should point up, told by the other sensor on its arm.

All three axes negated, an accelerometer still agrees with its gyroscope: the two show a world in a mirror. But what an
arm's two sensors turn alike, each in its own world with up for up, is the same turn but for where their headings begin;
in a mirror it is the same turn the other way round about the vertical, and about level axes on the other side. Both
are tried, some seconds at a time, so that an arm that only sways with its body shows it as one that is lifted.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from math import log

import numpy as np

from imu_shoulder.arrays import medians_of, usual_step
from imu_shoulder.filters import moving_mean
from imu_shoulder.frames import cross, quat_from_rotvec, quat_product, rotated_by
from imu_shoulder.model import SIDES, STERNUM, ComplexArray, FloatArray, limb_words, limbs_of
from imu_shoulder.spill import let_go

# What a sensor turned is smoothed, and compared in stretches in which its heading does not drift.
_GRID_HZ, _SMOOTH_S, _STRETCH_S = 12.5, 0.2, 4.0
_LEAST_STRETCHES = 5
# The likelihood of a mirror against none, as a natural logarithm, from which on it is one, and how surely: its sum over
# the stretches by the root of their squares. Among 430 sound arms of two simulators and of six open sessions the one
# nearest to a mirror had -1.9 and -1.0.
_MIRRORED, _SURE = log(20.0), 1.0
# So alike at most, as a correlation: else one stretch decides for all.
_ALIKE_AT_MOST = 0.99


@dataclass(frozen=True, slots=True)
class Upright:
    """One sensor's rows: time_s (N,), acc_m_s2 and gyr_rad_s (N, 3)."""

    placement: str
    time_s: FloatArray
    acc_m_s2: FloatArray
    gyr_rad_s: FloatArray


@dataclass(frozen=True, slots=True)
class _Turning:
    """What one sensor turned in each of B stretches, n rows each. up: (B, n) about the vertical, rad/s.

    level: (B, n) about the two level axes as a complex number, from a heading of its own in each stretch.
    """

    up: FloatArray
    level: ComplexArray

    @property
    def power(self) -> FloatArray:
        """(B,)"""
        return np.asarray((self.up**2).sum(axis=1) + (np.abs(self.level) ** 2).sum(axis=1))


def upside_down(sensors: Sequence[Upright]) -> Mapping[str, str]:
    """Placements for which up may be down, with the other sensor of the arm: one, or both where nothing tells which."""
    turning = _on_one_grid(sensors)
    out: dict[str, str] = {}
    for upper, wrist in map(limbs_of, SIDES):
        if not {upper, wrist} <= set(turning):
            continue
        mirrored = _mirrored(turning[upper], turning[wrist])
        if mirrored.sum() < _MIRRORED or mirrored.sum() < _SURE * float(np.linalg.norm(mirrored)):
            continue
        both = {upper: wrist, wrist: upper}
        trunk = turning.get(STERNUM)
        if trunk is not None:
            wrong = max(both, key=lambda placement: float(_mirrored(turning[placement], trunk).sum()))
            both = {wrong: both[wrong]}
        out.update(both)
    return out


def upside_down_text(placement: str, wrong: Mapping[str, str]) -> str:
    """What is said of one of those that `upside_down` found."""
    other = wrong[placement]
    which = "this or that one's" if other in wrong else "its"
    text = f"it turns against the {limb_words(other)} sensor about the vertical, "
    return f"{text}as if {which} accelerometer were negated; check its signs"


def _mirrored(first: _Turning, second: _Turning) -> FloatArray:
    """(B,) how much likelier, as a logarithm, two sensors show one turn in a mirror than both as it is."""
    upright = (first.up * second.up).sum(axis=1)
    level = [np.abs((first.level * other).sum(axis=1)) for other in (second.level, second.level.conj())]
    power = np.maximum(np.sqrt(first.power * second.power), 1e-12)
    in_mirror, as_is = (
        np.clip(alike / power, 0.0, _ALIKE_AT_MOST) for alike in (level[0] - upright, level[1] + upright)
    )
    return np.asarray(np.log1p(-(as_is**2)) - np.log1p(-(in_mirror**2)))


def _on_one_grid(sensors: Sequence[Upright]) -> Mapping[str, _Turning]:
    """What each turned in stretches that all of them cover."""
    if len(sensors) < 2:
        return {}
    start_s, end_s = max(s.time_s[0] for s in sensors), min(s.time_s[-1] for s in sensors)
    count = int((end_s - start_s) / _STRETCH_S)
    if count < _LEAST_STRETCHES:
        return {}
    rows = round(_STRETCH_S * _GRID_HZ)
    grid_s = start_s + np.arange(count * rows) / _GRID_HZ
    out = {}
    for sensor in sensors:
        out[sensor.placement] = _turning(sensor, grid_s, rows)
        let_go()
    return out


def _turning(sensor: Upright, grid_s: FloatArray, rows: int) -> _Turning:
    zero = medians_of(sensor.gyr_rad_s.T)
    # The rows of all stretches behind each other, so that what is done to one row of each lies together.
    force, rate = (
        np.ascontiguousarray(values.reshape(3, -1, rows).transpose(0, 2, 1))
        for values in _on_grid([sensor.acc_m_s2, sensor.gyr_rad_s], sensor.time_s, grid_s)
    )
    rate -= zero[:, None, None]
    # Attitude since the stretch began, by sums of 1, 2, 4, ... turns.
    turned = quat_from_rotvec(rate / _GRID_HZ)
    step = 1
    while step < rows:
        turned[:, step:] = quat_product(turned[:, :-step], turned[:, step:])
        step *= 2
    force, rate = rotated_by(turned, force), rotated_by(turned, rate)
    rate = moving_mean(rate, max(1, round(_SMOOTH_S * _GRID_HZ)), axis=1)
    # In the mean a limb is not pushed anywhere.
    up = force.mean(axis=1)
    up /= np.maximum(np.sqrt((up * up).sum(axis=0)), 1e-9)
    ahead = cross(up, np.eye(3)[:, np.argmin(np.abs(up), axis=0)])
    ahead /= np.sqrt((ahead * ahead).sum(axis=0))
    about = [np.einsum("jnb,jb->bn", rate, axis) for axis in (up, ahead, cross(up, ahead))]
    return _Turning(about[0], about[1] + 1j * about[2])


def _on_grid(signals: Sequence[FloatArray], time_s: FloatArray, grid_s: FloatArray) -> list[FloatArray]:
    """Each signal (N, 3), smoothed to what the grid can carry, on the times grid_s (M,): (3, M)."""
    width = max(1, round(1.0 / (_GRID_HZ * usual_step(time_s))))
    after = np.clip(time_s.searchsorted(grid_s, side="right"), 1, len(time_s) - 1)
    share = (grid_s - time_s[after - 1]) / (time_s[after] - time_s[after - 1])
    out = []
    for values in signals:
        smooth = moving_mean(values.T, width, axis=1)
        before = smooth.take(after - 1, axis=1)
        out.append(before + np.clip(share, 0.0, 1.0) * (smooth.take(after, axis=1) - before))
    return out
