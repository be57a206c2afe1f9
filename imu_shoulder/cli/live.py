"""imu-shoulder live"""

from __future__ import annotations

from collections.abc import Mapping
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING

import click

from imu_shoulder.cli.extras import need
from imu_shoulder.cli.nodes import athletes_name, placements_by_address
from imu_shoulder.cli.parameters import PARAMS, params_of
from imu_shoulder.cli.say import say
from imu_shoulder.cli.store import HISTORY, add_to_history, named_history

if TYPE_CHECKING:
    from imu_shoulder.analysis import Params
    from imu_shoulder.drills import Drill
    from imu_shoulder.model import Recording
    from imu_shoulder.plan import Plan

SCENARIOS = ("clean_warm_up", "faulty_warm_up", "damaged_warm_up")


@click.command()
@click.option("--demo", is_flag=True, help="A simulated athlete; the default.")
@click.option(
    "--scenario",
    default="faulty_warm_up",
    show_default=True,
    type=click.Choice(SCENARIOS),
    help="Which simulated warm-up.",
)
@click.option("--replay", "recording", type=click.Path(path_type=Path), help="Play a recording: folder or map.")
@click.option("--speed", default="1", show_default=True, help="How fast to play, 0.1 to 100; or max, without a page.")
@click.option("--no-page", is_flag=True, help="Play without a page, and write into --out what it would have said.")
@click.option("--ble", is_flag=True, help="Live from sensor nodes over Bluetooth Low Energy.")
@click.option("--athlete", callback=athletes_name, help="Initials or code of the athlete; with --ble.")
@click.option(
    "--node",
    "nodes",
    multiple=True,
    callback=placements_by_address,
    metavar="ADDRESS=PLACEMENT",
    help="With --ble: use this node, worn there. Repeat. Without it every node in reach.",
)
@click.option("--plan", "plan_file", type=click.Path(path_type=Path), help="The plan to follow.")
@click.option("--drill", default="full_can", show_default=True, help="With --ble and no plan: the one drill to do.")
@click.option(
    "--drill-file", "drill_files", multiple=True, type=click.Path(path_type=Path), help="A drill file of your own."
)
@PARAMS
@click.option("--out", type=click.Path(path_type=Path), help="New folder for the recording and its report.")
@HISTORY
@click.option("--port", default=8230, show_default=True, type=click.IntRange(1024, 65535), help="Port of the page.")
@click.option("--host", help="Also let a tablet in that network come: this machine's own address there.")
def live(
    demo: bool,
    scenario: str,
    recording: Path | None,
    speed: str,
    no_page: bool,
    ble: bool,
    athlete: str | None,
    nodes: Mapping[str, str],
    plan_file: Path | None,
    drill: str,
    drill_files: tuple[Path, ...],
    params_file: Path | None,
    out: Path | None,
    history: str | None,
    port: int,
    host: str | None,
) -> None:
    """Live feedback on a page in the browser, for the athlete in the warm-up.

    Shows reps, holds, height and steadiness while they happen, records, and writes the report at the end. Without
    --host only this computer can open the page.
    """
    if demo + ble + (recording is not None) > 1:
        raise click.UsageError("--demo, --replay and --ble are three ways to start: give one")
    if ble and not athlete:
        raise click.UsageError("--ble needs --athlete: initials or a code, such as M.K.")

    if no_page and (ble or out is None):
        raise click.UsageError("--no-page plays a recording and needs --out, a folder for live_reps.csv")
    if speed == "max" and not no_page:
        raise click.UsageError("--speed max goes with --no-page: a page shows at most 100 times the speed")
    need("live", "starlette", "uvicorn", "websockets", "segno")
    from imu_shoulder.drills import load_file
    from imu_shoulder.live.paced_replay import speed_of
    from imu_shoulder.live.run import Settings, play_without_page, start
    from imu_shoulder.plan import load_plan

    drills = {found.id: found for found in map(load_file, drill_files)}
    settings = Settings(
        analyse=_analyse if history is None else partial(_analyse_and_add, history),
        say=say,
        drills=drills,
        plan=None if plan_file is None else load_plan(plan_file, drills),
        drill=drill,
        out=out,
        port=port,
        host=host,
        speed=speed_of(speed),
        params=params_of(params_file),
        **({} if history is None else {"reminded": partial(_reminded, history)}),
    )
    if ble:
        saved = start(settings, nodes=nodes, athlete=athlete or "")
    else:
        played = _played(recording, scenario)
        if no_page:
            play_without_page(settings, played)
            return
        saved = start(settings, played, "demo" if recording is None else "replay")
    if not saved:
        click.get_current_context().exit(2)


def _played(path: Path | None, scenario: str) -> Recording:
    if path is not None:
        from imu_shoulder.align import require_events_inside
        from imu_shoulder.pipeline import require_worn
        from imu_shoulder.sources.any_kind import read_any

        found = read_any(path)
        require_events_inside(found)
        require_worn(found)
        return found
    from imu_shoulder.simulate import simulate
    from imu_shoulder.simulate.scenarios import find

    say("Simulating an athlete ...")
    return simulate(find(scenario), seed=7).recording


def _analyse(recording: Recording, out: Path, plan: Plan | None, drills: Mapping[str, Drill], params: Params) -> None:
    from imu_shoulder.cli.analyse import run

    run(recording, out, drills, params, lambda stage: None, plan)


def _analyse_and_add(
    history: str, recording: Recording, out: Path, plan: Plan | None, drills: Mapping[str, Drill], params: Params
) -> None:
    """The report, and then the session in the history: the recording is the folder that the results are in."""
    from imu_shoulder.history.adding import How

    _analyse(recording, out, plan, drills, params)
    add_to_history(history, out.parent, How(params, drills))


def _reminded(history: str, plan: Plan) -> Plan:
    """The plan with how its drills went the last time. A history that cannot be used is said at the session's end."""
    from imu_shoulder.errors import ShoulderError
    from imu_shoulder.history.last_time import reminded

    try:
        with named_history(history) as store:
            return reminded(store, plan)
    except ShoulderError:
        return plan
