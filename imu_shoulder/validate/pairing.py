"""Pairs of our angle and the reference's, for one recording, as a tidy table."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd

from imu_shoulder.analysis import Analysis
from imu_shoulder.angles.joint import ANGLE_COLUMNS
from imu_shoulder.errors import RecordingError
from imu_shoulder.model import FloatArray
from imu_shoulder.validate.agreement import RmseParts, rmse_parts
from imu_shoulder.validate.reference import Reading
from imu_shoulder.validate.reliability import cmc
from imu_shoulder.validate.series import Lag, Series, find_lag, values_at

# One row per reading or sampled moment. left_out: why the pair does not count, else empty.
PAIR_COLUMNS = (
    *("recording", "person", "source", "side", "angle", "time_s", "since_pose_s", "elevation_deg"),
    *("ours_deg", "reference_deg", "difference_deg", "rater", "position", "repeat", "left_out"),
)
LARGEST_RADIAN = 3.2


@dataclass(frozen=True, slots=True)
class PairParams:
    """around_s: our angle is the median within +-around_s of a reading. moved_deg: more movement meanwhile leaves the
    pair out. every_s: a continuous reference is sampled this often for the limits of agreement.
    longest_lag_s: how far its clock is searched."""

    around_s: float = 0.5
    moved_deg: float = 10.0
    every_s: float = 1.0
    longest_lag_s: float = 5.0


@dataclass(frozen=True, slots=True)
class SeriesComparison:
    """One angle against a continuous reference over all common samples. cmc: None where undefined."""

    recording: str
    person: str
    side: str
    angle: str
    lag_s: float
    seconds: float
    parts: RmseParts
    correlation: float | None
    cmc: float | None


def our_series(analysis: Analysis) -> Series:
    """Our angles as a series: <side>_<angle> over the common grid."""
    values = {
        f"{side}_{angle}": np.asarray(arm.angles[angle], dtype=np.float64)
        for side, arm in analysis.arms.items()
        for angle in ANGLE_COLUMNS
        if angle in arm.angles
    }
    return Series(analysis.aligned.time_s, values)


def pair_readings(analysis: Analysis, readings: Sequence[Reading], params: PairParams) -> pd.DataFrame:
    """PAIR_COLUMNS, one row per reading. Raises RecordingError for readings in radians."""
    ours = our_series(analysis)
    rows = []
    for reading in readings:
        value, left_out = _our_reading(ours, f"{reading.side}_{reading.angle}", reading.time_s, params)
        rows.append(
            {
                **_common(analysis, ours, reading.side, reading.time_s),
                "source": "reading",
                "angle": reading.angle.removesuffix("_deg"),
                "ours_deg": value,
                "reference_deg": reading.reading_deg,
                "difference_deg": value - reading.reading_deg,
                "rater": reading.rater,
                "position": reading.position,
                "repeat": reading.repeat,
                "left_out": left_out,
            }
        )
    table = pd.DataFrame(rows, columns=list(PAIR_COLUMNS))
    counted = table[table["left_out"] == ""]
    _refuse_radians(
        counted["ours_deg"].to_numpy(dtype=np.float64),
        counted["reference_deg"].to_numpy(dtype=np.float64),
        "reading_deg",
    )
    return table


def pair_series(
    analysis: Analysis, reference: Series, params: PairParams, lag_s: float | None = None
) -> tuple[pd.DataFrame, list[SeriesComparison], Lag | None]:
    """Samples every every_s as PAIR_COLUMNS, the whole curves' comparison, and the lag that was found.

    lag_s: known lag of a synchronised reference, None to look for it. Raises RecordingError.
    """
    ours = our_series(analysis)
    for name, values in reference.values.items():
        if name in ours.values:
            _refuse_radians(ours.values[name], values, name)
    lag = find_lag(ours, reference, params.longest_lag_s) if lag_s is None else None
    shift = lag.lag_s if lag is not None else float(lag_s or 0.0)
    rows, compared = [], []
    step = max(1, round(params.every_s * analysis.aligned.rate_hz))
    for name in (name for name in reference.values if name in ours.values):
        side, angle = name.split("_", 1)
        theirs = values_at(reference, name, ours.time_s + shift)
        both = np.isfinite(theirs) & np.isfinite(ours.values[name])
        if both.sum() < 10:
            continue
        a, b = ours.values[name][both], theirs[both]
        moved = min(float(a.std()), float(b.std())) > 1e-9
        compared.append(
            SeriesComparison(
                analysis.recording.name,
                analysis.recording.athlete,
                side,
                angle.removesuffix("_deg"),
                shift,
                float(both.sum() / analysis.aligned.rate_hz),
                rmse_parts(a - b),
                float(np.corrcoef(a, b)[0, 1]) if moved else None,
                cmc(np.stack([a, b])),
            )
        )
        for row in np.flatnonzero(both)[::step]:
            time_s = float(ours.time_s[row])
            rows.append(
                {
                    **_common(analysis, ours, side, time_s),
                    "source": "series",
                    "angle": angle.removesuffix("_deg"),
                    "ours_deg": ours.values[name][row],
                    "reference_deg": theirs[row],
                    "difference_deg": ours.values[name][row] - theirs[row],
                    "rater": "",
                    "position": "",
                    "repeat": "",
                    "left_out": "",
                }
            )
    return pd.DataFrame(rows, columns=list(PAIR_COLUMNS)), compared, lag


def _common(analysis: Analysis, ours: Series, side: str, time_s: float) -> dict[str, object]:
    elevation = ours.values.get(f"{side}_elevation_deg")
    inside = ours.time_s[0] <= time_s <= ours.time_s[-1]
    row = int(np.clip(np.searchsorted(ours.time_s, time_s), 0, len(ours.time_s) - 1))
    return {
        "recording": analysis.recording.name,
        "person": analysis.recording.athlete,
        "side": side,
        "time_s": time_s,
        "since_pose_s": time_s - analysis.calibrated.pose_s[1],
        "elevation_deg": float(elevation[row]) if elevation is not None and inside else float("nan"),
    }


def _our_reading(ours: Series, name: str, time_s: float, params: PairParams) -> tuple[float, str]:
    """Our angle at a reading, or NaN and why not."""
    nothing = float("nan")
    if not ours.time_s[0] <= time_s <= ours.time_s[-1]:
        return nothing, "outside the recording"
    if name not in ours.values:
        return nothing, "this recording does not give that angle"
    around = ours.values[name][np.abs(ours.time_s - time_s) <= params.around_s]
    seen = around[np.isfinite(around)]
    if len(seen) < 0.5 * len(around) or not len(seen):
        return nothing, "the angle was not seen or not defined then"
    if np.ptp(seen) > params.moved_deg:
        return nothing, f"the arm moved more than {params.moved_deg:g} deg meanwhile"
    return float(np.median(seen)), ""


def _refuse_radians(ours_deg: FloatArray, reference: FloatArray, column: str) -> None:
    reference = reference[np.isfinite(reference)]
    if len(reference) >= 3 and np.abs(reference).max() <= LARGEST_RADIAN and np.nanmax(np.abs(ours_deg)) > 20:
        raise RecordingError(
            f"{column} in degrees",
            f"no value is over {np.abs(reference).max():.2f} and our angle reaches {np.nanmax(np.abs(ours_deg)):.0f}",
            "convert radians to degrees",
        )
