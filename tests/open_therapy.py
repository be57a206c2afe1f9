"""Two persons of an open physiotherapy data set, read from beside the checkout where it is: sensors on wrist, upper arm
and breastbone of the right side, 25 Hz; three exercises, each in three blocks of 10 reps, slow, fast and small.

Source: Physical Therapy Exercises, UCI Machine Learning Repository, data set 730, by A. Yurtman and B. Barshan; their
article: Comput Methods Programs Biomed 117(2):189-207, 2014, doi 10.1016/j.cmpb.2014.07.003.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np

from imu_shoulder.model import Event, Recording, SensorStream

FOLDER = Path(__file__).parents[2] / "shared" / "data" / "physical_therapy"
SESSIONS = tuple(sorted(path.stem for path in FOLDER.glob("subject*_exercise*.npz")))
RATE_HZ = 25.0
WORN = ("right_wrist", "right_upper_arm", "sternum")


def session_of(name: str) -> Recording:
    """One session, without a mark."""
    data = np.load(FOLDER / f"{name}.npz")
    streams = {}
    for placement in WORN:
        values = data[placement].astype(float)
        time_s = np.arange(len(values)) / RATE_HZ
        acc, gyr = (np.ascontiguousarray(values[:, columns]) for columns in (slice(0, 3), slice(3, 6)))
        streams[placement] = SensorStream(placement, time_s, acc, gyr, RATE_HZ)
    return Recording(name, name.split("_")[0], "2014-01-01T00:00:00", streams, ())


def blocks(name: str) -> tuple[Event, ...]:
    """The three blocks, as they were marked beside the data."""
    data = np.load(FOLDER / f"{name}.npz")
    return tuple(Event(float(a), float(b - a), "set", None, "right") for a, b in data["set_s"])
