"""What a user can get wrong, through `analyse`: one sentence, exit code 2, nothing written."""

from __future__ import annotations

import errno
import os
import shutil
import subprocess
import sys
from pathlib import Path

import numpy as np
import pandas as pd
import pyarrow.parquet as pq
import pytest
from click.testing import CliRunner
from scipy.spatial.transform import Rotation

from imu_shoulder.cli import cli

WRIST, UPPER = "right_wrist.csv", "right_upper_arm.csv"


def run(*args: object):
    return CliRunner().invoke(cli, [str(arg) for arg in args])


def assert_refused(found, *said: str) -> None:
    """One sentence on standard error that says it all, exit code 2."""
    assert found.exit_code == 2, found.output
    assert found.exception is None or isinstance(found.exception, SystemExit), found.exception
    assert found.stdout == ""
    lines = found.stderr.splitlines()
    assert len(lines) == 1, found.stderr
    assert lines[0].startswith("Error: expected ")
    for part in said:
        assert part in lines[0]


@pytest.fixture
def recording(small_recording, tmp_path):
    """A copy that may be spoiled."""
    return Path(shutil.copytree(small_recording, tmp_path / "spoiled"))


def table(folder: Path, name: str = WRIST) -> pd.DataFrame:
    return pd.read_csv(folder / name)


def save(folder: Path, frame: pd.DataFrame, name: str = WRIST) -> None:
    frame.to_csv(folder / name, index=False)


def replaced(folder: Path, name: str, old: str, new: str) -> None:
    text = (folder / name).read_text(encoding="utf-8")
    assert old in text
    (folder / name).write_text(text.replace(old, new), encoding="utf-8")


def cell(value: str):
    """Puts a text into row 11 of the wrist's file, column acc_y."""

    def spoil(folder: Path) -> None:
        lines = (folder / WRIST).read_text().splitlines()
        cells = lines[10].split(",")
        cells[2] = value
        lines[10] = ",".join(cells)
        (folder / WRIST).write_text("\n".join(lines) + "\n")

    return spoil


def reverse_time(folder: Path) -> None:
    frame = table(folder)
    frame["time_s"] = frame["time_s"].to_numpy()[::-1]
    save(folder, frame)


def apart(folder: Path) -> None:
    frame = table(folder)
    frame["time_s"] += 1000.0
    save(folder, frame)


def never_still(folder: Path) -> None:
    """Both sensors swing by 40 deg once a second from start to end, about an axis on edge, and no pose is marked."""
    for name in (WRIST, UPPER):
        frame = table(folder, name)
        phase = 2 * np.pi * frame["time_s"].to_numpy()
        axis = np.array([1.0, 2.0, -2.0]) / 3
        attitude = Rotation.from_rotvec(np.radians(40) * np.sin(phase)[:, None] * axis)
        frame[["acc_x", "acc_y", "acc_z"]] = attitude.inv().apply([4.0, 0.0, 8.9])
        frame[["gyr_x", "gyr_y", "gyr_z"]] = np.radians(40) * 2 * np.pi * np.cos(phase)[:, None] * axis
        save(folder, frame, name)
    (folder / "events.tsv").unlink()


def set_outside(folder: Path) -> None:
    with (folder / "events.tsv").open("a", encoding="utf-8") as stream:
        stream.write("900\t20\tset\tfull_can\tright\n")


def two_gigabytes(folder: Path) -> None:
    with (folder / WRIST).open("r+b") as stream:
        stream.truncate(2_000_000_000)  # sparse: takes no room on disk


