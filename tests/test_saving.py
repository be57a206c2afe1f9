"""What the commands leave on the disk: whole, of one run, for the owner only, and said so by the exit code."""

from __future__ import annotations

import json
import os
import re
import shutil
import signal
import stat
import subprocess
import sys
from dataclasses import replace
from pathlib import Path

import pandas as pd
import pytest
import test_bench
from click.testing import CliRunner
from fake_bluez.node import NodeScript
from fake_bluez.offline import write_log
from live_client import Page
from live_fake import chunk
from test_files import umask
from test_live_cli import free_port
from test_validate_recordings import readings_csv

from imu_shoulder.advise.history import load_history
from imu_shoulder.ble.recover import recover
from imu_shoulder.calibrate.store import read_calibration
from imu_shoulder.cli import cli
from imu_shoulder.errors import RecordingError
from imu_shoulder.files import make_folders
from imu_shoulder.live.session_log import Keeper
from imu_shoulder.log.entries import EventEntry, Session, pack, unpack
from imu_shoulder.log.records import encode_record, read_log
from imu_shoulder.model import Event, Recording, SensorStream
from imu_shoulder.one_run import FILES, PROPOSED, require_one_run
from imu_shoulder.pipeline import analyse
from imu_shoulder.report.folder import write_outputs
from imu_shoulder.simulate import Simulated, simulate
from imu_shoulder.simulate.scenarios import drill_scenario
from imu_shoulder.simulate.truth import write_truth
from imu_shoulder.sources.folder import read_recording, write_recording
from imu_shoulder.validate.results import read_results

ROOT = Path(__file__).parents[1]
COMMAND = (sys.executable, "-m", "imu_shoulder")

# Nothing is proposed of a recording that has its marks.
WRITTEN = tuple(name for name in FILES if name != PROPOSED)


def run(*arguments: object):
    return CliRunner().invoke(cli, [str(argument) for argument in arguments])


def done(*arguments: object) -> None:
    found = run(*arguments)
    assert found.exit_code == 0, found.output


def simulated_with_truth(seed: int) -> Simulated:
    placements = ("right_wrist", "right_upper_arm")
    return simulate(drill_scenario("full_can", placements=placements, rate_hz=50.0, reps=2, hold_s=5.4), seed=seed)


def six_faces(folder: Path) -> Path:
    track, time_s = test_bench.TestSixFaces().recording(2.0)
    stream = SensorStream("right_wrist", time_s, track.acc_m_s2, track.gyr_rad_s, 50.0)
    write_recording(Recording("faces", "bench", "2026-05-04T09:30:00+02:00", {"right_wrist": stream}, ()), folder)
    return folder


@pytest.fixture(scope="module")
def two(tmp_path_factory, small_recording) -> tuple[Path, Path]:
    """The results of two recordings, which nobody changes."""
    base = tmp_path_factory.mktemp("two")
    write_recording(simulated_with_truth(9).recording, base / "other")
    done("analyse", small_recording, "--out", base / "a")
    done("analyse", base / "other", "--out", base / "b")
    return base / "a", base / "b"


# For the owner only.


def require_owner_only(base: Path) -> None:
    paths = [base, *base.rglob("*")]
    wrong = {
        str(path.relative_to(base)): oct(found)
        for path in paths
        if (found := stat.S_IMODE(path.stat().st_mode)) != (0o700 if path.is_dir() else 0o600)
    }
    assert wrong == {}


def test_every_command_writes_for_the_owner_only(tmp_path, small_recording):
    out, made = tmp_path / "out", simulated_with_truth(3)
    with umask(0o000):
        done("simulate", "--scenario", "full_can", "--out", out / "simulated")
        for _ in range(2):
            done("analyse", small_recording, "--out", out / "results")
        done("report", out / "results", "--out", out / "results")
        done("report", out / "results", "--paper", "--out", out / "paper")
        done("range", ROOT / "recordings" / "range_tests", "--out", out / "range")
        done("drills", "show", "full_can", "--svg", out / "drill.svg")
        done("export", small_recording, "--out", out / "bids")
        done("export", small_recording, "--format", "tables", "--out", out / "tables")
        done("import", out / "bids", "--out", out / "imported")
        write_recording(made.recording, out / "referred", reference_csv=readings_csv(made, 1))
        write_truth(made.truth, out / "referred")
        done("compare-filters", out / "referred", "--out", out / "filters")
        done("validate", out / "referred", "--out", out / "study")
        done("sensor-check", "--six-face", six_faces(out / "faces"), "--out", out / "sensors")
    assert (out / "sensors" / "correction.toml").exists()
    require_owner_only(out)


