"""Attitude filters against the truth of a simulated recording: RMSE of every angle under each filter."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
import pandas as pd

from imu_shoulder.analysis import Params
from imu_shoulder.errors import RecordingError
from imu_shoulder.frames import wrap_deg
from imu_shoulder.model import Recording
from imu_shoulder.orient.comparison import METHODS
from imu_shoulder.pipeline import analyse
from imu_shoulder.validate.agreement import rmse_parts
from imu_shoulder.validate.pairing import our_series
from imu_shoulder.validate.series import Series, read_series, values_at

TRUTH = "true_angles.parquet"
FILTERS = ("vqf", *METHODS)


@dataclass(frozen=True, slots=True)
class FilterError:
    """One filter's error in one angle, degrees, over `seconds` after the neutral pose in which both are defined."""

    method: str
    side: str
    angle: str
    rmse_deg: float
    bias_deg: float
    sd_deg: float
    seconds: float


def read_truth(folder: Path) -> Series:
    """The true angles that `imu-shoulder simulate` writes beside a recording. Raises RecordingError."""
    path = folder / TRUTH
    if not path.is_file():
        raise RecordingError(
            f"{TRUTH} beside the recording", f"{folder} has none", "make the recording with: imu-shoulder simulate"
        )
    return read_series(path)


def compare_filters(
    recording: Recording,
    truth: Series,
    params: Params,
    progress: Callable[[str], None] = lambda stage: None,
) -> list[FilterError]:
    """Analyse the recording once under each filter. Everything but the attitude filter is the same.

    The filters of package ahrs run with its default gains, forwards only; vqf runs over past and future. The bias that
    stillness shows is taken off for all of them.
    """
    found = []
    for method in FILTERS:
        progress(method)
        analysis = analyse(recording, replace(params, orient=replace(params.orient, method=method)))
        ours = our_series(analysis)
        after = ours.time_s > analysis.calibrated.pose_s[1]
        for name, values in truth.values.items():
            if name not in ours.values:
                continue
            difference = ours.values[name] - values_at(Series(truth.time_s, {name: values}), name, ours.time_s)
            # plane and rotation angles may differ by whole turns
            difference = wrap_deg(difference[after & np.isfinite(difference)])
            if not len(difference):
                continue
            side, angle = name.split("_", 1)
            parts = rmse_parts(difference)
            seconds = len(difference) / analysis.aligned.rate_hz
            found.append(
                FilterError(method, side, angle.removesuffix("_deg"), parts.rmse, parts.bias, parts.sd, seconds)
            )
    return found


def filters_table(errors: list[FilterError]) -> pd.DataFrame:
    """Tidy: one row per filter, side and angle."""
    return pd.DataFrame(errors)


def rmse_by_filter(errors: list[FilterError]) -> pd.DataFrame:
    """RMSE, one row per side and angle, one column per filter."""
    table = filters_table(errors).pivot(index=["side", "angle"], columns="method", values="rmse_deg")
    return table[[method for method in FILTERS if method in table.columns]]
