"""imu-shoulder validate, sensor-check, plan-study, compare-filters, export, import and report"""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from imu_shoulder.cli.extras import need
from imu_shoulder.cli.number import Number
from imu_shoulder.cli.parameters import PARAMS, params_of
from imu_shoulder.cli.say import say
from imu_shoulder.cli.store import DRILL_FILES

if TYPE_CHECKING:
    from collections.abc import Sequence

    from imu_shoulder.analysis import Analysis
    from imu_shoulder.identity import Shared
    from imu_shoulder.model import Recording

FOLDER = click.Path(path_type=Path)


def _analysed(
    recordings: Sequence[Recording], drill_files: tuple[Path, ...], params_file: Path | None
) -> list[Analysis]:
    from imu_shoulder.cli.progress import stage_progress
    from imu_shoulder.drills import load_file
    from imu_shoulder.pipeline import analyse
    from imu_shoulder.range import shipped_tests

    drills = {drill.id: drill for drill in map(load_file, drill_files)}
    apart = shipped_tests().keys() - drills.keys()
    params = params_of(params_file)
    found = []
    with stage_progress() as progress:
        for recording in recordings:
            progress(recording.name)
            found.append(analyse(recording, params, drills, apart=apart))
    return found


OUT = click.option("--out", required=True, type=FOLDER, help="Folder for the results.")
PARTICIPANTS = click.option(
    "--participant",
    "participants",
    multiple=True,
    metavar="ATHLETE=LABEL",
    help="Label in place of initials; for every athlete or for none.",
)


@click.command()
@click.argument("recordings", metavar="RECORDING...", nargs=-1, required=True, type=FOLDER)
@OUT
@click.option(
    "--map",
    "column_map",
    type=FOLDER,
    help="TOML column map, when each RECORDING is a foreign file or a folder of them.",
)
@click.option(
    "--within",
    "allowed_deg",
    default=5.0,
    show_default=True,
    type=Number(0, min_open=True),
    help="Degrees the yes or no sentence asks for.",
)
@click.option("--series", "series_name", help="File name of the continuous reference in each recording folder.")
@click.option(
    "--lag", "lag_s", type=Number(), help="Known lag of the continuous reference in s; else it is looked for."
)
@click.option("--inter-rater", is_flag=True, help="Also judge how far the raters agree with each other.")
@PARTICIPANTS
@DRILL_FILES
@PARAMS
def validate(
    recordings: tuple[Path, ...],
    out: Path,
    column_map: Path | None,
    allowed_deg: float,
    series_name: str | None,
    lag_s: float | None,
    inter_rater: bool,
    participants: tuple[str, ...],
    drill_files: tuple[Path, ...],
    params_file: Path | None,
) -> None:
    """Compare our angles with a goniometer's or another reference's.

    Each RECORDING, whatever `analyse` takes, has reference.csv (readings), reference_series.csv or .parquet (a
    continuous reference), or both in its folder, or beside it where it is a file. Writes report.html, agreement.csv,
    pairs.csv, series.csv and origin.json.
    """
    need("research", "statsmodels", "matplotlib")
    from dataclasses import asdict

    from imu_shoulder.identity import one_name_each
    from imu_shoulder.sources.any_kind import read_any
    from imu_shoulder.validate.output import compare, headlines, references_of, write_study
    from imu_shoulder.validate.pairing import PairParams

    folders = references_of(recordings)
    read = [read_any(path, column_map) for path in recordings]
    named = [one.recording for one in _shared(recordings, read, participants)] if participants else one_name_each(read)
    found = list(zip(folders, _analysed(named, drill_files, params_file), strict=True))
    params = PairParams()
    study = compare(found, allowed_deg, params, series_name=series_name, lag_s=lag_s, inter_rater=inter_rater)
    used = found[0][1].params
    parameters = {"within_deg": allowed_deg, "lag_s": lag_s, **asdict(params), "analysis": asdict(used)}
    write_study(study, found, parameters, out)
    for line in headlines(study):
        say(line)
    say(f"Report: {out / 'report.html'}")


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
    need("research", "allantools", "matplotlib")
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
        say(sentence)
    say(f"Report: {out / 'report.html'}")