@pytest.mark.parametrize("mask", [0o000, 0o022])
def test_logs_and_what_comes_of_them_are_the_owners_only(tmp_path, mask):
    out = tmp_path / "out"
    with umask(mask):
        make_folders(out)
        write_log(out / "node.log", [NodeScript("C0:00:00:00:00:01", "right_wrist")], 8.0)
        done("recover", out / "node.log", "--out", out / "kept")
        (out / "node.log").chmod(0o644)  # as an earlier version left it
        recover(out / "node.log", out / "moved", keep_log=False)
    assert (out / "moved" / "recording.log").exists()
    require_owner_only(out)


# One run.


KILLED = """
import os, signal, sys
from pathlib import Path
from imu_shoulder.pipeline import analyse
from imu_shoulder.report.folder import write_outputs
from imu_shoulder.sources.folder import read_recording

first, second = (analyse(read_recording(Path(name))) for name in sys.argv[1:3])
for last in range(1, 100):
    out = Path(sys.argv[3]) / str(last)
    write_outputs(first, out)
    child = os.fork()
    if child == 0:
        moves = 0

        def step(event, _):
            global moves
            if event == "os.rename":
                moves += 1
                if moves == last:
                    os.kill(os.getpid(), signal.SIGKILL)

        sys.addaudithook(step)
        write_outputs(second, out)
        os._exit(0)
    _, status = os.waitpid(child, 0)
    if os.WIFEXITED(status):
        break
print(last)
"""


def test_a_kill_between_any_two_moves_leaves_the_results_of_one_recording(tmp_path, two, small_recording):
    command = [sys.executable, "-c", KILLED, str(small_recording), str(two[0].parent / "other"), str(tmp_path)]
    found = subprocess.run(command, capture_output=True, text=True, timeout=300)
    assert found.returncode == 0, found.stderr
    kills = int(found.stdout) - 1
    assert kills >= len(WRITTEN)
    names = set()
    for last in range(1, kills + 2):
        folder = tmp_path / str(last)
        names.add(read_results(folder).summary["recording"]["name"])
        for name in WRITTEN:
            assert re.search(run_of(folder).encode(), (folder / name).read_bytes()), (last, name)
    assert names == {"small", "other"}


def run_of(folder: Path) -> str:
    return json.loads((folder / "summary.json").read_text())["run"]


def test_the_run_is_that_of_the_contents(tmp_path, two, small_recording):
    first, other = two
    done("analyse", small_recording, "--out", tmp_path / "again")
    for name in WRITTEN:
        assert (tmp_path / "again" / name).read_bytes() == (first / name).read_bytes(), name
    assert run_of(first) != run_of(other)
    assert set(pd.read_csv(first / "reps.csv")["run"]) == {run_of(first)}
    assert pd.read_parquet(first / "angles.parquet").attrs["run"] == run_of(first)
    done("analyse", small_recording, "--filter", "mahony", "--out", tmp_path / "otherwise")
    assert run_of(tmp_path / "otherwise") != run_of(first)


@pytest.mark.parametrize("name", WRITTEN)
def test_a_mixed_folder_is_refused_by_whatever_reads_results(tmp_path, two, small_recording, name):
    mixed = tmp_path / "mixed"
    shutil.copytree(two[0], mixed)
    read_results(mixed)
    load_history([mixed])
    read_calibration(mixed / "calibration.json")
    shutil.copy(two[1] / name, mixed)
    for read in (read_results, lambda folder: load_history([folder]), lambda f: read_calibration(f / FILES[3])):
        with pytest.raises(RecordingError, match=f"different runs .*{re.escape(name)} of {run_of(two[1])}"):
            read(mixed)
    for arguments in (
        ("report", mixed, "--out", tmp_path / "out"),
        ("analyse", small_recording, "--history", mixed, "--out", tmp_path / "out"),
        ("analyse", small_recording, "--calibration", mixed / "calibration.json", "--out", tmp_path / "out"),
    ):
        found = run(*arguments)
        assert found.exit_code == 2
        assert found.stderr.count("\n") == 1
        assert "analyse the recording again into a new folder" in found.stderr
        assert not (tmp_path / "out").exists()


def test_a_table_without_reps_is_not_that_of_a_summary_with_some(tmp_path, two):
    """No row is there to carry the id."""
    folder = tmp_path / "mixed"
    shutil.copytree(two[0], folder)
    header = (folder / "reps.csv").read_text().splitlines()[0]
    (folder / "reps.csv").write_text(header + "\n")
    with pytest.raises(RecordingError, match="different runs"):
        require_one_run(folder)
    summary = json.loads((folder / "summary.json").read_text())
    for entry in summary["sets"]:
        entry["done"] |= {"scored": 0, "excluded": 0}
    (folder / "summary.json").write_text(json.dumps(summary))
    require_one_run(folder)


