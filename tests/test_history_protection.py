"""What is deleted is gone from every file; what is backed up comes back; what goes out comes in again."""

from __future__ import annotations

import json
import shutil
from pathlib import Path

import pytest
from histories import HARMFUL, fill, plan_toml

from imu_shoulder.analysis import Params
from imu_shoulder.cli import main
from imu_shoulder.errors import ParameterError, ShoulderError
from imu_shoulder.history import people, plans, remarks, sessions
from imu_shoulder.history.adding import RESULTS, How, add_recording
from imu_shoulder.history.exporting import everything_json, listed, results_csv, write_export
from imu_shoulder.history.importing import take_csv, take_json
from imu_shoulder.history.migrate import StoreError
from imu_shoulder.history.protecting import BACKUP, back_up, delete_athlete, restore, wipe
from imu_shoulder.history.standing import standings, statements_of
from imu_shoulder.history.store import open_store
from imu_shoulder.plan import PlanError

SECRET, NOTE = "Zaphod-Q7", "a note that nobody must find"


def files_with(folder: Path, *texts: str) -> list[str]:
    """Files in whose bytes or names one of the texts is, in either way that texts are coded, in upper case or lower."""
    wanted = [form.encode(code) for text in texts for form in (text, text.lower()) for code in ("utf-8", "utf-16-le")]
    return sorted(
        str(path.relative_to(folder))
        for path in folder.rglob("*")
        if path.is_file()
        and (any(w in path.read_bytes() for w in wanted) or any(t.lower() in path.name.lower() for t in texts))
    )


@pytest.fixture
def secret_recording(small_recording, tmp_path):
    """A recording of the athlete who is to be deleted, with a log and a report in it as a live session leaves them."""
    folder = tmp_path / "live" / "session"
    shutil.copytree(small_recording, folder)
    head = folder / "recording.toml"
    lines = head.read_text().splitlines()
    head.write_text("\n".join(f'athlete = "{SECRET}"' if line.startswith("athlete") else line for line in lines))
    (folder.with_name("session.log")).write_text(f"log of {SECRET}")
    (folder / "results").mkdir()
    (folder / "results" / "report.html").write_text(f"report of {SECRET}")
    return folder


def test_an_athlete_who_is_deleted_is_gone_from_every_byte(tmp_path, secret_recording):
    with open_store(tmp_path / "h.db") as store:
        fill(store, "M.K.", sessions=2)
        session_id = add_recording(store, secret_recording, How(Params(), {})).session_id
        athlete = people.find_athlete(store, SECRET).id
        people.set_profile(store, athlete, people.Profile(after_surgery=NOTE), "Coach")
        plans.put_plan(store, athlete, plan_toml(SECRET), "Coach", NOTE)
        remarks.add_note(store, athlete, NOTE, SECRET, "athlete", session_id)
        remarks.overrule(store, session_id, 1, "right", 1, "clean", NOTE, "Coach")
        remarks.decide(store, session_id, "full_can", "right", {"text": NOTE}, "declined", NOTE, "Coach")
        standings(store)
        taken = tmp_path / f"{SECRET}.json"
        taken.write_text(everything_json(store, athlete))
        take_json(store, taken, "Coach")
        taken.unlink()
        for ending, text in (("json", everything_json(store, athlete)), ("csv", results_csv(store))):
            write_export(store, tmp_path / "out" / f"all.{ending}", text, ending, athlete if ending == "json" else None)
        back_up(store, tmp_path / "backup")
        assert len(files_with(tmp_path, SECRET)) >= 8  # so that the search below can fail
        assert {"out/all.json", "out/all.csv"} <= set(files_with(tmp_path, SECRET))
        assert {"h.db", "h.db-wal"} & set(files_with(tmp_path, SECRET))
        found = delete_athlete(store, athlete, "Coach", sources=True, backups=True)
        assert (found.sessions, found.left, found.wiped) == (1, [], True)
        assert files_with(tmp_path, SECRET, NOTE) == []
        assert [one.name for one in people.athletes(store)] == ["M.K."]
        assert len(sessions.sessions(store, people.find_athlete(store, "M.K.").id)) == 2
        (line,) = (line for line in people.journal(store) if line["what"] == "athlete deleted")
        assert line["detail"] == f"number {athlete}"
    assert files_with(tmp_path, SECRET, NOTE) == []


