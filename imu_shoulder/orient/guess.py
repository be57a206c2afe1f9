"""Where the search for the headings of a session begins: what does not fit from there has no say in it."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from imu_shoulder.frames import wrap_rad
from imu_shoulder.model import FloatArray, IntArray
from imu_shoulder.orient.links import Links
from imu_shoulder.orient.moments import JointTurn

# So many headings between the two sensors show how it was at first.
FIRST_TURNS = 3


def first_relaxed(followed: IntArray, links: Links, sensor: int) -> float:
    """How differently the arm hangs by itself, as the median of the links within one stretch says."""
    here = (followed[links.earlier] == followed[links.later]) & (links.relaxed[:, sensor] != 0)
    said = wrap_rad(links.turn_rad[here, sensor] * links.relaxed[here, sensor])
    return float(np.median(said)) if len(said) else 0.0


def first_guess(followed: IntArray, links: Links, sensor: int, relaxed_rad: float) -> FloatArray:
    """Corrections (K,): as the median of the surest links to earlier stretches says.

    A new stretch begins where the person may have turned or the sensor was not seen. Turns may add up to whole
    circles, which least squares alone cannot see.
    """
    sd = links.sd_rad[:, sensor]
    away = np.isfinite(sd) & (followed[links.earlier] != followed[links.later])
    guess = np.zeros(len(followed))
    for now in np.unique(followed)[1:]:
        here = followed == now
        guess[here] = last = guess[np.flatnonzero(here)[0] - 1]
        mine = away & here[links.later]
        if mine.any():
            mine &= sd == sd[mine].min()
            turn = links.turn_rad[mine, sensor] - relaxed_rad * links.relaxed[mine, sensor]
            said = guess[links.earlier[mine]] + turn - last
            guess[here] += float(np.median(wrap_rad(said)))
    return guess


def gone_astray(turns: Sequence[JointTurn]) -> FloatArray:
    """How far (T,) the headings between the two sensors went from how they were at first, averaged over neighbours."""
    if len(turns) <= FIRST_TURNS:
        return np.zeros(len(turns))
    seen = np.array([np.exp(1j * turn.heading_rad) / turn.sd_rad**2 for turn in turns])
    total = np.cumsum(np.concatenate([[0.0], seen]))
    place = np.arange(len(turns))
    near = total[np.minimum(place + 2, len(turns))] - total[np.maximum(place - 1, 0)]
    return np.asarray(np.unwrap(np.angle(near * np.conj(seen[:FIRST_TURNS].sum()))))
