"""A season of twelve invented athletes to look at: who improves, who does not, who has pain, skips, lags on one side.

Nobody in it lives, and no session of it is evidence of anything. It is drawn by a seed, up to a given day.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, replace
from datetime import UTC, date, datetime, time, timedelta

import numpy as np

from imu_shoulder.analysis import Params
from imu_shoulder.files import scratch_folder
from imu_shoulder.history.adding import How, add_recording
from imu_shoulder.history.invented import Day, Level, Noise, invent
from imu_shoulder.history.people import Profile, add_athlete, set_profile
from imu_shoulder.history.plans import put_plan
from imu_shoulder.history.remarks import add_note
from imu_shoulder.history.sessions import ManualSet, add_manual, put
from imu_shoulder.history.store import Store
from imu_shoulder.model import STERNUM, Side
from imu_shoulder.plan import Plan, parse_plan

COACH = "Coach"
WEEKDAYS = (0, 2, 4)
HOUR = time(17, 30, tzinfo=UTC)

# One athlete's share of the season done, 0 to 1 -> the levels then, for a drill and arm.
Story = Callable[[float, str, Side], Level]


def plan_toml(athlete: str, side: str, more: str = "", load_kg: float = 1.0) -> str:
    """The plan of an invented athlete: a raise, and a rotation with the band."""
    return f"""schema = 1
athlete = "{athlete}"
pain_ceiling = 2
{more}
[[drill]]
id = "full_can"
side = "{side}"
sets = 2
reps = 8
hold_s = 5
load_kg = {load_kg:g}

