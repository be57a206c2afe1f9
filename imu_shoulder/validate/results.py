"""A finished analysis read back from its folder."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pandas as pd

from imu_shoulder.checked import read_json
from imu_shoulder.errors import RecordingError
from imu_shoulder.one_run import ANGLES, REPS, RUN, SUMMARY, require_one_run
from imu_shoulder.texts import as_written

TEXTS = ("drill", "side", "angle", "faults", "excluded", "role", "stations")


@dataclass(frozen=True, slots=True)
class Results:
    """summary.json, reps.csv and angles.parquet of one folder."""

    summary: dict[str, Any]
    reps: pd.DataFrame
    angles: pd.DataFrame


def read_results(folder: Path) -> Results:
    """What `imu-shoulder analyse` wrote there in one run; empty texts stay texts. Raises RecordingError."""
    for name in (SUMMARY, REPS, ANGLES):
        if not (folder / name).is_file():
            raise RecordingError(
                f"{name} in {folder}", "there is no such file", "give the folder that `imu-shoulder analyse` wrote"
            )
    require_one_run(folder)
    summary = read_json(folder / SUMMARY, f"{SUMMARY} of an analysis", RecordingError, "analyse again")
    try:
        reps = pd.read_csv(folder / REPS, dtype=dict.fromkeys(TEXTS, str))
        with (folder / ANGLES).open("rb") as stream:
            angles = pd.read_parquet(stream)
    except (OSError, ValueError) as error:
        raise RecordingError(f"readable results in {folder}", f"they are not ({error})", "analyse again") from error
    # The id has done its work: the tables are as they were before they were written.
    reps = as_written(reps.drop(columns=RUN, errors="ignore"))
    angles.attrs.clear()
    texts = [name for name in TEXTS if name in reps.columns]
    reps[texts] = reps[texts].fillna("")
    return Results(summary, reps, angles)