BAD = {
    "missing file": (lambda folder: (folder / WRIST).unlink(), ["right_wrist", "no such file"]),
    "missing recording.toml": (lambda folder: (folder / "recording.toml").unlink(), ["recording.toml"]),
    "empty file": (lambda folder: (folder / WRIST).write_text(""), [WRIST, "empty"]),
    "header only": (lambda folder: save(folder, table(folder).head(0)), [WRIST, "only a header"]),
    "unknown column": (lambda folder: replaced(folder, WRIST, "gyr_z", "gyr_w"), [WRIST, "'gyr_w'"]),
    "missing units": (lambda folder: replaced(folder, "recording.toml", "acc_unit", "# acc_unit"), ["acc_unit"]),
    "text in a number": (cell("fast"), [WRIST, "row 11", "acc_y", "'fast'"]),
    "nan": (cell("nan"), [WRIST, "nan or inf", "row 11", "acc_y"]),
    "inf": (cell("inf"), [WRIST, "nan or inf", "row 11", "acc_y"]),
    "time runs backwards": (reverse_time, [WRIST, "increase"]),
    "no overlap": (apart, ["right_wrist", "right_upper_arm"]),
    "wrong placement": (lambda f: replaced(f, "recording.toml", '"right_wrist"', '"wrist"'), ["'wrist'", "sternum"]),
    "set outside": (set_outside, ["900"]),
    "unknown drill": (lambda folder: replaced(folder, "events.tsv", "full_can", "full_cam"), ["'full_cam'"]),
    "two gigabytes": (two_gigabytes, [WRIST, "500 MB", "2000 MB"]),
    "no TOML": (lambda folder: (folder / "recording.toml").write_text("schema == 1"), ["recording.toml", "TOML"]),
    "acc in g called m/s^2": (
        lambda folder: [
            save(
                folder, table(folder, name).assign(**(table(folder, name)[["acc_x", "acc_y", "acc_z"]] / 9.80665)), name
            )
            for name in (WRIST, UPPER)
        ],
        ["9.8"],
    ),
}


@pytest.mark.parametrize(("spoil", "said"), BAD.values(), ids=BAD.keys())
def test_a_spoiled_recording_is_refused(recording, tmp_path, spoil, said):
    spoil(recording)
    out = tmp_path / "out"
    assert_refused(run("analyse", recording, "--out", out), *said)
    assert not out.exists()


def test_a_missing_recording_is_refused(tmp_path):
    assert_refused(run("analyse", tmp_path / "gone", "--out", tmp_path / "out"), "no such folder")
    assert list(tmp_path.iterdir()) == []


def test_earlier_results_stay_when_the_next_recording_is_refused(small_recording, recording, tmp_path):
    out = tmp_path / "out"
    assert run("analyse", small_recording, "--out", out).exit_code == 0
    before = {path.name: path.read_bytes() for path in out.iterdir()}
    cell("fast")(recording)
    assert_refused(run("analyse", recording, "--out", out))
    assert {path.name: path.read_bytes() for path in out.iterdir()} == before


def test_two_gigabytes_are_refused_at_once(recording, tmp_path):
    """Within 200 MB of memory beyond what is loaded anyway, so without reading the file."""
    two_gigabytes(recording)
    code = (
        "import resource, pandas, scipy.signal, vqf, pyarrow\n"
        "resource.setrlimit(resource.RLIMIT_AS, (limit := int(open('/proc/self/statm').read().split()[0]) * "
        "resource.getpagesize() + 200_000_000, limit))\n"
        "from imu_shoulder.cli import main\nmain()"
    )
    command = [sys.executable, "-c", code, "analyse", str(recording), "--out", str(tmp_path / "out")]
    found = subprocess.run(command, capture_output=True, text=True, timeout=60)
    assert found.returncode == 2, found.stderr
    assert "2000 MB" in found.stderr
    assert "Traceback" not in found.stderr


@pytest.mark.parametrize("place", ["a file in the way", "a file above", "a place without room for folders"])
def test_an_output_folder_that_cannot_be_written(small_recording, tmp_path, place):
    taken = tmp_path / "taken"
    taken.write_text("kept")
    out = {
        "a file in the way": taken,
        "a file above": taken / "out",
        "a place without room for folders": Path("/proc/out"),
    }[place]
    assert_refused(run("analyse", small_recording, "--out", out), str(out))
    assert taken.read_text() == "kept"
    assert list(tmp_path.iterdir()) == [taken]


@pytest.mark.parametrize(("writer", "at"), [(pd.DataFrame, "to_csv"), (pq.ParquetWriter, "write")])
def test_a_disk_that_is_full_at_the_end_leaves_nothing(small_recording, tmp_path, monkeypatch, writer, at):
    def full(*_args: object, **_kwargs: object) -> None:
        raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))

    monkeypatch.setattr(writer, at, full)
    out = tmp_path / "out"
    assert_refused(run("analyse", small_recording, "--out", out), str(out), "No space left on device")
    assert not out.exists() or list(out.iterdir()) == []


