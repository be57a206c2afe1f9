"""The clock of a log's host times."""

from __future__ import annotations

import time


def host_now_ns() -> int:
    """The host's clock: never set, and where the system offers it running on while a laptop sleeps."""
    boottime = getattr(time, "CLOCK_BOOTTIME", None)
    return time.monotonic_ns() if boottime is None else time.clock_gettime_ns(boottime)
