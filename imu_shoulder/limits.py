"""What the program takes at most, checked before any work is done. The page about it is docs/limits.md.

All of the numbers are ours: several times what a warm-up needs, and less than what a small computer can hold.
"""

from __future__ import annotations

import sys
from collections.abc import Sequence
from pathlib import Path

from imu_shoulder.errors import RecordingError, ShoulderError

# A file of samples or of a log is held in memory as a whole; a text file is written by hand or by this program.
MAX_FILE_BYTES = 500_000_000
MAX_TOML_BYTES = 1_000_000
MAX_TABLE_BYTES = 5_000_000
MAX_JSON_BYTES = 50_000_000
# Tables within tables of a TOML or JSON file.
MAX_NESTING = 20
# Texts: a name of a person, file, drill or column, and everything else.
MAX_NAME_LETTERS = 200
MAX_TEXT_LETTERS = 2000
MAX_COLUMNS = 200
MAX_ITEMS = 500
# Sets, repetitions and seconds that a drill, plan or mark may ask.
MAX_SETS = 100
MAX_EVENTS = 1000
MAX_REPS = 1000
MAX_ASKED_S = 3600.0
# A recording of more is refused before it is read: it is a clock that was set. Whether it fits into memory is another
# question, below.
MAX_HOURS = 12.0
# The declared rate may be off the measured one by this share of it; less than that is put right and said.
MOST_RATE_OFF = 0.25
# What an analysis takes on top of the program itself: for each sensor and row of the common grid, for each sample of a
# sensor, and in any case. Measured: 440 a row of 2 samples in 12 minutes of 4 sensors, 360 a row of one in an hour of
# 5, and 80 MB for a warm-up of five minutes.
BYTES_PER_ROW, BYTES_PER_SAMPLE = 350, 100
BYTES_AT_LEAST = 50_000_000
# Of so many rows or more, an hour and a half at 50 Hz, the columns lie on the disk where the system is Linux.
# Memory then holds what one step works on: for each row, and each sample of one sensor, however many there are.
# Measured: 350 a row of 2 samples in 8 hours of 5 sensors, 290 a row of one.
LONG_ROWS = 1 << 18
BYTES_PER_LONG_ROW, BYTES_PER_LONG_SAMPLE = 270, 80


def free_bytes() -> int | None:
    """Memory that this process can still have; None where the system does not say."""
    found = [size for size in (_available(), _below_limit()) if size is not None]
    return min(found, default=None)


def _available() -> int | None:
    """Source: proc(5), MemAvailable of /proc/meminfo, in kB."""
    try:
        lines = Path("/proc/meminfo").read_text(encoding="ascii").splitlines()
    except OSError:
        return None
    return next((int(line.split()[1]) * 1024 for line in lines if line.startswith("MemAvailable:")), None)


def _below_limit() -> int | None:
    """What the limit on this process' address space leaves, where there is one."""
    if sys.platform == "win32":
        return None
    import resource

    limit = resource.getrlimit(resource.RLIMIT_AS)[0]
    if limit == resource.RLIM_INFINITY:
        return None
    try:
        used = int(Path("/proc/self/statm").read_text(encoding="ascii").split()[0]) * resource.getpagesize()
    except OSError:
        return limit
    return max(0, limit - used)


def require_memory(rows: int, samples: Sequence[int], error: type[ShoulderError] = RecordingError) -> None:
    """Raises `error` where an analysis of so many rows would not fit into memory. samples: of each sensor."""
    sensors, free = len(samples), free_bytes()
    if rows >= LONG_ROWS and sys.platform == "linux":
        needed = BYTES_AT_LEAST + rows * BYTES_PER_LONG_ROW + max(samples) * BYTES_PER_LONG_SAMPLE
    else:
        needed = BYTES_AT_LEAST + sensors * rows * BYTES_PER_ROW + sum(samples) * BYTES_PER_SAMPLE
    if free is not None and needed > free:
        raise error(
            f"{needed / 1e6:.0f} MB of free memory for {rows} rows of {sensors} sensors",
            f"there are {free / 1e6:.0f} MB",
            "close other programs, cut the recording into parts, or record at a lower rate",
        )
