"""A recording is in the history once, whole or not at all, whoever is killed or writes beside."""

from __future__ import annotations

import json
import os
import random
import shutil
import subprocess
import sys
import threading
from pathlib import Path

import pytest
from histories import fill, plan_toml, rows_of
from sqlalchemy import select

from imu_shoulder.advise.history import load_history
from imu_shoulder.analysis import Params
from imu_shoulder.cli import main
from imu_shoulder.errors import RecordingError
from imu_shoulder.history import people, plans, sessions
from imu_shoulder.history.adding import How, add_recording, read_kept, recordings_in, redo, results_folder
from imu_shoulder.history.keeping import is_clean
from imu_shoulder.history.migrate import StoreError
from imu_shoulder.history.schema import ATHLETE, STANDING
from imu_shoulder.history.store import moment_from, open_store
from imu_shoulder.model import Recording
from imu_shoulder.sources.folder import read_recording

HERE = Path(__file__).parent
HOW = How(Params(), {})
# How often a process is killed, and how many sessions each of two writers puts: a short form, and a long one.
LONG = os.environ.get("IMU_SHOULDER_LONG") == "1"
KILLS, PUTS = (50, 1500) if LONG else (5, 5)
# What the writer says when it begins it: where it may be killed.
MOMENTS = ("sets", "mark", "keep", "put", "write_outputs")


@pytest.fixture
def recording(small_recording, tmp_path):
    return Path(shutil.copytree(small_recording, tmp_path / "recordings" / "one"))


def writer(*args: object) -> subprocess.Popen[str]:
    command = [sys.executable, str(HERE / "history_writer.py"), *map(str, args)]
    env = {**os.environ, "PYTHONPATH": os.pathsep.join([str(HERE), str(HERE.parent)])}
    return subprocess.Popen(command, stdout=subprocess.PIPE, text=True, env=env)


def test_a_recording_is_added_once(store, recording):
    first = add_recording(store, recording, HOW)
    shutil.move(recording, recording.with_name("another name"))
    again = add_recording(store, recording.with_name("another name"), HOW)
    assert (first.state, again.state, again.session_id) == ("added", "there already", first.session_id)
    row = sessions.session(store, first.session_id)
    assert (row["name"], row["reps_done"], row["kind"]) == ("one", 2, "recorded")
    (one,) = sessions.sets(store, first.session_id)
    assert [rep["number"] for rep in sessions.reps(store, one["id"])] == [1, 2]
    with store.read() as connection:  # nobody who looks waits for what is said of it
        made = connection.execute(select(STANDING.c.changes, STANDING.c.athlete_id)).one()
        assert connection.execute(select(ATHLETE.c.changes, ATHLETE.c.id)).one() == made


def test_the_copy_that_is_kept_is_the_recording(store, recording):
    added = add_recording(store, recording, HOW)
    kept = read_kept(store, sessions.session(store, added.session_id))
    wanted = read_recording(recording)
    assert isinstance(kept, Recording)
    assert (kept.name, kept.file_sha256, kept.events) == (wanted.name, wanted.file_sha256, wanted.events)
    folder = results_folder(store, added.session_id, HOW)
    assert {"reps.csv", "angles.parquet", "summary.json", "report.html"} <= {path.name for path in folder.iterdir()}
    assert load_history([folder])[0]["recording"]["name"] == "one"
    shutil.rmtree(folder)
    assert (results_folder(store, added.session_id, HOW) / "reps.csv").is_file()


def test_other_marks_replace_the_session_and_its_copy(store, recording):
    added = add_recording(store, recording, HOW)
    events = recording / "events.tsv"
    head, *lines = events.read_text().splitlines()
    marked = [f"{line}\tsore" if "set" in line.split("\t") else f"{line}\tn/a" for line in lines]
    events.write_text("\n".join([f"{head}\tnote", *marked]) + "\n")
    again = add_recording(store, recording, HOW)
    assert (again.state, again.session_id) == ("replaced", added.session_id)
    assert sessions.session(store, added.session_id)["note"] == "sore"
    copies = [path for path in store.kept.iterdir() if not path.name.startswith(".")]
    assert [path.name for path in copies] == [sessions.session(store, added.session_id)["kept"]]
    assert read_kept(store, sessions.session(store, added.session_id)).events == read_recording(recording).events


