"""imu-shoulder cohort"""

from __future__ import annotations

import os
from pathlib import Path
from typing import TYPE_CHECKING

import click

from imu_shoulder.cli.extras import need
from imu_shoulder.cli.parameters import PARAMS, params_of
from imu_shoulder.cli.say import say

if TYPE_CHECKING:
    from imu_shoulder.cohort.run import Progress

_ANALYSE = "analyse"
_LIBRARIES = ("cryptography", "dask", "distributed", "fsspec", "duckdb")


class _FolderOrCommand(click.Group):
    """`cohort FOLDER` analyses; other commands are named."""

    def parse_args(self, ctx: click.Context, args: list[str]) -> list[str]:
        asks = args and args[0] in (*self.commands, *self.get_help_option_names(ctx))
        return super().parse_args(ctx, args if asks else [_ANALYSE, *args])


@click.group(cls=_FolderOrCommand, subcommand_metavar="FOLDER --out DIR [OPTIONS] | summary DIR [OPTIONS]")
def cohort() -> None:
    """Analyse every recording under FOLDER in parallel, or ask what came of it.

    `cohort FOLDER --help` and `cohort summary --help` say more; a FOLDER called summary is ./summary.
    """


@cohort.command(_ANALYSE, hidden=True)
@click.argument("folder")
@click.option("--out", required=True, help="Folder or URL for the results; what is in it already is not done again.")
@click.option("--scheduler", metavar="tcp://...", help="Dask scheduler of a cluster; else this machine is used.")
@click.option("--workers", type=click.IntRange(1), help="Worker processes here; as many as there are cores if absent.")
@click.option("--worker-memory", default="auto", show_default=True, help="Memory of each worker here, such as 2GB.")
@click.option(
    "--drill-file", "drill_files", multiple=True, type=click.Path(path_type=Path), help="A drill file of your own."
)
@PARAMS
def analyse_all(
    folder: str,
    out: str,
    scheduler: str | None,
    workers: int | None,
    worker_memory: str,
    drill_files: tuple[Path, ...],
    params_file: Path | None,
) -> None:
    """Analyse every recording under FOLDER, a path or URL, and keep reps, sets and sensors as Parquet."""
    need("cohort", *_LIBRARIES)
    from imu_shoulder.cli.progress import stage_progress
    from imu_shoulder.cohort.run import client_of, plan_run, run
    from imu_shoulder.cohort.store import FAILURES
    from imu_shoulder.drills import load_file

    drills = {drill.id: drill for drill in map(load_file, drill_files)}
    with stage_progress() as progress:
        progress("looking for recordings")
        planned = plan_run(folder, out, params_of(params_file), drills)
        failures = planned.refused
        if planned.jobs:
            progress("starting workers")
            with client_of(scheduler, workers or os.cpu_count() or 1, worker_memory) as client:
                failures = run(client, planned, lambda now: progress(_line(now)))
    done = len(planned.jobs) + len(planned.refused) - len(failures)
    say(f"{done} recordings analysed, {planned.before} done before, {len(failures)} without results.")
    if failures:
        first = failures[0]
        say(f"Why: {out.rstrip('/')}/{FAILURES}. The first: {first.recording}: {first.reason}")
    if planned.elsewhere:
        say(f"{planned.elsewhere} results in {out} are of recordings that are not under {folder} any more.")
    say(f"Written: {out}")


def _line(now: Progress) -> str:
    line = f"{now.done + now.failed} of {now.total} recordings, {now.failed} failed, {now.per_minute:.1f} a minute"
    return line if now.left_s is None else f"{line}, {_duration(now.left_s)} left"


def _duration(seconds: float) -> str:
    minutes = round(seconds / 60)
    return f"{seconds:.0f} s" if seconds < 90 else f"{minutes} min" if minutes < 120 else f"{minutes / 60:.1f} h"


@cohort.command()
@click.argument("directory", metavar="DIR")
@click.option("--people", type=click.Path(path_type=Path), help="CSV with athlete,age_years, for age bands.")
@click.option("--conditions", type=click.Path(path_type=Path), help="CSV with recording,condition.")
@click.option("--out", type=click.Path(path_type=Path), help="New folder for percentiles.csv and stacked.parquet.")
def summary(directory: str, people: Path | None, conditions: Path | None, out: Path | None) -> None:
    """Say what the results in DIR hold: percentiles by drill, side, age band and version.

    With --out writes percentiles.csv of every measure, and stacked.parquet: reps and sets in one table, with person,
    session and condition.
    """
    need("cohort", *_LIBRARIES)
    from imu_shoulder.cohort.summary import opened, percentiles, read_about, stacked

    with opened(directory, read_about(people, conditions)) as base:
        found = percentiles(base)
        if out is not None:
            from imu_shoulder.cohort.tables import as_parquet
            from imu_shoulder.files import whole_file, whole_folder, write_text
            from imu_shoulder.texts import csv_text

            with whole_folder(out) as scratch:
                write_text(scratch / "percentiles.csv", csv_text(found.to_pandas(), float_format="%.6g"))
                with whole_file(scratch / "stacked.parquet") as stream:
                    stream.write(as_parquet(stacked(base)))
    for row in found.to_pylist():
        if row["measure"] in ("arc_deg", "hold_s") and row["role"] == "lift":
            say(
                f"{row['drill'] or 'no drill'}, {row['side']}, age {row['age_band']}, version {row['version']}: "
                f"{row['measure']} {row['p50']:.1f} ({row['p5']:.1f} to {row['p95']:.1f}) in {row['reps']} reps of "
                f"{row['persons']} {'person' if row['persons'] == 1 else 'persons'}"
            )
    if out is not None:
        say(f"Written: {out}")
