"""What `import imu_shoulder` gives: recordings read and analysed, reps and angles as data frames. docs/python.md."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, replace
from functools import cached_property
from pathlib import Path
from typing import Any

import pandas as pd

from imu_shoulder.advise.session import session_summary
from imu_shoulder.analysis import Analysis, Params, load_params
from imu_shoulder.drills import load_file
from imu_shoulder.errors import ParameterError, ShoulderError
from imu_shoulder.exchange.dictionary import units_of
from imu_shoulder.model import Recording
from imu_shoulder.pipeline import analyse as run_stages
from imu_shoulder.range import shipped_tests
from imu_shoulder.report.tables import angles_table, reps_table
from imu_shoulder.sources.any_kind import read_any

__all__ = ["Analysed", "ShoulderError", "analyse", "read"]


@dataclass(frozen=True, repr=False)
class Analysed:
    """A recording and what was found in it. analysis: the state after each stage, for looking into."""

    analysis: Analysis

    @property
    def recording(self) -> Recording:
        return self.analysis.recording

    @cached_property
    def reps(self) -> pd.DataFrame:
        """The table of reps.csv: one row per rep, excluded ones too. `attrs["units"]`: number's column -> unit."""
        return _with_units(reps_table(self.analysis))

    @cached_property
    def angles(self) -> pd.DataFrame:
        """The table of angles.parquet: one row per moment, degrees with their standard deviations, NaN where not seen.

        `attrs["units"]`: number's column -> unit.
        """
        return _with_units(angles_table(self.analysis))

    @cached_property
    def summary(self) -> dict[str, Any]:
        """The contents of summary.json without a plan: verdicts, pain, what was not seen, cautions, parameters."""
        return session_summary(self.analysis)

    def __repr__(self) -> str:
        judged = [rep for found in self.analysis.sets for rep in found.judged]
        unscored = sum(bool(rep.excluded) for rep in judged)
        sets = len({found.arm_set.number for found in self.analysis.sets})
        return f"<Analysed {self.recording.name}: {sets} sets, {len(judged)} rows of reps, {unscored} not scored>"


def read(recording: str | Path, *, column_map: str | Path | None = None) -> Recording:
    """A recording folder, a column map, or with column_map the file or folder of another program, in SI units.

    column_map: the TOML file that says what its columns are. Raises RecordingError, ColumnMapError, ParameterError.
    """
    place = _path(recording, "the path of a recording")
    return read_any(place, None if column_map is None else _path(column_map, "the path of a column map"))


def analyse(
    recording: Recording | str | Path,
    *,
    drill_files: Iterable[str | Path] = (),
    params: str | Path | None = None,
    causal: bool = False,
) -> Analysed:
    """Run every stage over a recording or the folder of one, as `imu-shoulder analyse` does without a plan.

    drill_files: drills of your own. params: a TOML file of parameters in place of the built-in ones. causal: from the
    past of each sample only, as live. Raises ShoulderError where one of the files or the calibration cannot be used.
    """
    if isinstance(drill_files, str | Path):
        raise ParameterError("a list of drill files", "it is a single one", "put it in brackets: [FILE]")
    own = {drill.id: drill for drill in (load_file(_path(file, "the path of a drill file")) for file in drill_files)}
    used = Params() if params is None else load_params(_path(params, "the path of a file of parameters"))
    found = recording if isinstance(recording, Recording) else read(recording)
    apart = shipped_tests().keys() - own.keys()
    return Analysed(run_stages(found, replace(used, afterwards=not causal), own, apart=apart))


def _path(given: object, expected: str) -> Path:
    if isinstance(given, str | Path):
        return Path(given)
    raise ParameterError(f"{expected} as text or Path", f"it is of type {type(given).__name__}", "give the path")


def _with_units(table: pd.DataFrame) -> pd.DataFrame:
    table.attrs["units"] = units_of(table)
    return table
