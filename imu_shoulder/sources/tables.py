"""Reads the number tables of a recording (CSV or Parquet) and names the first cell that is wrong."""

from __future__ import annotations

import csv
import hashlib
import warnings
from collections.abc import Iterable, Sequence
from pathlib import Path

import numpy as np
import pandas as pd

from imu_shoulder.errors import RecordingError
from imu_shoulder.files import whole_file
from imu_shoulder.limits import MAX_COLUMNS, MAX_HOURS, MAX_NAME_LETTERS
from imu_shoulder.model import FloatArray
from imu_shoulder.spill import PART_ROWS, room

# What programs write for not-a-number. An empty cell is none of them: it is refused as no number.
_NAN = ("nan", "NaN", "NAN", "-nan")
_TO_DO = "correct the file or export it again"
_FIRST_ROWS = 100


def file_sha256(path: Path) -> str:
    """SHA-256 of a file as hexadecimal digits."""
    with path.open("rb") as stream:
        return hashlib.file_digest(stream, "sha256").hexdigest()


def read_header(path: Path) -> list[str]:
    """Column names of a CSV or Parquet file, in order."""
    if path.suffix == ".parquet":
        import pyarrow.parquet as pq

        try:
            with path.open("rb") as stream:  # as a stream: pyarrow takes no path that is not UTF-8
                return list(pq.read_schema(stream).names)
        except (OSError, ValueError) as error:
            raise RecordingError("a Parquet file", f"{path.name} is not one ({error})", _TO_DO) from error
    try:
        with path.open(encoding="utf-8-sig", newline="") as stream:
            line = stream.readline(100_000)
        names = [name.strip() for name in next(csv.reader([line]), [])]
    except (OSError, UnicodeDecodeError, csv.Error) as error:
        raise RecordingError("a text file in UTF-8", f"{path.name} is not one ({error})", _TO_DO) from error
    longest = max(map(len, names), default=0)
    if len(names) > MAX_COLUMNS or longest > MAX_NAME_LETTERS:
        raise RecordingError(
            f"at most {MAX_COLUMNS} columns in {path.name}, with names of at most {MAX_NAME_LETTERS} letters",
            f"there are {len(names)}, the longest name with {longest} letters",
            _TO_DO,
        )
    return names


def read_numbers(path: Path, columns: Sequence[str], max_rows: int) -> FloatArray:
    """The named columns as (N, len(columns)), N >= 1, all finite.

    Raises RecordingError naming file, row (the line of the file, from 1) and column of the first cell that is no
    finite number.
    """
    names = read_header(path)
    frames = [_read_parquet(path, columns, max_rows)] if path.suffix == ".parquet" else _read_csv(path, names, columns)
    count = sum(map(len, frames))
    if count == 0:
        raise RecordingError(f"rows of numbers in {path.name}", "there is only a header", _TO_DO)
    if count > max_rows:
        raise RecordingError(
            f"at most {MAX_HOURS:g} hours, {max_rows} rows at the declared rate",
            f"{path.name} has {count} rows",
            "cut the recording into parts or correct the declared rate",
        )
    values: FloatArray = room((count, len(columns)))
    first = 0
    for frame in frames:
        values[first : first + len(frame)] = frame[list(columns)].to_numpy(dtype=np.float64)
        first += len(frame)
    if not np.isfinite(values).all():
        _refuse_not_finite(path, values, columns)
    return values


def _read_parquet(path: Path, columns: Sequence[str], max_rows: int) -> pd.DataFrame:
    frame = read_frame(path, columns, max_rows)
    require_numeric(path, frame, frame.columns)
    return frame


def require_numeric(path: Path, frame: pd.DataFrame, names: Iterable[str]) -> None:
    """Raises RecordingError where one of these columns of a Parquet file holds something else than numbers."""
    for name in names:
        kind = frame[name].dtype
        if not pd.api.types.is_numeric_dtype(kind) or pd.api.types.is_bool_dtype(kind):
            raise RecordingError(f"numbers in column {name} of {path.name}", f"it holds {frame[name].dtype}", _TO_DO)


