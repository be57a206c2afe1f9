"""What a history refuses, each in one sentence: odd dates, names and numbers, and databases that cannot be used."""

from __future__ import annotations

import sqlite3
from datetime import UTC, datetime, timedelta

import pytest
from histories import fill, plan_toml

pytest.importorskip("sqlalchemy", reason="the history part is not installed")

from imu_shoulder.cli import main
from imu_shoulder.errors import ParameterError
from imu_shoulder.history import people, plans, sessions
from imu_shoulder.history import store as stores
from imu_shoulder.history.migrate import StoreError
from imu_shoulder.history.remarks import add_note, notes
from imu_shoulder.history.store import is_ahead, open_store

START = "2026-05-04T17:30:00+02:00"


def assert_one_sentence(told: str) -> None:
    assert told.count("\n") == 1, told


def run(capsys, *args) -> tuple[int, str, str]:
    with pytest.raises(SystemExit) as ended:
        main([*map(str, args)])
    told = capsys.readouterr()
    return ended.value.code, told.out, told.err


@pytest.mark.parametrize(
    "start", ["0001-01-01T00:00:00+14:00", "9999-12-31T23:59:59-12:00", "1969-05-04", "2999-05-04", "2026-02-30", "x"]
)
def test_no_session_is_of_such_a_day(tmp_path, capsys, start):
    code, _, told = run(
        capsys, "history", "enter", "M.K.", "--start", start, "--done", "yes", "--db", tmp_path / "h.db"
    )
    assert code == 2
    assert_one_sentence(told)
    assert told.startswith("Error: expected a date")


def test_who_dates_a_session_ahead_is_told(tmp_path, capsys):
    ahead = (datetime.now(UTC) + timedelta(days=3)).isoformat(timespec="seconds")
    db = ("--db", tmp_path / "h.db")
    code, _, told = run(capsys, "history", "enter", "M.K.", "--start", ahead, "--done", "yes", *db)
    assert code == 0
    assert "ahead of this computer's clock" in told
    assert "history remove 1" in told
    assert not is_ahead(datetime.now(UTC).isoformat())
    past = run(capsys, "history", "enter", "M.K.", "--start", "2020-05-04", "--done", "yes", *db)
    assert (past[0], past[2]) == (0, "")


@pytest.mark.parametrize("name", ["\u202eabc", "a\x07b", "a\u2066b", "", "  ", "x" * 201])
def test_a_name_is_seen_as_it_is(tmp_path, capsys, name):
    db = ("--db", tmp_path / "h.db")
    code, _, told = run(capsys, "history", "enter", name, "--start", START, "--done", "yes", *db)
    assert code == 2
    assert_one_sentence(told)
    assert told.startswith("Error: expected initials or a pseudonym")


@pytest.mark.parametrize("name", ["名前", "ü🙂", "می\u200cخواهم", "O'Neil", "x" * 200])
def test_names_of_any_script_are_taken(tmp_path, name):
    with open_store(tmp_path / "h.db") as store:
        assert people.add_athlete(store, name).name == name


def test_a_name_stands_on_one_line(tmp_path):
    with open_store(tmp_path / "h.db") as store:
        assert people.add_athlete(store, "M.\n\tK.").name == "M. K."
        assert people.find_athlete(store, " m.   k. ").name == "M. K."


def test_an_athlete_whose_name_is_a_number_is_found_unless_a_session_has_it(tmp_path, capsys):
    db = ("--db", tmp_path / "h.db")
    with open_store(tmp_path / "h.db") as store:
        fill(store, "007", sessions=1)
        people.add_athlete(store, "1")
    assert "007, number 1" in run(capsys, "history", "show", "007", *db)[1]
    assert "Session 1," in run(capsys, "history", "show", "1", *db)[1]
    assert run(capsys, "history", "show", "9" * 30, *db)[0] == 2