def test_results_from_before_there_were_runs_are_read(tmp_path, two):
    folder = tmp_path / "old"
    shutil.copytree(two[0], folder)
    for name in ("summary.json", "calibration.json"):
        document = json.loads((folder / name).read_text())
        del document["run"]
        (folder / name).write_text(json.dumps(document))
    reps, angles = pd.read_csv(folder / "reps.csv"), pd.read_parquet(folder / "angles.parquet")
    reps.drop(columns="run").to_csv(folder / "reps.csv", index=False)
    angles.attrs.clear()
    angles.to_parquet(folder / "angles.parquet")
    report = (folder / "report.html").read_text()
    (folder / "report.html").write_text(re.sub(r'<meta name="run".*>\n', "", report))
    assert len(read_results(folder).reps) == len(read_results(two[0]).reps)


def test_a_report_is_not_put_among_results_of_another_run(tmp_path, two):
    other = tmp_path / "b"
    shutil.copytree(two[1], other)
    before = (other / "report.html").read_bytes()
    found = run("report", two[0], "--out", other)
    assert found.exit_code == 2
    assert "no results of another run" in found.stderr
    assert (other / "report.html").read_bytes() == before
    done("report", two[1], "--out", other)
    assert (other / "report.html").read_bytes() == before


def test_no_report_of_an_earlier_run_stays(tmp_path, two, small_recording):
    shutil.copytree(two[1], tmp_path / "out")
    write_outputs(analyse(read_recording(small_recording)), tmp_path / "out", report=False)
    assert not (tmp_path / "out" / "report.html").exists()
    require_one_run(tmp_path / "out")


# Text that no UTF-8 file can hold.

# A page's JSON may hold half of a surrogate pair; an argument of another encoding comes as the other half (PEP 383).
ODD = "band \ud83d, caf\udce9"
EVEN = "band \ufffd, caf\ufffd"


def test_any_text_can_be_logged_and_read_back():
    entry = unpack(EventEntry, pack(EventEntry(1, "note", text=ODD)))
    assert entry.text == EVEN
    assert unpack(Session, pack(Session(ODD, "2026-05-04", 1, 1.0))).athlete == EVEN
    assert unpack(EventEntry, b'{"host_ns": 1, "what": "note", "text": "caf\xe9"}').text == "caf\ufffd"


def test_odd_text_in_a_recording_is_written_and_read(tmp_path):
    odd = replace(
        simulated_with_truth(3).recording, athlete=ODD, events=(Event(1.0, 2.0, "set", "full_can", "right", note=ODD),)
    )
    write_recording(odd, tmp_path / "odd")
    found = read_recording(tmp_path / "odd")
    assert (found.athlete, found.events[0].note) == (EVEN, EVEN)


def test_a_log_with_odd_text_is_recovered(tmp_path):
    """One as an earlier version wrote it, with JSON's escape for half a pair in it."""
    events = [EventEntry(5_001_000_000_000, "start", trial_type="set", drill="full_can", side="right")]
    events += [EventEntry(5_002_000_000_000, "note", text="HERE"), EventEntry(5_004_000_000_000, "stop")]
    write_log(tmp_path / "a.log", [NodeScript("C0:00:00:00:00:01", "right_wrist")], 8.0, events)
    records = read_log(tmp_path / "a.log").records
    payloads = [record.payload.replace(b"HERE", b"band \\ud83d, caf\xe9") for record in records]
    log = b"".join(encode_record(r.kind, r.index, p) for r, p in zip(records, payloads, strict=True))
    (tmp_path / "a.log").write_bytes(log)
    recover(tmp_path / "a.log", tmp_path / "a", keep_log=True)
    assert read_recording(tmp_path / "a").events[0].note == EVEN


def live(small_recording, out: Path, *more: object, **options) -> tuple[subprocess.Popen, int]:
    """A replay whose page is open."""
    port = free_port()
    command = [*COMMAND, "live", "--replay", small_recording, "--out", out, "--port", port, *more]
    process = subprocess.Popen(
        [os.fspath(part) if isinstance(part, Path) else str(part) for part in command],
        stdout=subprocess.PIPE,
        stderr=subprocess.STDOUT,
        text=True,
        errors="surrogateescape",
        **options,
    )
    assert "Open http" in process.stdout.readline()
    return process, port


