"""The history's database: what goes in comes out, on SQLite and on a real PostgreSQL; older files are migrated."""

from __future__ import annotations

import contextlib
import sqlite3
from pathlib import Path

import pytest
from histories import FIRST, HARMFUL, fill, plan_toml, rows_of
from sqlalchemy import inspect, select, text

from imu_shoulder.errors import ParameterError
from imu_shoulder.history import people, plans, queries, remarks, sessions
from imu_shoulder.history.change import UNKNOWN
from imu_shoulder.history.migrate import NEWEST, StoreError
from imu_shoulder.history.schema import META, REP, SCHEMA_VERSION, SESSION
from imu_shoulder.history.standing import Standings, standings, statements_of
from imu_shoulder.history.store import open_store, utc
from imu_shoulder.plan import PlanError

HERE = Path(__file__).parent


def test_a_session_comes_out_as_it_went_in(store):
    athlete = fill(store, sessions=2)
    listed = sessions.sessions(store, athlete)
    assert [row["name"] for row in listed] == ["session_001", "session_000"]
    assert listed[1]["start_utc"] == utc(FIRST)
    assert (listed[1]["sets_asked"], listed[1]["sets_done"], listed[1]["reps_asked"]) == (1, 1, 3)
    whole = sessions.session(store, listed[0]["id"])
    own = rows_of("M.K.", 1)
    assert whole["summary"] == own.session["summary"]
    (one,) = sessions.sets(store, listed[0]["id"])
    assert (one["drill"], one["side"], one["reps_done"]) == ("full_can", "right", 3)
    reps = sessions.reps(store, one["id"])
    wanted = own.sets[0][1]
    assert [{key: rep[key] for key in wanted[0]} for rep in reps] == [dict(rep) for rep in wanted]


def test_a_sessions_value_is_the_median_over_its_scored_reps(store):
    athlete = people.add_athlete(store, "M.K.").id
    rows = rows_of("M.K.", 0, reps=5)
    arcs = [10.0, 90.0, 80.0, 1000.0, 70.0]
    for rep, arc in zip(rows.sets[0][1], arcs, strict=True):
        rep["arc_deg"], rep["excluded"] = arc, "gap" if arc == 1000.0 else ""
    with store.write() as connection:
        sessions.put(connection, athlete, rows)
    with store.read() as connection:
        (trend,) = queries.rows(connection, queries.TREND, athlete_id=athlete)
    assert trend["arc_deg"] == 75.0


def test_results_that_give_way_keep_the_sessions_number_and_remarks(store):
    athlete = fill(store, sessions=1)
    session_id = sessions.sessions(store, athlete)[0]["id"]
    remarks.add_note(store, athlete, "Moves well.", "Coach", session_id=session_id)
    with store.write() as connection:
        assert sessions.put(connection, athlete, rows_of("M.K.", 0, reps=4), session_id) == session_id
    (one,) = sessions.sets(store, session_id)
    assert len(sessions.reps(store, one["id"])) == 4
    assert [note["text"] for note in remarks.notes(store, athlete, session_id)] == ["Moves well."]
    with store.read() as connection:
        assert len(connection.execute(select(REP)).all()) == 4


def test_what_a_failed_block_did_is_not_there(store):
    athlete = fill(store, sessions=1)
    with contextlib.suppress(RuntimeError), store.write() as connection:
        sessions.put(connection, athlete, rows_of("M.K.", 1))
        raise RuntimeError
    assert len(sessions.sessions(store, athlete)) == 1


def test_names_of_one_athlete_are_one_athlete(store):
    first = people.add_athlete(store, "M.K.")
    assert people.add_athlete(store, " m.k. ").id == first.id
    assert people.find_athlete(store, "M.K.") == first
    with pytest.raises(StoreError, match="'X' is none"):
        people.find_athlete(store, "X")


