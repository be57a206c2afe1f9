"""Writes the outputs of an analysis: all of them or none."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any, BinaryIO

import pandas as pd

from imu_shoulder.analysis import Analysis
from imu_shoulder.calibrate.store import calibration_document, write_calibration
from imu_shoulder.files import whole_file, whole_folder, write_text
from imu_shoulder.one_run import ANGLES, CALIBRATION, FILES, PROPOSED, REPORT, REPS, RUN, SUMMARY, run_id
from imu_shoulder.report.html import build_report
from imu_shoulder.report.summary import summarise
from imu_shoulder.report.tables import angles_table, reps_table
from imu_shoulder.sources.events import proposals_tsv
from imu_shoulder.spill import let_go, parts
from imu_shoulder.texts import csv_text

# No text of a user's holds it: a character for private use.
_MARK = "\ue000"
# Of angles.parquet: a rep lies in one or two blocks of so many rows, some minutes.
BLOCK_ROWS = 16_384


def write_outputs(
    analysis: Analysis, out: Path, *, report: bool = True, summary: dict[str, Any] | None = None
) -> dict[str, Any]:
    """Write the output files into `out` (made if missing, older ones replaced as a whole) and return the summary.

    summary: of the analysis with what was added to it, such as a plan; made from the analysis alone if None.
    Raises OutputError; what was there before is then there still.
    """
    summary = summarise(analysis) if summary is None else summary
    reps, angles = reps_table(analysis), angles_table(analysis)
    calibration = None
    if analysis.calibration is not None:
        calibration = calibration_document(
            analysis.recording,
            analysis.calibration,
            analysis.aligned.time_s,
            analysis.attitudes,
            analysis.findings,
            summary["parameters_changed"],
        )
    with whole_folder(out, FILES) as scratch:
        # Each text is made once, with a mark where the id comes that is a digest of them.
        texts = _summary_text({**summary, RUN: _MARK}), _reps_text(reps.assign(**{RUN: _MARK}))
        run = run_id(*texts, json.dumps(calibration))
        summary_text, reps_text = (text.replace(_MARK, run) for text in texts)
        summary = {**summary, RUN: run}
        write_text(scratch / REPS, reps_text)
        with whole_file(scratch / ANGLES) as stream:
            write_angles(angles, run, stream)
        write_text(scratch / SUMMARY, summary_text)
        if calibration is not None:
            write_calibration({**calibration, RUN: run}, scratch / CALIBRATION)
        if analysis.recording.proposals:
            events = analysis.recording.events
            write_text(scratch / PROPOSED, proposals_tsv(events, analysis.recording.proposals))
        if report:
            write_text(scratch / REPORT, build_report(summary, reps, angles))
    return summary


def write_angles(angles: pd.DataFrame, run: str, stream: BinaryIO) -> None:
    """The bytes of angles.parquet: without loss, its blocks of rows found by their times.

    Bytes of one place of all numbers side by side pack better than numbers: neighbours in time differ in their last.
    """
    import pyarrow as pa
    import pyarrow.parquet as pq

    numbers = [name for name in angles.columns if angles[name].dtype.kind == "f"]
    head = angles.iloc[:0]
    head.attrs[RUN] = run
    schema = pa.Schema.from_pandas(head, preserve_index=False)
    # As pandas writes and reads what a frame says of itself.
    schema = schema.with_metadata({**schema.metadata, b"PANDAS_ATTRS": json.dumps(head.attrs).encode()})
    with pq.ParquetWriter(
        stream,
        schema,
        compression="zstd",
        use_byte_stream_split=numbers,
        use_dictionary=[name for name in angles.columns if name not in numbers],
        write_statistics=["time_s"],
        write_page_checksum=True,
    ) as writer:
        for rows in parts(len(angles)):
            writer.write(pa.Table.from_pandas(angles.iloc[rows], schema, preserve_index=False), BLOCK_ROWS)
            let_go()


def _summary_text(summary: dict[str, Any]) -> str:
    return json.dumps(summary, indent=1, ensure_ascii=False)


def _reps_text(reps: pd.DataFrame) -> str:
    return csv_text(reps)
