"""imu-shoulder history"""

from __future__ import annotations

from dataclasses import asdict, replace
from pathlib import Path
from typing import Any

import click

from imu_shoulder.cli.history_data import COMMANDS
from imu_shoulder.cli.number import Number
from imu_shoulder.cli.parameters import PARAMS
from imu_shoulder.cli.say import say
from imu_shoulder.cli.store import DRILL_FILES, JSON, database, how_of, opened, say_ahead, who_option
from imu_shoulder.cli.tables import say_json, say_table

# Of each list: what stands over the columns, and which they are.
_ROSTER = (
    ("id", "athlete", "sessions", "latest", "pain", "plan"),
    ("athlete_id", "name", "recent_sessions", "start", "pain_highest", "plan_number"),
)
_SESSIONS = (
    ("session", "start", "kind", "sets", "asked", "reps", "clean", "pain", "effort"),
    (
        *("session_id", "start", "kind", "sets_done", "sets_asked"),
        *("reps_done", "reps_clean", "pain_highest", "effort"),
    ),
)
_JOURNAL = ("when", "who", "what", "detail"), ("at", "who", "what", "detail")


@click.group()
def history() -> None:
    """Keep sessions of all athletes, and say who does better, worse, or too little."""


@history.command()
@click.argument("path", type=click.Path(path_type=Path))
@database
@DRILL_FILES
@PARAMS
@JSON
def add(
    path: Path,
    db: str | None,
    kept: Path | None,
    drill_files: tuple[Path, ...],
    params_file: Path | None,
    as_json: bool,
) -> None:
    """Add PATH, a recording folder or a folder of several, to the history.

    Each is analysed by the plan in force at its start, and a copy of it is kept. What is there already stays as it is.
    """
    from imu_shoulder.cli.progress import stage_progress
    from imu_shoulder.errors import ShoulderError
    from imu_shoulder.history.adding import add_recording, recordings_in

    done, failed = [], []
    with stage_progress() as progress:
        # What is refused here makes no database.
        how, folders = how_of(params_file, drill_files, progress), list(recordings_in(path))
        with opened(db, kept) as store:
            for folder in folders:
                try:
                    done.append((folder, add_recording(store, folder, how)))
                except ShoulderError as error:
                    if len(folders) == 1:
                        raise
                    failed.append((folder, error))
    if as_json:
        added = [{"folder": str(f), "session": a.session_id, "athlete": a.athlete, "state": a.state} for f, a in done]
        say_json({"added": added, "failed": [{"folder": str(f), "error": str(why)} for f, why in failed]})
    else:
        for folder, found in done:
            say(f"{folder}: {found.state}, session {found.session_id} of {found.athlete}, {found.start}")
    say_ahead([(found.session_id, found.start) for _, found in done])
    for folder, why in failed:
        say(f"Error: {folder}: {why}", err=True)
    if failed:
        raise click.exceptions.Exit(2)


@history.command("list")
@click.argument("athlete", required=False)
@database
@JSON
def list_(athlete: str | None, db: str | None, kept: Path | None, as_json: bool) -> None:
    """List the athletes, or the sessions of ATHLETE, the latest first."""
    from imu_shoulder.history.people import find_athlete
    from imu_shoulder.history.queries import ROSTER, SESSIONS, rows

    with opened(db, kept) as store:
        one = None if athlete is None else find_athlete(store, athlete)
        with store.read() as connection:
            query, given = (ROSTER, {"since": ""}) if one is None else (SESSIONS, {"athlete_id": one.id})
            found = rows(connection, query, **given)
    if as_json:
        say_json(found)
    else:
        head, keys = _ROSTER if one is None else _SESSIONS
        say_table(head, [[row[key] for key in keys] for row in found])