def test_a_session_is_worked_out_anew_by_the_plan_in_force(store, recording):
    added = add_recording(store, recording, HOW)
    row = sessions.session(store, added.session_id)
    assert (row["plan_version_id"], row["reps_asked"]) == (None, 10)
    who = people.find_athlete(store, added.athlete)
    plans.put_plan(store, who.id, plan_toml(who.name, 3), "Coach", "", moment_from("2020-01-01"))
    redo(store, added.session_id, HOW)
    row = sessions.session(store, added.session_id)
    assert (row["reps_asked"], row["sets_asked"]) == (3, 1)
    assert row["summary"]["plan"]["drills"][0]["status"] == "partly"


def test_by_hand_there_is_nothing_to_work_out(store):
    found = sessions.add_manual(store, "M.K.", "2026-03-02", "yes")
    with pytest.raises(StoreError, match="entered by hand"):
        redo(store, found, HOW)
    with pytest.raises(StoreError, match="entered by hand"):
        results_folder(store, found, HOW)


def test_what_went_wrong_leaves_nothing(store, recording, monkeypatch):
    monkeypatch.setattr("imu_shoulder.history.adding.put", None)
    with pytest.raises(TypeError):
        add_recording(store, recording, HOW)
    monkeypatch.undo()
    assert people.athletes(store) == []
    with open_store(store.engine.url.render_as_string(False) if not store.on_sqlite else store.place, store.kept):
        pass
    assert [path for path in store.kept.iterdir() if not path.name.startswith(".")] == []
    assert add_recording(store, recording, HOW).state == "added"


@pytest.mark.parametrize("wanted", range(KILLS))
def test_a_process_that_is_killed_leaves_all_or_nothing(tmp_path, recording, wanted):
    """Killed at one step after the other, a moment after it began that is drawn."""
    db, kept = tmp_path / "h.db", tmp_path / "kept"
    with writer("add", db, kept, recording) as process:
        assert process.stdout is not None
        for line in process.stdout:
            if line.strip() == MOMENTS[wanted % len(MOMENTS)]:
                break
        wait_s = random.Random(9000 + wanted).uniform(0.0, 0.03)
        timer = threading.Timer(wait_s, process.kill)
        timer.start()
        process.wait()
        timer.cancel()
    with open_store(db, kept) as store:
        assert is_clean(kept)
        copies = [path.name for path in kept.iterdir() if not path.name.startswith(".")] if kept.exists() else []
        rows = [row for one in people.athletes(store) for row in sessions.sessions(store, one.id)]
        assert copies == [row["kept"] for row in rows]
        for row in rows:
            assert len(sessions.sets(store, row["id"])) == 1
            assert read_kept(store, row).file_sha256 == read_recording(recording).file_sha256
        assert add_recording(store, recording, HOW).state == ("there already" if rows else "added")


def where(store) -> str:
    return store.place if store.on_sqlite else store.engine.url.render_as_string(False)


def test_two_writers_and_a_reader_lose_and_double_nothing(store):
    """Each writer says what it has committed; the reader must see whole sessions, never fewer than before."""
    writers = [writer("many", where(store), store.kept, name, PUTS) for name in ("A.B.", "C.D.")]
    seen = 0
    while any(process.poll() is None for process in writers):
        rows = [row for one in people.athletes(store) for row in sessions.sessions(store, one.id)]
        assert len(rows) >= seen
        seen = len(rows)
        for row in rows[:3]:
            (one,) = sessions.sets(store, row["id"])
            assert len(sessions.reps(store, one["id"])) == 3
    for process in writers:
        out, _ = process.communicate()
        assert process.returncode == 0
        assert [int(line) for line in out.split()] == list(range(PUTS))
    for one in people.athletes(store):
        assert len(sessions.sessions(store, one.id)) == PUTS


