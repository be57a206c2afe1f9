"""imu-shoulder plan"""

from __future__ import annotations

from pathlib import Path

import click

from imu_shoulder.cli.say import say
from imu_shoulder.cli.store import DRILL_FILES, JSON, database, opened, who_option
from imu_shoulder.cli.tables import say_json, say_table


@click.group()
def plan() -> None:
    """Make a plan, check it, show it before it is begun, and keep its versions in the history."""


@plan.command()
@click.argument("athlete")
@click.option(
    "--drill",
    "lines",
    multiple=True,
    required=True,
    metavar="DRILL:SIDE[:SETSxREPS][@KG]",
    help="A drill, such as full_can:right:2x8@1.5; with its usual dose where none is given. Repeat, in order.",
)
@click.option("--day", "days", multiple=True, help="A day of the week on which it is to be done. Repeat.")
@click.option("--note", default="", help="What is said to the athlete.")
@click.option("--out", required=True, type=click.Path(path_type=Path), help="The new plan file.")
@DRILL_FILES
def new(
    athlete: str, lines: tuple[str, ...], days: tuple[str, ...], note: str, out: Path, drill_files: tuple[Path, ...]
) -> None:
    """Write a first plan for ATHLETE from a list of drills, to be changed by hand."""
    from imu_shoulder.drills import load_file
    from imu_shoulder.errors import OutputError
    from imu_shoulder.files import refusing, write_text
    from imu_shoulder.plan.drafting import draft

    text = draft(athlete, lines, {drill.id: drill for drill in map(load_file, drill_files)}, days, note)
    if out.exists():
        raise OutputError(f"a new file at {out}", "there is one", "give another name")
    with refusing(out, "choose another file"):
        write_text(out, text)
    say(f"Plan: {out}")


@plan.command()
@click.argument("file", type=click.Path(path_type=Path))
@DRILL_FILES
def check(file: Path, drill_files: tuple[Path, ...]) -> None:
    """Check that FILE is a plan the tool can use."""
    from imu_shoulder.assess.words import counted
    from imu_shoulder.drills import load_file
    from imu_shoulder.plan import load_plan
    from imu_shoulder.plan.duration import plan_duration

    found = load_plan(file, {drill.id: drill for drill in map(load_file, drill_files)})
    minutes = counted(plan_duration(found).minutes, "minute")
    drills = counted(len(found.drills), "drill")
    say(f"{file}: a plan of {drills} for {found.athlete}, about {minutes}. It can be used.")


@plan.command()
@click.argument("file", type=click.Path(path_type=Path))
@click.option("--why", default="", help="Why it was changed.")
@click.option("--from", "valid_from", help="From when on sessions are held to it, ISO 8601; default: now.")
@who_option
@database
@JSON
def keep(
    file: Path, why: str, valid_from: str | None, who: str, db: str | None, kept: Path | None, as_json: bool
) -> None:
    """Keep FILE, a plan as TOML or as CSV, in the history as its athlete's newest version."""
    from dataclasses import asdict

    from imu_shoulder.checked import read_text
    from imu_shoulder.history.people import add_athlete
    from imu_shoulder.history.plans import put_plan
    from imu_shoulder.history.store import moment_from
    from imu_shoulder.limits import MAX_TOML_BYTES
    from imu_shoulder.plan import PlanError, load_plan, parse_plan
    from imu_shoulder.plan.writing import plan_from_csv, standing_alone

    text = read_text(file, "plan file", PlanError, MAX_TOML_BYTES)
    if file.suffix.lower() == ".csv":
        text = plan_from_csv(text, file.name)
        found = parse_plan(text, file.name)
    else:
        found = load_plan(file)
    text = standing_alone(text, found)
    since = None if valid_from is None else moment_from(valid_from)
    with opened(db, kept) as store:
        version = put_plan(store, add_athlete(store, found.athlete).id, text, who, why, since)
    say_json(asdict(version)) if as_json else say(f"Plan of {found.athlete}: version {version.number} by {version.who}")


@plan.command()
@click.argument("athlete")
@database
@JSON
def versions(athlete: str, db: str | None, kept: Path | None, as_json: bool) -> None:
    """List the versions of ATHLETE's plan in the history: when, by whom, and why."""
    from dataclasses import asdict

    from imu_shoulder.history.people import find_athlete
    from imu_shoulder.history.plans import plan_versions

    with opened(db, kept) as store:
        found = [asdict(version) for version in plan_versions(store, find_athlete(store, athlete).id)]
    if as_json:
        say_json(found)
        return
    keys = ("number", "at", "valid_from", "who", "why")
    say_table(("version", "written", "in force from", "by", "why"), [[row[key] for key in keys] for row in found])


@plan.command()
@click.argument("athlete")
@click.option("--version", "number", type=int, help="Which version; default: the newest.")
@click.option("--out", required=True, type=click.Path(path_type=Path), help="The file: .toml, or .csv.")
@database
def take(athlete: str, number: int | None, out: Path, db: str | None, kept: Path | None) -> None:
    """Write ATHLETE's plan from the history into a file, for live and analyse, or for a spreadsheet."""
    from imu_shoulder.history.exporting import write_export
    from imu_shoulder.history.migrate import StoreError
    from imu_shoulder.history.people import find_athlete
    from imu_shoulder.history.plans import plan_version
    from imu_shoulder.plan.writing import plan_csv

    with opened(db, kept) as store:
        one = find_athlete(store, athlete)
        found = plan_version(store, one.id, number)
        if found is None:
            raise StoreError(f"a plan of {one.name}", "there is none yet", "make one with plan new, and keep it")
        text = plan_csv(found.toml, "the plan") if out.suffix.lower() == ".csv" else found.toml
        write_export(store, out, text, "plan", one.id)
    say(f"Plan of {one.name}, version {found.number}: {out}")


@plan.command()
@click.argument("file", type=click.Path(path_type=Path))
@DRILL_FILES
def show(file: Path, drill_files: tuple[Path, ...]) -> None:
    """Show the plan FILE: what comes first, how long it takes, and each drill with its dose, load and cautions."""
    from imu_shoulder.cautions import CAUTIONS
    from imu_shoulder.drills import load_file
    from imu_shoulder.plan import load_plan
    from imu_shoulder.plan.duration import overview

    found = load_plan(file, {drill.id: drill for drill in map(load_file, drill_files)})
    said = overview(found)
    # What the cautions of all drills say is said once.
    first, *others = (item.drill.cautions for item in found.drills)
    common = [caution for caution in first if all(caution in own for own in others)]
    lines = [f"{found.name}, for {found.athlete}", *said["limits_first"], said["text"]]
    lines += [f"On {', '.join(said['days'])}."] if said["days"] else []
    lines += [said["note"]] if said["note"] else []
    lines.append(f"Pain ceiling: {found.pain_ceiling:g} of 10. Above it: stop.")
    for number, (item, own) in enumerate(zip(found.drills, said["drills"], strict=True), start=1):
        lines.append(f"{number}. {own['title']}, {own['arm']}: {own['dose']}")
        lines += [f"   load: {own['load']}"] if own["load"] else []
        lines += [f"   {own['note']}"] if own["note"] else []
        lines += [f"   - {caution}" for caution in item.drill.cautions if caution not in common]
    for line in (*lines, *common, *CAUTIONS):
        say(line)
