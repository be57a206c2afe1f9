"""Progress of long work: one changing line on a terminal, nothing in a pipe."""

from __future__ import annotations

import sys
from collections.abc import Callable

import click


def stage_progress() -> Callable[[str], None]:
    """A callback that shows the stage under way on a terminal's standard error."""
    if not sys.stderr.isatty():
        return lambda stage: None

    def show(stage: str) -> None:
        click.echo(f"\r\x1b[K{stage} ..." if stage else "\r\x1b[K", nl=False, err=True)

    return show
