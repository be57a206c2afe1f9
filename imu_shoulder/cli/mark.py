"""imu-shoulder mark"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from pathlib import Path

import click

from imu_shoulder.cli.extras import need
from imu_shoulder.cli.parameters import PARAMS, params_of
from imu_shoulder.cli.say import say


@click.command()
@click.argument("recording", type=click.Path(path_type=Path))
@click.option("--out", type=click.Path(path_type=Path), help="Folder for the results of Analyse; RECORDING_results.")
@click.option("--plan", "plan_file", type=click.Path(path_type=Path), help="The plan: its drills are offered first.")
@click.option(
    "--drill-file", "drill_files", multiple=True, type=click.Path(path_type=Path), help="A drill file of your own."
)
@PARAMS
@click.option("--port", default=8231, show_default=True, type=click.IntRange(1024, 65535), help="Port of the page.")
@click.option("--host", help="Also let a tablet in that network come: this machine's own address there.")
def mark(
    recording: Path,
    out: Path | None,
    plan_file: Path | None,
    drill_files: tuple[Path, ...],
    params_file: Path | None,
    port: int,
    host: str | None,
) -> None:
    """Mark by hand what was done when in RECORDING, a recording folder, on a page in the browser.

    Shows the curves and proposes sets; what is taken and named is saved as events.tsv of the folder, the old one beside
    it under a number. The page also starts the analysis and opens its report.
    """
    need("live", "starlette", "uvicorn", "segno")
    from functools import partial

    from imu_shoulder.cli.analyse import run
    from imu_shoulder.drills import load_file
    from imu_shoulder.mark.routes import make_app
    from imu_shoulder.mark.work import Asked, Work
    from imu_shoulder.plan import load_plan
    from imu_shoulder.report.headlines import terminal_lines
    from imu_shoulder.serve.running import listening, serve, tell_link
    from imu_shoulder.sources.folder import read_recording

    drills = {drill.id: drill for drill in map(load_file, drill_files)}
    plan = None if plan_file is None else load_plan(plan_file, drills)
    params = params_of(params_file)

    def analyse(folder: Path, results: Path, progress: Callable[[str], None]) -> Sequence[str]:
        return terminal_lines(run(read_recording(folder), results, drills, params, progress, plan))

    with listening(port, host) as (access, sockets):
        say(f"Reading {recording} ...")
        found = read_recording(recording)
        results = out or recording.resolve().with_name(f"{found.name}_results")
        work = Work(recording, Asked(analyse, results, plan, drills, params), found)
        serve(make_app(work, access, partial(tell_link, say)), access, sockets, say, "ends it; marks are kept by Save")
