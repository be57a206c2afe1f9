"""Masks of rows and gaps in them: what every stage does to arrays."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from imu_shoulder.model import BoolArray, FloatArray, IntArray

# So many rows at a time stay in the processor's cache, which makes them twice as fast.
BLOCK_ROWS = 4096
_MANY_STEPS = 4096
# Shorter blocks take longer to look through than their edges do.
_LONG_HALF = 16


def runs(mask: BoolArray, least: int = 1) -> list[tuple[int, int]]:
    """The half-open [first, last) stretches of at least `least` rows in which mask (N,) is True."""
    half = least // 2
    # So long a run fills half of that somewhere: where nothing does, there is none.
    if not len(mask) or (half >= _LONG_HALF and len(mask) >= half and not _full(mask, half)):
        return []
    inside = (mask[1:] != mask[:-1]).nonzero()[0]
    begun = int(mask[0])
    flat = np.empty(begun + len(inside) + int(mask[-1]), dtype=np.int64)
    # Overwritten where the first row does not begin one, or the last one does not end one.
    flat[:1], flat[-1:] = 0, len(mask)
    flat[begun : begun + len(inside)] = inside + 1
    edges = flat.reshape(-1, 2)
    # Left out before they become Python's: a converter's noise makes hundreds of thousands of short ones.
    return [(first, last) for first, last in edges[edges[:, 1] - edges[:, 0] >= least].tolist()]


def _full(mask: BoolArray, width: int) -> bool:
    """Whether mask (N,) is True throughout some block of `width` rows, counted from the first; a rest is no block."""
    return bool(mask[: len(mask) // width * width].reshape(-1, width).all(axis=1).any())


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


def sliding(combine: np.ufunc, values: NDArray[Any], width: int) -> NDArray[Any]:
    """What `width` rows in a row of values (N,) come to, such as their minimum: (N - width + 1,), N of `width` or more.

    combine: of two rows, such that one that is taken twice changes nothing.
    """
    done = 1
    while done < width:
        step = min(done, width - done)
        values = combine(values[:-step], values[step:])
        done += step
    return values


def near(mask: BoolArray, reach: int, *, beyond: bool = False) -> BoolArray:
    """Rows (N,) no more than `reach` rows away from one in which mask (N,) is True.

    beyond: whether it is True before the first row and after the last.
    """
    return sliding(np.logical_or, np.pad(mask, reach, constant_values=beyond), 2 * reach + 1)


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


def median_of(values: FloatArray) -> float:
    """The median of finite values (N,); not of none."""
    return float(medians_of(values[None])[0])


def medians_of(values: FloatArray) -> FloatArray:
    """(K,) the medians of finite values (K, N); not of none. Several times as fast as numpy's, which looks for two
    places at once."""
    count = values.shape[1]
    place = count // 2
    ordered = np.partition(values, place, axis=1)
    above = ordered[:, place]
    return above if count % 2 else 0.5 * (ordered[:, :place].max(axis=1) + above)


def usual_step(increasing: FloatArray) -> float:
    """The median step of (N,) with N > 1; of many, of some thousand of them."""
    every = 1 + len(increasing) // _MANY_STEPS
    return median_of(increasing[1::every] - increasing[:-1:every])


def quantile(values: FloatArray, share: float) -> float:
    """Of finite values (N,), between two of them on a straight line; not of none. As fast as `median_of`."""
    place = share * (len(values) - 1)
    below = int(place)
    ordered = np.partition(values, below)
    least = float(ordered[below])
    return least if below == place else least + (place - below) * (float(ordered[below + 1 :].min()) - least)


def in_blocks(values: FloatArray, width: int) -> FloatArray:
    """(C, K, width) of values (N, C): their columns in blocks of `width` rows, without the rows that fill none."""
    count = len(values) // width
    return values.T[:, : count * width].reshape(values.shape[1], count, width)


def block_means(values: FloatArray, width: int) -> FloatArray:
    """(K, C) means of the blocks of values (N, C), each `width` rows."""
    return np.asarray((in_blocks(values, width) @ np.full(width, 1.0 / width)).T)


def block_spreads(values: FloatArray, width: int) -> FloatArray:
    """(K,) of the blocks of values (N, C), each `width` rows: the root of their variances' sum."""
    total = np.zeros(len(values) // width)
    for blocks in in_blocks(values, width):
        # About the first row, so that what stays the same does not spread.
        off = blocks - blocks[:, :1]
        total += np.einsum("kw,kw->k", off, off) / width - (off @ np.full(width, 1.0 / width)) ** 2
    return np.sqrt(np.maximum(total, 0.0))


def sums_over(values: FloatArray, first: IntArray, last: IntArray) -> FloatArray:
    """Sums (..., S) of values (..., N) over half-open stretches [first, last) of rows, none of them empty."""
    edges = np.column_stack([first, last]).ravel()
    # The last row's end is no row.
    edges = edges[:-1] if len(edges) and edges[-1] == values.shape[-1] else edges
    return np.asarray(np.add.reduceat(values, edges, axis=-1)[..., ::2])