def end(process: subprocess.Popen) -> str:
    process.send_signal(signal.SIGINT)
    said, _ = process.communicate(timeout=60)
    assert "Traceback" not in said, said
    return said


@pytest.mark.parametrize("mask", [0o000, 0o022])
def test_a_note_and_a_folder_that_are_no_utf8_are_saved(tmp_path, small_recording, mask):
    out = Path(os.fsdecode(os.fsencode(tmp_path) + b"/caf\xe9/session"))
    process, port = live(small_recording, out, "--speed", 20, umask=mask)
    with Page(port) as page:
        page.until(lambda frame: frame["stage"] == "set")
        page.tell("note", text="band \ud83d, red")
        page.until(lambda frame: frame["stage"] == "pain")
        (log,) = out.parent.glob("*.log")
        assert stat.S_IMODE(log.stat().st_mode) == 0o600
        page.tell("finish")
        saved = page.saved()
    said = end(process)
    assert process.returncode == 0, said
    assert "Not saved" not in said
    assert saved["state"] == "saved"
    assert saved["folder"] == str(out)
    (event,) = (event for event in read_recording(out).events if event.trial_type == "set")
    assert event.note == "band \ufffd, red"
    assert json.loads((out / "results" / "summary.json").read_text())["recording"]["name"] == "session"
    require_owner_only(out.parent)


def test_a_recording_whose_name_is_no_utf8_is_analysed(tmp_path, small_recording):
    name = os.fsencode(tmp_path) + b"/caf\xe9"
    shutil.copytree(small_recording, os.fsdecode(name))
    command = [*COMMAND, "analyse", name, "--out", name + b"_results"]
    found = subprocess.run(command, capture_output=True, timeout=60)
    assert found.returncode == 0, found.stderr
    assert read_results(Path(os.fsdecode(name + b"_results"))).summary["recording"]["name"] == "caf\ufffd"


def test_an_athlete_who_is_no_utf8_is_kept(tmp_path):
    keeper = Keeper(tmp_path / "session", ODD, "2025-03-04T09:30:00+01:00", keeps_samples=True)
    for number in range(1, 60):
        keeper.samples(chunk(0.02 * number).streams)
    keeper.close(1.2)
    recover(keeper.log_path, tmp_path / "session", keep_log=False)
    assert read_recording(tmp_path / "session").athlete == EVEN


# Not saved is never exit code 0.


def test_a_session_that_ends_before_anyone_stood_still_is_kept_and_says_so(tmp_path, small_recording):
    out = tmp_path / "session"
    process, port = live(small_recording, out)
    with Page(port) as page:
        page.until(lambda frame: frame["t"] > 0.5)
        page.tell("finish")
        assert page.saved()["state"] == "saved"
    said = end(process)
    assert process.returncode == 0, said
    assert f"Recording: {out}" in said
    assert read_recording(out).streams
    first = json.loads((out / "results" / "summary.json").read_text())["first_lines"]
    assert any(line.startswith("Counted only: no neutral pose") for line in first)


def test_a_session_on_a_full_disk_is_no_success(tmp_path, small_recording):
    resource = pytest.importorskip("resource", reason="this system sets no limits on a process")
    out = tmp_path / "session"
    limit = lambda: resource.setrlimit(resource.RLIMIT_FSIZE, (20_000, 20_000))  # noqa: E731
    process, port = live(small_recording, out, "--speed", 5, preexec_fn=limit)
    with Page(port) as page:
        page.until_told(lambda message: message["log_error"] is not None)
    said = end(process)
    assert process.returncode == 2, said
    assert "Not saved: expected room for the recording" in said
    log = out.with_name("session.log")
    assert f"imu-shoulder recover {log}" in said
    done("recover", log)
    assert read_recording(out).streams


def test_a_recording_for_which_there_is_no_room_is_still_in_its_log(tmp_path, small_recording):
    """The log was written; the folder cannot be."""
    out = tmp_path / "session"
    process, port = live(small_recording, out, "--speed", 20)
    with Page(port) as page:
        page.until(lambda frame: frame["t"] > 15)
        out.mkdir()
        (out / "taken").write_text("by somebody else")
        page.tell("finish")
        assert page.saved()["state"] == "failed"
    said = end(process)
    assert process.returncode == 2
    assert "Not saved: " in said
    assert f"all is kept in the log, then run: imu-shoulder recover {out}.log" in said
    done("recover", f"{out}.log", "--out", tmp_path / "kept")
    assert read_recording(tmp_path / "kept").streams["right_wrist"].time_s[-1] > 14