def test_a_profile_is_kept_with_who_changed_what(store):
    athlete = people.add_athlete(store, "M.K.")
    wanted = people.Profile("left", "right", "no load", "", 3.0, "18-29")
    people.set_profile(store, athlete.id, wanted, "Coach")
    assert people.find_athlete(store, "M.K.").profile == wanted
    (line,) = people.journal(store, athlete.id)
    assert line["who"] == "Coach"
    assert "pain_ceiling: 2.0 to 3.0" in line["detail"]
    people.set_profile(store, athlete.id, wanted, "Coach")
    assert len(people.journal(store, athlete.id)) == 1


@pytest.mark.parametrize("wrong", [{"dominant_side": "both"}, {"pain_ceiling": 11.0}, {"age_band": "old"}])
def test_a_profile_that_cannot_be_meant_is_refused(wrong):
    with pytest.raises(ParameterError):
        people.Profile(**wrong)


def test_every_version_of_a_plan_is_kept_and_the_one_in_force_is_found(store):
    athlete = people.add_athlete(store, "M.K.").id
    plans.put_plan(store, athlete, plan_toml("M.K.", 3), "Coach", "start", FIRST)
    second = plans.put_plan(store, athlete, plan_toml("M.K.", 5), "Other coach", "more reps", FIRST.replace(day=20))
    assert plans.put_plan(store, athlete, plan_toml("M.K.", 5), "Coach").number == 2
    assert [(v.number, v.who, v.why) for v in plans.plan_versions(store, athlete)] == [
        (2, "Other coach", "more reps"),
        (1, "Coach", "start"),
    ]
    assert plans.plan_version(store, athlete) == second
    with store.read() as connection:
        assert plans.plan_at(connection, athlete, utc(FIRST.replace(day=10))).number == 1
        assert plans.plan_at(connection, athlete, utc(FIRST.replace(day=25))).number == 2
        assert plans.plan_at(connection, athlete, utc(FIRST.replace(day=1))) is None
    with pytest.raises(PlanError, match=r"is of X\.Y\."):
        plans.put_plan(store, athlete, plan_toml("X.Y."), "Coach")
    with pytest.raises(PlanError, match="one of the drills"):
        plans.put_plan(store, athlete, plan_toml("M.K.").replace("full_can", "none"), "Coach")
    assert [line["who"] for line in people.journal(store, athlete)] == ["Other coach", "Coach"]


def test_a_session_by_hand_says_what_was_done(store):
    dose = [sessions.dose_line("full_can:both:2x10@1.5")]
    found = sessions.add_manual(store, "M.K.", "2026-03-02T18:30:00+01:00", "yes", dose, pain=3, effort=5, note="tired")
    row = sessions.session(store, found)
    assert (row["kind"], row["done"], row["sets_done"], row["reps_done"], row["pain_over"]) == (
        "manual",
        "yes",
        4,
        40,
        True,
    )
    assert row["start_utc"] == "2026-03-02T17:30:00Z"
    with pytest.raises(StoreError, match="one session"):
        sessions.add_manual(store, "M.K.", "2026-03-02T17:30:00", "no")
    sessions.rate_next_morning(store, found, 4)
    assert sessions.session(store, found)["pain_next_morning"] == 4
    with pytest.raises(StoreError):
        sessions.rate_next_morning(store, found + 1, 4)


@pytest.mark.parametrize(
    ("start", "done", "dose", "ratings"),
    [
        ("yesterday", "yes", [], {}),
        ("2026-03-02", "maybe", [], {}),
        ("2026-03-02", "yes", [], {"pain": 11}),
        ("2026-03-02", "yes", [], {"effort": float("nan")}),
        ("2026-03-02", "no", ["full_can:right:1x1"], {}),
        ("2026-03-02", "yes", ["full_can:up:1x1"], {}),
        ("2026-03-02", "yes", ["full_can:right:0x1"], {}),
    ],
)
def test_a_session_by_hand_that_cannot_be_meant_is_refused(tmp_path, start, done, dose, ratings):
    with open_store(tmp_path / "h.db") as store, pytest.raises(ParameterError):
        sessions.add_manual(store, "M.K.", start, done, [sessions.dose_line(line) for line in dose], **ratings)


