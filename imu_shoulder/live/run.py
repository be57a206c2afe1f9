"""From settings to a running page: the session, its feed, its log and its server."""

from __future__ import annotations

import asyncio
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, replace
from functools import partial
from pathlib import Path

from imu_shoulder.analysis import Params
from imu_shoulder.ble.discover import node_entries
from imu_shoulder.ble.link import Wish
from imu_shoulder.cautions import CAUTIONS
from imu_shoulder.drills import Drill, load_shipped
from imu_shoulder.files import add_file
from imu_shoulder.live.again import go_on, new_folder, session_folder
from imu_shoulder.live.before import drawings_of
from imu_shoulder.live.hub import About, Hub
from imu_shoulder.live.paced_replay import TICK_S, Prompter, replay
from imu_shoulder.live.params import LiveParams
from imu_shoulder.live.radio import find, radio
from imu_shoulder.live.replay import not_planned, plan_for_drill, plan_for_recording, run, without_range_tests
from imu_shoulder.live.said import FILE, Said
from imu_shoulder.live.server import Feed, Prompt, make_app
from imu_shoulder.live.session import LiveSession
from imu_shoulder.live.session_log import Keeper
from imu_shoulder.log.host_clock import host_now_ns
from imu_shoulder.model import Recording
from imu_shoulder.parameters import told
from imu_shoulder.plan import Plan
from imu_shoulder.plan.duration import plan_duration
from imu_shoulder.plan.matching import check_athlete
from imu_shoulder.serve.running import listening, serve, tell_link
from imu_shoulder.sources import RecordingSource
from imu_shoulder.texts import csv_text

SCAN_S = 5.0
RATE_HZ = 100

# Recording, folder for the results, plan (None for what was done), drills of the user's own, parameters.
Analyse = Callable[[Recording, Path, Plan | None, Mapping[str, Drill], Params], None]


@dataclass(frozen=True, slots=True)
class Settings:
    """What was asked for. say: prints a line at this machine. plan: None for what the source suggests.

    params: of the report at the end; the page has the same, from the past of each sample. reminded: the plan with how
    its drills went the last time, where earlier sessions are known.
    """

    analyse: Analyse
    say: Callable[[str], None]
    drills: Mapping[str, Drill]
    plan: Plan | None
    drill: str
    out: Path | None
    port: int
    host: str | None
    speed: float = 1.0
    params: Params = field(default_factory=Params)
    reminded: Callable[[Plan], Plan] = lambda plan: plan

    def session(self, plan: Plan, rates_hz: Mapping[str, float]) -> LiveSession:
        """A new session by these settings."""
        if said := told(self.params.changed):
            self.say(said)
        return LiveSession(
            self.reminded(plan), self.drills, rates_hz, LiveParams(flow=replace(self.params, afterwards=False))
        )


def start(
    settings: Settings,
    recording: Recording | None = None,
    source: str = "ble",
    nodes: Mapping[str, str] | None = None,
    athlete: str = "",
) -> bool:
    """Serve until stopped. recording: to be played; None for nodes over the air. Raises ShoulderError.

    Returns whether all was saved. What was not is said, with what to do.
    """
    with listening(settings.port, settings.host) as (access, sockets):
        if recording is None:
            hub, feed, prompt = _over_the_air(settings, nodes or {}, athlete)
        else:
            hub, feed, prompt = _played(settings, recording, source)
        app = make_app(hub, access, feed, prompt, partial(tell_link, settings.say))
        serve(app, access, sockets, settings.say, "ends and saves")
    for name, title in (("folder", "Recording"), ("report", "Report")):
        if hub.saved[name] is not None:
            settings.say(f"{title}: {hub.saved[name]}")
    unsaved = hub.unsaved
    if unsaved is not None:
        settings.say(f"Not saved: {unsaved}")
    return unsaved is None


def _about(settings: Settings, athlete: str, source: str, plan: Plan) -> About:
    def analyse(recording: Recording, out: Path) -> None:
        settings.analyse(recording, out, settings.plan, settings.drills, settings.params)

    titles, drawings = tuple(item.drill.title for item in plan.drills), tuple(map(drawings_of, plan.drills))
    # What surgeon and practitioner said goes before all that is said to everybody.
    cautions = (*plan.limits_first, *CAUTIONS)
    return About(athlete, source, titles, cautions, analyse, drawings, plan_duration(plan).minutes)


def _played(settings: Settings, recording: Recording, source: str) -> tuple[Hub, Feed, Prompt]:
    session, recording = _session_of(settings, recording)
    folder = settings.out or new_folder()
    keeper = Keeper(folder, recording.athlete, recording.start, keeps_samples=True)
    hub = Hub(session, keeper, _about(settings, recording.athlete, source, session.plan))
    return hub, partial(replay, recording, hub, settings.speed), Prompter(hub, session)


def _session_of(settings: Settings, recording: Recording) -> tuple[LiveSession, Recording]:
    """The session that a recording is played to, and the recording without what is not played."""
    recording, left_out = without_range_tests(recording)
    if left_out:
        settings.say(
            f"Range tests are not shown live and left out here ({', '.join(left_out)}): see imu-shoulder range."
        )
    plan = settings.plan or plan_for_recording(recording, settings.drills)
    check_athlete(plan, recording.athlete)
    if unplanned := not_planned(recording, plan):
        settings.say(f"The plan {plan.name} does not have these sets, and they are not played: {', '.join(unplanned)}.")
    return settings.session(plan, RecordingSource(recording).rates_hz), recording


def play_without_page(settings: Settings, recording: Recording) -> None:
    """Play a recording as a page would have it, and write what was said of each rep into the folder that was asked for.

    Raises ShoulderError.
    """
    assert settings.out is not None
    session, source = _session_of(settings, recording)
    said = Said()
    run(RecordingSource(source, TICK_S), session, settings.speed, each=said.look)
    add_file(settings.out, FILE, csv_text(said.finish(session)))
    settings.say(f"What was said of each rep: {settings.out / FILE}")


def _over_the_air(settings: Settings, nodes: Mapping[str, str], athlete: str) -> tuple[Hub, Feed, Prompt]:
    drill = settings.drills[settings.drill] if settings.drill in settings.drills else load_shipped(settings.drill)
    plan = settings.plan or plan_for_drill(drill, "both", athlete)
    check_athlete(plan, athlete)
    folder, earlier = session_folder(settings.out, athlete, plan.pain_ceiling)
    # The log is taken before the nodes are: whoever holds it may hold them.
    keeper = Keeper(folder, athlete, None, zero_ns=host_now_ns(), keeps_samples=False, earlier=earlier)
    try:
        settings.say(f"Looking for nodes for {SCAN_S:g} s ...")
        placed = asyncio.run(find(nodes, SCAN_S, earlier))
    except BaseException:
        keeper.give_up()
        raise
    session = settings.session(plan, dict.fromkeys(placed, float(RATE_HZ)))
    if earlier is not None:
        held = go_on(session, keeper.log_path)
        keeper.went_on(session.recording())
        then = "its calibration holds" if held else "stand still for the pose again"
        settings.say(f"Going on with the session that was cut off, in {folder}: {then}.")
    hub = Hub(session, keeper, _about(settings, athlete, "ble", plan))
    wish, entries = Wish(RATE_HZ, bool(nodes)), node_entries(placed, earlier)
    feed = partial(radio, placed, entries, wish, keeper.log, keeper.zero_ns, session.tell_battery)
    return hub, feed, lambda chunk: None
