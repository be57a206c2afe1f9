"""Times as foreign files write them, in seconds: counted in some unit, or as dates and clock times."""

from __future__ import annotations

import numpy as np
import pandas as pd

from imu_shoulder.errors import RecordingError
from imu_shoulder.model import FloatArray

DAY_S = 86_400.0
TIME_UNIT_S = {"s": 1.0, "ms": 1e-3, "us": 1e-6, "ns": 1e-9, "day": DAY_S}
# Texts: date and time of ISO 8601; a time of the day.
ISO, CLOCK = "iso", "clock"
_TO_DO = "correct the file, or time_unit in the column map"


def is_text(unit: str) -> bool:
    """Whether times of this unit are texts; a pattern of strptime (with % signs) is one, too."""
    return unit in (ISO, CLOCK) or "%" in unit


def seconds_of(texts: pd.Series, unit: str, name: str) -> FloatArray:
    """(N,) seconds of texts: since 1970 for dates, of the day for clock times, which go on over midnight.

    NaN where there is no text. Raises RecordingError with the line, the index of `texts`, of the first that is no time.
    """
    stripped = texts.fillna("").astype(str).str.strip().str.strip("\"'")
    there = (stripped != "").to_numpy()
    seconds = _of_day(stripped) if unit == CLOCK else _since_1970(stripped, unit)
    bad = np.flatnonzero(there & ~np.isfinite(seconds))
    if len(bad):
        row = int(bad[0])
        expected = {ISO: "a date and time of ISO 8601", CLOCK: "a time of the day, as 09:30:00.25"}.get(
            unit, f"a time like {unit}"
        )
        raise RecordingError(
            f"{expected} in {name}, row {texts.index[row]}", f"it is {stripped.iloc[row][:60]!r}", _TO_DO
        )
    return seconds


def _since_1970(texts: pd.Series, unit: str) -> FloatArray:
    # A decimal comma is taken as a point, in the pattern as in the texts.
    plain, unit = texts.str.replace(",", ".", regex=False), unit.replace(",", ".")
    try:
        moments = pd.to_datetime(plain, format="ISO8601" if unit == ISO else unit, utc=True, errors="coerce")
        return np.asarray((moments - pd.Timestamp(0, tz="UTC")) / pd.Timedelta(seconds=1), dtype=np.float64)
    except (ValueError, OverflowError):  # a pattern that is none
        return np.full(len(texts), np.nan)


def _of_day(texts: pd.Series) -> FloatArray:
    plain = texts.str.replace(r"[,.:](\d+)$", r".\1", regex=True).where(texts.str.count(":") != 2, texts)
    plain = plain.str.replace(",", ".", regex=False)
    parts = plain.str.extract(r"^(\d{1,2}):(\d{1,2}):(\d{1,2}(?:\.\d+)?)$")
    hours, minutes, seconds = (parts[k].astype(np.float64).to_numpy() for k in range(3))
    of_day = 3600.0 * hours + 60.0 * minutes + seconds
    # A step back by about a day is midnight.
    steps = np.diff(np.where(np.isfinite(of_day), of_day, 0.0), prepend=of_day[:1])
    return np.asarray(of_day + DAY_S * np.cumsum(steps < -0.9 * DAY_S), dtype=np.float64)