def _shared(
    paths: Sequence[Path], recordings: Sequence[Recording], participants: tuple[str, ...], notes: bool = False
) -> list[Shared]:
    """The recordings under their labels, and which is which for the terminal alone."""
    from imu_shoulder.identity import share

    found = share(recordings, _pairs(participants, "--participant"), notes=notes)
    for path, one in zip(paths, found, strict=True):
        say(f"{path}: {one.recording.name}")
    return found


def _pairs(texts: tuple[str, ...], option: str) -> dict[str, str]:
    """A=B texts as a mapping. Raises UsageError."""
    found = dict(text.rsplit("=", 1) for text in texts if "=" in text)
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
@PARTICIPANTS
@click.option("--notes", is_flag=True, help="Put the notes of the events into the data set, too: they may name people.")
@DRILL_FILES
@PARAMS
def export(
    recordings: tuple[Path, ...],
    out: Path,
    form: str,
    angles: bool,
    task: str,
    participants: tuple[str, ...],
    notes: bool,
    drill_files: tuple[Path, ...],
    params_file: Path | None,
) -> None:
    """Export recordings in open formats.

    --format bids writes raw channels, joint angles, events and participants as a Motion-BIDS data set; --format tables
    writes reps and angles as CSV and Parquet with dictionary.csv.
    """
    from imu_shoulder.exchange.bids_write import Exported, write_bids
    from imu_shoulder.exchange.tables import write_tables
    from imu_shoulder.report.tables import angles_table
    from imu_shoulder.sources.folder import read_recording

    shared = _shared(recordings, [read_recording(folder) for folder in recordings], participants, notes)
    if form == "tables":
        write_tables(_analysed([one.recording for one in shared], drill_files, params_file), out)
    elif angles:
        analyses = _analysed([one.recording for one in shared], drill_files, params_file)
        exported = [Exported(one, angles_table(a)) for one, a in zip(shared, analyses, strict=True)]
        write_bids(exported, out, task, analyses[0].params)
    else:
        write_bids([Exported(one) for one in shared], out, task)
    say(f"Written: {out}")


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
    from imu_shoulder.exchange.bids_read import read_bids
    from imu_shoulder.sources.folder import write_recording

    for recording in read_bids(dataset, _pairs(placements, "--placement")):
        folder = out / recording.name
        write_recording(recording, folder)
        say(f"Recording: {folder}")


@click.command("compare-filters")
@click.argument("recording", type=FOLDER)
@click.option("--truth", type=FOLDER, help="Folder of true_angles.parquet, where it is not RECORDING itself.")
@click.option("--out", type=FOLDER, help="Folder for filters.csv and origin.json.")
@PARAMS
def compare_filters(recording: Path, truth: Path | None, out: Path | None, params_file: Path | None) -> None:
    """Compare attitude filters on a simulated RECORDING with its truth.

    Prints the RMSE in degrees of each angle under vqf and the filters of package ahrs.
    """
    from dataclasses import asdict

    from imu_shoulder.cli.progress import stage_progress
    from imu_shoulder.sources.folder import read_recording
    from imu_shoulder.texts import csv_text
    from imu_shoulder.validate.filters import compare_filters as run
    from imu_shoulder.validate.filters import filters_table, read_truth, rmse_by_filter
    from imu_shoulder.validate.origin import as_json, origin, write_files

    true_angles, params = read_truth(truth or recording), params_of(params_file)
    with stage_progress() as progress:
        found = read_recording(recording)
        errors = run(found, true_angles, params, progress)
    say("RMSE in degrees after the neutral pose, pose error and soft tissue included:")
    say(rmse_by_filter(errors).round(2).to_string())
    if out is not None:
        table = csv_text(filters_table(errors), float_format="%.6g")
        came_from = origin([found], asdict(params), params.changed)
        write_files(out, {"filters.csv": table, "origin.json": as_json(came_from)})
        say(f"Written: {out}")


