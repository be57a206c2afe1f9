"""Rows that come at one end and are dropped at the other: what the engine remembers, in one array."""

from __future__ import annotations

import numpy as np

from imu_shoulder.model import FloatArray

_FIRST_ROWS = 1024


class Rows:
    """A table that grows by rows and forgets the oldest. The first column is time in s, increasing."""

    def __init__(self, columns: int) -> None:
        self._table: FloatArray = np.empty((_FIRST_ROWS, columns))
        self._first = self._end = 0

    def __len__(self) -> int:
        return self._end - self._first

    @property
    def table(self) -> FloatArray:
        """(N, C) a view, valid until the next row comes."""
        return self._table[self._first : self._end]

    @property
    def time_s(self) -> FloatArray:
        return self._table[self._first : self._end, 0]

    def append(self, rows: FloatArray) -> None:
        """rows: (n, C)."""
        if self._end + len(rows) > len(self._table):
            count = len(self)
            # At least half of the new array is free, so that moving is rare.
            size = max(_FIRST_ROWS, 2 * (count + len(rows)))
            table = np.empty((size, self._table.shape[1]))
            table[:count] = self.table
            self._table, self._first, self._end = table, 0, count
        self._table[self._end : self._end + len(rows)] = rows
        self._end += len(rows)

    def since(self, start_s: float) -> FloatArray:
        """(n, C) the rows from start_s on, a view."""
        return self.table[int(np.searchsorted(self.time_s, start_s - 1e-9)) :]

    def drop_before(self, start_s: float) -> None:
        self._first += int(np.searchsorted(self.time_s, start_s - 1e-9))
