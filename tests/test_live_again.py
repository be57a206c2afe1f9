"""A live session over the air whose process is killed with SIGKILL: the same command goes on with it.

Unmodified bleak, simulated nodes in another process, a page's own commands over the socket.
"""

from __future__ import annotations

import json
import stat
import time
from dataclasses import replace
from datetime import datetime
from pathlib import Path

import numpy as np
import pytest
from fake_bluez.bus import fake_bluez, needs_dbus
from fake_bluez.session import finish, nodes, start
from live_client import Page
from test_live_cli import free_port

from imu_shoulder.live.again import SESSIONS, session_folder
from imu_shoulder.live.session_log import Keeper
from imu_shoulder.log.entries import End, EventEntry, NodeEntry, Session, pack, pack_data, unpack
from imu_shoulder.log.host_clock import host_now_ns
from imu_shoulder.log.records import DATA, END, EVENT, NODE, SESSION, LogError, encode_record, read_log
from imu_shoulder.model import ArmCount, Event
from imu_shoulder.sources.folder import read_recording

pytestmark = [needs_dbus, pytest.mark.xdist_group("bluetooth live")]

RATE_HZ = 100


@pytest.fixture
def still(tmp_path) -> list:
    """Two nodes on an arm that hangs."""
    rng = np.random.default_rng(5)
    count = 120 * RATE_HZ
    data = tmp_path / "still.npz"
    acc = np.tile([0.0, 9.81, 0.0], (count, 1)) + rng.normal(0, 0.01, (count, 3))
    np.savez(data, acc=acc, gyr=rng.normal(0, 0.001, (count, 3)))
    return [replace(node, rate_hz=RATE_HZ, data=str(data)) for node in nodes(2)]


def opened(bluez, port: int, *more, **options):
    process = start(bluez, "live", "--ble", "--athlete", "M.K.", "--port", port, *more, **options)
    said = ""
    while "Open http" not in said:
        line = process.stdout.readline()
        assert line, (said, process.wait(10))
        said += line
    return process, said


def test_the_same_command_goes_on_after_sigkill(tmp_path, still):
    port = free_port()
    with fake_bluez(still, tmp_path) as bluez:
        process, said = opened(bluez, port, cwd=tmp_path, umask=0)
        assert "Going on" not in said
        with Page(port) as page:
            page.stand_still()
            page.tell("not_rated")
            page.watch(1)
            page.tell("start_set")
            page.watch(2)
            page.tell("stop_set")
            page.tell("pain", value=1)
            page.tell("effort", value=6)
            page.tell("count", side="right", by=1)
            page.tell("start_set")
            page.tell("count", side="right", by=1)
            page.tell("count", side="right", by=1)
            killed_at = page.watch(2)["t"]
            process.kill()
            process.communicate()
        (log,) = (tmp_path / SESSIONS).glob("*.log")
        before = log.read_bytes()

        process, said = opened(bluez, port, cwd=tmp_path, umask=0)
        assert "Going on with the session that was cut off" in said
        assert "its calibration holds" in said
        with Page(port) as page:
            frame = page.until(lambda _: True)
            assert frame["calibration"]["step"] == "ready"
            assert (frame["stage"], frame["pain"]["open"]) == ("pain", True)
            assert (frame["drill"]["set"], frame["sets"][-1]["number"]) == (2, 2)
            assert frame["sets"][-1]["arms"]["right"]["by_hand"] == 2
            page.tell("pain", value=2)
            assert page.until(lambda _: True)["stage"] == "effort"
            page.tell("effort", value=7)
            page.tell("count", side="right", by=-1)
            # What is asked of the drill is done: one more set is a choice.
            assert page.until(lambda _: True)["stage"] == "over"
            page.tell("previous_drill")
            page.watch(1)
            page.tell("start_set")
            page.watch(2)
            page.tell("stop_set")
            page.tell("pain", value=0)
        said = finish(process)
    assert process.returncode == 0, said
    folder = log.with_suffix("")
    assert f"Recording: {folder.relative_to(tmp_path)}" in said
    assert "Report: " in said
    assert not log.exists()
    assert (folder / "recording.log").read_bytes().startswith(before)

    recording = read_recording(folder)
    assert [event.trial_type for event in recording.events] == ["neutral_pose", "set", "set", "set"]
    first, cut, last = (event for event in recording.events if event.trial_type == "set")
    assert (first.pain, cut.pain, last.pain) == (1, 2, 0)
    assert (first.effort, cut.effort, last.effort) == (6, 7, None)
    assert [event.count_of("right").corrected for event in (first, cut, last)] == [1, 1, 0]
    assert first.duration_s == pytest.approx(2, abs=1)
    assert cut.end_s == pytest.approx(killed_at, abs=1)
    assert last.onset_s > cut.end_s + 5
    for stream in recording.streams.values():
        rows = [np.count_nonzero((stream.time_s > e.onset_s) & (stream.time_s < e.end_s)) for e in recording.events]
        assert min(rows) > 100
        assert (np.diff(stream.time_s) > 0).all()
    link = json.loads((folder / "link.json").read_text())
    assert [len(node["outages"]) for node in link["nodes"]] == [1, 1]
    assert json.loads((folder / "results" / "summary.json").read_text())["recording"]["name"] == folder.name
    for path in [tmp_path / SESSIONS, *(tmp_path / SESSIONS).rglob("*")]:
        assert stat.S_IMODE(path.stat().st_mode) == (0o700 if path.is_dir() else 0o600), path


