"""The arm's postures over a set as text, coarse enough to embed: the page draws the arm from them."""

from __future__ import annotations

from collections.abc import Sequence
from math import floor, inf

import numpy as np
import pandas as pd

from imu_shoulder.model import FloatArray
from imu_shoulder.report.curves import DIGITS

ANGLES = ("elevation", "plane", "rotation", "elbow", "forearm")
STEP_S = 0.1
LEVEL_DEG = 2.0
KEEP_DEG = 1.5  # an angle that stays this near to what is drawn is not drawn anew: stillness costs nothing
MOST = 31  # levels an angle can turn in one step; a faster turn is caught up with in the next ones
# Where no direction of a raise is known. Under 15 deg of elevation it hardly shows.
SCAPULAR_PLANE_DEG = 30.0


def encode(window: pd.DataFrame, side: str, start_s: float, end_s: float, step_s: float) -> str:
    """Key frames from start_s to end_s: six characters each, a new one only where the posture changed.

    window: the rows of angles.parquet in which start_s and end_s lie. The first character is how many steps
    the posture before has lasted (A is 0), then per angle of ANGLES its change in levels (A is -31), or a dot where
    it is not known. Changes count from the last known level, the first from zero, and wrap at 360 deg. Empty where
    neither elevation nor elbow is known.
    """
    time_s = window["time_s"].to_numpy(dtype=np.float64)
    return _encoded(time_s, _postures(window, side), start_s, end_s, step_s, most=inf)


def _encoded(time_s: FloatArray, values: FloatArray, start_s: float, end_s: float, step_s: float, most: float) -> str:
    """The text of postures (N, 5) at times (N,); no longer than `most` and a little where it would be longer."""
    if not len(time_s) or not np.isfinite(values[:, [0, 3]]).any():
        return ""
    grid_s = np.arange(start_s, end_s, step_s)
    rows = np.clip(np.searchsorted(time_s, grid_s), 0, len(time_s) - 1)
    return _frames(values[rows], most)


def _postures(window: pd.DataFrame, side: str) -> FloatArray:
    """(N, 5) degrees; the plane goes on with its last known value where it means nothing."""
    out = np.full((len(window), len(ANGLES)), np.nan)
    for column, name in zip(out.T, ANGLES, strict=True):
        if f"{side}_{name}_deg" in window:
            column[:] = window[f"{side}_{name}_deg"].to_numpy(dtype=np.float64)
    plane = out[:, ANGLES.index("plane")]
    known = np.flatnonzero(~np.isnan(plane))
    before = known.searchsorted(np.arange(len(plane)), side="right") - 1
    plane[:] = plane[known[np.maximum(before, 0)]] if len(known) else SCAPULAR_PLANE_DEG
    return out


def _frames(values: FloatArray, most: float) -> str:
    levels, seen = [0] * len(ANGLES), [True] * len(ANGLES)
    drawn_deg = [0.0] * len(ANGLES)
    out: list[str] = []
    lasted = 0
    known_all = (~np.isnan(values)).tolist()
    for row, now in zip(values.tolist(), known_all, strict=True):
        # Most rows change nothing; an angle that is not known is no further from what is drawn than any other.
        if out and now == seen and lasted < len(DIGITS) - 1:
            for value, drawn in zip(row, drawn_deg, strict=True):
                if abs(value - drawn) > KEEP_DEG:
                    break
            else:
                lasted += 1
                continue
        if len(out) * (1 + len(ANGLES)) > most:
            break
        turns = [_turn(value, level) if known else 0 for value, level, known in zip(row, levels, now, strict=True)]
        if out and now == seen and not any(turns) and lasted < len(DIGITS) - 1:
            lasted += 1
            continue
        changes = (DIGITS[turn + MOST] if known else "." for turn, known in zip(turns, now, strict=True))
        out.append(DIGITS[lasted] + "".join(changes))
        levels = [level + turn for level, turn in zip(levels, turns, strict=True)]
        drawn_deg = [LEVEL_DEG * level for level in levels]
        seen, lasted = now, 1
    return "".join(out) + DIGITS[lasted]


def _turn(value_deg: float, level: int) -> int:
    off_deg = value_deg - level * LEVEL_DEG
    if -KEEP_DEG <= off_deg <= KEEP_DEG:
        return 0
    # One number at a time: arrays would take longer to set up.
    off_deg -= 360.0 * floor(off_deg / 360.0 + 0.5)
    return 0 if abs(off_deg) <= KEEP_DEG else max(-MOST, min(MOST, round(off_deg / LEVEL_DEG)))


def within(budget: int, spans: Sequence[tuple[pd.DataFrame, str, float, float]]) -> tuple[float, list[str]]:
    """Step and texts of all spans (the first arguments of encode), the step widened until they fit the budget."""
    postures = [
        (window["time_s"].to_numpy(dtype=np.float64), _postures(window, side), start_s, end_s)
        for window, side, start_s, end_s in spans
    ]
    step_s = STEP_S
    while True:
        texts: list[str] = []
        # A step that does not fit is left as soon as that shows.
        left = budget if step_s <= 2.0 else inf
        for own in postures:
            texts.append(_encoded(*own, step_s, left))
            left -= len(texts[-1])
            if left < 0:
                break
        else:
            return step_s, texts
        step_s = round(1.5 * step_s, 3)