def test_what_a_killed_writer_committed_is_there(tmp_path):
    db, kept = tmp_path / "h.db", tmp_path / "kept"
    with writer("many", db, kept, "A.B.", 0) as process:
        assert process.stdout is not None
        for line in process.stdout:
            if int(line) == 5:
                break
        process.kill()
        said = [5, *(int(line) for line in process.stdout if line.endswith("\n"))]
    with open_store(db, kept) as store:
        found = sessions.sessions(store, people.find_athlete(store, "A.B.").id)
    assert len(found) in (said[-1] + 1, said[-1] + 2)  # the last may be committed and not said


def test_two_processes_add_one_recording_once(store, recording):
    pair = [writer("add", where(store), store.kept, recording) for _ in range(2)]
    for process in pair:
        process.communicate()
        assert process.returncode == 0
    rows = [row for one in people.athletes(store) for row in sessions.sessions(store, one.id)]
    assert len(rows) == 1
    assert is_clean(store.kept)


def test_a_writer_waits_for_another_one(tmp_path):
    with open_store(tmp_path / "h.db") as store, open_store(tmp_path / "h.db") as other:
        athlete = fill(store, sessions=0)
        begun = threading.Event()

        def put() -> None:
            begun.set()
            with other.write() as connection:
                sessions.put(connection, athlete, rows_of("M.K.", 1))

        with store.write() as connection:
            thread = threading.Thread(target=put)
            thread.start()
            begun.wait()
            sessions.put(connection, athlete, rows_of("M.K.", 0))
        thread.join()
        assert len(sessions.sessions(store, athlete)) == 2


def test_folders_of_recordings_are_found(tmp_path, recording):
    assert list(recordings_in(recording)) == [recording]
    assert list(recordings_in(tmp_path)) == [recording]
    with pytest.raises(RecordingError, match="there is none"):
        list(recordings_in(HERE / "fake_bluez"))
    with pytest.raises(RecordingError, match="no such folder"):
        list(recordings_in(tmp_path / "nowhere"))


def run(*args: object) -> int:
    with pytest.raises(SystemExit) as ended:
        main([str(arg) for arg in args])
    return int(ended.value.code or 0)


def test_the_history_on_the_command_line(tmp_path, recording, capsys):
    db = ("--db", tmp_path / "h.db")
    broken = Path(shutil.copytree(recording, tmp_path / "recordings" / "two"))
    (broken / "recording.toml").write_text("schema = 9\n")
    assert run("history", "add", tmp_path / "recordings", *db) == 2
    said = capsys.readouterr()
    assert "added, session 1" in said.out
    assert "two: expected" in said.err
    assert run("history", "add", recording, *db) == 0
    assert "there already" in capsys.readouterr().out
    athlete = read_recording(recording).athlete
    entered = ("--start", "2026-03-02", "--done", "yes", "--dose", "full_can:right:1x8", "--pain", 1)
    for args, wanted in (
        (("list",), athlete),
        (("list", athlete), "recorded"),
        (("show", "1"), "full_can"),
        (("show", athlete), "too little to say"),
        (("redo", "1"), "worked out anew"),
        (("enter", athlete, *entered), "entered"),
        (("morning", 2, 3), "3 of 10"),
        (("profile", athlete, "--involved-side", "right", "--who", "Coach"), "involved side: right"),
        (("journal", athlete), "Coach"),
    ):
        assert run("history", *args, *db) == 0, args
        assert wanted in capsys.readouterr().out
    for args in (("list",), ("list", athlete), ("show", "1"), ("show", athlete), ("profile", athlete), ("journal",)):
        assert run("history", *args, "--json", *db) == 0
        assert json.loads(capsys.readouterr().out)
    large = "9" * 30
    for args in (
        *(("show", "99"), ("show", large), ("show", "²"), ("list", "nobody")),
        *(("redo",), ("redo", large), ("morning", 99, 1), ("morning", large, 1)),
    ):
        assert run("history", *args, *db) == 2, args


def test_a_history_that_cannot_be_used_costs_no_session(tmp_path, recording, capsys):
    from imu_shoulder.cli.store import add_to_history

    (tmp_path / "no.db").write_bytes(b"no database at all, but long enough to be read as one" * 40)
    add_to_history(str(tmp_path / "no.db"), recording, HOW)
    assert "Not in the history: " in capsys.readouterr().err
    add_to_history(str(tmp_path / "h.db"), recording, HOW)
    assert "History: session 1 of" in capsys.readouterr().out