def test_a_verdict_that_is_overruled_stays_beside_the_coachs(store):
    athlete = fill(store, sessions=1)
    session_id = sessions.sessions(store, athlete)[0]["id"]
    before = sessions.reps(store, sessions.sets(store, session_id)[0]["id"])
    remarks.overrule(store, session_id, 1, "right", 2, "clean", "seen by eye", "Coach", "short_arc")
    assert sessions.reps(store, sessions.sets(store, session_id)[0]["id"]) == before
    assert remarks.verdicts(store, session_id)[0]["why"] == "seen by eye"
    remarks.decide(store, session_id, "full_can", "right", {"advice": "stay"}, "declined", "pain", "Coach")
    assert remarks.decisions(store, athlete)[0]["advice"] == {"advice": "stay"}
    with pytest.raises(StoreError, match="of this athlete"):
        remarks.add_note(store, athlete + 1, "x", "Coach", session_id=session_id)


@pytest.mark.parametrize("harmful", HARMFUL)
def test_every_text_comes_back_as_it_was_written(store, harmful):
    athlete = people.add_athlete(store, harmful).id
    people.set_profile(store, athlete, people.Profile(after_surgery=harmful, instability=harmful), harmful)
    session_id = sessions.add_manual(store, harmful, "2026-03-02", "yes", note=harmful)
    remarks.add_note(store, athlete, harmful, harmful, "athlete", session_id, side=harmful)
    remarks.overrule(store, session_id, 1, "right", 1, "clean", harmful, harmful, harmful)
    remarks.decide(store, session_id, harmful, harmful, {harmful: harmful}, "declined", harmful, harmful)
    found = people.find_athlete(store, harmful)
    assert (found.name, found.profile.after_surgery, found.profile.instability) == (harmful,) * 3
    assert sessions.session(store, session_id)["note"] == harmful
    assert remarks.notes(store, athlete)[0]["text"] == harmful
    assert remarks.verdicts(store, session_id)[0]["fault"] == harmful
    assert remarks.decisions(store, athlete)[0]["advice"] == {harmful: harmful}
    assert people.journal(store, athlete)[0]["who"] == harmful


def test_a_null_byte_is_left_out_as_no_database_takes_it(store):
    people.add_athlete(store, "M\x00K")
    assert people.athletes(store)[0].name == "MK"


def test_statements_are_made_anew_only_when_sessions_change(store):
    athlete = fill(store, sessions=2)
    first = standings(store)[athlete]
    assert {statement["state"] for statement in first} == {"too little to say"}
    assert first[0]["days"] == 2
    fill(store, sessions=3)  # two of them once more, on the same days
    assert statements_of(store, athlete)[0]["days"] == 3


def test_what_others_sessions_tell_is_said_of_who_was_there_before(store):
    first = fill(store, sessions=7)
    asked = Standings(store)
    assert {one["why"] for one in asked.every()[first]} == {UNKNOWN}
    for name in ("T.S.", "L.V.", "A.B."):
        fill(store, name, sessions=7)
    assert UNKNOWN not in {one["why"] for one in asked.every()[first]}
    with store.read() as connection:
        assert {row["now"] == row["made"] for row in queries.rows(connection, queries.CHANGES)} == {True}


@pytest.mark.parametrize("version", range(1, NEWEST))
def test_a_database_of_an_older_version_is_brought_up_to_date(tmp_path, version):
    path = tmp_path / "h.db"
    with sqlite3.connect(path) as old:
        old.executescript((HERE / f"history_version_{version}.sql").read_text())
    old.close()
    with open_store(path) as store:
        (athlete,) = people.athletes(store)
        assert [row["kind"] for row in sessions.sessions(store, athlete.id)] == ["manual", *["recorded"] * 3]
        assert plans.plan_version(store, athlete.id).who == "Coach"
        assert len(statements_of(store, athlete.id)) == 5
        with store.read() as connection:
            assert connection.execute(select(SCHEMA_VERSION.c.version)).scalar() == NEWEST
        migrated = _shape(store)
    with open_store(tmp_path / "new.db") as store:
        assert _shape(store) == migrated


