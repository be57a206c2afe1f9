"""imu-shoulder validate, sensor-check, plan-study, compare-filters, export, import and report"""

from __future__ import annotations

from importlib.util import find_spec
from pathlib import Path
from typing import TYPE_CHECKING

import click

if TYPE_CHECKING:
    from imu_shoulder.analysis import Analysis

FOLDER = click.Path(path_type=Path)


def _need(*modules: str) -> None:
    """Raises OutputError where a library of the research extra is not there."""
    from imu_shoulder.errors import OutputError

    missing = [name for name in modules if find_spec(name) is None]
    if missing:
        raise OutputError(
            f"the libraries {', '.join(modules)}",
            f"{', '.join(missing)} is not installed",
            "install them with: pip install 'imu-shoulder[research]'",
        )


def _analysed(recordings: tuple[Path, ...], drill_files: tuple[Path, ...]) -> list[tuple[Path, Analysis]]:
    from imu_shoulder.cli.progress import stage_progress
    from imu_shoulder.drills import load_file
    from imu_shoulder.pipeline import analyse
    from imu_shoulder.sources.folder import read_recording

    drills = {drill.id: drill for drill in map(load_file, drill_files)}
    found = []
    with stage_progress() as progress:
        for folder in recordings:
            progress(folder.name)
            found.append((folder, analyse(read_recording(folder), drills=drills)))
    return found


DRILL_FILES = click.option("--drill-file", "drill_files", multiple=True, type=FOLDER, help="A drill file of your own.")
OUT = click.option("--out", required=True, type=FOLDER, help="Folder for the results.")


@click.command()
@click.argument("recordings", metavar="RECORDING...", nargs=-1, required=True, type=FOLDER)
@OUT
@click.option(
    "--within", "allowed_deg", default=5.0, show_default=True, help="Degrees the yes or no sentence asks for."
)
@click.option("--series", "series_name", help="File name of the continuous reference in each recording folder.")
@click.option("--lag", "lag_s", type=float, help="Known lag of the continuous reference in s; else it is looked for.")
@click.option("--inter-rater", is_flag=True, help="Also judge how far the raters agree with each other.")
@DRILL_FILES
def validate(
    recordings: tuple[Path, ...],
    out: Path,
    allowed_deg: float,
    series_name: str | None,
    lag_s: float | None,
    inter_rater: bool,
    drill_files: tuple[Path, ...],
) -> None:
    """Compare our angles with a goniometer's or another reference's.

    Each RECORDING folder holds reference.csv (readings), reference_series.csv or .parquet (a continuous reference), or
    both. Writes report.html, agreement.csv, pairs.csv, series.csv and origin.json.
    """
    _need("pingouin", "statsmodels", "matplotlib")
    from dataclasses import asdict

    from imu_shoulder.validate.output import compare, headlines, write_study
    from imu_shoulder.validate.pairing import PairParams

    found = _analysed(recordings, drill_files)
    params = PairParams()
    study = compare(found, allowed_deg, params, series_name=series_name, lag_s=lag_s, inter_rater=inter_rater)
    parameters = {"within_deg": allowed_deg, "lag_s": lag_s, **asdict(params)}
    write_study(study, found, {**parameters, "analysis": asdict(found[0][1].params)}, out)
    for line in headlines(study):
        click.echo(line)
    click.echo(f"Report: {out / 'report.html'}")


