"""A process whose clock jumps as over a sleep of its computer: python -m fake_bluez.sleeper SECONDS MODULE [ARGUMENTS]

Every SIGUSR1 is such a sleep. Two processes that are stopped, signalled and continued have slept together.
"""

from __future__ import annotations

import runpy
import signal
import sys
import time


def main() -> None:
    real, slept_ns = time.clock_gettime_ns, 0
    lasts_ns = round(float(sys.argv[1]) * 1e9)

    def sleep(*_: object) -> None:
        nonlocal slept_ns
        slept_ns += lasts_ns

    time.clock_gettime_ns = lambda clock: real(clock) + slept_ns
    signal.signal(signal.SIGUSR1, sleep)
    sys.argv = sys.argv[2:]
    runpy.run_module(sys.argv[0], run_name="__main__", alter_sys=True)


if __name__ == "__main__":
    main()
