"""An accelerometer that points down where it should point up, told by the other sensor on its arm.

All three axes negated, an accelerometer still agrees with its gyroscope: the two show a world in a mirror. But the two
sensors of an arm turn the same way about the vertical, as does the trunk that carries them, unless for one of them up
is down.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from scipy.ndimage import uniform_filter1d

from imu_shoulder.model import SIDES, STERNUM, FloatArray, limbs_of

_GRID_HZ = 25.0
_UP_S, _TURN_S, _BLOCK_S = 0.5, 0.3, 10.0
# Correlation from which on two sensors turn against each other, and how surely: its sum over blocks by their spread.
_AGAINST, _SURE = -0.45, -1.3
_LEAST_S = 20.0
# Who hardly turned shows nothing: an arm that is lifted straight up and down seems to turn by some degrees. In a
# warm-up people turn by several hundred.
_LEAST_TURNED_RAD = float(np.radians(180.0))


@dataclass(frozen=True, slots=True)
class Upright:
    """One sensor's rows: time_s (N,), acc_m_s2 and gyr_rad_s (N, 3)."""

    placement: str
    time_s: FloatArray
    acc_m_s2: FloatArray
    gyr_rad_s: FloatArray


def upside_down(sensors: Sequence[Upright]) -> Mapping[str, str]:
    """Placements for which up may be down, with the other sensor of the arm: one, or both where nothing tells which."""
    about_up = _about_up(sensors)
    out: dict[str, str] = {}
    for upper, wrist in map(limbs_of, SIDES):
        if not {upper, wrist} <= set(about_up) or not _turn_against(about_up[upper], about_up[wrist]):
            continue
        both = {upper: wrist, wrist: upper}
        trunk = about_up.get(STERNUM)
        if trunk is not None:
            wrong = min(both, key=lambda placement: _alike(about_up[placement], trunk))
            both = {wrong: both[wrong]}
        out.update(both)
    return out


def _about_up(sensors: Sequence[Upright]) -> Mapping[str, FloatArray]:
    """How fast each turns about what its accelerometer calls up, on one grid that all of them cover."""
    if len(sensors) < 2:
        return {}
    start_s, end_s = max(s.time_s[0] for s in sensors), min(s.time_s[-1] for s in sensors)
    if end_s - start_s < _LEAST_S:
        return {}
    grid_s = np.arange(start_s, end_s, 1.0 / _GRID_HZ)
    out = {}
    for sensor in sensors:
        spacing_s = float(np.median(np.diff(sensor.time_s)))
        up = _on_grid(sensor.acc_m_s2, sensor.time_s, grid_s, _UP_S / spacing_s)
        turn = _on_grid(
            sensor.gyr_rad_s - np.median(sensor.gyr_rad_s, axis=0), sensor.time_s, grid_s, _TURN_S / spacing_s
        )
        out[sensor.placement] = np.einsum("nj,nj->n", up, turn) / np.maximum(np.linalg.norm(up, axis=1), 1e-9)
    return out


def _on_grid(values: FloatArray, time_s: FloatArray, grid_s: FloatArray, width: float) -> FloatArray:
    smooth = uniform_filter1d(values, max(1, round(width)), axis=0)
    return np.column_stack([np.interp(grid_s, time_s, column) for column in smooth.T])


def _alike(first: FloatArray, second: FloatArray) -> float:
    return float(first @ second) / max(float(np.linalg.norm(first) * np.linalg.norm(second)), 1e-12)


def _turn_against(first: FloatArray, second: FloatArray) -> bool:
    if min(float(np.abs(turn).sum()) for turn in (first, second)) / _GRID_HZ < _LEAST_TURNED_RAD:
        return False
    width = round(_BLOCK_S * _GRID_HZ)
    count = len(first) // width
    blocks = (first * second)[: count * width].reshape(count, width).sum(axis=1)
    spread = max(float(np.linalg.norm(blocks)), 1e-12)
    return _alike(first, second) < _AGAINST and float(blocks.sum()) / spread < _SURE
