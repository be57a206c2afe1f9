"""The command line: thin commands over the library. Each command's own imports wait until it runs."""

from __future__ import annotations

import atexit
import gc
import importlib
import io
import os
import sys
from collections.abc import Sequence

import click

from imu_shoulder.cli.say import say
from imu_shoulder.errors import ShoulderError

# Before numpy is imported: several threads of its linear algebra wait for each other for longer than our small arrays
# take, and what they add up depends on their number.
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

# Command -> module of this package that holds a click command of that name.
_COMMANDS = {
    "demo": "demo",
    "analyse": "analyse",
    "map": "map",
    "mark": "mark",
    "cohort": "cohort",
    "live": "live",
    "range": "range",
    "drills": "drills",
    "plan": "plan",
    "history": "history",
    "review": "review",
    "simulate": "simulate",
    "scan": "record",
    "record": "record",
    "recover": "record",
    "validate": "research",
    "sensor-check": "research",
    "export": "research",
    "import": "research",
    "compare-filters": "research",
    "plan-study": "research",
    "retest": "retest",
    "report": "research",
}


class _LazyGroup(click.Group):
    """Loads a command's module only when that command is asked for."""

    def list_commands(self, ctx: click.Context) -> list[str]:
        return list(_COMMANDS)

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:
        if cmd_name not in _COMMANDS:
            return None
        module = importlib.import_module(f"imu_shoulder.cli.{_COMMANDS[cmd_name]}")
        commands = (found for found in vars(module).values() if isinstance(found, click.Command))
        return next(command for command in commands if command.name == cmd_name)

    def format_commands(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        """The list of commands from a table, so that help needs no command's imports."""
        from imu_shoulder.cli.summaries import SUMMARIES

        with formatter.section("Commands"):
            formatter.write_dl([(name, SUMMARIES[name]) for name in _COMMANDS])

    def invoke(self, ctx: click.Context) -> object:
        """A user's mistake is one sentence on standard error and exit code 2."""
        try:
            return super().invoke(ctx)
        except ShoulderError as error:
            mistake = error
        except MemoryError as error:
            came = f"it ran out ({error})" if str(error) else "it ran out"
            to_do = "close other programs, or cut the recording into parts; docs/limits.md says what is needed"
            mistake = ShoulderError("enough free memory", came, to_do)
        except OSError as error:
            if not isinstance(error.filename, str):
                raise
            # A path that cannot even be looked at: its name is too long, or a folder above it is closed to the user.
            came, to_do = f"it cannot be ({error.strerror})", "check the path and your rights to it"
            mistake = ShoulderError(f"{error.filename} to be reached", came, to_do)
        say(f"Error: {mistake}", err=True)
        raise click.exceptions.Exit(2)


@click.group(cls=_LazyGroup)
@click.version_option(package_name="imu-shoulder")
def cli() -> None:
    """Reps, holds, arc, tempo and steadiness of rotator-cuff drills from wrist and upper-arm IMUs.

    A training aid, not a medical device: the licensed practitioner decides.
    """


def main(args: Sequence[str] | None = None) -> None:
    """Entry point of `imu-shoulder` and `python -m imu_shoulder`."""
    # Libraries make hundreds of thousands of objects that stay. To look for garbage among them after every few hundred
    # new ones, and once more when all ends, takes a sixth of a short command.
    gc.set_threshold(200_000, 20, 20)
    atexit.register(gc.freeze)
    if isinstance(sys.stdout, io.TextIOWrapper):  # a name that is not in the terminal's encoding must not end a command
        sys.stdout.reconfigure(errors="backslashreplace")
    cli.main(args=list(args) if args is not None else sys.argv[1:], prog_name="imu-shoulder")
