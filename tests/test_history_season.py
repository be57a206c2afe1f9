"""The invented season shows what it is to show: who improves, falls back, has pain, skips, lags on one side."""

from __future__ import annotations

from datetime import date

import numpy as np
import pytest

from imu_shoulder.history import people, plans, queries, sessions
from imu_shoulder.history.adding import RESULTS
from imu_shoulder.history.invented import Day, Level, Noise, invent
from imu_shoulder.history.keeping import folder_of
from imu_shoulder.history.season import ATHLETES, build_season
from imu_shoulder.history.standing import standings
from imu_shoulder.history.store import open_store
from imu_shoulder.plan import parse_plan

# What takes long to make is made once, in one process.
pytestmark = pytest.mark.xdist_group("season")

TODAY = date(2026, 6, 1)


@pytest.fixture(scope="module")
def season(tmp_path_factory):
    with open_store(tmp_path_factory.mktemp("season") / "h.db") as store:
        build_season(store, TODAY, recordings=1)
        yield store


@pytest.fixture(scope="module")
def roster(season):
    with season.read() as connection:
        return {row["name"]: row for row in queries.rows(connection, queries.ROSTER, since="2026-05-04")}


@pytest.fixture(scope="module")
def said(season):
    names = {one.id: one.name for one in people.athletes(season)}
    return {names[who]: found for who, found in standings(season).items()}


def states(found) -> set[str]:
    return {statement["state"] for statement in found}


def test_everybody_is_there_with_a_plan(season, roster):
    assert set(roster) == {own.name for own in ATHLETES}
    assert {row["plan_number"] for row in roster.values()} == {1}
    who = people.find_athlete(season, "W.X.")
    assert plans.plan_version(season, who.id).plan.after_surgery == "No load over 1 kg before week 16."


def test_who_improves_is_better_and_who_falls_back_is_worse(said):
    assert "better" in states(said["A.B."])
    assert "worse" not in states(said["A.B."])
    assert states(said["E.F."]) >= {"worse"}
    assert "better" not in states(said["E.F."])


def test_nobody_on_a_plateau_is_said_to_change(said):
    for name in ("C.D.", "G.H.", "I.J.", "K.L.", "M.N.", "U.V.", "W.X."):
        assert not states(said[name]) & {"better", "worse"}, name
    assert "too little to say" in states(said["S.T."])


def test_pain_skipping_and_forgotten_sensors_are_told_apart(roster):
    assert [name for name, row in roster.items() if row["pain_over"]] == ["I.J."]
    assert roster["K.L."]["start_utc"] < "2026-05-18"
    assert (roster["M.N."]["kind"], roster["M.N."]["done"]) == ("manual", "yes")
    assert (roster["W.X."]["kind"], roster["W.X."]["done"]) == ("manual", "no")
    assert roster["U.V."]["reps_done"] <= 0.6 * roster["U.V."]["reps_asked"]


def test_the_left_side_lags(season):
    who = people.find_athlete(season, "G.H.").id
    with season.read() as connection:
        trend = queries.rows(connection, queries.TREND, athlete_id=who)
    arms = {row["side"]: row for row in trend if row["drill"] == "full_can"}  # the latest of each
    assert arms["left"]["arc_deg"] < arms["right"]["arc_deg"] - 8
    assert arms["left"]["hold_sd_deg"] > 1.3 * arms["right"]["hold_sd_deg"]


def test_one_session_is_a_recording_with_curves(season, roster):
    row = sessions.session(season, roster["A.B."]["session_id"])
    assert (folder_of(season.kept, row["kept"]) / RESULTS / "angles.parquet").is_file()
    assert row["plan_version_id"] is not None


@pytest.mark.parametrize("drill_id", ["full_can", "band_external_rotation"])
def test_a_fault_is_told_of_a_rep_whose_figure_shows_it_and_of_no_other(drill_id):
    plan = parse_plan(f'schema = 1\nathlete = "C.D."\n[[drill]]\nid = "{drill_id}"\nside = "right"\nreps = 60\n', "")
    wide = Level(held_s=5.5, arc_deg=80.0 if drill_id == "full_can" else 45.0, lower_s=1.6, clean=0.7)
    day = Day("session_1", "2026-03-02T17:30:00+00:00", {(drill_id, "right"): wide})
    reps = invent(plan, day, np.random.default_rng(9), Noise(rep_held_s=1.0, rep_arc_deg=8.0, rep_lower_s=0.5)).sets[0][
        1
    ]
    assert {rep["faults"] for rep in reps} == {"", "hold_short", "short_arc", "too_fast"}
    for rep in reps:
        went = (rep["top_deg"], 75) if drill_id == "full_can" else (rep["arc_deg"], 40)
        short = {"hold_short": (rep["hold_s"], 5), "short_arc": went, "too_fast": (rep["lower_s"], 1)}
        told = [name for name, (found, least) in short.items() if found < least]
        assert bool(told) == bool(rep["faults"]), rep
        assert not told or rep["faults"] in told, rep


def test_it_says_of_itself_that_it_is_invented(season, roster):
    row = sessions.session(season, roster["C.D."]["session_id"])
    assert row["summary"]["not_seen"] == ["Nothing was measured: this athlete is invented."]
    assert row["summary"]["advice"]
    assert row["summary"]["plan"]["text"]
    assert row["summary"]["since_last"]
