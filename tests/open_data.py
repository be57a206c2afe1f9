"""Open recordings of shoulder exercise sets, read from the package `seglearn` without importing it.

140 sets of 7 exercises by 10 subjects, one smartwatch at the wrist, 50 Hz, nominally 20 reps each. Source: Burns,
Leung, Hardisty, Whyne, Henry, McLachlin 2018, Shoulder physiotherapy exercise recognition: machine learning the
inertial signals from a smartwatch, Physiological Measurement 39:075007, doi 10.1088/1361-6579/aacfd9.
The files are trimmed to the set, their ends are cut mid-rep, and the true count is 18 to 22 in some of them.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache
from importlib import metadata

import numpy as np
from numpy.typing import NDArray
from scipy.spatial.transform import Rotation
from vqf import offlineVQF

from imu_shoulder.units import STANDARD_GRAVITY_M_S2

RATE_HZ = 50.0
NOMINAL_REPS = 20
# The counter was tuned on these; the other five are reported apart.
TUNING_SUBJECTS = (1, 2, 3, 4, 5)
# Noise of the spliced stillness: about what a wrist-worn consumer part shows at rest (from memory).
STILL_ACC_NOISE_M_S2 = 0.04
STILL_GYR_NOISE_RAD_S = 0.01


@dataclass(frozen=True)
class WatchSet:
    """One set: time_s (N,), acc_m_s2 and gyr_rad_s (N, 3) in the watch's frame."""

    number: int
    subject: int
    exercise: str
    time_s: NDArray[np.float64]
    acc_m_s2: NDArray[np.float64]
    gyr_rad_s: NDArray[np.float64]


@cache
def watch_sets() -> tuple[WatchSet, ...]:
    """All 140 sets, in the order of the file."""
    files = metadata.files("seglearn") or []
    path = next(file for file in files if file.name == "watch_dataset.npy").locate()
    data = np.load(path, allow_pickle=True).item()
    return tuple(
        WatchSet(
            number,
            int(data["subject"][number]),
            data["y_labels"][int(data["y"][number])],
            np.arange(len(samples)) / RATE_HZ,
            np.ascontiguousarray(samples[:, :3], dtype=np.float64) * STANDARD_GRAVITY_M_S2,
            np.ascontiguousarray(samples[:, 3:], dtype=np.float64),
        )
        for number, samples in enumerate(data["X"])
    )


def with_stillness(watch_set: WatchSet, still_s: float = 3.0) -> WatchSet:
    """The set with the sensor at rest before and after it, in the posture it begins and ends in."""
    rng = np.random.default_rng(watch_set.number)
    count = round(still_s * RATE_HZ)
    quat = offlineVQF(watch_set.gyr_rad_s, watch_set.acc_m_s2, None, 1.0 / RATE_HZ)["quat6D"]
    up = Rotation.from_quat(quat[[0, -1]], scalar_first=True).inv().apply([0.0, 0.0, STANDARD_GRAVITY_M_S2])
    acc = [gravity + rng.normal(0.0, STILL_ACC_NOISE_M_S2, (count, 3)) for gravity in up]
    gyr = [rng.normal(0.0, STILL_GYR_NOISE_RAD_S, (count, 3)) for _ in up]
    return WatchSet(
        watch_set.number,
        watch_set.subject,
        watch_set.exercise,
        np.arange(len(watch_set.time_s) + 2 * count) / RATE_HZ,
        np.vstack([acc[0], watch_set.acc_m_s2, acc[1]]),
        np.vstack([gyr[0], watch_set.gyr_rad_s, gyr[1]]),
    )
