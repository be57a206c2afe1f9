"""imu-shoulder analyse"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from pathlib import Path
from typing import TYPE_CHECKING

import click

if TYPE_CHECKING:
    from imu_shoulder.drills import Drill
    from imu_shoulder.model import Recording


@click.command()
@click.argument("recording", type=click.Path(path_type=Path))
@click.option("--out", required=True, type=click.Path(path_type=Path), help="Folder for the results.")
@click.option(
    "--map", "column_map", type=click.Path(path_type=Path), help="TOML column map, when RECORDING is a foreign CSV."
)
@click.option(
    "--drill-file", "drill_files", multiple=True, type=click.Path(path_type=Path), help="A drill file of your own."
)
@click.option(
    "--filter",
    "method",
    default="vqf",
    show_default=True,
    type=click.Choice(["vqf", "madgwick", "mahony", "ekf"]),
    help="Attitude filter; all but vqf are for comparison.",
)
def analyse(recording: Path, out: Path, column_map: Path | None, drill_files: tuple[Path, ...], method: str) -> None:
    """Analyse RECORDING, a recording folder, and write the results.

    Writes reps.csv, angles.parquet, summary.json and report.html into the folder given by --out.
    """
    from imu_shoulder.cli.progress import stage_progress
    from imu_shoulder.drills import load_file

    with stage_progress() as progress:
        progress("reading")
        drills = {drill.id: drill for drill in map(load_file, drill_files)}
        if column_map is None:
            from imu_shoulder.sources.folder import read_recording

            found = read_recording(recording)
        else:
            from imu_shoulder.sources.column_map import read_mapped

            found = read_mapped(column_map, recording)
        summary = run(found, out, drills, method, progress)
    tell(summary, out)


def run(
    recording: Recording, out: Path, drills: Mapping[str, Drill], method: str, progress: Callable[[str], None]
) -> Mapping[str, object]:
    """Analyse a recording, write the results, and return the summary."""
    from imu_shoulder.analysis import Params
    from imu_shoulder.orient.attitude import OrientParams
    from imu_shoulder.pipeline import analyse as run_stages
    from imu_shoulder.report.folder import write_outputs

    analysis = run_stages(recording, Params(orient=OrientParams(method=method)), drills, progress)
    progress("report")
    return write_outputs(analysis, out)


def tell(summary: Mapping[str, object], out: Path) -> None:
    """Print the same headlines as the report."""
    from imu_shoulder.report.headlines import terminal_lines

    for line in terminal_lines(summary):
        click.echo(line)
    click.echo(f"Report: {out / 'report.html'}")
