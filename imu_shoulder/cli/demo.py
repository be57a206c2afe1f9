"""imu-shoulder demo"""

from __future__ import annotations

from pathlib import Path

import click


@click.command()
@click.option(
    "--out",
    default="demo_report",
    show_default=True,
    type=click.Path(path_type=Path),
    help="Folder for the results.",
)
@click.option(
    "--scenario",
    default="faulty_warm_up",
    show_default=True,
    type=click.Choice(["clean_warm_up", "faulty_warm_up", "damaged_warm_up", "range_tests"]),
    help="Which session of the invented athletes to analyse.",
)
def demo(out: Path, scenario: str) -> None:
    """Analyse a warm-up of an invented athlete and write its report.

    The warm-up is simulated with known faults, so that every part of the report has something to show.
    """
    from imu_shoulder.analysis import Params
    from imu_shoulder.cli.analyse import run, tell
    from imu_shoulder.cli.progress import stage_progress
    from imu_shoulder.simulate import simulate
    from imu_shoulder.simulate.scenarios import find

    with stage_progress() as progress:
        progress("simulating")
        summary = run(simulate(find(scenario), seed=7).recording, out, {}, Params(), progress)
    tell(summary, out)