def test_a_session_that_was_taken_out_leaves_nothing_either(tmp_path, secret_recording):
    with open_store(tmp_path / "h.db") as store:
        fill(store, "M.K.", sessions=2)
        session_id = add_recording(store, secret_recording, How(Params(), {})).session_id
        athlete = people.find_athlete(store, SECRET).id
        sessions.remove_session(store, session_id, NOTE, "Coach")
        assert [path.name for path in store.kept.iterdir()] == [".changing"]
        assert secret_recording.is_dir()
        found = delete_athlete(store, athlete, "Coach")
        assert found.left == [str(secret_recording)]
    with open_store(tmp_path / "h.db") as store:
        session_id = add_recording(store, secret_recording, How(Params(), {})).session_id
        sessions.remove_session(store, session_id, NOTE, "Coach")
        delete_athlete(store, people.find_athlete(store, SECRET).id, "Coach", sources=True)
    assert files_with(tmp_path, SECRET, NOTE) == []


def test_what_was_not_asked_to_go_is_named(tmp_path, secret_recording):
    with open_store(tmp_path / "h.db") as store:
        add_recording(store, secret_recording, How(Params(), {}))
        back_up(store, tmp_path / "backup")
        found = delete_athlete(store, people.find_athlete(store, SECRET).id, "Coach")
        assert found.left == [str(tmp_path / "backup"), str(secret_recording)]
        assert secret_recording.exists()
        assert not any((tmp_path / "h_recordings").glob("[0-9a-f]*"))


def test_rows_are_gone_from_either_database(store):
    athlete = fill(store, SECRET)
    fill(store, "M.K.", sessions=1)
    delete_athlete(store, athlete, "Coach")
    assert SECRET not in everything_json(store)
    assert people.find_athlete(store, "M.K.")
    with pytest.raises(StoreError, match="none"):
        delete_athlete(store, athlete, "Coach")


def test_a_reader_keeps_the_file_from_being_wiped_and_that_is_said(tmp_path):
    with open_store(tmp_path / "h.db") as store, open_store(tmp_path / "h.db") as other:
        athlete = fill(store, SECRET, sessions=1)
        with other.read() as reading:
            reading.exec_driver_sql("SELECT count(*) FROM session").one()
            assert not delete_athlete(store, athlete, "Coach").wiped
        assert wipe(store)
        assert files_with(tmp_path, SECRET) == []


def test_a_backup_comes_back_whole(store, tmp_path, small_recording):
    fill(store, "M.K.")
    added = add_recording(store, small_recording, How(Params(), {}))
    sessions.add_manual(store, "T.S.", "2026-03-02", "no")
    assert back_up(store, tmp_path / "backup") == 5
    assert listed(store)[0]["what"] == BACKUP
    with open_store(tmp_path / "new" / "h.db") as back:
        assert restore(back, tmp_path / "backup") == 5
        assert json.loads(everything_json(back)) == json.loads(everything_json(store))
        assert sorted(path.name for path in back.kept.iterdir()) == sorted(path.name for path in store.kept.iterdir())
        (kept,) = back.kept.glob("[0-9a-f]*")
        (own,) = store.kept.glob("[0-9a-f]*")
        assert {path.name for path in kept.iterdir()} == {path.name for path in own.iterdir()} - {RESULTS}
        assert add_recording(back, small_recording, How(Params(), {})).state == "there already"
        assert add_recording(back, small_recording, How(Params(), {})).session_id == added.session_id
        assert sessions.add_manual(back, "T.S.", "2026-03-03", "no") == 6
        with pytest.raises(StoreError, match="empty history"):
            restore(back, tmp_path / "backup")


def test_a_backup_is_restored_into_postgres_which_counts_on(postgres_url, tmp_path, store):
    with open_store(tmp_path / "small.db") as small:
        fill(small, "M.K.", sessions=2)
        back_up(small, tmp_path / "backup")
        wanted = json.loads(everything_json(small))
    restore(store, tmp_path / "backup")
    assert json.loads(everything_json(store)) == wanted
    assert sessions.add_manual(store, "T.S.", "2026-03-02", "yes") == 3


def test_a_folder_that_is_no_backup_is_refused(tmp_path, capsys):
    with pytest.raises(SystemExit) as ended:
        main(["history", "restore", str(tmp_path), "--db", str(tmp_path / "h.db")])
    assert ended.value.code == 2
    assert "that history backup wrote" in capsys.readouterr().err


