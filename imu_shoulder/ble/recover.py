"""From a log to a recording folder, at the end of a recording or after a crash."""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import asdict, replace
from pathlib import Path

from imu_shoulder.ble.assemble import Assembled, assemble
from imu_shoulder.errors import OutputError
from imu_shoulder.files import move, refusing
from imu_shoulder.log.records import LOG_NAME, SAMPLES, read_log
from imu_shoulder.log.samples import assemble_samples
from imu_shoulder.model import Event
from imu_shoulder.sources.folder import write_recording


def recover(log_path: Path, folder: Path, *, keep_log: bool, events: Sequence[Event] | None = None) -> Assembled:
    """Write the recording in a log to a new folder, with link.json: how the links did and what was lost.

    keep_log: leave the log where it is; otherwise it moves into the folder once that is complete.
    events: known better than the log has them; None for the log's own.
    Raises LogError where the log cannot be read, OutputError where the folder cannot be written.
    """
    log = read_log(log_path)
    has_samples = any(record.kind == SAMPLES for record in log.records)
    if has_samples:
        recording, remarks = assemble_samples(log, folder.name)
        assembled = Assembled(recording, (), remarks)
    else:
        assembled = assemble(log, folder.name)
    if events is not None:
        assembled = replace(assembled, recording=replace(assembled.recording, events=tuple(events)))
    link = {"nodes": [asdict(node) for node in assembled.nodes], "remarks": assembled.remarks}
    beside = {"link.json": json.dumps(link, indent=1) + "\n"}
    try:
        write_recording(assembled.recording, folder, file_format="parquet", beside=beside)
    except OutputError as error:
        again = f"{error.do}; all is kept in the log, then run: imu-shoulder recover {log_path}"
        raise OutputError(error.expected, error.came, again) from error
    if not keep_log:
        with refusing(folder / LOG_NAME, f"the recording itself is complete, and its log is still {log_path}"):
            move(log_path, folder / LOG_NAME)
    return assembled
