"""Channels that change by strokes. Strokes add up, so that one may begin while another is still on its way."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Mapping

import numpy as np

from second_simulator.quat import Array
from second_simulator.strokes import Habit, bulge, increments

RATE_HZ = 240.0
PAD_S = 1.0


class Timeline:
    """Where every channel is going. now_s moves on with `wait`; a channel that is never moved keeps its first value."""

    def __init__(self, first: Mapping[str, float], rng: np.random.Generator) -> None:
        self.now_s = 0.0
        self.target = dict(first)
        self._first = dict(first)
        self._steps: dict[str, list[tuple[int, Array]]] = defaultdict(list)
        self._rng = rng

    def wait(self, duration_s: float) -> None:
        self.now_s += max(0.0, duration_s)

    def stroke(self, duration_s: float, habit: Habit) -> Array:
        """The steps of one stroke, to be given to several channels or looked at beforehand."""
        return increments(max(8, round(duration_s * RATE_HZ)), duration_s, habit, self._rng)

    def move(self, channel: str, value: float, steps: Array, at_s: float | None = None) -> None:
        """Begin a stroke to value at at_s, by default now."""
        change = value - self.target[channel]
        self.target[channel] = value
        if change:
            self._steps[channel].append((self._index(at_s), change * steps))

    def bump(self, channel: str, size: float, duration_s: float, at_s: float | None = None) -> None:
        """Out by size and back."""
        self._steps[channel].append((self._index(at_s), size * bulge(max(8, round(duration_s * RATE_HZ)))))

    def add(self, channel: str, values: Array, at_s: float | None = None) -> None:
        """Add values that begin and end at 0, on the grid, to a channel."""
        self._steps[channel].append((self._index(at_s), np.diff(values, prepend=0.0)))

    def _index(self, at_s: float | None) -> int:
        return round(((self.now_s if at_s is None else at_s) + PAD_S) * RATE_HZ)

    def grid_s(self) -> Array:
        """Times from PAD_S before the beginning to PAD_S after now."""
        return np.arange(round((self.now_s + 2 * PAD_S) * RATE_HZ) + 1) / RATE_HZ - PAD_S

    def render(self) -> dict[str, Array]:
        n = self.grid_s().size
        out = {}
        for channel, first in self._first.items():
            change = np.zeros(n)
            for i, steps in self._steps[channel]:
                change[i : i + steps.size] += steps[: max(0, n - i)]
            out[channel] = first + np.cumsum(change)
        return out