def test_everything_goes_out_and_comes_into_another_history(store, tmp_path):
    first, second = fill(store, "M.K."), fill(store, "T.S.", sessions=1)
    session_id = sessions.sessions(store, first)[0]["id"]
    remarks.add_note(store, first, "Moves well.", "Coach", session_id=session_id)
    remarks.overrule(store, session_id, 1, "right", 2, "clean", "seen", "Coach")
    people.set_profile(store, second, people.Profile("left"), "Coach")
    file = tmp_path / "all.json"
    file.write_text(everything_json(store))
    with open_store(tmp_path / "other.db") as other:
        fill(other, "A.B.", sessions=1)  # so that numbers differ
        assert vars_of(take_json(other, file, "Coach")) == (4, 0)
        assert vars_of(take_json(other, file, "Coach")) == (0, 4)
        mine = people.find_athlete(other, "M.K.")
        (note,) = remarks.notes(other, mine.id)
        assert sessions.session(other, note["session_id"])["name"] == "session_002"
        assert remarks.verdicts(other, note["session_id"])[0]["rep"] == 2
        assert people.find_athlete(other, "T.S.").profile.dominant_side == "left"
        assert plans.plan_version(other, mine.id).toml == plan_toml("M.K.")
        assert [row[3:] for row in rows_of(results_csv(other, mine.id))] == [
            row[3:] for row in rows_of(results_csv(store, first))
        ]


def vars_of(taken) -> tuple[int, int]:
    return taken.new, taken.there


def rows_of(text: str) -> list[list[str]]:
    return [line.split(",") for line in text.splitlines()]


@pytest.mark.parametrize(
    "change",
    [
        lambda found: found.update(schema=2),
        lambda found: found.update(history=[]),
        lambda found: found["history"].pop("session"),
        lambda found: found["history"]["session"][0].update(athlete_id=99),
        lambda found: found["history"]["session"][0].update(strange=1),
        lambda found: found["history"]["session"][0].update(kind=None),
        lambda found: found["history"]["rep"][0].update(set_id=[1]),
        lambda found: found["history"]["athlete"][0].update(pain_ceiling=99),
        lambda found: found["history"]["plan_version"][0].update(toml="nothing"),
    ],
)
def test_json_that_is_no_history_changes_nothing(tmp_path, change):
    with open_store(tmp_path / "h.db") as store:
        fill(store, sessions=1)
        found = json.loads(everything_json(store))
    change(found)
    (tmp_path / "f.json").write_text(json.dumps(found))
    with open_store(tmp_path / "new.db") as new:
        with pytest.raises((StoreError, ParameterError, PlanError)):
            take_json(new, tmp_path / "f.json", "Coach")
        assert people.athletes(new) == []


def test_a_path_in_json_leads_nowhere(tmp_path):
    with open_store(tmp_path / "h.db") as store:
        fill(store, sessions=1)
        found = json.loads(everything_json(store))
    found["history"]["session"][0].update(kept="../../etc", source="/etc")
    (tmp_path / "f.json").write_text(json.dumps(found))
    with open_store(tmp_path / "new.db") as new:
        take_json(new, tmp_path / "f.json", "Coach")
        row = sessions.session(new, 1)
    assert (row["kept"], row["source"]) == (None, None)


def test_sessions_by_hand_come_from_a_spreadsheet_all_or_none(tmp_path):
    file = tmp_path / "s.csv"
    head = "athlete,start,done,dose,pain,effort,note\n"
    file.write_text(
        head + "M.K.,2026-03-02,yes,full_can:right:2x8@1.5;band_loop_raise:both:1x4,2,,'=1+1\nT.S.,2026-03-03,no,,,,\n"
    )
    with open_store(tmp_path / "h.db") as store:
        assert vars_of(take_csv(store, file)) == (2, 0)
        assert vars_of(take_csv(store, file)) == (0, 2)
        row = sessions.session(store, 1)
        assert (row["sets_done"], row["pain_highest"], row["effort"], row["note"]) == (4, 2, None, "=1+1")
        file.write_text(head + "M.K.,2026-03-05,yes,,,,\nM.K.,2026-03-06,yes,,much,,\n")
        with pytest.raises(ParameterError, match="'much'"):
            take_csv(store, file)
        assert len(sessions.sessions(store, people.find_athlete(store, "M.K.").id)) == 1


