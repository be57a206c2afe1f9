"""imu-shoulder range"""

from __future__ import annotations

from pathlib import Path

import click

from imu_shoulder.cli.parameters import PARAMS, params_of
from imu_shoulder.cli.say import say


@click.command()
@click.argument("recording", type=click.Path(path_type=Path))
@click.option("--out", type=click.Path(path_type=Path), help="Folder for range.json and range.txt.")
@click.option("--age", type=int, help="Age in years: chooses the published values told beside the results.")
@click.option("--sex", type=click.Choice(["m", "f"]), help="Sex: chooses the published values.")
@click.option(
    "--test-file", "files", multiple=True, type=click.Path(path_type=Path), help="A range test file of your own."
)
@PARAMS
def range(
    recording: Path,
    out: Path | None,
    age: int | None,
    sex: str | None,
    files: tuple[Path, ...],
    params_file: Path | None,
) -> None:
    """Score the active range tests in RECORDING: best and mean of three, each side, and their difference.

    Tests are set rows of events.tsv with the id of a range test as drill.
    """
    from imu_shoulder.cautions import CAUTIONS
    from imu_shoulder.cli.progress import stage_progress
    from imu_shoulder.pipeline import analyse
    from imu_shoulder.range import load_test, shipped_tests
    from imu_shoulder.range.results import range_results, require_range_tests
    from imu_shoulder.range.words import lines
    from imu_shoulder.sources.any_kind import read_any

    with stage_progress() as progress:
        progress("reading")
        tests = {**shipped_tests(), **{test.id: test for test in map(load_test, files)}}
        params = params_of(params_file)
        found = read_any(recording)
        require_range_tests(found.events, tests)
        # Whatever else was recorded is another command's.
        others = {event.drill for event in found.events if event.drill is not None}
        results = range_results(analyse(found, params, progress=progress, apart=others), tests, age, sex)
        text = lines(results)
        if out is not None:
            from imu_shoulder.range.output import write_range

            write_range(results, text, out)
    for line in (*text, *CAUTIONS):
        say(line)
    if out is not None:
        say(f"Results: {out / 'range.json'}")
