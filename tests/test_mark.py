"""The marking page's server: what it sends of curves, what it takes as marks, and that nothing is written over."""

from __future__ import annotations

import http.client
import json
import re
import shutil
import signal
import socket
import subprocess
import sys
import threading
from types import SimpleNamespace

import numpy as np
import pytest
from waiting import GUARD_S, until

pytest.importorskip("starlette", reason="the live part is not installed")

from mark_server import Marking

from imu_shoulder.align import align_recording
from imu_shoulder.analysis import Params
from imu_shoulder.errors import RecordingError
from imu_shoulder.files import write_beside_earlier
from imu_shoulder.mark.curves import TILE_BINS, make_curve, motion_kinds
from imu_shoulder.mark.keeping import ChangedError, Keeper
from imu_shoulder.mark.proposed import as_told, calibration_beside
from imu_shoulder.mark.routes import MARKS_BYTES
from imu_shoulder.mark.work import Asked, Work
from imu_shoulder.model import ArmCount, Event, Proposal
from imu_shoulder.sources.events import cells_of, events_tsv, read_events
from imu_shoulder.sources.folder import read_recording


@pytest.fixture
def folder(small_recording, tmp_path):
    return shutil.copytree(small_recording, tmp_path / "warm_up")


def ask(running, path, method="GET", body=None, **headers):
    link = http.client.HTTPConnection("127.0.0.1", running.port, timeout=GUARD_S)
    given = {"Host": f"127.0.0.1:{running.port}", "Origin": f"http://127.0.0.1:{running.port}", **headers}
    link.request(method, path, body, {name: value for name, value in given.items() if value is not None})
    answer = link.getresponse()
    text = answer.read().decode()
    link.close()
    return answer.status, text


def told(running, path, method="GET", body=None, **headers):
    status, text = ask(running, path, method, None if body is None else json.dumps(body), **headers)
    return status, json.loads(text)


def settled(running):
    """Look until nothing is being worked out, and return what the page is told then."""

    def state():
        found = running.work.state()
        return found if not found["stage"] and (found["head"] or found["failed"]) else None

    return until(state, "everything is worked out")


# Curves.