@history.command()
@click.argument("what")
@database
@JSON
def show(what: str, db: str | None, kept: Path | None, as_json: bool) -> None:
    """Show a session by its number, or an athlete by name: profile, plan and the trend of each drill."""
    from imu_shoulder.history.people import find_athlete
    from imu_shoulder.history.plans import plan_version
    from imu_shoulder.history.queries import TREND, rows
    from imu_shoulder.history.remarks import notes
    from imu_shoulder.history.sessions import is_name_alone, session, sets
    from imu_shoulder.history.standing import statements_of

    with opened(db, kept) as store:
        if what.isdecimal() and not is_name_alone(store, what):
            own = session(store, int(what))
            found: dict[str, Any] = {**own, "sets": sets(store, own["id"])}
            found["notes"] = notes(store, own["athlete_id"], own["id"])
            if as_json:
                say_json(found)
            else:
                _tell_session(found)
            return
        one = find_athlete(store, what)
        plan = plan_version(store, one.id)
        with store.read() as connection:
            trend = rows(connection, TREND, athlete_id=one.id)
        said = statements_of(store, one.id)
    if as_json:
        plan_told = None if plan is None else asdict(plan)
        say_json({**asdict(one), "plan": plan_told, "trend": trend, "statements": said})
        return
    say(f"{one.name}, number {one.id}")
    for name, value in asdict(one.profile).items():
        if value not in (None, ""):
            say(f"  {name.replace('_', ' ')}: {value}")
    say("  no plan" if plan is None else f"  plan: version {plan.number} by {plan.who}, {plan.at}")
    head = ("start", "drill", "side", "reps", "clean", "steady deg", "held s", "arc deg", "lower s", "load", "pain")
    keys = ("start_utc", "drill", "side", "reps_done", "clean_share", "hold_sd_deg", "hold_s", "arc_deg", "lower_s")
    say_table(head, [[row[key] for key in (*keys, "load_kg", "pain")] for row in trend])
    for statement in said:
        say(statement["text"])


def _tell_session(found: dict[str, Any]) -> None:
    say(f"Session {found['id']}, {found['start']}, {found['name']}")
    told = ("done", "pain_before", "pain_highest", "pain_next_morning", "effort", "version", "note")
    for name in told:
        if found[name] not in (None, ""):
            say(f"  {name.replace('_', ' ')}: {found[name]}")
    for line in (found["summary"] or {}).get("first_lines", ()):
        say(f"  {line}")
    for line in (found["summary"] or {}).get("dose", ()):
        say(f"  {line['drill']}, {line['side']}: {line['sets']} x {line['reps']}")
    head = ("set", "drill", "side", "asked", "reps", "clean", "load", "pain", "what was seen")
    keys = ("number", "drill", "side", "reps_asked", "reps_done", "reps_clean", "load_kg", "pain", "headline")
    if found["sets"]:
        say_table(head, [[row[key] for key in keys] for row in found["sets"]])
    for note in found["notes"]:
        say(f"Note of {note['who']}, {note['at']}: {note['text']}")


@history.command()
@click.argument("which", nargs=-1)
@click.option("--all", "every", is_flag=True, help="Every session with sensors.")
@database
@DRILL_FILES
@PARAMS
@JSON
def redo(
    which: tuple[str, ...],
    every: bool,
    db: str | None,
    kept: Path | None,
    drill_files: tuple[Path, ...],
    params_file: Path | None,
    as_json: bool,
) -> None:
    """Work sessions out anew from the kept recordings: by number, of an athlete by name, or all.

    After an update of the program or with other parameters: only sessions of one version are compared.
    """
    from imu_shoulder.cli.progress import stage_progress
    from imu_shoulder.history.adding import redo as run
    from imu_shoulder.history.sessions import with_recordings

    if every == bool(which):
        raise click.UsageError("give sessions or athletes, or --all")
    with opened(db, kept) as store, stage_progress() as progress:
        how = how_of(params_file, drill_files, progress)
        done = [run(store, session_id, how) for session_id in with_recordings(store, which)]
    if as_json:
        say_json([asdict(found) for found in done])
        return
    for found in done:
        say(f"Session {found.session_id} of {found.athlete}, {found.start}: {found.state}")


