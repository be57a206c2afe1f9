"""imu-shoulder retest"""

from __future__ import annotations

from pathlib import Path

import click

from imu_shoulder.cli.say import say
from imu_shoulder.cli.store import JSON, database, opened
from imu_shoulder.cli.tables import say_json, say_table


@click.command()
@click.argument("folders", nargs=-1, type=click.Path(path_type=Path))
@click.option("--history", "from_history", is_flag=True, help="Take the sessions of the history in place of FOLDERS.")
@click.option("--measure", "wanted", multiple=True, help="Print this measure only; repeat. --out has all of them.")
@click.option("--out", type=click.Path(path_type=Path), help="CSV file with every measure and all forms.")
@database
@JSON
def retest(
    folders: tuple[Path, ...],
    from_history: bool,
    wanted: tuple[str, ...],
    out: Path | None,
    db: str | None,
    kept: Path | None,
    as_json: bool,
) -> None:
    """Say how alike every measure comes out again: ICC, SEM and MDC from repeated sessions.

    FOLDERS: results folders of persons who did the same drills on several days, sensors put on anew.
    """
    from imu_shoulder.files import refusing, write_text
    from imu_shoulder.texts import csv_text
    from imu_shoulder.validate.retest import measures, values_of_folders
    from imu_shoulder.validate.retest import retest as run

    if from_history == bool(folders):
        raise click.UsageError("give results folders, or --history")
    unknown = next((name for name in wanted if name not in measures()), None)
    if unknown is not None:
        raise click.BadParameter(f"{unknown!r} is no measure; docs/measures.md lists them", param_hint="--measure")
    if from_history:
        from imu_shoulder.history.values import values_of_store

        with opened(db, kept) as store:
            values, left_out = values_of_store(store)
        if left_out:
            say(f"{left_out} drills of sessions that another version or other parameters made are left out.", err=True)
    else:
        values = values_of_folders(folders)
    found = run(values)
    if out is not None:
        with refusing(out, "choose another file"):
            write_text(out, csv_text(found))
    if wanted:
        found = found[found["measure"].isin(wanted)]
    rows = found.astype(object).where(found.notna(), None).to_dict("records")
    if as_json:
        say_json(rows)
        return
    head = ("drill", "side", "measure", "persons", "days", "ICC(2,1)", "SEM", "MDC95", "why not")
    keys = ("drill", "side", "measure", "persons", "days", "icc_2_1", "sem_agreement", "mdc95", "why")
    say_table(head, [[row[key] for key in keys] for row in rows])
    if out is not None:
        say(f"All forms: {out}")