@click.command("sensor-check")
@OUT
@click.option("--still", type=FOLDER, help="Recording folder of sensors left alone: noise, offset, drift.")
@click.option("--six-face", "six_face", type=FOLDER, help="Recording folder of sensors laid on each face in turn.")
@click.option("--turns", type=FOLDER, help="Recording folder of sensors turned by a known angle, rest to rest.")
@click.option("--turn-deg", default=90.0, show_default=True, help="The known angle of each turn.")
def sensor_check(out: Path, still: Path | None, six_face: Path | None, turns: Path | None, turn_deg: float) -> None:
    """Check how good the sensors are, and what that means in the drills.

    Give one or more of --still, --six-face and --turns. Writes report.html, figures.csv, origin.json and, after
    --six-face or --turns, correction.toml. A temperature.csv (time_s,temperature_c) in the --still folder gives the
    drift with temperature.
    """
    _need("allantools", "matplotlib")
    from imu_shoulder.bench.output import run_checks, write_checks
    from imu_shoulder.cli.progress import stage_progress

    if still is None and six_face is None and turns is None:
        raise click.UsageError("Give --still, --six-face or --turns.")
    with stage_progress() as progress:
        progress("checking")
        checks = run_checks(still, six_face, turns, turn_deg)
        progress("simulating drills with this sensor")
        verdict = write_checks(checks, {"turn_deg": turn_deg}, out)
    for sentence in verdict:
        click.echo(sentence)
    click.echo(f"Report: {out / 'report.html'}")


def _pairs(texts: tuple[str, ...], option: str) -> dict[str, str]:
    """A=B texts as a mapping. Raises UsageError."""
    found = dict(text.split("=", 1) for text in texts if "=" in text)
    if len(found) != len(texts):
        raise click.UsageError(f"{option} takes NAME=VALUE, each name once.")
    return found


@click.command()
@click.argument("recordings", metavar="RECORDING...", nargs=-1, required=True, type=FOLDER)
@OUT
@click.option(
    "--format",
    "form",
    default="bids",
    show_default=True,
    type=click.Choice(["bids", "tables"]),
    help="A Motion-BIDS data set, or CSV and Parquet with a data dictionary.",
)
@click.option(
    "--angles/--no-angles", default=True, show_default=True, help="Put the joint angles into the data set too."
)
@click.option("--task", default="shoulderwarmup", show_default=True, help="Task label of the data set.")
@click.option(
    "--participant", "participants", multiple=True, metavar="ATHLETE=LABEL", help="Label in place of initials."
)
@DRILL_FILES
def export(
    recordings: tuple[Path, ...],
    out: Path,
    form: str,
    angles: bool,
    task: str,
    participants: tuple[str, ...],
    drill_files: tuple[Path, ...],
) -> None:
    """Export recordings in open formats.

    --format bids writes raw channels, joint angles, events and participants as a Motion-BIDS data set; --format tables
    writes reps and angles as CSV and Parquet with dictionary.csv.
    """
    from imu_shoulder.exchange.bids_write import Exported, write_bids
    from imu_shoulder.exchange.tables import write_tables
    from imu_shoulder.report.tables import angles_table
    from imu_shoulder.sources.folder import read_recording

    labels = _pairs(participants, "--participant")
    if form == "tables":
        write_tables([analysis for _, analysis in _analysed(recordings, drill_files)], out)
    elif angles:
        found = [(analysis.recording, angles_table(analysis)) for _, analysis in _analysed(recordings, drill_files)]
        write_bids([Exported(r, table, labels.get(r.athlete)) for r, table in found], out, task)
    else:
        raw = [read_recording(folder) for folder in recordings]
        write_bids([Exported(r, None, labels.get(r.athlete)) for r in raw], out, task)
    click.echo(f"Written: {out}")


@click.command("import")
@click.argument("dataset", type=FOLDER)
@OUT
@click.option(
    "--placement", "placements", multiple=True, metavar="POINT=PLACEMENT", help="Which tracked point was worn where."
)
def import_dataset(dataset: Path, out: Path, placements: tuple[str, ...]) -> None:
    """Import a Motion-BIDS data set: one recording folder per session.

    Takes accelerometer and gyroscope channels of tracked points that are placements (right_wrist, ...), or are named as
    one with --placement.
    """
    from imu_shoulder.exchange.bids_read import folder_name, read_bids
    from imu_shoulder.sources.folder import write_recording

    for recording in read_bids(dataset, _pairs(placements, "--placement")):
        folder = out / folder_name(recording)
        write_recording(recording, folder)
        click.echo(f"Recording: {folder}")
