"""A computer whose clock stood still in its sleep: found from the nodes, whose clocks ran on.

The recorder takes a clock that runs on in sleep wherever the system has one. Elsewhere all nodes are found ahead of the
host by the same time at the same moment, which no node can be by itself: a start sets its clock back.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from itertools import pairwise
from statistics import median

from imu_shoulder.ble.streams import NodeSamples

# Nodes that are ahead by the same sleep agree within this.
AGREE_S = 0.1
# Less than this is no sleep: a clock that runs too fast gains as much while its node is out of reach.
LEAST_S = 0.5


@dataclass(frozen=True, slots=True)
class Sleep:
    """The host's clock stood still. at_s: what it read then. lasted_s: for how long."""

    at_s: float
    lasted_s: float


@dataclass(frozen=True, slots=True)
class _Seen:
    """What one node shows of a sleep. from_s, to_s: host time of the last sign of it before and the first after."""

    from_s: float
    to_s: float
    lasted_s: float


def sleeps(nodes: Iterable[NodeSamples]) -> tuple[Sleep, ...]:
    """The sleeps that all nodes agree on that were there before and after, in order of time."""
    nodes = tuple(nodes)
    seen = sorted((one for node in nodes for one in _seen(node)), key=lambda one: one.from_s)
    groups: list[list[_Seen]] = []
    for one in seen:
        if groups and one.from_s <= min(other.to_s for other in groups[-1]) + AGREE_S:
            groups[-1].append(one)
        else:
            groups.append([one])
    found = []
    for group in groups:
        # What came at the waking and was not late enough to show it counts as before.
        to_s = min(one.to_s for one in group)
        from_s = min(max(one.from_s for one in group), math.nextafter(to_s, -math.inf))
        lasted_s = median(one.lasted_s for one in group)
        agreed = all(abs(one.lasted_s - lasted_s) <= AGREE_S for one in group)
        if agreed and not any(_ran_through(node, from_s, to_s) for node in nodes):
            found.append(Sleep(from_s, lasted_s))
    return tuple(found)


def awake_s(host_s: float, slept: Sequence[Sleep]) -> float:
    """What a clock would have read that had run on."""
    return host_s + sum(sleep.lasted_s for sleep in slept if host_s > sleep.at_s)


def _seen(node: NodeSamples) -> list[_Seen]:
    known = [number for number in node.heard_s if number in node.clock.upper_s]
    found = []
    for before, after in pairwise(known):
        life = node.lives[after]
        if life.ahead_s > LEAST_S:
            first_s = min([node.heard_s[after][0], *(ping.after_s for ping in life.pings[:1])])
            lasted_s = node.clock.upper_s[before] - node.clock.upper_s[after]
            found.append(_Seen(node.heard_s[before][1], first_s, lasted_s))
    return found


def _ran_through(node: NodeSamples, from_s: float, to_s: float) -> bool:
    """Whether one life of a node was pinged both before and after, and so had nothing of it."""
    return any(
        life.ahead_s == 0 and life.pings[0].after_s < from_s and life.pings[-1].before_s > to_s
        for life in node.lives
        if life.pings
    )
