"""Strokes of the leading signal: its turning points, how much of a way each edge stroke is, and which end is the start.

A stroke is the way from one turning point to the next. A rep is two: away from the start posture and back.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from imu_shoulder.model import FloatArray, IntArray
from imu_shoulder.segment.turning import turning_points

# A way back counts as a turn from this share of the set's typical stroke; tremor and a dip in a hold stay below.
TURN_SHARE = 0.4
FIRST_TURN_RAD = np.radians(6.0)
NEIGHBOURS = 6
# An edge stroke farther off its neighbours' path than this is getting into or out of the start posture.
OFF_PATH_FACTOR = 1.5
OFF_PATH_MARGIN = 0.25
FEWEST_NEIGHBOURS = 3
# Slower than this share of the set's brisk speed is a pause.
PAUSE_SHARE = 0.2
# Every second turn is in another place when it is so much nearer to the next but one than to the next that chance
# does not do it: over n turns the ratio scatters about 1 by 0.8/sqrt(n) or less (simulated, places in a row).
CHANCE = 2.0
FEWEST_ALTERNATING = 6
# Nearer than this share of a stroke (rad of posture, or g of acceleration: as much tilt) two places are one, and reps
# that differ in size are not told apart by it.
APART_SHARE = 0.2
# "About half" of a rep's motion: one whole way of it, of which a fifth may be missing.
HALF_REP = 0.4
# Motion left outside every rep weighs this much against motion missing in a cut rep.
LEFTOVER_WEIGHT = 5.0
# Decides where both are alike: the set starts at the end of the way that is seen first.
FIRST_POSTURE_WEIGHT = 0.1
# Within this share of a stroke from one end, a posture held still is taken for that end.
POSTURE_SHARE = 0.3


@dataclass(frozen=True, slots=True)
class Strokes:
    """Turning points of x[first:last + 1], in indices of x, and the share of a typical stroke (0-1) in each piece.

    shares[j] is the piece before turn j, shares[j + 1] the one after it; 1 except at the two ends.
    paused: whether the motion is still at both first and last.
    """

    first: int
    last: int
    turns: IntArray
    shares: FloatArray
    typical_rad: float
    paused: bool


def find_strokes(
    path: FloatArray, still_start: bool, still_end: bool, first_turn: float = FIRST_TURN_RAD
) -> Strokes | None:
    """Strokes of the first column of path (M, 3), without the motion at either end that leaves the set's path.

    still_start, still_end: whether the sensor is still at the first and last row.
    first_turn: the smallest stroke looked at, before the set's typical stroke is known.
    """
    x = path[:, 0]
    turns, typical_rad = _typical_turns(x, first_turn)
    if len(turns) < 2:
        return None
    first, paused_first = _path_start(path, turns, typical_rad)
    before_end, paused_last = _path_start(path[::-1], len(x) - 1 - turns[::-1], typical_rad)
    last = len(x) - 1 - before_end
    paused = (still_start if paused_first is None else paused_first) and (
        still_end if paused_last is None else paused_last
    )
    turns = turns[(turns >= first) & (turns <= last)]
    if len(turns) < 2:
        return None
    sizes = np.abs(np.diff(x[turns]))
    shares = np.ones(len(turns) + 1)
    # The two outermost pieces at each end may be cut; they are held against their neighbours.
    for pieces, near in ((shares, sizes), (shares[::-1], sizes[::-1])):
        typical = float(np.median(near[1 : 1 + NEIGHBOURS])) if len(near) > 2 else typical_rad
        pieces[1] = min(1.0, pieces[1], near[0] / typical)
    shares[0] = min(1.0, abs(x[turns[0]] - x[first]) / typical_rad)
    shares[-1] = min(1.0, abs(x[turns[-1]] - x[last]) / typical_rad)
    return Strokes(first, last, turns, shares, typical_rad, paused)


@dataclass(frozen=True, slots=True)
class Alternation:
    """Every second turn of one kind is in another place: only four strokes come back to where they began.

    axis: (3,) through the two places. apart: the distance between them. first: the first turn of that kind.
    """

    axis: FloatArray
    apart: float
    first: int


def find_alternation(path: FloatArray, strokes: Strokes) -> Alternation | None:
    """Alternation of path (M, 3) at the highs or the lows; None where two strokes come back to one place."""
    best = None
    for first in (1, 2):
        places = path[strokes.turns[first:-1:2]]
        if len(places) < FEWEST_ALTERNATING:
            return None
        apart = float(np.mean(np.linalg.norm(places[1:] - places[:-1], axis=1)))
        again = float(np.mean(np.linalg.norm(places[2:] - places[:-2], axis=1)))
        clear = again < (1 - CHANCE / np.sqrt(len(places))) * apart
        if clear and apart > APART_SHARE * strokes.typical_rad and (best is None or apart > best.apart):
            swings = places[1:-1] - (places[2:] + places[:-2]) / 2
            best = Alternation(np.linalg.svd(swings, full_matrices=False)[2][0], apart, first)
    return best


def unfold(x: FloatArray, turns: IntArray, first: int) -> FloatArray:
    """x with both strokes between turns first, first + 2, ... upward and the next two downward, in turn."""
    stroke = np.searchsorted(turns, np.arange(1, len(x)), side="left") - 1
    rising = x[turns[1]] > x[turns[0]]
    direction = np.where((stroke % 2 == 0) == rising, 1, -1)
    onward = np.where((stroke - first) // 2 % 2 == 0, 1, -1)
    return np.concatenate([[0.0], np.cumsum(np.diff(x) * direction * onward)])


def start_sign(x: FloatArray, strokes: Strokes) -> int:
    """+1 where the start posture is the low end of x (a rep is a peak), -1 where it is the high end.

    A set that is still at both ends in the same posture starts there. Otherwise the recording is cut, and
    the start posture is the one that leaves the least motion outside every rep and misses the least within them; where
    both are alike it is the one seen first.
    """
    low, high = sorted(float(np.median(x[strokes.turns[kind::2]])) for kind in (0, 1))
    ends = (x[[strokes.first, strokes.last]] - low) / (high - low)
    if strokes.paused and (ends < POSTURE_SHARE).all():
        return 1
    if strokes.paused and (ends > 1 - POSTURE_SHARE).all():
        return -1
    costs = []
    for sign in (1, -1):
        seen = [away + back for _, away, back in rep_pieces(x, strokes, sign)]
        missing = sum(2 - both for both in seen if both / 2 >= HALF_REP)
        leftover = sum(both for both in seen if both / 2 < HALF_REP)
        away_first = abs(ends[0] - (1 - sign) / 2)
        costs.append(missing + LEFTOVER_WEIGHT * leftover + FIRST_POSTURE_WEIGHT * away_first)
    return 1 if costs[0] <= costs[1] else -1


def rep_pieces(x: FloatArray, strokes: Strokes, sign: int) -> list[tuple[int, float, float]]:
    """(index of the top, share of the way there, share of the way back) of every rep, cut ones included."""
    turns, shares = strokes.turns, strokes.shares
    rising = sign * (x[turns[1]] - x[turns[0]]) > 0
    pieces = []
    if rising:
        # What comes before the first low is the way back of a rep whose top was not recorded.
        pieces.append((strokes.first, 0.0, float(shares[0])))
    pieces += [(int(turns[j]), float(shares[j]), float(shares[j + 1])) for j in range(int(rising), len(turns), 2)]
    if rising == (len(turns) % 2 == 1):
        pieces.append((strokes.last, float(shares[-1]), 0.0))
    return pieces


def _typical_turns(x: FloatArray, turn: float) -> tuple[IntArray, float]:
    """Turning points by a threshold that follows the typical stroke: the one half of all motion is in or above."""
    typical = 0.0
    turns = turning_points(x, turn)
    for _ in range(3):
        if len(turns) < 2:
            return turns, 0.0
        sizes = np.sort(np.abs(np.diff(x[turns])))
        share = np.cumsum(sizes)
        typical = float(sizes[np.searchsorted(share, share[-1] / 2)])
        turns = turning_points(x, TURN_SHARE * typical)
    return turns, typical


def _path_start(path: FloatArray, turns: IntArray, typical_rad: float) -> tuple[int, bool | None]:
    """Index from which the motion keeps to the path of the strokes that follow, and whether it pauses there.

    None for the pause where the motion keeps to the path from the beginning. What is off the path is getting into
    position, up to the next pause or, if there is none, the next turn.
    """
    across = path[:, 1:]
    speed = np.linalg.norm(np.gradient(path, axis=0), axis=1)
    first, paused = 0, None
    for begin in range(len(turns) - 1 - FEWEST_NEIGHBOURS):
        near = slice(turns[begin + 1], turns[min(begin + 1 + NEIGHBOURS, len(turns) - 1)])
        centre = (across[near].max(axis=0) + across[near].min(axis=0)) / 2
        reach = np.linalg.norm(across[near] - centre, axis=1).max()
        limit = OFF_PATH_FACTOR * reach + OFF_PATH_MARGIN * typical_rad
        edge = np.linalg.norm(across[first : turns[begin + 1]] - centre, axis=1)
        off = np.flatnonzero(edge > limit)
        if not len(off):
            break
        left = first + int(off[-1]) + 1
        slow = np.flatnonzero(speed[left : turns[begin + 1]] < PAUSE_SHARE * np.percentile(speed[near], 90))
        if len(slow):
            return left + int(slow[0]), True
        first, paused = int(turns[begin + 1]), False
    return first, paused
