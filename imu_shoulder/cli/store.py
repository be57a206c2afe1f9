"""The options that say which history is meant, and the history opened by them."""

from __future__ import annotations

import getpass
import os
from collections.abc import Callable, Iterable
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeVar

import click

from imu_shoulder.cli.extras import need
from imu_shoulder.cli.parameters import params_of
from imu_shoulder.cli.say import say

if TYPE_CHECKING:
    from imu_shoulder.history.adding import How
    from imu_shoulder.history.store import Store

_Command = TypeVar("_Command", bound=Callable[..., Any])
DRILL_FILES = click.option(
    "--drill-file", "drill_files", multiple=True, type=click.Path(path_type=Path), help="A drill file of your own."
)
JSON = click.option("--json", "as_json", is_flag=True, help="Print JSON for programs in place of a table.")


def database(command: _Command) -> _Command:
    """The options that say which history is meant."""
    db = click.option(
        "--db",
        envvar="IMU_SHOULDER_DB",
        metavar="PATH|URL",
        help="SQLite file, or postgresql://USER@HOST/DATABASE; default: history.db in the user's data directory.",
    )
    kept = click.option(
        "--kept",
        envvar="IMU_SHOULDER_KEPT",
        type=click.Path(path_type=Path),
        help="Folder for the copies of the recordings; default: beside the database.",
    )
    return db(kept(command))


def who_option(command: _Command) -> _Command:
    """Who does it, for the journal."""
    return click.option(
        "--who",
        envvar="IMU_SHOULDER_WHO",
        default=_user,
        help="Who does it, for the journal; else the user.",
    )(command)


def _user() -> str:
    try:
        return getpass.getuser()
    except (KeyError, OSError):  # no name in the system's list of users
        return "unknown"


def opened(db: str | None, kept: Path | None) -> Store:
    """The history that the options name. Raises StoreError, OutputError."""
    need("history", "sqlalchemy", "platformdirs")
    if db is not None and db.startswith("postgres"):
        need("postgres", "psycopg")
    from imu_shoulder.history.store import open_store

    return open_store(db, kept)


def say_ahead(sessions: Iterable[tuple[int, str]]) -> None:
    """Warn of sessions that are dated ahead of this computer's clock. sessions: number and start."""
    from imu_shoulder.history.store import is_ahead

    for number, start in sessions:
        if is_ahead(start):
            do = f"where that is wrong, take it out: imu-shoulder history remove {number}"
            say(f"Session {number} is dated {start}, ahead of this computer's clock; {do}", err=True)


def how_of(params_file: Path | None, drill_files: tuple[Path, ...], progress: Callable[[str], None]) -> How:
    """By what sessions are worked out."""
    from imu_shoulder.drills import load_file
    from imu_shoulder.history.adding import How

    return How(params_of(params_file), {drill.id: drill for drill in map(load_file, drill_files)}, progress)


HISTORY = click.option(
    "--history",
    "history",
    is_flag=False,
    flag_value="",
    metavar="[DB]",
    help="At the end, add the session to the history: that of the user, or the one named.",
)


def add_to_history(history: str, folder: Path, how: How) -> None:
    """Add a recording at the end of a session. history: empty for the user's own. What goes wrong is said, not raised:
    the recording is there."""
    from imu_shoulder.errors import ShoulderError

    try:
        with named_history(history) as store:
            from imu_shoulder.history.adding import add_recording

            found = add_recording(store, folder, how)
    except ShoulderError as error:
        say(f"Not in the history: {error}. Try: imu-shoulder history add {folder}", err=True)
    else:
        say(f"History: session {found.session_id} of {found.athlete}")


def named_history(history: str) -> Store:
    """The history that --history names: empty for the user's own. Raises StoreError, OutputError."""
    kept = os.environ.get("IMU_SHOULDER_KEPT")
    return opened(history or os.environ.get("IMU_SHOULDER_DB"), Path(kept) if kept else None)
