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
from scipy.ndimage import uniform_filter1d
from scipy.spatial.transform import Rotation

from imu_shoulder.frames import quat_product
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
    zero = np.median(sensor.gyr_rad_s, axis=0)
    force, rate = (
        _on_grid(values, sensor.time_s, grid_s).reshape(-1, rows, 3)
        for values in (sensor.acc_m_s2, sensor.gyr_rad_s - zero)
    )
    # Attitude since the stretch began, by sums of 1, 2, 4, ... turns.
    turned = Rotation.from_rotvec((rate / _GRID_HZ).reshape(-1, 3)).as_quat().T.reshape(4, -1, rows).copy()
    step = 1
    while step < rows:
        turned[:, :, step:] = quat_product(turned[:, :, :-step], turned[:, :, step:])
        step *= 2
    attitude = Rotation.from_quat(turned.reshape(4, -1).T)
    force, rate = (attitude.apply(values.reshape(-1, 3)).reshape(values.shape) for values in (force, rate))
    rate = uniform_filter1d(rate, max(1, round(_SMOOTH_S * _GRID_HZ)), axis=1)
    # In the mean a limb is not pushed anywhere.
    up = force.mean(axis=1)
    up /= np.maximum(np.linalg.norm(up, axis=1), 1e-9)[:, None]
    ahead = np.cross(up, np.eye(3)[np.argmin(np.abs(up), axis=1)])
    ahead /= np.linalg.norm(ahead, axis=1)[:, None]
    about = [np.einsum("bnj,bj->bn", rate, axis) for axis in (up, ahead, np.cross(up, ahead))]
    return _Turning(about[0], about[1] + 1j * about[2])


def _on_grid(values: FloatArray, time_s: FloatArray, grid_s: FloatArray) -> FloatArray:
    spacing_s = float(np.median(np.diff(time_s)))
    smooth = uniform_filter1d(values, max(1, round(1.0 / (_GRID_HZ * spacing_s))), axis=0)
    return np.column_stack([np.interp(grid_s, time_s, column) for column in smooth.T])