# What is taken for the same session.


def log_at(path: Path, *events: EventEntry, athlete: str = "M.K.", end: bool = False, age_s: float = 5.0) -> Path:
    path.parent.mkdir(parents=True, exist_ok=True)
    now_ns = host_now_ns() - round(age_s * 1e9)
    wall_s = time.time() - age_s
    records = [
        (SESSION, pack(Session(athlete, "2026-05-04T09:30:00+02:00", now_ns - 10**9, wall_s - 1))),
        (NODE, pack(NodeEntry(0, "C0:00:00:00:00:01", "right_wrist", "contract-1"))),
        (DATA, pack_data(0, now_ns, b"x")),
        *((EVENT, pack(event)) for event in events),
        *([(END, pack(End(now_ns)))] if end else []),
    ]
    path.write_bytes(b"".join(encode_record(kind, i, payload) for i, (kind, payload) in enumerate(records)))
    return path


@pytest.fixture(autouse=True)
def _in_a_folder_of_its_own(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)


def test_without_a_name_the_latest_session_of_this_athlete_goes_on(monkeypatch):
    monkeypatch.setattr("imu_shoulder.live.again.SAME_SESSION_S", 20.0)
    log_at(SESSIONS / "a.log")
    log_at(SESSIONS / "b.log", athlete="T.S.")
    log_at(SESSIONS / "c.log", end=True)
    log_at(SESSIONS / "d.log", age_s=30)
    folder, earlier = session_folder(None, "M.K.", 2)
    assert folder == SESSIONS / "a"
    assert earlier.addresses == ("C0:00:00:00:00:01",)
    assert session_folder(None, "A.B.", 2)[1] is None


@pytest.mark.parametrize(
    ("made", "said"),
    [
        ({"athlete": "T.S."}, "there is one of T.S."),
        ({"end": True}, "there is one that cannot go on"),
    ],
)
def test_a_log_that_is_another_matter_is_refused_with_what_keeps_it(tmp_path, made, said):
    log = log_at(tmp_path / "x.log", **made)
    with pytest.raises(LogError, match=said) as refused:
        session_folder(tmp_path / "x", "M.K.", 2)
    assert f"imu-shoulder recover {log}" in str(refused.value)
    assert session_folder(tmp_path / "y", "M.K.", 2) == (tmp_path / "y", None)


def test_pain_over_the_ceiling_stays_a_stop(tmp_path):
    """Also where it was rated lower afterwards: the process that knew it is gone."""
    rated = [EventEntry(1, "start", trial_type="set", drill="full_can", side="right")]
    rated += [EventEntry(2, "stop"), EventEntry(3, "pain", value=5.0), EventEntry(4, "pain", value=1.0)]
    log_at(tmp_path / "x.log", *rated)
    with pytest.raises(LogError, match=r"pain was 5 of 10 .* over the ceiling of 2"):
        session_folder(tmp_path / "x", "M.K.", 2)
    assert session_folder(tmp_path / "x", "M.K.", 5)[1] is not None


def test_a_session_without_a_name_is_called_by_its_time():
    """docs/live.md: live_sessions/2025-03-04_093000."""
    folder, _ = session_folder(None, "N.N.", 2)
    assert folder.parent == SESSIONS
    assert abs((datetime.now() - datetime.strptime(folder.name, "%Y-%m-%d_%H%M%S")).total_seconds()) < 60


def test_what_was_counted_in_a_set_that_was_cut_off_is_kept_with_what_is_said_of_it_later(tmp_path):
    log = log_at(
        tmp_path / "x.log", EventEntry(host_now_ns(), "start", trial_type="set", drill="full_can", side="both")
    )
    _, earlier = session_folder(tmp_path / "x", "M.K.", 2)
    keeper = Keeper(tmp_path / "x", "M.K.", None, keeps_samples=False, earlier=earlier)
    (cut,) = keeper.events(())
    counted = replace(cut, counts=(ArmCount("right", 12, 2), ArmCount("left", 0)))
    keeper.went_on([counted])
    assert keeper.events([counted]) == (counted,)
    later = replace(counted, pain=1.0, effort=5.0, note="felt light", counts=(ArmCount("right", 12, 2, -1),))
    new = Event(cut.end_s + 20, 30.0, "set", "full_can", "both")
    assert keeper.events([later, new]) == (later, new)
    keeper.close(cut.end_s + 60)
    entries = [unpack(EventEntry, record.payload) for record in read_log(log).records if record.kind == EVENT]
    told = [(entry.what, entry.side, entry.value) for entry in entries if entry.what in ("counted", "extra")]
    assert told == [("counted", "right", 12.0), ("extra", "right", 2.0), ("counted", "left", 0.0)]
