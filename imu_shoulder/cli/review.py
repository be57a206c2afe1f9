"""imu-shoulder review"""

from __future__ import annotations

import contextlib
from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING

import click

from imu_shoulder.cli.extras import need
from imu_shoulder.cli.parameters import PARAMS
from imu_shoulder.cli.say import say
from imu_shoulder.cli.store import DRILL_FILES, database, how_of, opened, who_option

if TYPE_CHECKING:
    from imu_shoulder.history.store import Store


@click.command()
@click.option("--demo", is_flag=True, help="A season of invented athletes, gone when the program ends.")
@database
@who_option
@DRILL_FILES
@PARAMS
@click.option("--port", default=8232, show_default=True, type=click.IntRange(1024, 65535), help="Port of the page.")
@click.option("--host", help="Also let a tablet in that network come: this machine's own address there.")
def review(
    demo: bool,
    db: str | None,
    kept: Path | None,
    who: str,
    drill_files: tuple[Path, ...],
    params_file: Path | None,
    port: int,
    host: str | None,
) -> None:
    """Show the coach who needs attention first and why, each athlete's trends, sessions and sets, and the plan.

    Plans are written here, notes kept, verdicts overruled and advice decided on. All of it is in the history.
    """
    need("live", "starlette", "uvicorn", "segno")
    need("history", "sqlalchemy", "platformdirs")
    from functools import partial

    from imu_shoulder.files import scratch_folder
    from imu_shoulder.review.app import make_app
    from imu_shoulder.review.desk import Desk
    from imu_shoulder.serve.running import listening, serve, tell_link

    if demo and (db is not None or kept is not None):
        raise click.UsageError("--demo has a history of its own: leave --db and --kept out")
    how = how_of(params_file, drill_files, lambda stage: None)
    with (
        listening(port, host) as (access, sockets),
        scratch_folder() as scratch,
        _invented(scratch) if demo else opened(db, kept) as store,
    ):
        desk = Desk(store, how, who, link_to=access.link_to, served=access.host is not None, invented=demo)
        app = make_app(desk, access, scratch / "marked", partial(tell_link, say))
        serve(app, access, sockets, say, "ends it" if demo else "ends it; what was kept stays kept")


@contextlib.contextmanager
def _invented(scratch: Path) -> Iterator[Store]:
    from datetime import date

    from imu_shoulder.history.season import build_season
    from imu_shoulder.history.store import open_store

    with open_store(scratch / "season.db") as store:
        say("Inventing a season of twelve athletes; the last sessions of two are simulated. Half a minute ...")
        build_season(store, date.today())
        yield store
