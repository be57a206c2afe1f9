"""The command live as a person starts it: its page, its end by Ctrl-C, what it leaves, what it refuses."""

from __future__ import annotations

import http.client
import shutil
import signal
import socket
import subprocess
import sys

import numpy as np
import pandas as pd
import pytest
from live_client import Page
from waiting import GUARD_S

pytest.importorskip("uvicorn", reason="the live part is not installed")

COMMAND = (sys.executable, "-m", "imu_shoulder", "live")


def free_port() -> int:
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return probe.getsockname()[1]


def refused(*arguments) -> str:
    done = subprocess.run([*COMMAND, *map(str, arguments)], capture_output=True, text=True, timeout=GUARD_S)
    assert done.returncode == 2
    assert "Traceback" not in done.stderr
    return done.stderr


def test_a_replay_stopped_by_ctrl_c_is_saved_and_in_the_history(tmp_path, small_recording):
    out, port, db = tmp_path / "session", free_port(), tmp_path / "h.db"
    started = [*COMMAND, "--replay", small_recording, "--out", out, "--port", port, "--speed", 2, "--history", db]
    process = subprocess.Popen(list(map(str, started)), stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True)
    line = process.stdout.readline()
    assert f"http://127.0.0.1:{port}/" in line
    with Page(port) as page:
        link = http.client.HTTPConnection("127.0.0.1", port, timeout=GUARD_S)
        link.request("GET", "/")
        assert link.getresponse().status == 200
        link.close()
        page.until(lambda frame: frame["t"] > 12)
    process.send_signal(signal.SIGINT)
    said, _ = process.communicate(timeout=GUARD_S)
    assert process.returncode == 0, said
    assert f"Report: {out / 'results' / 'report.html'}" in said
    assert "History: session 1 of " in said
    assert (out / "results" / "report.html").exists()
    assert (out / "recording.toml").exists()
    assert (out / "recording.log").exists()
    assert (out / "events.tsv").read_text().splitlines()[1].split("\t")[2] == "neutral_pose"


def test_what_cannot_be_done_is_said_in_a_sentence(tmp_path, small_recording):
    assert "give one" in refused("--demo", "--ble", "--athlete", "M.K.")
    assert "--athlete" in refused("--ble")
    assert "--host" in refused("--replay", small_recording, "--host", "0.0.0.0")
    assert "--speed" in refused("--replay", small_recording, "--speed", 0)
    assert "it is there already" in refused("--replay", small_recording, "--out", tmp_path)
    assert "recording folder" in refused("--replay", tmp_path / "none")
    with socket.socket() as taken:
        taken.bind(("127.0.0.1", 0))
        taken.listen()
        assert "--port" in refused("--replay", small_recording, "--port", taken.getsockname()[1])


def test_what_a_column_map_names_is_replayed(tmp_path, small_recording):
    """The same samples in another program's files, and the same marks."""
    from imu_shoulder.sources.folder import read_recording

    text = 'schema = 1\nathlete = "M.K."\nstart = "2026-05-04"\nevents = "events.tsv"\n[table]\ntime_column = "t"\n'
    text += 'time_unit = "s"\n'
    shutil.copy(small_recording / "events.tsv", tmp_path)
    for placement, stream in read_recording(small_recording).streams.items():
        table = np.column_stack([stream.time_s, stream.acc_m_s2, stream.gyr_rad_s])
        pd.DataFrame(table, columns=list("txyzabc")).to_csv(tmp_path / f"{placement}.csv", index=False)
        text += f'[[sensor]]\nplacement = "{placement}"\nfile = "{placement}.csv"\n'
        text += f'sample_rate_hz = {stream.declared_rate_hz}\nacc_columns = ["x", "y", "z"]\nacc_unit = "m/s^2"\n'
        text += 'gyr_columns = ["a", "b", "c"]\ngyr_unit = "rad/s"\n'
    (tmp_path / "map.toml").write_text(text)
    asked = "--replay", tmp_path / "map.toml", "--speed", "max", "--no-page", "--out", tmp_path / "out"
    done = subprocess.run([*COMMAND, *map(str, asked)], capture_output=True, text=True, timeout=GUARD_S)
    assert done.returncode == 0, done.stderr
    assert pd.read_csv(tmp_path / "out" / "live_reps.csv")["drill"].tolist() == ["full_can"] * 2


def test_without_a_page_it_is_written_what_a_page_would_have_said(tmp_path, small_recording):
    """Two clean reps; each is looked at 2 s after its end."""
    from imu_shoulder.live.run import Settings, play_without_page
    from imu_shoulder.sources.folder import read_recording

    said = []
    settings = Settings(lambda *_: None, said.append, {}, None, "", tmp_path, 0, None, speed=float("inf"))
    play_without_page(settings, read_recording(small_recording))
    table = pd.read_csv(tmp_path / "live_reps.csv")
    assert table["drill"].tolist() == ["full_can"] * 2
    assert (table["said_s"] - table["end_s"]).between(0.0, 2.3).all()
    assert str(tmp_path / "live_reps.csv") in said[-1]


def test_range_tests_are_left_out_and_a_recording_of_nothing_else_is_refused(small_recording):
    from dataclasses import replace

    from imu_shoulder.errors import RecordingError
    from imu_shoulder.live.replay import plan_for_recording, without_range_tests
    from imu_shoulder.model import Event
    from imu_shoulder.range import shipped_tests
    from imu_shoulder.sources.folder import read_recording

    test = next(iter(shipped_tests()))
    recording = read_recording(small_recording)
    with_test = replace(recording, events=(*recording.events, Event(1.0, 9.0, "set", test, "right")))
    kept, left_out = without_range_tests(with_test)
    assert left_out == (test,)
    assert kept.events == recording.events
    assert len(plan_for_recording(kept, {}).drills) == 1
    nothing, _ = without_range_tests(replace(recording, events=with_test.events[-1:]))
    with pytest.raises(RecordingError, match="sets of drills"):
        plan_for_recording(nothing, {})
