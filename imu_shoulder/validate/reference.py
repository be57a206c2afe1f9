"""reference.csv: what a person read off a goniometer or inclinometer, and when."""

from __future__ import annotations

import math
from dataclasses import dataclass
from pathlib import Path

import pandas as pd

from imu_shoulder.angles.joint import ANGLE_COLUMNS
from imu_shoulder.checked import require_file
from imu_shoulder.errors import RecordingError
from imu_shoulder.limits import MAX_TABLE_BYTES
from imu_shoulder.model import SIDES, Side

REQUIRED = ("time_s", "angle", "side", "reading_deg")
OPTIONAL = ("rater", "position", "repeat", "note")
_TO_DO = "correct that cell, or leave the row out"


@dataclass(frozen=True, slots=True)
class Reading:
    """One reading. angle: a column of angles.parquet without the side. rater, position, repeat: empty if not given."""

    time_s: float
    angle: str
    side: Side
    reading_deg: float
    rater: str = ""
    position: str = ""
    repeat: str = ""


def read_reference(path: Path) -> tuple[Reading, ...]:
    """The readings in the order of the file. Raises RecordingError naming row and column."""
    require_file(path, "reference readings", RecordingError, MAX_TABLE_BYTES)
    try:
        table = pd.read_csv(path, dtype=str, keep_default_na=False, encoding="utf-8-sig", skipinitialspace=True)
        if isinstance(table.index, pd.MultiIndex) or table.index.dtype.kind != "i":
            raise ValueError("a row has more cells than the header")
    except (ValueError, OverflowError, pd.errors.ParserError) as error:
        raise RecordingError(f"a table in {path.name}", f"it cannot be read ({error})", "save it as CSV") from error
    missing = [name for name in REQUIRED if name not in table.columns]
    if missing:
        raise RecordingError(
            f"the columns {', '.join(REQUIRED)} in {path.name}",
            f"{', '.join(missing)} is missing",
            "add what is missing",
        )
    unknown = [name for name in table.columns if name not in (*REQUIRED, *OPTIONAL)]
    if unknown:
        raise RecordingError(
            f"columns of {path.name} out of {', '.join((*REQUIRED, *OPTIONAL))}",
            f"there is {unknown[0]!r}",
            "rename it",
        )
    if table.empty:
        raise RecordingError(f"readings in {path.name}", "there is only a header", "write one reading per row")
    return tuple(
        _reading(path.name, row + 2, {str(k): str(v) for k, v in cells.items()})
        for row, cells in enumerate(table.to_dict("records"))
    )


def _reading(name: str, line: int, cells: dict[str, str]) -> Reading:
    cells = {key: "" if value.strip() == "n/a" else value.strip() for key, value in cells.items()}

    def wrong(column: str, expected: str) -> RecordingError:
        return RecordingError(f"{expected} in {name}, row {line}, column {column}", f"it is {cells[column]!r}", _TO_DO)

    def number(column: str) -> float:
        try:
            value = float(cells[column])
        except ValueError:
            raise wrong(column, "a number") from None
        if not math.isfinite(value):
            raise wrong(column, "a finite number")
        return value

    angle = cells["angle"] if cells["angle"].endswith("_deg") else f"{cells['angle']}_deg"
    if angle not in ANGLE_COLUMNS:
        raise wrong("angle", f"one of {', '.join(column.removesuffix('_deg') for column in ANGLE_COLUMNS)}")
    side = next((side for side in SIDES if side == cells["side"]), None)
    if side is None:
        raise wrong("side", " or ".join(SIDES))
    reading = number("reading_deg")
    if abs(reading) > 360:
        raise wrong("reading_deg", "an angle within 360 deg")
    more = {key: cells.get(key, "") for key in ("rater", "position", "repeat")}
    return Reading(number("time_s"), angle, side, reading, **more)
