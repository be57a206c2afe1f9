"""Prints the inclination on open trials of real movement, ours beside vqf's defaults: python tests/print_broad.py

Three trials of BROAD with its optical reference (Laidig, Caruso, Seel 2021, doi 10.3390/data6070072, CC BY 4.0), read
from beside the checkout. Without a copy there it says so and stops.
"""

from __future__ import annotations

import sys

import numpy as np
import pandas as pd
import vqf
from test_orient import OPEN_TRIALS, Array, inclination_error_deg, track

from imu_shoulder.frames import rotation_from_quat
from imu_shoulder.model import Track
from imu_shoulder.orient.attitude import OrientParams, orient_afterwards
from imu_shoulder.orient.stream import OrientStream


def causally(data: Track, rate_hz: float) -> Array:
    """Quaternions (N, 4) as a stream has them, looked at ten times a second; from its third second on."""
    stream = OrientStream([data.placement], rate_hz, OrientParams())
    step, count, out = round(rate_hz / 10), len(data.valid), []
    for first in range(0, count, step):
        rows = slice(first, first + step)
        own = Track(data.placement, data.acc_m_s2[rows], data.gyr_rad_s[rows], data.valid[rows], data.clipped[rows])
        found = stream.push(np.arange(count)[rows] / rate_hz, {data.placement: own}).attitudes
        if first < 3 * rate_hz <= first + step:
            found = stream.start()[1]
        out += [attitude.quat_earth_from_sensor for attitude in found.values()]
        if first // step % 5 == 4:
            stream.look()
    return np.concatenate(out)


def main() -> None:
    trials = sorted(OPEN_TRIALS.glob("*.npz"))
    if not trials:
        sys.exit(f"no copy of the open trials in {OPEN_TRIALS}")
    rows = []
    for path in trials:
        trial = np.load(path)
        gyr, acc = (np.ascontiguousarray(trial[key], dtype=float) for key in ("gyr", "acc"))
        rate_hz = float(trial["fs"])
        scored = trial["movement"] & np.isfinite(trial["quat"]).all(axis=1)
        true = rotation_from_quat(trial["quat"][scored].astype(float))

        def rmse(quat: Array, scored: Array = scored, true: object = true) -> float:
            return float(np.sqrt(np.mean(inclination_error_deg(rotation_from_quat(quat[scored]), true) ** 2)))

        data = track(gyr, acc)
        rows.append(
            {
                "trial": path.stem,
                "two-sided, ours": rmse(orient_afterwards(data, rate_hz, OrientParams()).quat_earth_from_sensor),
                "two-sided, vqf": rmse(vqf.offlineVQF(gyr, acc, None, 1 / rate_hz)["quat6D"]),
                "causal, ours": rmse(causally(data, rate_hz)),
                "causal, vqf": rmse(vqf.VQF(1 / rate_hz).updateBatch(gyr, acc)["quat6D"]),
            }
        )
    print("Inclination RMSE in degrees over the rows the benchmark scores.\n")
    print(pd.DataFrame(rows).to_markdown(index=False, floatfmt=".3f"))


if __name__ == "__main__":
    main()
