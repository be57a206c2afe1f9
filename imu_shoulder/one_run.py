"""The run that the files of a results folder come from: each of them carries its id, and all must carry the same.

The id is a digest of the results themselves, so that the same input, parameters and versions still give the same bytes.
"""

from __future__ import annotations

import csv
import hashlib
import json
import re
from collections.abc import Callable
from pathlib import Path
from typing import Any

from imu_shoulder.errors import OutputError, RecordingError

# The key, column, metadata entry or meta name under which a file carries its id.
RUN = "run"
# Proposed marks, an events.tsv once it is renamed, carry none.
FILES = REPS, ANGLES, SUMMARY, CALIBRATION, REPORT, PROPOSED = (
    *("reps.csv", "angles.parquet", "summary.json", "calibration.json", "report.html", "events.proposed.tsv"),
)
_HEAD_BYTES = 4096
_META = re.compile(rb'<meta name="run" content="([0-9a-f]*)">')


def run_id(*texts: str) -> str:
    """16 hexadecimal digits of what results say."""
    return hashlib.sha256(json.dumps(texts).encode()).hexdigest()[:16]


def require_one_run(folder: Path) -> None:
    """Raises RecordingError where the results in a folder come from different runs, or cannot be read.

    A folder of a version that wrote no ids has none in any file and passes.
    """
    found = {name: read(folder / name) for name, read in _READERS.items() if (folder / name).is_file()}
    ids = {name: runs for name, runs in found.items() if runs is not None}
    if found.get(REPS, ids) is None and _has_reps(folder / SUMMARY):
        ids[REPS] = {""}
    if len({run for runs in ids.values() for run in runs}) > 1:
        said = ", ".join(f"{name} of {' and '.join(sorted(runs)) or 'none'}" for name, runs in ids.items())
        raise RecordingError(
            f"the results of one analysis in {folder}",
            f"its files are of different runs ({said})",
            "analyse the recording again into a new folder",
        )


def require_no_other_run(folder: Path, run: str | None) -> None:
    """Raises OutputError where a folder holds results of another run than `run`."""
    if (folder / SUMMARY).is_file() and _of_json(folder / SUMMARY) != {run or ""}:
        raise OutputError(
            f"no results of another run in {folder}", "there are some", "give another folder, or that of these results"
        )


def _of_json(path: Path) -> set[str] | None:
    document = _read(path, lambda: json.loads(path.read_bytes()))
    return {str(document.get(RUN, ""))} if isinstance(document, dict) else {""}


def _of_reps(path: Path) -> set[str] | None:
    def read() -> set[str] | None:
        with path.open(encoding="utf-8", newline="") as stream:
            rows = csv.DictReader(stream)
            runs = {row.get(RUN) or "" for row in rows}
        return runs or None  # without a rep there is no row to carry an id

    found: set[str] | None = _read(path, read)
    return found


def _has_reps(path: Path) -> bool:
    """Whether a summary, if there is one, speaks of reps: then a table without any is not its own."""
    if not path.is_file():
        return False
    summary = _read(path, lambda: json.loads(path.read_bytes()))
    try:
        return any(entry["done"]["scored"] + entry["done"]["excluded"] for entry in summary["sets"])
    except (KeyError, TypeError):
        return False


def _of_angles(path: Path) -> set[str] | None:
    import pyarrow.parquet as pq

    def read() -> set[str]:
        with path.open("rb") as stream:
            metadata = pq.read_schema(stream).metadata or {}
        return {str(json.loads(metadata.get(b"PANDAS_ATTRS", b"{}")).get(RUN, ""))}

    runs: set[str] = _read(path, read)
    return runs


def _of_report(path: Path) -> set[str] | None:
    def read() -> set[str]:
        with path.open("rb") as stream:
            found = _META.search(stream.read(_HEAD_BYTES))
        return {found[1].decode() if found else ""}

    runs: set[str] = _read(path, read)
    return runs


def _read(path: Path, read: Callable[[], Any]) -> Any:
    try:
        return read()
    except (OSError, ValueError, AttributeError, RecursionError, csv.Error) as error:
        raise RecordingError(
            f"readable results in {path.parent}", f"{path.name} is not ({error})", "analyse again"
        ) from error


_READERS: dict[str, Callable[[Path], set[str] | None]] = {
    SUMMARY: _of_json,
    REPS: _of_reps,
    ANGLES: _of_angles,
    CALIBRATION: _of_json,
    REPORT: _of_report,
}
