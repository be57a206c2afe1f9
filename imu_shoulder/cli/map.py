"""imu-shoulder map"""

from __future__ import annotations

import sys
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

import click

from imu_shoulder.cli.number import Number
from imu_shoulder.cli.say import say

if TYPE_CHECKING:
    from imu_shoulder.draft.look import Looked
    from imu_shoulder.draft.questions import Answers, Question
    from imu_shoulder.draft.whole import Drafted


@click.command("map")
@click.argument("files", nargs=-1, required=True, type=click.Path(path_type=Path))
@click.option("--out", default="map.toml", show_default=True, type=click.Path(path_type=Path), help="The map to write.")
@click.option("--athlete", default="athlete", show_default=True, help="Whose recording it is.")
@click.option("--start", help="When it began, in ISO 8601, where the files do not say.")
@click.option(
    "--placement", "placements", multiple=True, help="Where a sensor is worn: its name or number, =, and the placement."
)
@click.option("--side", type=click.Choice(["right", "left"]), help="Which arm, where names say the limb alone.")
@click.option("--rate", "rate_hz", type=Number(5, 4000), help="Sampling rate in Hz, where there are no times.")
@click.option("--time-unit", type=click.Choice(["s", "ms", "us", "ns", "day"]), help="Unit of the times.")
@click.option("--acc-unit", type=click.Choice(["g", "m/s^2"]), help="Unit of the accelerometer.")
@click.option("--acc-scale", type=Number(0, min_open=True), help="What one of its numbers is in that unit.")
@click.option("--gyr-unit", type=click.Choice(["deg/s", "rad/s"]), help="Unit of the gyroscope.")
@click.option("--gyr-scale", type=Number(0, min_open=True), help="What one of its numbers is in that unit.")
@click.option("--yes", is_flag=True, help="Write the map without asking whether it is right.")
def write_map(
    files: tuple[Path, ...],
    out: Path,
    athlete: str,
    start: str | None,
    placements: tuple[str, ...],
    side: str | None,
    rate_hz: float | None,
    time_unit: str | None,
    acc_unit: str | None,
    acc_scale: float | None,
    gyr_unit: str | None,
    gyr_scale: float | None,
    yes: bool,
) -> None:
    """Look at FILES of another program and draft their column map, for `imu-shoulder analyse map.toml`.

    FILES may be folders, and compressed. What they do not show is asked on a terminal; elsewhere the options answer it.
    """
    from imu_shoulder.checked import Checked
    from imu_shoulder.draft.questions import Answers, placements_of
    from imu_shoulder.draft.text import summary_of, toml_of
    from imu_shoulder.draft.whole import look_at
    from imu_shoulder.errors import ColumnMapError
    from imu_shoulder.files import refusing, write_beside_earlier
    from imu_shoulder.sources.column_map import recording_of

    answers = Answers(
        placements_of(placements),
        side or "",
        rate_hz,
        time_unit or "",
        acc_unit or "",
        gyr_unit or "",
        acc_scale,
        gyr_scale,
    )
    folder = out.absolute().parent
    looked, passed = look_at(files, folder)
    found = _answered(looked, answers, folder)
    found.passed[:0] = passed
    if start is not None:
        found.start = start, "as you said"
    text = toml_of(found, athlete)
    # What the map makes of the files is tried before it is shown: a draft that cannot be read is none.
    recording_of(Checked.parse(text, out.name, ColumnMapError), out.name, folder, out.stem, {})
    for line in summary_of(found):
        say(line)
    if not yes:
        _confirm(out)
    with refusing(out):
        # What is there may have been corrected by hand.
        same = out.is_file() and out.read_bytes() == text.encode()
        kept = None if same else write_beside_earlier(out, text)
    if kept is not None:
        say(f"The earlier map is kept: {kept}.")
    say(f"Map: {out}. Next: imu-shoulder analyse {out} --out results")


def can_ask() -> bool:
    """Whether somebody sits at a terminal."""
    return sys.stdin.isatty()


def _answered(looked: Sequence[Looked], answers: Answers, folder: Path) -> Drafted:
    """The draft without questions: those that come are asked on a terminal. Raises ColumnMapError elsewhere."""
    from imu_shoulder.draft.questions import sentence
    from imu_shoulder.draft.whole import draft

    while True:
        found = draft(looked, answers, folder)
        if not found.questions:
            return found
        if not can_ask():
            raise sentence(found.questions)
        answers = _asked(found.questions[0], answers)


def _asked(question: Question, answers: Answers) -> Answers:
    """The answers with that of one question more."""
    say(f"{question.why}.")
    asked = f"{question.asked[:1].upper()}{question.asked[1:]}"
    positive = Number(0, min_open=True)
    if question.key == "rate":
        return replace(answers, rate_hz=click.prompt(asked, type=Number(5, 4000)))
    answer: str = click.prompt(asked, type=click.Choice(list(question.choices)))
    if question.key == "placement":
        return replace(answers, placements={**answers.placements, question.about: answer})
    if question.key == "side":
        return replace(answers, side=answer)
    if question.key == "time_unit":
        return replace(answers, time_unit=answer)
    scale: float = click.prompt(f"What one of its numbers is in {answer}", type=positive, default=1.0)
    if question.key == "acc_unit":
        return replace(answers, acc_unit=answer, acc_scale=scale)
    return replace(answers, gyr_unit=answer, gyr_scale=scale)


def _confirm(out: Path) -> None:
    from imu_shoulder.errors import ColumnMapError

    if not can_ask():
        raise ColumnMapError("your word that this is right", "nobody can be asked here", "look at it, and add --yes")
    if not click.confirm(f"Is this right, and is {out} to be written?", default=True):
        raise ColumnMapError(
            "a yes", f"it was no, and {out} was not written", "add options that say what is wrong; --help lists them"
        )
