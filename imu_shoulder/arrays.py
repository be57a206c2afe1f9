"""Masks of rows and gaps in them: what every stage does to arrays."""

from __future__ import annotations

import numpy as np

from imu_shoulder.model import BoolArray, FloatArray, IntArray

# So many rows at a time stay in the processor's cache, which makes them twice as fast.
BLOCK_ROWS = 4096


def runs(mask: BoolArray, least: int = 1) -> list[tuple[int, int]]:
    """The half-open [first, last) stretches of at least `least` rows in which mask (N,) is True."""
    edges = np.flatnonzero(np.diff(np.concatenate([[False], mask, [False]]).astype(np.int8))).reshape(-1, 2)
    # Left out before they become Python's: a converter's noise makes hundreds of thousands of short ones.
    return [(first, last) for first, last in edges[edges[:, 1] - edges[:, 0] >= least].tolist()]


def longest_run(mask: BoolArray) -> int:
    """How many rows of mask (N,) are True in a row at the most."""
    return max((last - first for first, last in runs(mask)), default=0)


def joined_runs(mask: BoolArray, step: float) -> list[tuple[int, int]]:
    """The runs of mask (N,), joined where at most `step` rows lead from the last row of one to the next one's first."""
    out: list[tuple[int, int]] = []
    for first, last in runs(mask):
        if out and first - (out[-1][1] - 1) <= step:
            out[-1] = (out[-1][0], last)
        else:
            out.append((first, last))
    return out


def bridged(values: FloatArray, known: BoolArray | None = None) -> FloatArray:
    """Rows of (N,) or (N, K) that are not known, on the straight line between their neighbours; at the ends held.

    For what cannot do with gaps, as a filter or a search for turning points: the rows stay unknown all the same.
    known: (N,); without it the finite values of (N,). Contiguous; unchanged where no row is known.
    """
    if known is None:
        known = np.isfinite(values)
    if known.all() or not known.any():
        return np.ascontiguousarray(values)
    missing = np.flatnonzero(~known)
    step = known[1:] != known[:-1]
    beside = np.flatnonzero(known & (np.append(step, False) | np.append(False, step)))
    out = values.copy(order="C")
    for column in out.reshape(len(out), -1).T:
        column[missing] = np.interp(missing, beside, column[beside])
    return out


def sums_over(values: FloatArray, first: IntArray, last: IntArray) -> FloatArray:
    """Sums (..., S) of values (..., N) over half-open stretches [first, last) of rows, none of them empty."""
    edges = np.column_stack([first, last]).ravel()
    # The last row's end is no row.
    edges = edges[:-1] if len(edges) and edges[-1] == values.shape[-1] else edges
    return np.asarray(np.add.reduceat(values, edges, axis=-1)[..., ::2])
