"""imu-shoulder plan"""

from __future__ import annotations

from pathlib import Path

import click

from imu_shoulder.cli.say import say


@click.group()
def plan() -> None:
    """Show a plan before it is begun."""


@plan.command()
@click.argument("file", type=click.Path(path_type=Path))
@click.option(
    "--drill-file", "drill_files", multiple=True, type=click.Path(path_type=Path), help="A drill file of your own."
)
def show(file: Path, drill_files: tuple[Path, ...]) -> None:
    """Show the plan FILE: what comes first, how long it takes, and each drill with its dose, load and cautions."""
    from imu_shoulder.cautions import CAUTIONS
    from imu_shoulder.drills import load_file
    from imu_shoulder.plan import load_plan
    from imu_shoulder.plan.duration import overview

    found = load_plan(file, {drill.id: drill for drill in map(load_file, drill_files)})
    said = overview(found)
    # What the cautions of all drills say is said once.
    first, *others = (item.drill.cautions for item in found.drills)
    common = [caution for caution in first if all(caution in own for own in others)]
    lines = [f"{found.name}, for {found.athlete}", *said["limits_first"], said["text"]]
    lines.append(f"Pain ceiling: {found.pain_ceiling:g} of 10. Above it: stop.")
    lines += [f"On {', '.join(map(str.capitalize, found.days))}"] if found.days else []
    lines += [found.note] if found.note else []
    for number, (item, own) in enumerate(zip(found.drills, said["drills"], strict=True), start=1):
        lines.append(f"{number}. {own['title']}, {own['arm']}: {own['dose']}")
        lines += [f"   load: {own['load']}"] if own["load"] else []
        lines += [f"   {item.note}"] if item.note else []
        lines += [f"   - {caution}" for caution in item.drill.cautions if caution not in common]
    for line in (*lines, *common, *CAUTIONS):
        say(line)
