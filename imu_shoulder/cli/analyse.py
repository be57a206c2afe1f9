"""imu-shoulder analyse"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from imu_shoulder.cli.parameters import PARAMS, params_of
from imu_shoulder.cli.say import say

if TYPE_CHECKING:
    from imu_shoulder.advise import Rules
    from imu_shoulder.analysis import Params
    from imu_shoulder.calibrate.store import StoredCalibration
    from imu_shoulder.drills import Drill
    from imu_shoulder.model import Recording
    from imu_shoulder.plan import Plan


@click.command()
@click.argument("recording", type=click.Path(path_type=Path))
@click.option("--out", required=True, type=click.Path(path_type=Path), help="Folder for the results.")
@click.option(
    "--map",
    "column_map",
    type=click.Path(path_type=Path),
    help="TOML column map, when RECORDING is a foreign file or a folder of them.",
)
@click.option(
    "--drill-file", "drill_files", multiple=True, type=click.Path(path_type=Path), help="A drill file of your own."
)
@click.option("--plan", "plan_file", type=click.Path(path_type=Path), help="The plan to hold the session against.")
@click.option(
    "--history",
    multiple=True,
    type=click.Path(path_type=Path),
    help="Results folder of an earlier session, for advice; once for each session.",
)
@click.option(
    "--calibration",
    "calibration_file",
    type=click.Path(path_type=Path),
    help="calibration.json of an earlier recording of the same mounting, where this one has only the neutral pose.",
)
@click.option(
    "--correction",
    "correction_file",
    type=click.Path(path_type=Path),
    help="correction.toml of these sensors from sensor-check.",
)
@click.option("--rules", "rule_file", type=click.Path(path_type=Path), help="Rules for advice of your own.")
@PARAMS
@click.option(
    "--filter",
    "method",
    default="vqf",
    show_default=True,
    type=click.Choice(["vqf", "madgwick", "mahony", "ekf"]),
    help="Attitude filter; all but vqf are for comparison.",
)
@click.option(
    "--causal", is_flag=True, help="From the past of each sample only, as live: what the page would have said."
)
def analyse(
    recording: Path,
    out: Path,
    column_map: Path | None,
    drill_files: tuple[Path, ...],
    plan_file: Path | None,
    history: tuple[Path, ...],
    calibration_file: Path | None,
    correction_file: Path | None,
    rule_file: Path | None,
    params_file: Path | None,
    method: str,
    causal: bool,
) -> None:
    """Analyse RECORDING, a recording folder or the column map of foreign files, and write the results.

    Writes reps.csv, angles.parquet, summary.json, calibration.json and report.html into the folder given by --out.
    Without marked sets it looks for them and writes what it proposes as events.proposed.tsv beside these.
    """
    from dataclasses import replace

    from imu_shoulder.cli.spared import spare_imports

    spare_imports()
    from imu_shoulder.calibrate.store import read_calibration
    from imu_shoulder.cli.progress import stage_progress
    from imu_shoulder.drills import load_file
    from imu_shoulder.sources.any_kind import read_any

    if causal and method != "vqf":
        raise click.UsageError("--causal is for the filter vqf only: leave out --filter")
    with stage_progress() as progress:
        progress("reading")
        drills = {drill.id: drill for drill in map(load_file, drill_files)}
        plan = None
        if plan_file is not None:
            from imu_shoulder.plan import load_plan

            plan = load_plan(plan_file, drills)
        earlier, rules = _advice_from(history, rule_file)
        params = params_of(params_file)
        params = replace(params, afterwards=not causal, orient=replace(params.orient, method=method))
        stored = None if calibration_file is None else read_calibration(calibration_file)
        found = read_any(recording, column_map)
        if correction_file is not None:
            from imu_shoulder.bench.correction import correct, read_corrections

            found = correct(found, read_corrections(correction_file), correction_file)
        summary = run(found, out, drills, params, progress, plan, earlier, rules, stored)
    tell(summary, out)


def _advice_from(history: Sequence[Path], rule_file: Path | None) -> tuple[Sequence[Mapping[str, Any]], Rules | None]:
    """Earlier sessions and rules, where they are given."""
    from imu_shoulder.advise import load_rules
    from imu_shoulder.advise.history import load_history

    return load_history(history), None if rule_file is None else load_rules(rule_file)


def run(
    recording: Recording,
    out: Path,
    drills: Mapping[str, Drill],
    params: Params,
    progress: Callable[[str], None],
    plan: Plan | None = None,
    history: Sequence[Mapping[str, Any]] = (),
    rules: Rules | None = None,
    stored: StoredCalibration | None = None,
) -> Mapping[str, Any]:
    """Analyse a recording, write the results, and return the summary."""
    from imu_shoulder.advise.session import analyse_session
    from imu_shoulder.report.folder import write_outputs

    analysis, summary = analyse_session(recording, drills, params, progress, plan, history, rules, stored)
    progress("report")
    return write_outputs(analysis, out, summary=summary)


def tell(summary: Mapping[str, Any], out: Path) -> None:
    """Print the same first lines as the report: pain over the ceiling before all."""
    from imu_shoulder.range.words import lines as range_lines
    from imu_shoulder.report.headlines import terminal_lines

    lines = terminal_lines(summary)
    cautions = len(lines) - len(summary["cautions"])
    said = lines[:cautions]
    said += summary["plan"]["lines"] if summary["plan"] is not None else []
    # Over the ceiling every line would say stop, which is said above.
    said += [] if summary["pain"]["over"] else [f"Advice: {entry['text']}" for entry in summary["advice"]]
    said += range_lines(summary["range"]) if summary["range"] is not None else []
    for line in said + lines[cautions:]:
        say(line)
    say(f"Report: {out / 'report.html'}")