def test_a_session_that_should_not_be_there_is_taken_out_and_the_journal_says_so(tmp_path, capsys):
    db = ("--db", tmp_path / "h.db")
    with open_store(tmp_path / "h.db") as store:
        athlete = fill(store, sessions=3)
        wrong = sessions.sessions(store, athlete)[0]["id"]
        add_note(store, athlete, "of another person", "Coach", "coach", wrong)
    assert run(capsys, "history", "remove", wrong, "--why", " ", *db)[0] == 2
    code, told, _ = run(capsys, "history", "remove", wrong, "--why", "another person's", "--who", "T.P.", *db)
    assert (code, "removed" in told) == (0, True)
    with open_store(tmp_path / "h.db") as store:
        assert wrong not in [row["id"] for row in sessions.sessions(store, athlete)]
        assert notes(store, athlete) == []
        (line, *_) = people.journal(store, athlete)
        assert (line["who"], line["what"]) == ("T.P.", "session removed")
        assert "another person's" in line["detail"]
    assert run(capsys, "history", "remove", wrong, "--why", "again", *db)[0] == 2


@pytest.mark.parametrize("version", [0, -3, "x"])
def test_a_version_that_is_none_is_refused(tmp_path, version):
    with open_store(tmp_path / "h.db"):
        pass
    with sqlite3.connect(tmp_path / "h.db") as broken:
        broken.execute("UPDATE schema_version SET version = ?", [version])
    broken.close()
    with pytest.raises(StoreError, match="put back a backup"):
        open_store(tmp_path / "h.db")


def test_a_damaged_file_is_named_with_the_way_out(tmp_path, capsys):
    path = tmp_path / "h.db"
    with open_store(path) as store:
        fill(store)
    path.write_bytes(path.read_bytes()[:9000])
    code, _, told = run(capsys, "history", "list", "--db", path)
    assert code == 2
    assert_one_sentence(told)
    assert "malformed" in told
    assert "put back a backup" in told


def test_a_database_that_another_program_holds_is_waited_for_and_then_named(tmp_path, capsys, monkeypatch):
    path = tmp_path / "h.db"
    with open_store(path):
        pass
    monkeypatch.setattr(stores, "BUSY_S", 0.2)
    holding = sqlite3.connect(path, isolation_level=None)
    holding.execute("BEGIN EXCLUSIVE")
    code, _, told = run(capsys, "history", "enter", "M.K.", "--start", START, "--done", "yes", "--db", path)
    holding.close()
    assert code == 2
    assert_one_sentence(told)
    assert "wait for the other program" in told


@pytest.mark.parametrize(
    ("pragma", "words"), [("query_only = ON", "make file and folder writable"), ("max_page_count = 1", "make room")]
)
def test_a_disk_that_takes_nothing_is_named_and_nothing_is_half_there(tmp_path, pragma, words):
    with open_store(tmp_path / "h.db") as store:
        fill(store)
        with store.read() as connection:
            connection.exec_driver_sql(f"PRAGMA {pragma}")
        with pytest.raises(StoreError, match=words):
            fill(store, "T.S.", sessions=60)
    with open_store(tmp_path / "h.db") as store:
        there = [row for one in people.athletes(store) for row in sessions.sessions(store, one.id)]
        assert 3 <= len(there) < 63
        assert all(len(sessions.sets(store, row["id"])) == 1 for row in there)


def test_a_plan_that_was_kept_while_the_clock_was_ahead_is_kept_anew(tmp_path):
    text, ahead = plan_toml("M.K."), datetime.now(UTC) + timedelta(days=400)
    with open_store(tmp_path / "h.db") as store:
        athlete = people.add_athlete(store, "M.K.").id
        plans.put_plan(store, athlete, text, "Coach", valid_from=ahead)
        with store.read() as connection:
            assert plans.plan_at(connection, athlete, stores.now_utc()) is None
        assert plans.put_plan(store, athlete, text, "Coach").number == 2
        assert plans.put_plan(store, athlete, text, "Coach").number == 2
        with store.read() as connection:
            assert plans.plan_at(connection, athlete, stores.now_utc()).number == 2


def test_a_date_that_a_recording_cannot_have_is_refused(tmp_path):
    with pytest.raises(ParameterError, match="from 1970 to 2200"):
        stores.utc(datetime(9999, 12, 31, 23, 59))
