"""Results as plain tables: CSV and Parquet with a data dictionary and provenance."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import asdict
from pathlib import Path

from imu_shoulder.analysis import Analysis
from imu_shoulder.errors import OutputError
from imu_shoulder.exchange.dictionary import data_dictionary
from imu_shoulder.report.tables import angles_table, reps_table
from imu_shoulder.validate.origin import as_json, origin


def write_tables(found: Sequence[Analysis], out: Path) -> None:
    """One folder per recording with reps and angles as .csv and .parquet; dictionary.csv and origin.json beside them.

    found: of recordings as `identity.share` gives them; the folders take their names.
    Raises OutputError where a folder of that name is there already or nothing can be written.
    """
    reps_columns: dict[str, None] = {}
    angles_columns: dict[str, None] = {}
    try:
        for analysis in found:
            folder = out / analysis.recording.name
            if folder.exists():
                raise OutputError(f"a new folder at {folder}", "there is one already", "give another --out")
            folder.mkdir(parents=True)
            reps, angles = reps_table(analysis), angles_table(analysis)
            reps.to_csv(folder / "reps.csv", index=False, lineterminator="\n")
            reps.to_parquet(folder / "reps.parquet", index=False)
            angles.to_csv(folder / "angles.csv", index=False, lineterminator="\n", float_format="%.6g")
            angles.to_parquet(folder / "angles.parquet", index=False)
            reps_columns |= dict.fromkeys(reps.columns)
            angles_columns |= dict.fromkeys(angles.columns)
        table = data_dictionary(reps_columns, angles_columns)
        table.to_csv(out / "dictionary.csv", index=False, lineterminator="\n")
        came_from = origin([a.recording for a in found], asdict(found[0].params))
        (out / "origin.json").write_text(as_json(came_from), encoding="utf-8")
    except OSError as error:
        raise OutputError(
            f"to write the tables into {out}", f"that failed ({error.strerror or error})", "free space or go elsewhere"
        ) from error
