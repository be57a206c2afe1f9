"""What a command says, with nothing in it that a terminal would obey."""

from __future__ import annotations

import click

from imu_shoulder.texts import visible


def say(text: str = "", *, err: bool = False) -> None:
    """A line, or several."""
    click.echo(visible(text), err=err)