@history.command()
@click.argument("athlete")
@click.option("--start", required=True, help="When, as 2026-05-04T09:30:00+02:00.")
@click.option("--done", required=True, type=click.Choice(["yes", "partly", "no"]), help="Whether the plan was done.")
@click.option(
    "--dose",
    multiple=True,
    metavar="DRILL:SIDE:SETSxREPS[@KG]",
    help="What was done, such as full_can:both:2x10@1.5; once for each drill.",
)
@click.option("--pain", type=Number(0, 10), help="Highest pain, 0 to 10.")
@click.option("--effort", type=Number(0, 10), help="Effort, 0 to 10.")
@click.option("--note", default="", help="What else there is to say.")
@database
@JSON
def enter(
    athlete: str,
    start: str,
    done: str,
    dose: tuple[str, ...],
    pain: float | None,
    effort: float | None,
    note: str,
    db: str | None,
    kept: Path | None,
    as_json: bool,
) -> None:
    """Enter a session of ATHLETE that no sensor saw: so that who skips is told from who forgot the sensors."""
    from imu_shoulder.history.sessions import add_manual, dose_line
    from imu_shoulder.history.store import moment_from

    moment_from(start)  # before a history is made for it
    lines = [dose_line(text) for text in dose]
    with opened(db, kept) as store:
        found = add_manual(store, athlete, start, done, lines, pain=pain, effort=effort, note=note)
    say_json({"session": found}) if as_json else say(f"Session {found} of {athlete}, {start}: entered")
    say_ahead([(found, start)])


@history.command()
@click.argument("session", type=int)
@click.argument("pain", type=Number(0, 10))
@database
def morning(session: int, pain: float, db: str | None, kept: Path | None) -> None:
    """Enter the pain, 0 to 10, on the morning after SESSION."""
    from imu_shoulder.history.sessions import rate_next_morning

    with opened(db, kept) as store:
        rate_next_morning(store, session, pain)
    say(f"Session {session}: pain on the next morning {pain:g} of 10")


@history.command()
@click.argument("session", type=int)
@click.option("--why", required=True, help="Why, for the journal.")
@who_option
@database
def remove(session: int, why: str, who: str, db: str | None, kept: Path | None) -> None:
    """Take SESSION out: one of another person, of another day, or entered twice. Its kept recording goes, too."""
    from imu_shoulder.history.sessions import remove_session

    with opened(db, kept) as store:
        found = remove_session(store, session, why, who)
    say(f"Session {session}, {found['start']}, {found['name']}: removed")
    if found["source"] and Path(found["source"]).exists():
        say(f"  there still, where it was added from: {found['source']}")


@history.command()
@click.argument("athlete")
@click.option("--dominant-side", help="right or left.")
@click.option("--involved-side", help="right, left, both or none.")
@click.option("--after-surgery", help="What the surgeon and the practitioner allow after an operation, in words.")
@click.option("--instability", help="The same for a shoulder that is known to slip out.")
@click.option("--pain-ceiling", type=float, help="How much pain is too much, 0 to 10.")
@click.option("--age-band", help="Such as 18-29.")
@who_option
@database
@JSON
def profile(athlete: str, who: str, db: str | None, kept: Path | None, as_json: bool, **given: Any) -> None:
    """Show the profile of ATHLETE, or set what is given; a new name is a new athlete."""
    from imu_shoulder.history.people import add_athlete, find_athlete, set_profile

    given = {name: value for name, value in given.items() if value is not None}
    with opened(db, kept) as store:
        if given:
            found = add_athlete(store, athlete)
            set_profile(store, found.id, replace(found.profile, **given), who)
        found = find_athlete(store, athlete)
    if as_json:
        say_json(asdict(found))
        return
    say(f"{found.name}, number {found.id}")
    for name, value in asdict(found.profile).items():
        say(f"  {name.replace('_', ' ')}: {'not said' if value in (None, '') else value}")


@history.command()
@click.argument("athlete", required=False)
@database
@JSON
def journal(athlete: str | None, db: str | None, kept: Path | None, as_json: bool) -> None:
    """Who changed what: profiles and plans, of ATHLETE or of all, the latest first."""
    from imu_shoulder.history.people import find_athlete
    from imu_shoulder.history.people import journal as lines_of

    with opened(db, kept) as store:
        found = lines_of(store, None if athlete is None else find_athlete(store, athlete).id)
    if as_json:
        say_json(found)
        return
    head, keys = _JOURNAL
    say_table(head, [[row[key] for key in keys] for row in found])


for command in COMMANDS:
    history.add_command(command)
