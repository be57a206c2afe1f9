"""Progress of long work: one changing line on a terminal, nothing in a pipe."""

from __future__ import annotations

import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager

import click

from imu_shoulder.texts import visible

_WIPE_LINE = "\r\x1b[K"


@contextmanager
def stage_progress() -> Iterator[Callable[[str], None]]:
    """A callback that shows the stage under way on a terminal's standard error; its line is wiped at the end."""
    if not sys.stderr.isatty():
        yield lambda stage: None
        return
    try:
        yield lambda stage: click.echo(f"{_WIPE_LINE}{visible(stage)} ...", nl=False, err=True)
    finally:
        click.echo(_WIPE_LINE, nl=False, err=True)