def _shape(store):
    """Tables with their columns and keys."""
    found = inspect(store.engine)
    return {
        name: (
            {(column["name"], str(column["type"]), column["nullable"]) for column in found.get_columns(name)},
            found.get_pk_constraint(name)["constrained_columns"],
            sorted(str(key) for key in found.get_foreign_keys(name)),
            sorted(index["name"] for index in found.get_indexes(name)),
        )
        for name in found.get_table_names()
    }


def test_there_is_a_file_of_every_version():
    assert sorted(path.name for path in HERE.glob("history_version_*.sql")) == [
        f"history_version_{number}.sql" for number in range(1, NEWEST)
    ]


def test_a_database_of_a_newer_program_is_refused(tmp_path):
    with open_store(tmp_path / "h.db") as store, store.write() as connection:
        connection.execute(SCHEMA_VERSION.update().values(version=NEWEST + 1))
    with pytest.raises(StoreError, match="update the program"):
        open_store(tmp_path / "h.db")


def test_a_database_of_another_program_is_refused_and_not_changed(tmp_path):
    with sqlite3.connect(tmp_path / "h.db") as other:
        other.execute("CREATE TABLE session (x)")
    other.close()
    with pytest.raises(StoreError, match="another program"):
        open_store(tmp_path / "h.db")
    with sqlite3.connect(tmp_path / "h.db") as other:
        assert other.execute("SELECT name FROM sqlite_master").fetchall() == [("session",)]
    other.close()


@pytest.mark.parametrize("wrong", ["mysql://x/y", "sqlite:///x.db", "postgresql://", "://"])
def test_a_url_of_no_database_that_is_known_is_refused(wrong):
    with pytest.raises(StoreError, match="--db"):
        open_store(wrong)


def test_a_file_that_is_no_database_is_refused(tmp_path):
    (tmp_path / "h.db").write_bytes(b"no database at all, but long enough to be read as one" * 40)
    with pytest.raises(StoreError, match="cannot be used"):
        open_store(tmp_path / "h.db")


def test_files_are_their_owners_alone(tmp_path):
    with open_store(tmp_path / "h.db") as store:
        fill(store, sessions=1)
        modes = {path.name: path.stat().st_mode & 0o777 for path in tmp_path.iterdir() if path.is_file()}
    assert set(modes) == {"h.db", "h.db-wal", "h.db-shm"}
    assert set(modes.values()) == {0o600}


def test_every_table_of_an_athlete_goes_with_the_athlete():
    """By the database's own keys: a table that was forgotten would keep what was deleted."""
    free = {"schema_version", "parameters", "athlete"}
    for table in META.sorted_tables:
        if table.name not in free:
            owners = {key.column.table.name for key in table.foreign_keys if key.ondelete == "CASCADE"}
            assert owners & {"athlete", "session", "arm_set"}, table.name


def test_no_page_reads_reps(tmp_path):
    with open_store(tmp_path / "h.db") as store, store.read() as connection:
        asked = {name: query for name, query in vars(queries).items() if name.isupper()}
        assert {"ROSTER", "RECENT", "TREND", "ADVICE"} <= set(asked)
        for query in asked.values():
            given = {"since": "2026", "athlete_id": 1, "most": 5}
            plan = connection.execute(text(f"EXPLAIN QUERY PLAN {query}"), given).all()
            told = "\n".join(str(row[-1]) for row in plan)
            assert "rep" not in told.split()
            assert not [line for line in told.splitlines() if line.startswith("SCAN") and line.split()[1] != "a"], told


def test_the_sessions_table_names_what_made_it(store):
    fill(store, sessions=1)
    with store.read() as connection:
        row = connection.execute(select(SESSION)).mappings().one()
    assert row["version"]
    assert len(row["parameters_sha256"]) == 64
