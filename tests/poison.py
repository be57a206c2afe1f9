"""What a worker may meet in a cohort, by the name of the recording."""

from __future__ import annotations

import os
import signal
import time

import numpy as np

from imu_shoulder.cohort.store import Failure
from imu_shoulder.cohort.work import Job, do


def do_or_die(job: Job) -> Failure | None:
    if job.recording.endswith("kills"):
        os.kill(os.getpid(), signal.SIGKILL)
    if job.recording.endswith("eats"):
        eaten = []
        while True:
            eaten.append(np.ones(5_000_000))
            time.sleep(0.05)
    return do(job)


def do_slowly(job: Job) -> Failure | None:
    """So that whoever kills workers meets them at work."""
    time.sleep(0.3)
    return do(job)
