"""imu-shoulder drills"""

from __future__ import annotations

from pathlib import Path

import click

from imu_shoulder.cautions import CAUTIONS
from imu_shoulder.cli.say import say
from imu_shoulder.drills import Drill, load_file, load_shipped, shipped_ids
from imu_shoulder.files import refusing, write_text
from imu_shoulder.model import SIDES, Side


@click.group()
def drills() -> None:
    """List the drills, show one, or check a drill file of your own."""


@drills.command("list")
def list_drills() -> None:
    """List the shipped drills."""
    for drill_id in shipped_ids():
        drill = load_shipped(drill_id)
        say(f"{drill.id:30} {drill.title}: {drill.purpose}")


@drills.command()
@click.argument("name")
@click.option("--svg", type=click.Path(path_type=Path), help="Draw its start and end posture into this file, too.")
@click.option("--side", type=click.Choice(SIDES), default="right", show_default=True, help="The arm that is drawn.")
def show(name: str, svg: Path | None, side: Side) -> None:
    """Show the drill NAME (an id, or a drill file): set-up, what is asked, cautions."""
    drill = _find(name)
    say(describe(drill))
    if svg is not None:
        _draw(drill, svg, side)
        say(f"\nDrawing: {svg}")


def _draw(drill: Drill, svg: Path, side: Side) -> None:
    from imu_shoulder.report.handout import drill_svg

    with refusing(f"the drawing {svg}", "choose another file"):
        write_text(svg, drill_svg(drill, side))


@drills.command()
@click.argument("file", type=click.Path(path_type=Path))
def check(file: Path) -> None:
    """Check that FILE is a drill file the tool can use."""
    from imu_shoulder.assess.words import counted

    drill = load_file(file)
    say(f"{file}: a drill of {counted(len(drill.stations), 'station')}, led by {drill.leading_angle}. It can be used.")


def _find(name: str) -> Drill:
    return load_file(Path(name)) if name.endswith(".toml") else load_shipped(name)


def describe(drill: Drill) -> str:
    """The drill in words, as a handout."""
    from imu_shoulder.assess.sets import asked_texts
    from imu_shoulder.assess.words import counted

    lines = [f"{drill.title} ({drill.id})", drill.purpose, "", "How to do it:"]
    lines += [f"  {number}. {text}" for number, text in enumerate(drill.set_up, start=1)]
    lines += ["", "What is asked:"]
    lines += [f"  {name}: {text}" for name, text in asked_texts(drill).items()]
    dose = f"{counted(drill.dose.sets, 'set')} of {counted(drill.dose.reps, 'rep')}"
    lines += [f"  usual dose: {dose} ({drill.dose.source})"]
    lines += [f"  load: {drill.dose.load}"] if drill.dose.load else []
    if drill.clean_before:
        lines += ["", f"Clean before it: {', '.join(drill.clean_before)}"]
    if drill.followed_by:
        lines += ["", f"Followed by: {', '.join(drill.followed_by)}"]
    lines += ["", "Take care:"]
    lines += [f"  - {text}" for text in (*drill.cautions, *CAUTIONS)]
    return "\n".join(lines)
