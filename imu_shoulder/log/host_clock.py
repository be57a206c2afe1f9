"""The clock of a log's host times."""

from __future__ import annotations

import sys
import time


def host_now_ns() -> int:
    """The host's clock: never set, fine, and running on while a laptop sleeps.

    Linux's CLOCK_MONOTONIC stands still in sleep and CLOCK_BOOTTIME does not (clock_getres(2)). On macOS
    CLOCK_MONOTONIC_RAW runs on and time.monotonic does not (LLVM review D74341). On Windows time.monotonic has steps of
    16 ms before Python 3.13 (GetTickCount64); the performance counter is fine and runs on (from memory).
    """
    if sys.platform == "linux":
        return time.clock_gettime_ns(time.CLOCK_BOOTTIME)
    if sys.platform == "darwin":
        return time.clock_gettime_ns(time.CLOCK_MONOTONIC_RAW)
    return time.perf_counter_ns()