[[drill]]
id = "band_external_rotation"
side = "{side}"
sets = 2
reps = 10
band = "light band"
"""


def _level(drill: str, **changed: float) -> Level:
    """Of either drill: the rotation has a smaller arc."""
    base = Level() if drill == "full_can" else Level(steady_deg=0.9, arc_deg=58.0)
    return replace(base, **changed)


def steady(_: float, drill: str, __: Side) -> Level:
    return _level(drill)


def improves(share: float, drill: str, _: Side) -> Level:
    own, on = _level(drill), max(0.0, (share - 0.5) / 0.5)
    return replace(own, steady_deg=own.steady_deg * (2.0 - 1.1 * on), held_s=5.0 + 1.6 * on, clean=0.6 + 0.35 * on)


def falls_back(share: float, drill: str, _: Side) -> Level:
    own, back = _level(drill), max(0.0, (share - 0.72) / 0.28)
    return replace(
        own, steady_deg=own.steady_deg * (1.0 + 1.2 * back), held_s=6.4 - 1.2 * back, clean=0.85 - 0.45 * back
    )


def left_lags(_: float, drill: str, side: Side) -> Level:
    own = _level(drill)
    return own if side == "right" else replace(own, steady_deg=2.2, arc_deg=own.arc_deg - 12.0, clean=0.8)


def masters(share: float, drill: str, _: Side) -> Level:
    return _level(drill, clean=1.0 if share > 0.6 else 0.8, held_s=6.8)


RIGHT = Profile(dominant_side="right", involved_side="right", age_band="18-29")


@dataclass(frozen=True, slots=True)
class Invented:
    """One athlete of the season. first: so many weeks before the end the sessions begin.

    pain: of the last session. missed: of so many last sessions nothing is known; forgot: they were done without
    sensors; said_no: they were said not to have been done. done_share: of the reps in the last sessions.
    """

    name: str
    story: Story
    profile: Profile = RIGHT
    side: str = "right"
    first: int = 8
    pain: float = 0.0
    missed: int = 0
    forgot: int = 0
    said_no: int = 0
    done_share: float = 1.0
    noise: Noise = field(default_factory=Noise)
    more: str = ""


ATHLETES: Sequence[Invented] = (
    Invented("A.B.", improves),
    Invented("C.D.", steady),
    Invented("E.F.", falls_back),
    Invented("G.H.", left_lags, Profile("right", "left", age_band="30-39"), side="both"),
    Invented("I.J.", steady, Profile("left", "right", age_band="18-29"), pain=5.0),
    Invented("K.L.", steady, missed=7),
    Invented("M.N.", steady, forgot=3),
    Invented("O.P.", masters, Profile("right", "right", age_band="13-17")),
    Invented("Q.R.", steady, noise=Noise(day_steady=0.4, day_held_s=0.9, day_arc_deg=7.0, day_lower_s=0.4)),
    Invented("S.T.", steady, first=1),
    Invented("U.V.", steady, done_share=0.5),
    Invented(
        *("W.X.", steady),
        Profile("right", "left", after_surgery="No load over 1 kg before week 16.", age_band="40-49"),
        side="left",
        said_no=1,
        more='after_surgery = "No load over 1 kg before week 16."',
    ),
)


def build_season(store: Store, today: date, seed: int = 3, recordings: int = 2) -> None:
    """Fill a store with the season up to the day before `today`.

    recordings: so many athletes' last session is simulated as a recording and analysed, so that it has curves.
    """
    with_recordings = {own.name for own in ATHLETES[:recordings]}
    for number, own in enumerate(ATHLETES):
        _build(store, own, today, np.random.default_rng([seed, number]), own.name in with_recordings)


def _build(store: Store, own: Invented, today: date, rng: np.random.Generator, recording: bool) -> None:
    athlete = add_athlete(store, own.name)
    set_profile(store, athlete.id, own.profile, COACH)
    text = plan_toml(own.name, own.side, own.more)
    days = _days(today, own.first)
    version = put_plan(store, athlete.id, text, COACH, "first plan", days[0] - timedelta(days=1))
    kept = days[: len(days) - own.missed]
    done = kept[: len(kept) - own.forgot - own.said_no]
    plan = parse_plan(text, "plan, version 1")
    earlier: list[dict[str, object]] = []
    with store.write() as connection:
        for place, day in enumerate(done[: len(done) - recording]):
            last = place == len(done) - 1
            rows = invent(plan, _day(own, plan, place, len(done), day, last), rng, own.noise, earlier[:3])
            rows.session["plan_version_id"] = version.id
            put(connection, athlete.id, rows)
            earlier.insert(0, rows.session["summary"])
    if recording:
        _record(store, own.name, plan, done[-1], int(rng.integers(1_000_000)))
    for day in kept[len(done) :]:
        said = "no" if own.said_no else "yes"
        dose = [] if own.said_no else [ManualSet(item.drill.id, item.side, item.sets, 8) for item in plan.drills]
        add_manual(store, own.name, day.isoformat(), said, dose, pain=0 if dose else None, note="by telephone")
    if own.pain:
        add_note(store, athlete.id, "Sharp at the front, since the last set.", own.name, "athlete")


def _day(own: Invented, plan: Plan, place: int, count: int, day: datetime, last: bool) -> Day:
    share = place / max(1, count - 1)
    levels = {
        (item.drill.id, side): own.story(share, item.drill.id, side) for item in plan.drills for side in item.sides
    }
    late = place >= count - 3
    return Day(
        name=f"session_{place + 1:02d}",
        start=day.isoformat(),
        levels=levels,
        pain=own.pain if last else float(place % 3 == 0),
        effort=float(3 + place % 3),
        done_share=own.done_share if late else 1.0,
    )


def _days(today: date, weeks: int) -> list[datetime]:
    """The training days before `today`, the earliest first."""
    every = [today - timedelta(days=back) for back in range(weeks * 7, 0, -1)]
    return [datetime.combine(day, HOUR) for day in every if day.weekday() in WEEKDAYS]


def _record(store: Store, athlete: str, plan: Plan, day: datetime, seed: int) -> None:
    """A simulated recording of the plan, added as any recording is."""
    from imu_shoulder.simulate import simulate
    from imu_shoulder.simulate.athlete import Athlete
    from imu_shoulder.simulate.scenarios import ARMS, CALIBRATION
    from imu_shoulder.simulate.script import Pause, Scenario, SetScript
    from imu_shoulder.sources.folder import write_recording

    blocks = [*CALIBRATION, Pause(3, "stand")]
    for item in plan.drills:
        for _ in range(item.sets):
            reps = dict(item.reps) if len(item.reps) > 1 else next(iter(item.reps.values()))
            blocks += [
                SetScript(
                    item.drill.id, item.side, reps=reps, load_kg=item.load_kg, pain=0, hold_s=4.0, hold_wander_deg=1.2
                ),
                Pause(5, "stand"),
            ]
    scenario = Scenario(
        *(Athlete(athlete), tuple(blocks), (*ARMS, STERNUM)), rate_hz=50.0, name="recorded", start=day.isoformat()
    )
    with scratch_folder() as scratch:
        folder = scratch / "recorded"
        write_recording(simulate(scenario, seed).recording, folder)
        add_recording(store, folder, How(Params(), {}))
