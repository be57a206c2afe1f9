"""Long arrays on the disk: hours of many sensors are worked on while memory holds little of them.

An array of limits.LONG_ROWS or more is a file that is mapped: it is read and written like any other, and memory holds
what was touched of it since `let_go` was last called. What is shorter is an array in memory, which is quicker.
"""

from __future__ import annotations

import contextlib
import ctypes
import mmap
import sys
import threading
import weakref
from collections.abc import Iterator
from pathlib import Path
from typing import Any, TypeVar

import numpy as np
from numpy.typing import NDArray

from imu_shoulder import limits
from imu_shoulder.files import unnamed_file

# Less than this is not worth the time that it takes to touch it again.
LEAST_BYTES = 300_000_000
# A part of what is worked on: rows of many columns at a time.
PART_ROWS = 1 << 16

Number = TypeVar("Number", bound=np.generic)
_mapped: weakref.WeakSet[mmap.mmap] = weakref.WeakSet()
_lock = threading.Lock()


def room(shape: int | tuple[int, ...], dtype: Any = np.float64) -> NDArray[Any]:
    """An array to fill, without any contents yet; a long one lies on the disk, and the others there are let go of.

    Raises OutputError where the disk is full, MemoryError where the address space is.
    """
    sizes = (shape,) if isinstance(shape, int) else shape
    if max(sizes) < limits.LONG_ROWS or sys.platform != "linux":  # elsewhere memory need not let go when it is told
        return np.empty(sizes, dtype)
    let_go()
    size = int(np.prod(sizes)) * np.dtype(dtype).itemsize
    with unnamed_file(size) as descriptor:
        try:
            mapped = mmap.mmap(descriptor, size)
        except OSError as error:  # a limit on the address space
            raise MemoryError(f"no room for {size} bytes") from error
    if hasattr(mmap, "MADV_HUGEPAGE"):
        with contextlib.suppress(OSError):  # a kernel without large pages: small ones take twice the time to touch
            mapped.madvise(mmap.MADV_HUGEPAGE)
    with _lock:
        _mapped.add(mapped)
    return np.ndarray(sizes, dtype, buffer=mapped)


def copied(values: NDArray[Number]) -> NDArray[Number]:
    """The values once more, row by row in memory or on the disk."""
    out = room(values.shape, values.dtype)
    out[...] = values
    return out


def spilled(values: NDArray[Number]) -> NDArray[Number]:
    """The values for long keeping: on the disk if they are long, as they are if not. Their order in memory stays."""
    if max(values.shape) < limits.LONG_ROWS or sys.platform != "linux":
        return values
    return copied(values) if values.flags.c_contiguous else copied(values.T).T


def let_go() -> None:
    """Have memory hold nothing of what lies on the disk until it is touched again, unless it holds little anyway."""
    if sys.platform != "linux":
        return
    with _lock:
        if not _mapped or _resident_bytes() < LEAST_BYTES:
            return
        for mapped in _mapped:
            mapped.madvise(mmap.MADV_DONTNEED)
        # The C library may hold back what was freed of the size of a column.
        trim = getattr(ctypes.CDLL(None), "malloc_trim", None)
        if trim is not None:
            trim(0)


def _resident_bytes() -> int:
    """Memory that this process holds. Source: proc(5), the second number of /proc/self/statm, in pages."""
    return int(Path("/proc/self/statm").read_text(encoding="ascii").split()[1]) * mmap.PAGESIZE


def parts(count: int, most: int = PART_ROWS) -> Iterator[slice]:
    """All of `count` rows, at most so many at a time; one empty part where there are none."""
    return (slice(first, min(first + most, count)) for first in range(0, max(count, 1), most))
