"""The commands of imu-shoulder history that protect data, and let them out and in."""

from __future__ import annotations

from dataclasses import asdict
from pathlib import Path

import click

from imu_shoulder.cli.say import say
from imu_shoulder.cli.store import JSON, database, opened, who_option
from imu_shoulder.cli.tables import say_json, say_table


@click.command()
@click.argument("athlete")
@click.option("--yes", is_flag=True, help="Do it without asking.")
@click.option("--sources", is_flag=True, help="Also the folders that the recordings were added from, with their logs.")
@click.option("--backups", is_flag=True, help="Also backups that were made here; they hold other athletes, too.")
@who_option
@database
@JSON
def delete(
    athlete: str, yes: bool, sources: bool, backups: bool, who: str, db: str | None, kept: Path | None, as_json: bool
) -> None:
    """Delete ATHLETE: from the database, its journal, the kept recordings and all files that were written from it."""
    from imu_shoulder.history.people import find_athlete
    from imu_shoulder.history.protecting import delete_athlete

    with opened(db, kept) as store:
        one = find_athlete(store, athlete)
        if not yes:
            click.confirm(f"Delete all data of {one.name}? It cannot be undone", abort=True)
        found = delete_athlete(store, one.id, who, sources=sources, backups=backups)
    if as_json:
        say_json(asdict(found))
        return
    say(f"{found.sessions} sessions deleted.")
    for path in found.removed:
        say(f"  removed: {path}")
    for path in found.left:
        say(f"  there still: {path}")
    if not found.wiped:
        say("Another program has the database open. Close it, then use history wipe: its file may hold old pages.")


@click.command()
@click.argument("folder", type=click.Path(path_type=Path))
@database
def backup(folder: Path, db: str | None, kept: Path | None) -> None:
    """Write the whole history with its recordings into a new FOLDER."""
    from imu_shoulder.history.protecting import back_up

    with opened(db, kept) as store:
        count = back_up(store, folder)
    say(f"Backup of {count} sessions: {folder}")


@click.command()
@click.argument("folder", type=click.Path(path_type=Path))
@database
def restore(folder: Path, db: str | None, kept: Path | None) -> None:
    """Fill an empty history from a backup in FOLDER."""
    from imu_shoulder.history.protecting import require_backup
    from imu_shoulder.history.protecting import restore as run

    require_backup(folder)  # before a history is made for it
    with opened(db, kept) as store:
        count = run(store, folder)
    say(f"Restored: {count} sessions")


@click.command("export")
@click.argument("athlete", required=False)
@click.option(
    "--out", required=True, type=click.Path(path_type=Path), help="The file: .csv for results, .json for all."
)
@database
def export(athlete: str | None, out: Path, db: str | None, kept: Path | None) -> None:
    """Write results as CSV, or everything as JSON, of ATHLETE or of all."""
    from imu_shoulder.history.exporting import everything_json, results_csv, write_export
    from imu_shoulder.history.people import find_athlete

    ending = out.suffix.lower()
    if ending not in (".csv", ".json"):
        raise click.UsageError("--out ends in .csv for the results, or in .json for everything")
    with opened(db, kept) as store:
        one = None if athlete is None else find_athlete(store, athlete).id
        text = results_csv(store, one) if ending == ".csv" else everything_json(store, one)
        write_export(store, out, text, "results" if ending == ".csv" else "everything", one)
    say(f"Exported: {out}")


@click.command("import")
@click.argument("file", type=click.Path(path_type=Path))
@who_option
@database
@JSON
def import_(file: Path, who: str, db: str | None, kept: Path | None, as_json: bool) -> None:
    """Take FILE in: as .csv sessions done without sensors, or results; as .json everything of a history."""
    from imu_shoulder.history.importing import take_csv, take_json

    with opened(db, kept) as store:
        found = take_csv(store, file) if file.suffix.lower() == ".csv" else take_json(store, file, who)
    say_json(asdict(found)) if as_json else say(f"Taken in: {found.new} sessions; {found.there} were there already.")


@click.command()
@click.argument("athlete", required=False)
@database
@JSON
def exports(athlete: str | None, db: str | None, kept: Path | None, as_json: bool) -> None:
    """List the files that were written from the history, of ATHLETE or of all."""
    from imu_shoulder.history.exporting import listed
    from imu_shoulder.history.people import find_athlete

    with opened(db, kept) as store:
        found = listed(store, None if athlete is None else find_athlete(store, athlete).id)
    if as_json:
        say_json(found)
        return
    say_table(("when", "what", "file"), [[row[key] for key in ("at", "what", "path")] for row in found])


@click.command()
@database
def wipe(db: str | None, kept: Path | None) -> None:
    """Write the database's file anew, without what was deleted."""
    from imu_shoulder.history.migrate import StoreError
    from imu_shoulder.history.protecting import wipe as run

    with opened(db, kept) as store:
        if not run(store):
            raise StoreError("a database that nobody else has open", "another program has", "close it and try again")
    say("The database's file holds nothing that was deleted.")


COMMANDS = (wipe, delete, backup, restore, export, import_, exports)
