"""Writes the outputs of an analysis: all of them or none."""

from __future__ import annotations

import json
import shutil
import tempfile
from pathlib import Path
from typing import Any

import pandas as pd

from imu_shoulder.analysis import Analysis
from imu_shoulder.calibrate.store import FILE as CALIBRATION
from imu_shoulder.calibrate.store import calibration_document, write_calibration
from imu_shoulder.errors import OutputError
from imu_shoulder.report.html import build_report
from imu_shoulder.report.summary import summarise
from imu_shoulder.report.tables import angles_table, reps_table

FILES = ("reps.csv", "angles.parquet", "summary.json", CALIBRATION, "report.html")


def write_outputs(
    analysis: Analysis, out: Path, *, report: bool = True, summary: dict[str, Any] | None = None
) -> dict[str, Any]:
    """Write the output files into `out` (made if missing, older ones replaced) and return the summary.

    summary: of the analysis with what was added to it, such as a plan; made from the analysis alone if None.
    The files are written beside their places and moved there at the end, so that a full disk leaves no half report.
    Raises OutputError.
    """
    summary = summarise(analysis) if summary is None else summary
    reps, angles = reps_table(analysis), angles_table(analysis)
    calibration = calibration_document(
        analysis.recording, analysis.calibration, analysis.aligned.time_s, analysis.attitudes, analysis.findings
    )
    try:
        out.mkdir(parents=True, exist_ok=True)
        with tempfile.TemporaryDirectory(prefix=".writing-", dir=out) as scratch:
            _write(Path(scratch), summary, reps, angles, report)
            write_calibration(calibration, Path(scratch) / CALIBRATION)
            for file in sorted(Path(scratch).iterdir()):
                shutil.move(file, out / file.name)
    except OSError as error:
        raise OutputError(
            f"to write the results into {out}",
            f"that failed ({error.strerror or error})",
            "free space or choose another",
        ) from error
    return summary


def _write(scratch: Path, summary: dict[str, Any], reps: pd.DataFrame, angles: pd.DataFrame, report: bool) -> None:
    reps.to_csv(scratch / "reps.csv", index=False, lineterminator="\n")
    angles.to_parquet(scratch / "angles.parquet", index=False)
    (scratch / "summary.json").write_text(json.dumps(summary, indent=1, ensure_ascii=False), encoding="utf-8")
    if report:
        (scratch / "report.html").write_text(build_report(summary, reps, angles), encoding="utf-8")