def test_no_zoom_hides_a_peak_or_a_gap():
    rng = np.random.default_rng(1)
    values = rng.normal(size=10_001)
    values[7777] = 90.0
    values[2048:4096] = np.nan
    curve = make_curve("right", "", values)
    assert len(curve.levels[-1][0]) <= TILE_BINS < len(curve.levels[-2][0])
    for level, (low, high) in enumerate(curve.levels):
        assert len(low) == -(-len(values) // 2**level)
        assert np.nanmax(high) == 90.0
        assert np.nanmin(low) == np.float32(np.nanmin(values))
        assert high[7777 >> level] == 90.0
        inside = slice(2048 >> level, 4096 >> level)
        assert np.isnan(low[inside]).all()
        known = np.isfinite(values[: (len(values) >> level) << level].reshape(-1, 1 << level)).any(axis=1)
        np.testing.assert_array_equal(np.isfinite(low[: len(known)]), known)
    low, high = curve.tile(0, 7)
    assert high[7777 - 7 * TILE_BINS] == 900
    assert curve.tile(0, 2)[0][:10] == [None] * 10
    assert curve.tile(0, 99) == ([], [])


def test_two_hours_are_sent_in_a_few_thousand_numbers():
    """720 000 rows at 100 Hz: no answer has more than a tile, and the whole is seen in one."""
    curve = make_curve("right", "", np.sin(np.arange(720_000) / 50))
    assert all(len(curve.tile(level, 0)[0]) <= TILE_BINS for level in range(len(curve.levels)))
    assert len(curve.levels[-1][0]) > TILE_BINS / 2


def test_the_motion_about_its_own_axis_shows_the_reps(small_recording):
    recording = read_recording(small_recording)
    aligned = align_recording(recording)
    own, speed = motion_kinds(aligned)
    assert [curve.side for curve in own.curves] == ["right"]
    event = next(event for event in recording.events if event.trial_type == "set")
    rows = slice(*np.searchsorted(aligned.time_s, [event.onset_s, event.end_s]))
    curve = own.curves[0].levels[0][0][rows]
    middle = (curve.min() + curve.max()) / 2
    # Two reps: there and back twice.
    assert np.count_nonzero(np.diff(curve > middle)) == 4
    assert np.ptp(curve) > 60
    gyr = aligned.tracks["right_wrist"].gyr_rad_s
    np.testing.assert_allclose(speed.curves[0].levels[0][0], np.degrees(np.linalg.norm(gyr, axis=1)), rtol=1e-5)


# Keeping.


def test_what_was_there_stays_under_a_number(folder):
    keeper = Keeper(folder)
    first = keeper.path.read_bytes()
    marked = keeper.read()
    rows = [{**row, "note": "tired"} if row["trial_type"] == "set" else row for row in marked.rows]
    saved = keeper.keep(marked.version, rows)
    assert saved.kept == "events.1.tsv"
    assert (folder / "events.1.tsv").read_bytes() == first
    assert [event.note for event in read_events(keeper.path)] == [None, None, None, "tired"]
    second = keeper.path.read_bytes()
    assert keeper.keep(saved.version, marked.rows).kept == "events.2.tsv"
    assert (folder / "events.2.tsv").read_bytes() == second
    assert keeper.path.read_bytes() == first
    # A recording may have any number of them.
    assert len(read_recording(folder).events) == 4


def test_saving_what_is_there_writes_nothing(folder):
    keeper = Keeper(folder)
    marked = keeper.read()
    assert keeper.path.read_text() == events_tsv(marked.events)
    saved = keeper.keep(marked.version, marked.rows)
    assert (saved.changed, saved.kept, saved.version) == (False, "", marked.version)
    assert not (folder / "events.1.tsv").exists()


def test_the_first_marks_have_nothing_to_keep(folder):
    keeper = Keeper(folder)
    keeper.path.unlink()
    assert keeper.read().version == ""
    saved = keeper.keep("", [{"onset": 1, "duration": "2.5", "trial_type": "set", "pain": 2}])
    assert (saved.changed, saved.kept) == (True, "")
    assert read_events(keeper.path) == (Event(1.0, 2.5, "set", pain=2.0),)


def test_a_file_that_somebody_else_changed_is_not_written_over(folder):
    keeper = Keeper(folder)
    marked = keeper.read()
    theirs = keeper.path.read_text() + "90\t5\tset\tn/a\tleft\n"
    keeper.path.write_text(theirs)
    with pytest.raises(ChangedError, match="changed meanwhile"):
        keeper.keep(marked.version, [])
    assert keeper.path.read_text() == theirs
    assert not (folder / "events.1.tsv").exists()
    keeper.path.unlink()
    with pytest.raises(ChangedError):
        keeper.keep(marked.version, [])
    assert not keeper.path.exists()


def test_of_two_that_save_at_once_one_is_told(folder):
    """Each from the same version: exactly one is written, and the file before it is kept once."""
    keeper = Keeper(folder)
    marked = keeper.read()
    came, gate = [], threading.Barrier(8)

    def save(note):
        gate.wait()
        try:
            keeper.keep(marked.version, [{**row, "note": note} for row in marked.rows])
            came.append(note)
        except ChangedError:
            came.append(None)

    threads = [threading.Thread(target=save, args=(f"by {k}",)) for k in range(8)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join(GUARD_S)
    written = [note for note in came if note]
    assert len(came) == 8
    assert len(written) == 1
    assert {event.note for event in read_events(keeper.path)} == set(written)
    assert [path.name for path in folder.glob("events.*.tsv")] == ["events.1.tsv"]


@pytest.mark.parametrize(
    "rows",
    [
        *(None, "x", [1], [[]], {}, [{"onset": 1, "duration": 2}], [{"onset": "one", "duration": 2}]),
        [{"onset": 1, "duration": 2, "trial_type": "set", "colour": "red"}],
        [{"onset": 1, "duration": 2, "trial_type": "set", "pain": 11}],
        [{"onset": 1, "duration": 2, "trial_type": "set", "pain": True}],
        [{"onset": 1, "duration": 2, "trial_type": "set", "note": {"a": 1}}],
        [{"onset": 1, "duration": -2, "trial_type": "set"}],
        [{"onset": 1, "duration": 2, "trial_type": "set", "side": "middle"}],
        [{"onset": 1, "duration": 20, "trial_type": "set"}, {"onset": 2, "duration": 20, "trial_type": "set"}],
        [{"onset": k, "duration": 0.5, "trial_type": "neutral_pose"} for k in range(1001)],
    ],
)
def test_what_is_no_marks_is_refused_and_nothing_written(folder, rows):
    keeper = Keeper(folder)
    before = keeper.path.read_bytes()
    with pytest.raises(RecordingError):
        keeper.keep(keeper.version, rows)
    assert keeper.path.read_bytes() == before
    assert not (folder / "events.1.tsv").exists()


def test_a_note_stays_one_cell(folder):
    keeper = Keeper(folder)
    rows = [{"onset": 1, "duration": 2, "trial_type": "set", "note": "sharp\tat\nthe front\r<b>"}]
    keeper.keep(keeper.version, rows)
    assert read_events(keeper.path)[0].note == "sharp at the front <b>"


def test_every_column_comes_back_as_it_was():
    event = Event(1.5, 2.25, "set", "full_can", "both", 2.5, 1.25, "a note", "side", 7.0)
    event = event.with_count(ArmCount("right", 10, 1, -1)).with_count(ArmCount("left", 9))
    cells = cells_of(event)
    assert cells["right_corrected"] == "-1"
    assert "left_extra" not in cells
    assert {"onset", "duration", "drill", "side", "pain", "load_kg", "note", "direction", "effort"} <= cells.keys()


def test_numbers_that_are_taken_are_left_alone(tmp_path):
    path = tmp_path / "events.tsv"
    for name in ("events.tsv", "events.1.tsv", "events.3.tsv"):
        (tmp_path / name).write_text(name)
    assert write_beside_earlier(path, "new").name == "events.2.tsv"
    assert (tmp_path / "events.2.tsv").read_text() == "events.tsv"
    assert (tmp_path / "events.3.tsv").read_text() == "events.3.tsv"
    assert write_beside_earlier(path, "newer").name == "events.4.tsv"


# Proposals.

POSE = Proposal("neutral_pose", 1.0, 6.0)
BENDS = Proposal("elbow_bends", 7.0, 15.0, "both")
SET = Proposal("set", 30.0, 60.0, "right", "full_can", probability=0.9, doubt="it may be two sets")


def test_a_proposal_that_is_taken_says_nothing_of_having_been_one():
    assert as_told(SET) == {
        "cells": {"onset": "30", "duration": "30", "trial_type": "set", "drill": "full_can", "side": "right"},
        "probability": 0.9,
        "alternatives": (),
        "said": "it may be two sets",
        "maybe": False,
    }


def test_angles_come_by_what_is_marked_and_else_by_what_is_proposed():
    own = Event(2.0, 4.0, "neutral_pose")
    done = Event(30.0, 5.0, "set")
    assert calibration_beside((), (POSE, BENDS, SET)) == (POSE.event, BENDS.event)
    assert calibration_beside((own, done), (POSE, BENDS, SET)) == (own, BENDS.event)
    assert calibration_beside((Event(9.0, 4.0, "forward_raises"),), (POSE, BENDS)) == (
        POSE.event,
        Event(9.0, 4.0, "forward_raises"),
    )


def test_proposals_come_where_nothing_is_marked_and_angles_by_their_pose(folder):
    (folder / "events.tsv").unlink()
    with Marking(folder) as running:
        state = settled(running)
        found = [own["cells"] for own in state["proposals"]]
        assert {"neutral_pose", "elbow_bends", "forward_raises"} <= {cells["trial_type"] for cells in found}
        assert state["kinds"][0]["name"] == "elevation_deg"
        assert state["no_angles"] == ""


def test_what_was_looked_for_in_vain_is_not_looked_for_again(folder, monkeypatch):
    (folder / "events.tsv").unlink()
    looked = []
    monkeypatch.setattr("imu_shoulder.mark.work.find", lambda *_: ())
    monkeypatch.setattr("imu_shoulder.propose.find.proposals", lambda *_: looked.append(1) or ())
    with Marking(folder) as running:
        state = settled(running)
        assert state["no_angles"]
        assert {kind["name"] for kind in state["kinds"]} >= {"own_axis", "speed"}
    assert looked == []


def test_marks_that_cannot_be_used_keep_no_proposal_away(folder):
    """A set far outside the recording: the sets that are there are proposed all the same."""
    (folder / "events.tsv").write_text("onset\tduration\ttrial_type\tdrill\tside\n9000\t5\tset\tn/a\tright\n")
    with Marking(folder) as running:
        assert settled(running)["proposals"]


# The server.


@pytest.fixture
def running(folder):
    with Marking(folder) as found:
        yield found


def test_the_page_is_told_what_there_is_and_gets_its_curves(running):
    state = settled(running)
    assert state["head"]["athlete"] == read_recording(running.folder).athlete
    assert [kind["name"] for kind in state["kinds"]][:1] == ["elevation_deg"]
    assert {"own_axis", "speed"} <= {kind["name"] for kind in state["kinds"]}
    assert {drill["name"] for drill in state["head"]["drills"]} > {"full_can", "flexion"}
    elevation = state["kinds"][0]
    status, tile = told(running, f"/curves/elevation_deg/{elevation['levels'] - 1}/0")
    assert status == 200
    low, high = tile["right"]
    assert len(low) <= TILE_BINS
    assert max(value for value in high if value is not None) == round(10 * elevation["curves"][0]["high"])
    status, marks = told(running, "/marks")
    assert marks["version"] == state["version"]
    assert [row["trial_type"] for row in marks["rows"]][-1] == "set"


@pytest.mark.parametrize(
    "path",
    [
        *("/web/..%2fserver.py", "/web/..%2f..%2fmark/work.py", "/web/%2fetc%2fpasswd", "/events.tsv", "/report"),
        *("/curves/elevation_deg/99/0", "/curves/..%2f..%2fx/0/0", "/curves/elevation_deg/-1/0", "/curves/none/0/0"),
        *("/curves/elevation_deg/x/0", "/../recording.toml", "/docs"),
    ],
)
def test_nothing_else_is_served(running, path):
    settled(running)
    assert ask(running, path)[0] == 404


def test_every_page_has_the_policy_and_nothing_changes_by_get(running):
    before = (running.folder / "events.tsv").read_bytes()
    for path in ("/", "/web/mark.js", "/state", "/marks"):
        link = http.client.HTTPConnection("127.0.0.1", running.port, timeout=GUARD_S)
        link.request("GET", path)
        answer = link.getresponse()
        answer.read()
        assert answer.status == 200
        assert "default-src 'none'" in answer.getheader("Content-Security-Policy")
        link.close()
    assert ask(running, "/analyse")[0] == 405
    assert (running.folder / "events.tsv").read_bytes() == before
    assert running.work.state()["analysis"] == {"state": "none"}


@pytest.mark.parametrize("origin", [None, "http://evil.example", "null"])
@pytest.mark.parametrize("path", ["/marks", "/analyse"])
def test_another_page_can_do_nothing(running, path, origin):
    before = (running.folder / "events.tsv").read_bytes()
    body = {"version": running.work.keeper.version, "rows": []}
    assert ask(running, path, "POST", json.dumps(body), Origin=origin)[0] == 403
    assert ask(running, path, "POST", json.dumps(body), Host="evil.example")[0] == 421
    assert (running.folder / "events.tsv").read_bytes() == before


@pytest.mark.parametrize("body", ["", "no json", "[1]", '"x"', '{"rows": []}', "[" * 5000, '{"version": 1}'])
def test_what_no_page_of_ours_sends_is_refused(running, body):
    assert ask(running, "/marks", "POST", body)[0] == 400


def test_too_much_is_refused(running):
    assert ask(running, "/marks", "POST", json.dumps({"version": "", "rows": ["x" * MARKS_BYTES]}))[0] == 400


def test_marks_that_cannot_be_are_told_in_a_sentence(running):
    version = running.work.keeper.version
    rows = [{"onset": 1, "duration": 2, "trial_type": "set", "pain": 12}]
    status, answer = told(running, "/marks", "POST", {"version": version, "rows": rows})
    assert status == 422
    assert "0 to 10" in answer["text"]
    status, answer = told(running, "/marks", "POST", {"version": "0" * 64, "rows": []})
    assert status == 409
    assert "another page or program" in answer["text"]


def test_a_faulty_events_file_is_told_and_left(folder):
    text = "onset\tduration\n1\t2\n"
    (folder / "events.tsv").write_text(text)
    with Marking(folder) as running:
        status, answer = told(running, "/marks")
        assert status == 422
        assert "trial_type" in answer["text"]
        assert ask(running, "/marks", "POST", json.dumps({"version": "", "rows": []}))[0] == 409
    assert (folder / "events.tsv").read_text() == text


def test_a_pose_that_is_none_keeps_no_curve_away(folder):
    """It is here to be put right: angles come by the stillness that there is, and it is said why."""
    moved = (folder / "events.tsv").read_text().replace("4.5\t5\tneutral_pose", "12\t6\tneutral_pose")
    assert "12\t6" in moved
    (folder / "events.tsv").write_text(moved)
    with Marking(folder) as running:
        state = settled(running)
        assert state["no_angles"]
        assert state["kinds"][0]["name"] == "elevation_deg"
        marks = told(running, "/marks")[1]
        rows = [
            {**row, "onset": "4.5", "duration": "5"} if row["trial_type"] == "neutral_pose" else row
            for row in marks["rows"]
        ]
        assert told(running, "/marks", "POST", {"version": marks["version"], "rows": rows})[0] == 200
        until(lambda: not settled(running)["no_angles"], "the angles come anew by what was saved")


def test_a_recording_that_cannot_be_used_is_told(folder):
    (folder / "right_wrist.csv").write_text("time_s,acc_x\n1,2\n")
    with Marking(folder) as running:
        assert "right_wrist.csv" in settled(running)["failed"]


def test_the_analysis_gives_the_sets_that_were_saved(running):
    settled(running)
    marks = told(running, "/marks")[1]
    own = marks["rows"][-1]
    cut = float(own["onset"]) + float(own["duration"]) / 2
    halves = [
        {**own, "duration": str(float(own["duration"]) / 2), "note": "first"},
        {**own, "onset": str(cut), "duration": str(float(own["duration"]) / 2)},
    ]
    assert (
        told(running, "/marks", "POST", {"version": marks["version"], "rows": [*marks["rows"][:-1], *halves]})[0] == 200
    )
    assert told(running, "/analyse", "POST", {})[0] == 202
    found = until(
        lambda: a if (a := running.work.state()["analysis"])["state"] in ("done", "failed") else None, "it is analysed"
    )
    assert found["state"] == "done"
    summary = json.loads((running.out / "summary.json").read_text())
    assert [own["set"] for own in summary["sets"]] == [1, 2]
    status, text = ask(running, "/report")
    assert status == 200
    assert "<html" in text


def test_an_analysis_that_fails_says_why_and_a_second_one_waits(folder):
    go = threading.Event()

    def analyse(folder, out, progress):
        progress("angles")
        go.wait(GUARD_S)
        raise RecordingError("a set", "there is none", "mark one")

    with Marking(folder, analyse) as running:
        settled(running)
        assert told(running, "/analyse", "POST", {})[0] == 202
        until(lambda: running.work.state()["analysis"].get("stage") == "working out the angles", "it is under way")
        assert told(running, "/analyse", "POST", {})[0] == 409
        go.set()
        until(lambda: running.work.state()["analysis"]["state"] == "failed", "it has failed")
        assert running.work.state()["analysis"]["text"] == "expected a set, but there is none; mark one"
        assert ask(running, "/report")[0] == 404


def test_it_can_be_mounted_anywhere(folder):
    """As a page among others: its own addresses are all relative."""
    with Marking(folder, mount="/recordings/7") as running:
        assert ask(running, "/recordings/7/state")[0] == 200
        settled(running)
        status, page = ask(running, "/recordings/7/")
        assert status == 200
        assert '"/' not in page
        for part in ("web/mark.js", "web/look.css", "web/parts.js", "marks", "state", "curves/speed/0/0"):
            assert ask(running, f"/recordings/7/{part}")[0] == 200
        assert ask(running, "/marks")[0] == 404


def test_the_drills_of_plan_and_files_come_first(folder):
    from dataclasses import replace

    from imu_shoulder.drills import load_shipped

    own = replace(load_shipped("full_can"), id="my_raise", title="My raise")
    work = Work(folder, Asked(lambda *_: [], folder, drills={"my_raise": own}, params=Params()))
    work.begin()
    drills = until(lambda: work.state()["head"], "the recording is read")["drills"]
    assert drills[0] == {
        "name": "my_raise",
        "title": "My raise",
        "directions": list(own.directions),
        "group": "Your own",
    }
    assert work.state()["head"]["arms"] == ["right"]
    until(lambda: not work.state()["stage"], "it is worked out")


# The command.

COMMAND = (sys.executable, "-m", "imu_shoulder", "mark")


def test_the_command_serves_until_ctrl_c_and_analyses_beside_the_recording(folder):
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        port = probe.getsockname()[1]
    started = [*COMMAND, folder, "--port", port]
    process = subprocess.Popen(list(map(str, started)), stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True)
    assert str(folder) in process.stdout.readline()
    assert f"http://127.0.0.1:{port}/" in process.stdout.readline()
    address = SimpleNamespace(port=port)
    until(lambda: answered(address), "the server answers")
    assert told(address, "/analyse", "POST", {})[0] == 202
    done = until(lambda: a if (a := told(address, "/state")[1]["analysis"])["state"] != "running" else None, "analysed")
    assert done["state"] == "done"
    assert done["out"] == f"{folder}_results"
    assert any("Full can raise" in line for line in done["lines"])
    process.send_signal(signal.SIGINT)
    said, _ = process.communicate(timeout=GUARD_S)
    assert process.returncode == 0, said
    assert folder.with_name("warm_up_results").joinpath("report.html").is_file()
    assert sorted(path.name for path in folder.glob("events*")) == ["events.tsv"]


def answered(address):
    try:
        return ask(address, "/state")[0] == 200
    except OSError:
        return False


@pytest.mark.parametrize("options", [["gone"], ["r", "--host", "0.0.0.0"], ["r", "--plan", "gone.toml"]])
def test_what_cannot_be_done_is_said_in_a_sentence(folder, options):
    folder.rename(folder.with_name("r"))
    command = [*COMMAND, *options]
    done = subprocess.run(command, capture_output=True, text=True, timeout=GUARD_S, cwd=folder.parent)
    assert done.returncode == 2
    assert re.fullmatch(r"Error: expected .*, but .*; .*\n", done.stderr)