def test_results_go_out_as_a_table_and_come_into_another_history(tmp_path):
    file = tmp_path / "results.csv"
    with open_store(tmp_path / "h.db") as store, open_store(tmp_path / "other.db") as other:
        for name in ("M.K.", "T.S.", "=1+1", "A.B."):
            fill(store, name, sessions=7)
        file.write_text(results_csv(store))
        assert vars_of(take_csv(other, file)) == (28, 0)
        assert vars_of(take_csv(other, file)) == (0, 28)
        assert [row[:2] + row[3:] for row in rows_of(results_csv(other))] == [
            row[:2] + row[3:] for row in rows_of(file.read_text())
        ]
        said = [
            {one["text"] for one in statements_of(own, people.find_athlete(own, "T.S.").id)} for own in (store, other)
        ]
        assert said[0] == said[1]
        row = sessions.sessions(other, people.find_athlete(other, "M.K.").id)[0]
        mine = sessions.sessions(store, people.find_athlete(store, "M.K.").id)[0]
        same = ("start_utc", "kind", "sets_done", "reps_done", "reps_scored", "reps_clean", "pain_highest", "effort")
        assert [row[name] for name in same] == [mine[name] for name in same]
        assert (row["kept"], sessions.with_recordings(other, [])) == (None, [])
        with pytest.raises(StoreError, match="without its recording"):
            sessions.with_recordings(other, [str(row["id"])])


@pytest.mark.parametrize(
    ("line", "wrong"),
    [
        ("M.K.,2026-03-02,full_can,front,0.1,1.0,3", "side"),
        ("M.K.,2026-03-02,full_can,right,0.1,nan,3", "number as hold_s"),
        ("M.K.,2026-03-02,full_can,right,0.1,1e300,3", "number as hold_s"),
        ("M.K.,2026-03-02,full_can,right,0.1,1.0,1.5", "whole number"),
        ("M.K.,2026-03-02,full_can,right,0.1,1.0,-1", "whole number"),
        ("M.K.,2026-03-02,,right,0.1,1.0,3", "id of a drill"),
        ("M.K.,2026-03-02,full_can,right,,1.0,3", "what made the results"),
        ("M.K.,2999-03-02,full_can,right,0.1,1.0,3", "a date from 1970 to 2200"),
        (",2026-03-02,full_can,right,0.1,1.0,3", "initials"),
        ("M.K.,2026-03-01,full_can,right,0.1,1.0,3", "one row per session"),
    ],
)
def test_results_that_cannot_be_meant_are_refused_all_together(tmp_path, line, wrong):
    file = tmp_path / "results.csv"
    first = "athlete,start,drill,side,made_by,hold_s,reps_done\nM.K.,2026-03-01,full_can,right,0.1,4.0,8\n"
    file.write_text(f"{first}{line}\n")
    with open_store(tmp_path / "h.db") as store:
        with pytest.raises(ShoulderError, match=wrong):
            take_csv(store, file)
        assert people.athletes(store) == []
        file.write_text(first.replace("hold_s", "held"))
        with pytest.raises(StoreError, match="'held'"):
            take_csv(store, file)
        file.write_text(first)
        assert vars_of(take_csv(store, file)) == (1, 0)


@pytest.mark.parametrize("harmful", HARMFUL)
def test_no_text_is_a_formula_in_a_spreadsheet(tmp_path, harmful):
    with open_store(tmp_path / "h.db") as store:
        athlete = people.add_athlete(store, harmful).id
        with store.write() as connection:
            from histories import rows_of as invented

            sessions.put(connection, athlete, invented("M.K.", 0))
        text = results_csv(store, athlete)
    assert len(text.splitlines()) == 2
    for line in text.splitlines():
        assert not line.lstrip('"').startswith(("=", "+", "@"))


def test_commands_for_data(tmp_path, capsys):
    db = ("--db", str(tmp_path / "h.db"))
    with open_store(tmp_path / "h.db") as store:
        fill(store, sessions=1)
    for args, said in (
        (("export", "M.K.", "--out", str(tmp_path / "r.csv")), "Exported"),
        (("exports",), "r.csv"),
        (("backup", str(tmp_path / "b")), "Backup of 1 sessions"),
        (("journal",), "plan changed"),
        (("delete", "M.K.", "--yes"), "1 sessions deleted"),
        (("wipe",), "nothing that was deleted"),
        (("restore", str(tmp_path / "b")), "Restored: 1 sessions"),
    ):
        with pytest.raises(SystemExit) as ended:
            main(["history", *args, *db])
        assert ended.value.code == 0, args
        assert said in capsys.readouterr().out, args