def test_a_write_that_the_system_stops_leaves_nothing(small_recording, tmp_path):
    """A limit of the operating system on the size of files stands for the full disk: angles.parquet passes it."""
    out = tmp_path / "out"
    code = "import resource; resource.setrlimit(resource.RLIMIT_FSIZE, (50_000, 50_000))\n"
    code += "from imu_shoulder.cli import main\nmain()"
    command = [sys.executable, "-c", code, "analyse", str(small_recording), "--out", str(out)]
    found = subprocess.run(command, capture_output=True, text=True, timeout=120)
    assert found.returncode == 2, found.stderr
    assert found.stderr.count("\n") == 1
    assert "File too large" in found.stderr
    assert not out.exists() or list(out.iterdir()) == []


def test_sensors_that_are_never_still_show_no_angle_and_the_terminal_says_so(recording, tmp_path):
    never_still(recording)
    found = run("analyse", recording, "--out", tmp_path / "out")
    assert found.exit_code == 0, found.output
    assert "no neutral pose was found" in found.stdout


def test_a_set_without_motion_has_no_rep_and_says_so(recording, tmp_path):
    (recording / "events.tsv").write_text(
        "onset\tduration\ttrial_type\tdrill\tside\n4.5\t5\tneutral_pose\tn/a\tn/a\n5\t4\tset\tfull_can\tright\n"
    )
    out = tmp_path / "out"
    found = run("analyse", recording, "--out", out)
    assert found.exit_code == 0, found.output
    assert "1 set: 0 reps done." in found.stdout
    assert "No rep was found in this set." in found.stdout
    assert (out / "reps.csv").read_text().count("\n") == 1


BAD_MAPS = {
    "no TOML": (lambda text: text + "\n= 1", ["TOML"]),
    "no unit": (lambda text: text.replace('acc_unit = "g"', "", 1), ["acc_unit"]),
    "a column that is not there": (lambda text: text.replace('"AX"', '"AW"', 1), ["'AW'"]),
    "wrong placement": (lambda text: text.replace('"right_wrist"', '"hand"', 1), ["'hand'"]),
}


@pytest.mark.parametrize(("spoil", "said"), BAD_MAPS.values(), ids=BAD_MAPS.keys())
def test_a_spoiled_column_map_is_refused(tmp_path, spoil, said):
    sample = Path(__file__).parents[1] / "docs" / "column_map_sample.toml"
    (tmp_path / "map.toml").write_text(spoil(sample.read_text(encoding="utf-8")), encoding="utf-8")
    for name in ("forearm.csv", "upper.csv"):
        (tmp_path / name).write_text("a\nb\nStamp;AX;AY;AZ;GX;GY;GZ\n0;0;0;-1;0;0;0\n20;0;0;-1;0;0;0\n")
    (tmp_path / "events.tsv").write_text("onset\tduration\ttrial_type\tdrill\tside\n")
    out = tmp_path / "out"
    assert_refused(run("analyse", tmp_path, "--out", out, "--map", tmp_path / "map.toml"), *said)
    assert not out.exists()


def test_a_spoiled_drill_file_is_refused(small_recording, tmp_path):
    (tmp_path / "mine.toml").write_text("schema = 1\nid = 'mine'\n")
    out = tmp_path / "out"
    found = run("analyse", small_recording, "--out", out, "--drill-file", tmp_path / "mine.toml")
    assert_refused(found, "mine.toml")
    assert not out.exists()


@pytest.mark.parametrize(
    "args", [["analyse"], ["analyse", "x"], ["analyse", "x", "--out", "y", "--filter", "best"], ["analyze"], ["--loud"]]
)
def test_a_command_line_mistake_ends_with_2_and_writes_nothing(tmp_path, monkeypatch, args):
    monkeypatch.chdir(tmp_path)
    found = run(*args)
    assert found.exit_code == 2
    assert "Error: " in found.stderr
    assert "Traceback" not in found.stderr
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize(
    "words",
    [
        "analyse {} --out o",
        "analyse {} --out o --map {}",
        "range {}",
        "export {} --out o",
        "validate {} --out o",
        "report {} --out o",
        "record --athlete M.K. --out {}",
        "recover {}",
        "drills show {}",
        "drills show full_can --svg {}",
    ],
)
def test_a_path_that_cannot_even_be_looked_at_is_told_in_one_sentence(words, tmp_path, monkeypatch):
    """One name of 300 letters: no file system has it."""
    monkeypatch.chdir(tmp_path)
    found = run(*words.replace("{}", "x" * 300).split())
    assert found.exit_code == 2, found.output
    assert "x" * 300 in found.output
    assert found.output.splitlines()[-1].startswith("Error: ")
    assert list(tmp_path.iterdir()) == []
