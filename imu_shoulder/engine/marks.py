"""Marks of a stream: events that begin and end between two rows of the grid, in the order in which they were made."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass

import numpy as np

from imu_shoulder.drills import Drill
from imu_shoulder.model import Event, FloatArray, Side


@dataclass(frozen=True, slots=True)
class Mark:
    """An event that begins, or what goes on that ends. drill, asked, number: of a set, see `Stream.begin`."""

    time_s: float
    begins: Event | None = None
    drill: Drill | None = None
    asked: Mapping[Side, Drill] | None = None
    number: int | None = None


class Marks:
    """Those that wait for their row."""

    def __init__(self) -> None:
        self._waiting: list[Mark] = []

    def put(self, mark: Mark) -> None:
        self._waiting.append(mark)

    def take_back_end(self) -> None:
        """An end that was announced and comes otherwise."""
        if self._waiting and self._waiting[0].begins is None:
            del self._waiting[0]

    def due(self, next_s: float | None) -> Iterator[Mark]:
        """Those before the next row, one by one. next_s: its time; None before the first row is known."""
        while self._waiting and next_s is not None:
            mark = self._waiting[0]
            # A row at the very time of a mark is inside the event.
            if mark.time_s + 1e-9 >= next_s if mark.begins is None else mark.time_s - 1e-9 > next_s:
                return
            yield self._waiting.pop(0)

    def first_in(self, time_s: FloatArray, first: int, last: int) -> int:
        """The first place after `first`, at most `last`, before which a mark lies among rows time_s (N,)."""
        for mark in self._waiting:
            place = int(np.searchsorted(time_s, mark.time_s - 1e-9 if mark.begins else mark.time_s + 1e-9))
            last = min(last, place) if place > first else last
        return last

    def left_ends(self) -> Iterator[Mark]:
        """When no more rows come: what begins no more, and the ends of what goes on."""
        while self._waiting:
            mark = self._waiting.pop(0)
            if mark.begins is None:
                yield mark
