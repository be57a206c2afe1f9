"""Samples taken together in short blocks, for what does not need every one of them."""

from __future__ import annotations

import numpy as np

from imu_shoulder.model import FloatArray, IntArray

# What a person does within 0.3 s shows at this rate as well as at any higher one.
COARSE_HZ = 25.0


def block_length(rate_hz: float) -> int:
    """Samples per block."""
    return max(1, round(rate_hz / COARSE_HZ))


def block_means(values: FloatArray, length: int) -> FloatArray:
    """Mean (N // length, C) of each block of (N, C); NaN where one of its rows is."""
    count, columns = len(values) // length, values.shape[1]
    # A product of matrices: several times as fast as a mean over so short an axis.
    each = np.tile(np.eye(columns) / length, (length, 1))
    return np.asarray(values[: count * length].reshape(count, length * columns) @ each)


def block_middles(rows: int, length: int) -> IntArray:
    """The row in the middle of each block, (rows // length,)."""
    return np.arange(rows // length) * length + length // 2