@click.command("plan-study")
@click.option("--sd", "sd_deg", type=float, help="Expected SD of a difference from the reference, degrees.")
@click.option("--half-width", "half_width_deg", type=float, help="Wanted half width of each limit's 95 % CI, degrees.")
@click.option("--within", "allowed_deg", type=float, help="Degrees that 95 % of differences shall stay within.")
@click.option("--bias", "bias_deg", default=0.0, show_default=True, help="Expected bias, degrees, for --within.")
@click.option("--power", default=0.8, show_default=True, help="Wanted power, for --within.")
@click.option("--change-in", type=click.Choice(["arc_deg", "hold_sd_deg"]), help="Simulate how small a change is seen.")
@click.option("--drill", default="full_can", show_default=True, help="Drill to simulate, for --change-in.")
@click.option("--sessions", default=8, show_default=True, help="Sessions per step, for --change-in.")
def plan_study(
    sd_deg: float | None,
    half_width_deg: float | None,
    allowed_deg: float | None,
    bias_deg: float,
    power: float,
    change_in: str | None,
    drill: str,
    sessions: int,
) -> None:
    """Say how many persons a study of agreement needs, or how small a change can be seen.

    --sd with --half-width or --within gives persons; --change-in simulates sessions before and after a change.
    """
    sizes = half_width_deg is not None or allowed_deg is not None
    if change_in is None and not (sd_deg is not None and sizes):
        raise click.UsageError("Give --sd with --half-width or --within, or give --change-in.")
    from imu_shoulder.validate.sample_size import persons_for_limit_width, persons_for_verdict

    if sd_deg is not None and half_width_deg is not None:
        planned = persons_for_limit_width(sd_deg, half_width_deg)
        say(f"{planned.persons} persons, one pair each: every limit is known to +-{planned.reached:.2f} deg.")
    if sd_deg is not None and allowed_deg is not None:
        planned = persons_for_verdict(bias_deg, sd_deg, allowed_deg, power)
        say(
            f"{planned.persons} persons, one pair each: 'within {allowed_deg:g} deg: yes' comes with a power of "
            f"{planned.reached:.2f}."
        )
    if change_in is not None:
        from imu_shoulder.cli.progress import stage_progress
        from imu_shoulder.validate.power import CHANGES, Measure, power_by_simulation

        measure: Measure = "arc_deg" if change_in == "arc_deg" else "hold_sd_deg"
        with stage_progress() as progress:
            found = power_by_simulation(measure, drill, sessions=sessions, progress=progress)
        say(
            f"{measure} of {drill}, {found.reps} reps, {found.sessions} sessions: the median of a session varies by an "
            f"SD of {found.session_sd:.2f} deg without any change; MDC95 {found.mdc95:.2f} deg."
        )
        for step in found.steps:
            say(
                f"{CHANGES[measure][0]} {step.changed_by:+g}: seen as {step.seen:+.2f} deg, in {100 * step.power:.0f} "
                "% of pairs of sessions."
            )
        best = found.smallest
        say(
            "None of these changes is seen in 80 % of pairs of sessions."
            if best is None
            else f"The smallest of these that is seen in 80 % of pairs of sessions: {best.changed_by:+g} deg."
        )


@click.command()
@click.argument("results", type=FOLDER)
@click.option("--paper", is_flag=True, help="Write methods.md for a paper, not the report.")
@OUT
def report(results: Path, paper: bool, out: Path) -> None:
    """Write the report of a finished analysis again, from RESULTS, the folder that `analyse` wrote.

    With --paper writes methods.md: a methods paragraph and tables with the exact parameters.
    """
    from imu_shoulder.checked import complete
    from imu_shoulder.errors import RecordingError
    from imu_shoulder.files import add_file
    from imu_shoulder.one_run import RUN, require_no_other_run
    from imu_shoulder.validate.results import read_results

    found = read_results(results)
    require_no_other_run(out, found.summary.get(RUN))
    with complete("summary.json with its reps.csv and angles.parquet", results, RecordingError, "analyse again"):
        if paper:
            from imu_shoulder.validate.paper import methods_text

            name, text = "methods.md", methods_text(found.summary)
        else:
            from imu_shoulder.report.html import build_report

            name, text = "report.html", build_report(found.summary, found.reps, found.angles)
    add_file(out, name, text)
    say(f"Written: {out / name}")
