"""The truth of a simulation as files: true_reps.csv and true_angles.parquet beside the recording."""

from __future__ import annotations

from dataclasses import asdict
from pathlib import Path

import numpy as np
import pandas as pd

from imu_shoulder.files import refusing, whole_file, write_text
from imu_shoulder.simulate.simulator import Truth
from imu_shoulder.texts import csv_text


def write_truth(truth: Truth, folder: Path, *, with_angles: bool = True) -> None:
    """Write the true reps and, if asked for, angles (time_s, <side>_<column>). Raises OutputError."""
    angles = {"time_s": truth.time_s} | {
        f"{side}_{name}": values.astype(np.float32)
        for side, columns in truth.angles.items()
        for name, values in columns.items()
    }
    reps = pd.DataFrame(
        [
            {
                **asdict(rep),
                "hold_s": rep.hold_s,
                "arc_deg": rep.arc_deg,
                "faults": ";".join(rep.faults),
                "stations": ";".join(f"{name}:{arrives:.2f}-{leaves:.2f}" for name, arrives, leaves in rep.stations),
            }
            for rep in truth.reps
        ]
    )
    with refusing(folder):
        if with_angles:
            with whole_file(folder / "true_angles.parquet") as stream:
                pd.DataFrame(angles).to_parquet(stream, index=False)
        write_text(folder / "true_reps.csv", csv_text(reps.round(4)))
