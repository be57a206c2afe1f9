"""Results as plain tables: CSV and Parquet with a data dictionary and provenance."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import asdict
from pathlib import Path

from imu_shoulder.analysis import Analysis
from imu_shoulder.exchange.dictionary import data_dictionary
from imu_shoulder.files import make_folders, whole_file, whole_folder, write_text
from imu_shoulder.report.tables import angles_table, reps_table
from imu_shoulder.texts import csv_text
from imu_shoulder.validate.origin import as_json, origin


def write_tables(found: Sequence[Analysis], out: Path) -> None:
    """One folder per recording with reps and angles as .csv and .parquet; dictionary.csv and origin.json beside them.

    found: of recordings as `identity.share` gives them; the folders take their names. out: new or empty.
    Raises OutputError where it is not, or where nothing can be written.
    """
    reps_columns: dict[str, None] = {}
    angles_columns: dict[str, None] = {}
    with whole_folder(out) as scratch:
        for analysis in found:
            folder = scratch / analysis.recording.name
            make_folders(folder)
            reps, angles = reps_table(analysis), angles_table(analysis)
            write_text(folder / "reps.csv", csv_text(reps))
            write_text(folder / "angles.csv", csv_text(angles, float_format="%.6g"))
            for name, frame in (("reps", reps), ("angles", angles)):
                with whole_file(folder / f"{name}.parquet") as stream:
                    frame.to_parquet(stream, index=False)
            reps_columns |= dict.fromkeys(reps.columns)
            angles_columns |= dict.fromkeys(angles.columns)
        table = data_dictionary(reps_columns, angles_columns)
        write_text(scratch / "dictionary.csv", csv_text(table))
        came_from = origin([a.recording for a in found], asdict(found[0].params), found[0].params.changed)
        write_text(scratch / "origin.json", as_json(came_from))