def read_frame(path: Path, columns: Sequence[str], max_rows: int) -> pd.DataFrame:
    """The named columns of a Parquet file; where it has over max_rows, only as many rows without columns."""
    import pyarrow.parquet as pq

    try:
        with path.open("rb") as stream:
            rows = pq.read_metadata(stream).num_rows
            if rows > max_rows:
                return pd.DataFrame(index=pd.RangeIndex(rows))
            stream.seek(0)
            table = pq.read_table(stream, columns=list(columns), page_checksum_verification=True)
    except (OSError, ValueError) as error:
        raise RecordingError(
            f"{path.name} to be undamaged", f"it is not ({error})", "copy or recover it again"
        ) from error
    frame: pd.DataFrame = table.to_pandas()
    return frame


def write_numbers(path: Path, columns: Sequence[str], values: FloatArray) -> None:
    """Write (N, len(columns)) to a CSV or Parquet file: times, the first column, to 1e-6 s in CSV. Raises OSError."""
    if path.suffix == ".parquet":
        import pyarrow as pa
        import pyarrow.parquet as pq

        table = pa.table(dict(zip(columns, values.T, strict=True)))
        with whole_file(path) as stream:
            pq.write_table(table, stream, compression="zstd", write_page_checksum=True)
        return
    row = ",".join(["%.6f", *["%.6g"] * (len(columns) - 1)])
    with whole_file(path) as stream:
        np.savetxt(stream, values, fmt=row, header=",".join(columns), comments="")


def _read_csv(path: Path, names: list[str], columns: Sequence[str]) -> list[pd.DataFrame]:
    """The rows in parts, so that those of hours are never in memory twice."""
    wanted = set(columns)
    try:
        with warnings.catch_warnings():
            # pandas only warns where a row has more cells than the header.
            warnings.simplefilter("error", pd.errors.ParserWarning)
            with pd.read_csv(
                path,
                header=None,
                names=names,
                index_col=False,
                skiprows=1,
                dtype={name: np.float64 if name in wanted else str for name in names},
                keep_default_na=False,
                na_values=_NAN,
                skip_blank_lines=True,
                encoding="utf-8",
                chunksize=PART_ROWS,
            ) as parts:
                frames = list(parts)
    except (ValueError, pd.errors.ParserError, pd.errors.ParserWarning) as error:
        if "out of memory" in str(error):  # the reader's own words for it
            raise MemoryError(str(error)) from error
        raise _first_bad_cell(path, names, columns) or _unread(path, error) from error
    # The reader takes true and false for numbers.
    if any(of_two_values(frame[list(columns)]) for frame in frames):
        said = _first_bad_cell(path, names, columns)
        if said is not None:
            raise said
    return frames


def of_two_values(frame: pd.DataFrame) -> bool:
    """Whether a column may be one of true and false, read as numbers; its first rows tell mostly that it is none."""
    return all(len(part) and part.isin((0.0, 1.0)).all().any() for part in (frame.head(_FIRST_ROWS), frame))


def _unread(path: Path, error: Exception) -> RecordingError:
    return RecordingError(f"a table of numbers in {path.name}", f"it cannot be read ({error})", _TO_DO)


def _first_bad_cell(path: Path, names: list[str], columns: Sequence[str]) -> RecordingError | None:
    """Walks the file line by line, which is slow, only where the fast reader gave up or may have been wrong."""
    places = [(names.index(name), name) for name in columns]
    try:
        with path.open(encoding="utf-8-sig", newline="") as stream:
            for line_number, line in enumerate(stream, start=1):
                if line_number == 1 or not line.strip():
                    continue
                cells = next(csv.reader([line]))
                if len(cells) != len(names):
                    return RecordingError(
                        f"{len(names)} cells in every row of {path.name}",
                        f"row {line_number} has {len(cells)}",
                        _TO_DO,
                    )
                for place, name in places:
                    cell = cells[place].strip()
                    try:
                        float(cell)
                    except ValueError:
                        return RecordingError(
                            f"a number in {path.name}, row {line_number}, column {name}",
                            f"it is {cell!r}" if cell else "the cell is empty",
                            _TO_DO,
                        )
    except (UnicodeDecodeError, csv.Error) as error:
        return _unread(path, error)
    return None


def _refuse_not_finite(path: Path, values: FloatArray, columns: Sequence[str]) -> None:
    bad = ~np.isfinite(values)
    rows = np.flatnonzero(bad.any(axis=1))
    column = columns[int(np.flatnonzero(bad[rows[0]])[0])]
    raise RecordingError(
        f"finite numbers in {path.name}",
        f"{len(rows)} of {len(values)} rows hold nan or inf, first row {rows[0] + 2}, column {column}",
        "leave out rows that were not recorded, so that the gap shows in time_s",
    )
