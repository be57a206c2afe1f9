"""The outputs of `imu-shoulder validate`: report.html, agreement.csv, pairs.csv, series.csv and origin.json."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass, field
from pathlib import Path
from typing import Any

import pandas as pd

from imu_shoulder.analysis import Analysis
from imu_shoulder.errors import ParameterError, RecordingError
from imu_shoulder.parameters import told
from imu_shoulder.texts import csv_text
from imu_shoulder.validate import figures
from imu_shoulder.validate.origin import as_json, origin, write_files
from imu_shoulder.validate.page import Section, Table, build_page
from imu_shoulder.validate.pairing import PairParams, SeriesComparison, pair_readings, pair_series
from imu_shoulder.validate.reference import read_reference
from imu_shoulder.validate.series import Lag, read_series
from imu_shoulder.validate.study import AngleAgreement, agreement_between_raters, agreement_by_angle, tidy_table

SERIES_NAMES = ("reference_series.csv", "reference_series.parquet")


@dataclass(slots=True)
class Study:
    """Everything that was compared. lags: by recording, with a continuous reference whose lag was looked for.

    changed: the parameters of the analysis that are not the built-in ones, as `parameters.changed` has them.
    """

    pairs: pd.DataFrame
    changed: Mapping[str, Any] = field(default_factory=dict)
    compared: list[SeriesComparison] = field(default_factory=list)
    lags: dict[str, Lag] = field(default_factory=dict)
    results: list[AngleAgreement] = field(default_factory=list)
    between_raters: list[AngleAgreement] = field(default_factory=list)


def compare(
    found: Sequence[tuple[Path, Analysis]],
    allowed_deg: float,
    params: PairParams,
    *,
    series_name: str | None = None,
    lag_s: float | None = None,
    inter_rater: bool = False,
) -> Study:
    """Pair every recording folder with its reference.csv and its continuous reference, and judge the pairs.

    series_name: file of the continuous reference in each folder; None takes reference_series.csv or .parquet where
    there is one. inter_rater: also ask how far the raters agree. Raises ShoulderError where nothing can be compared.
    """
    tables, study = [], Study(pd.DataFrame(), found[0][1].params.changed if found else {})
    for folder, analysis in found:
        readings = folder / "reference.csv"
        if readings.exists():
            tables.append(pair_readings(analysis, read_reference(readings), params))
        series = _series_path(folder, series_name)
        if series is not None:
            table, compared, lag = pair_series(analysis, read_series(series), params, lag_s)
            tables.append(table)
            study.compared += compared
            if lag is not None:
                study.lags[analysis.recording.name] = lag
    if not tables:
        raise RecordingError(
            f"reference.csv or {' or '.join(SERIES_NAMES)} in a recording folder",
            "none of the folders has one",
            "write the readings there; docs/protocol.md says how",
        )
    study.pairs = pd.concat([table for table in tables if len(table)] or tables[:1], ignore_index=True)
    if not (study.pairs["left_out"] == "").any():
        reasons = ", ".join(sorted(study.pairs["left_out"].unique())) or "the series do not overlap"
        raise ParameterError(
            "one usable pair or more",
            f"all were left out ({reasons})",
            "check times, angles and sides of reference.csv",
        )
    study.results = agreement_by_angle(study.pairs, allowed_deg)
    if inter_rater:
        study.between_raters = agreement_between_raters(study.pairs)
    return study


def references_of(recordings: Sequence[Path]) -> list[Path]:
    """The folder in which each recording's reference lies: its own, or where a file of it lies. Raises RecordingError
    where two have the same."""
    folders = [path if path.is_dir() else path.parent for path in recordings]
    twice = next((folder for k, folder in enumerate(folders) if folder in folders[:k]), None)
    if twice is not None:
        raise RecordingError(
            "each recording with its reference in a folder of its own",
            f"two are in {twice}",
            "put them into folders, or name each once",
        )
    return folders


def _series_path(folder: Path, name: str | None) -> Path | None:
    if name is not None:
        return folder / name
    return next((folder / known for known in SERIES_NAMES if (folder / known).exists()), None)


def write_study(study: Study, found: Sequence[tuple[Path, Analysis]], parameters: dict[str, Any], out: Path) -> None:
    """Write all outputs into `out`. Raises OutputError."""
    came_from = origin([analysis.recording for _, analysis in found], parameters, study.changed)
    tidy = tidy_table([*study.results, *study.between_raters])
    files = {
        "report.html": _page(study, came_from),
        "agreement.csv": csv_text(tidy, float_format="%.6g"),
        "pairs.csv": csv_text(study.pairs, float_format="%.4f"),
        "origin.json": as_json(came_from),
    }
    if study.compared:
        files["series.csv"] = csv_text(_series_table(study), float_format="%.6g")
    write_files(out, files, replaced=["series.csv"])


def headlines(study: Study) -> list[str]:
    """The sentences of the report, each with its angle, for the terminal."""
    said = _lead(study)
    for result in study.results:
        said += [f"{result.title}: {sentence}" for sentence in result.sentences[:2]]
    for result in study.between_raters:
        said += [f"{result.title}: {sentence}" for sentence in result.sentences]
    return said


def _lead(study: Study) -> list[str]:
    pairs = study.pairs
    used = pairs[pairs["left_out"] == ""]
    said = [
        f"{len(used)} pairs from {used['person'].nunique()} persons (told apart by the recordings' athlete) in "
        f"{used['recording'].nunique()} recordings."
    ]
    said += filter(None, [told(study.changed)])
    left = pairs[pairs["left_out"] != ""]
    if len(left):
        reasons = "; ".join(f"{count} because {reason}" for reason, count in left["left_out"].value_counts().items())
        said.append(f"Readings that were left out: {reasons}.")
    for name, lag in study.lags.items():
        drift = [third for third in lag.by_third_s if third == third]
        spread = f", {1000 * (max(drift) - min(drift)):.0f} ms apart between the thirds" if len(drift) > 1 else ""
        said.append(
            f"{name}: the reference's clock is {1000 * abs(lag.lag_s):.0f} ms {'late' if lag.lag_s >= 0 else 'early'}"
            f"{spread}; this was taken off (velocities correlate by {lag.correlation:.2f})."
        )
    return said


def _page(study: Study, came_from: dict[str, Any]) -> str:
    used = study.pairs[study.pairs["left_out"] == ""]
    sections = []
    for result in study.results:
        rows = used[(used["source"] == result.source) & (used["angle"] == result.angle)]
        rows = rows if result.side == "both" else rows[rows["side"] == result.side]
        section = Section(result.title, list(result.sentences), [_numbers(result)])
        if result.statistics:
            title = f"{result.title}, {result.pairs} pairs of {result.persons} persons"
            drawn = [
                figures.bland_altman(rows, result.limits, title),
                figures.identity(rows, title),
                figures.error_over(rows, "since_pose_s", "time since the neutral pose [s]", title),
                figures.error_over(rows, "elevation_deg", "elevation of the arm [deg]", title),
            ]
            section.pictures = [picture for picture in drawn if picture is not None]
        sections.append(section)
    if study.compared:
        sections.append(_series_section(study))
    for result in study.between_raters:
        sections.append(Section(result.title, list(result.sentences), [_numbers(result)]))
    left = study.pairs[study.pairs["left_out"] != ""]
    if len(left):
        columns = ["recording", "side", "angle", "time_s", "reference_deg", "left_out"]
        cells = [[_cell(v, ".2f") for v in row] for row in left[columns].to_numpy()]
        sections.append(Section("Readings that were left out", [], [Table("Each with its reason", columns, cells)]))
    return build_page("Agreement with the reference", [*_lead(study), *_READ], sections, came_from)


_READ = (
    "Differences are ours minus the reference. Neither is the truth: a goniometer over skin has limits of its own.",
    "A training aid, not a medical device. The licensed practitioner decides.",
)


_LABELS = {
    **{f"icc_{n}_{m}": f"ICC({n},{m})" for n in "123" for m in "1k"},
    **{name: name.upper() for name in ("rmse", "sem", "mdc90", "mdc95")},
    "rmse_bias_part": "RMSE: its bias part",
    "rmse_sd_part": "RMSE: its SD part",
    "sd_of_a_difference": "SD of a difference",
    "sd_between_persons": "SD between persons",
    "sd_within_person": "SD within a person",
    "sem_agreement": "SEM with the bias",
    "proportional_bias_p": "Proportional bias, p",
}


def _digits(unit: str) -> str:
    return ".2f" if unit == "deg" else ".3f"


def _numbers(result: AngleAgreement) -> Table:
    rows = [
        [
            _LABELS.get(s.name, s.name.replace("_", " ").capitalize()),
            f"{s.value:{_digits(s.unit)}}",
            "" if s.low is None or s.high is None else f"{s.low:{_digits(s.unit)}} to {s.high:{_digits(s.unit)}}",
            "" if s.unit == "1" else s.unit,
            s.method,
        ]
        for s in result.statistics
    ]
    return Table(
        f"{result.pairs} pairs, {result.persons} persons", ("statistic", "value", "95 % CI", "unit", "how"), rows
    )


def _series_section(study: Study) -> Section:
    table = _series_table(study)
    rows = [[_cell(v, ".4g") for v in row] for row in table.to_numpy()]
    sentences = [
        "RMSE and the coefficient of multiple correlation (CMC, Kadaba 1989) are over all common samples. A large "
        "range of motion raises the CMC: read it beside the RMSE."
    ]
    undefined = [c for c in study.compared if c.cmc is None]
    if undefined:
        names = ", ".join(f"{c.recording} {c.side} {c.angle}" for c in undefined)
        sentences.append(
            f"No CMC is given for {names}: the two curves differ more from each other than they move, and the root of "
            "a negative number is no result."
        )
    return Section("Whole curves", sentences, [Table("Per recording, side and angle", list(table.columns), rows)])


def _series_table(study: Study) -> pd.DataFrame:
    rows = []
    for c in study.compared:
        row = asdict(c)
        parts = row.pop("parts")
        rows.append({**row, "rmse_deg": parts["rmse"], "bias_deg": parts["bias"], "sd_deg": parts["sd"]})
    columns = [*("recording", "person", "side", "angle", "lag_s", "seconds")]
    columns += ["rmse_deg", "bias_deg", "sd_deg", "correlation", "cmc"]
    return pd.DataFrame(rows, columns=columns)


def _cell(value: object, form: str) -> str:
    """Empty for what is missing, floats in this form."""
    if value is None or value != value:
        return ""
    return format(value, form) if isinstance(value, float) else str(value)
