"""From a log to a recording folder, at the end of a recording or after a crash."""

from __future__ import annotations

import json
import os
from dataclasses import asdict
from pathlib import Path

from imu_shoulder.ble.assemble import Assembled, assemble
from imu_shoulder.errors import OutputError
from imu_shoulder.log.records import LOG_NAME, SAMPLES, read_log
from imu_shoulder.log.samples import assemble_samples
from imu_shoulder.sources.folder import write_recording


def recover(log_path: Path, folder: Path, *, keep_log: bool) -> Assembled:
    """Write the recording in a log to a new folder, with link.json: how the links did and what was lost.

    keep_log: leave the log where it is; otherwise it moves into the folder once that is complete.
    Raises LogError where the log cannot be read, OutputError where the folder cannot be written.
    """
    log = read_log(log_path)
    has_samples = any(record.kind == SAMPLES for record in log.records)
    assembled = (assemble_samples if has_samples else assemble)(log, folder.name)
    write_recording(assembled.recording, folder, file_format="parquet")
    try:
        _add_link(assembled, folder)
        if not keep_log:
            os.replace(log_path, folder / LOG_NAME)
    except OSError as error:
        raise OutputError(
            f"to add to {folder}",
            f"it cannot be done ({error.strerror})",
            "the recording itself is complete; free some space",
        ) from error
    return assembled


def _add_link(assembled: Assembled, folder: Path) -> None:
    link = {"nodes": [asdict(node) for node in assembled.nodes], "remarks": assembled.remarks}
    (folder / "link.json").write_text(json.dumps(link, indent=1) + "\n", encoding="utf-8")
