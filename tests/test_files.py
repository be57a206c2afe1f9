"""Whole files, folders swapped as one, for their owner only; with real processes that are killed with SIGKILL."""

from __future__ import annotations

import contextlib
import os
import resource
import stat
import subprocess
import sys
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from imu_shoulder import files
from imu_shoulder.errors import OutputError
from imu_shoulder.files import (
    UNFINISHED,
    make_folders,
    open_to_append,
    well_formed,
    whole_file,
    whole_folder,
    write_text,
)

NAMES = ("a.txt", "b.txt", "c.txt")


@contextlib.contextmanager
def umask(mask: int):
    before = os.umask(mask)
    try:
        yield
    finally:
        os.umask(before)


def mode(path: Path) -> int:
    return stat.S_IMODE(path.stat().st_mode)


def fill(folder: Path, text: str) -> None:
    with whole_folder(folder, NAMES) as scratch:
        for name in NAMES:
            write_text(scratch / name, text)


def texts(folder: Path) -> set[str]:
    return {(folder / name).read_text() for name in NAMES}


# Text.


@given(st.text(st.characters(categories=["L", "N", "S", "Cs"]), max_size=40))
def test_any_text_becomes_utf8_and_only_lone_surrogates_change(text):
    found = well_formed(text)
    assert found.encode().decode() == found
    if not any("\ud800" <= letter <= "\udfff" for letter in text):
        assert found == text


def test_a_lone_surrogate_becomes_the_replacement_character():
    """U+FFFD, as the Unicode Standard recommends (chapter 3.9); a pair is the letter that it stands for."""
    assert well_formed("a\ud83db\udcff \ud83d\ude00c\ude00") == "a\ufffdb\ufffd \U0001f600c\ufffd"


# Modes.


@pytest.mark.parametrize("mask", [0o000, 0o022, 0o077, 0o377])
def test_modes_are_the_owners_whatever_the_umask(tmp_path, mask):
    with umask(mask):
        make_folders(tmp_path / "made" / "deep")
        write_text(tmp_path / "made" / "file", "x")
        os.close(open_to_append(tmp_path / "made" / "log"))
        fill(tmp_path / "made" / "folder", "x")
    for path in (tmp_path / "made").rglob("*"):
        assert mode(path) == (0o700 if path.is_dir() else 0o600), path
    assert mode(tmp_path / "made") == 0o700


def test_what_was_open_to_others_is_not_once_it_is_written_anew(tmp_path):
    folder = tmp_path / "results"
    with umask(0):
        folder.mkdir()
        for name in (*NAMES, "x.log"):
            (folder / name).write_text("old")
    fill(folder, "new")
    os.close(open_to_append(folder / "x.log"))
    assert mode(folder) == 0o700
    assert {mode(path) for path in folder.iterdir()} == {0o600}
    assert (folder / "x.log").read_text() == "old"


# Whole or not at all.


def test_a_file_is_old_until_it_is_whole(tmp_path):
    path = tmp_path / "x"
    path.write_text("old")

    def cut_off() -> None:
        with whole_file(path) as stream:
            stream.write(b"ne")
            stream.flush()
            assert path.read_text() == "old"
            raise RuntimeError

    with pytest.raises(RuntimeError):
        cut_off()
    assert path.read_text() == "old"
    with whole_file(path) as stream:
        stream.write(b"new")
    assert path.read_text() == "new"
    assert list(tmp_path.iterdir()) == [path]


def test_a_full_disk_leaves_the_older_folder_as_it_was(tmp_path):
    folder = tmp_path / "results"
    fill(folder, "old")
    soft, hard = resource.getrlimit(resource.RLIMIT_FSIZE)
    resource.setrlimit(resource.RLIMIT_FSIZE, (1000, hard))
    try:
        with pytest.raises(OutputError, match="nothing was left behind"):
            fill(folder, 2000 * "new")
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, (soft, hard))
    assert texts(folder) == {"old"}
    assert list(tmp_path.iterdir()) == [folder]


@pytest.mark.parametrize("links", [True, False])
@pytest.mark.parametrize("exchange", [True, False])
def test_what_else_is_in_the_folder_stays(tmp_path, monkeypatch, links, exchange):
    def refused(*_args, **_options):
        raise PermissionError(1, "Operation not permitted")

    if not links:  # as FAT does
        monkeypatch.setattr(os, "link", refused)
    if not exchange:  # as NFS does, and every system but Linux
        monkeypatch.setattr(files, "_exchanged", lambda one, other: False)
    folder = tmp_path / "results"
    fill(folder, "old")
    (folder / "note.txt").write_text("left arm taped")
    (folder / "stale").symlink_to("note.txt")
    with whole_folder(folder, NAMES) as scratch:
        write_text(scratch / "a.txt", "new")
    assert sorted(path.name for path in folder.iterdir()) == ["a.txt", "note.txt", "stale"]
    assert (folder / "stale").read_text() == "left arm taped"
    assert list(tmp_path.iterdir()) == [folder]


def test_a_link_to_a_folder_or_file_stays_one(tmp_path):
    fill(tmp_path / "real", "old")
    (tmp_path / "link").symlink_to("real")
    fill(tmp_path / "link", "new")
    assert (tmp_path / "link").is_symlink()
    assert texts(tmp_path / "real") == {"new"}
    (tmp_path / "file").symlink_to(tmp_path / "real" / "a.txt")
    write_text(tmp_path / "file", "again")
    assert (tmp_path / "file").is_symlink()
    assert (tmp_path / "real" / "a.txt").read_text() == "again"


def test_what_is_no_results_folder_is_refused(tmp_path, monkeypatch):
    (tmp_path / "study" / "recording").mkdir(parents=True)
    with pytest.raises(OutputError, match=r"it holds the folder recording; .* such as .*study/results"):
        fill(tmp_path / "study", "x")
    monkeypatch.chdir(tmp_path / "study" / "recording")
    for folder in (Path(), Path("..")):
        with pytest.raises(OutputError, match="the one this command is run in"):
            fill(folder, "x")
    fill(Path("results"), "x")
    assert texts(tmp_path / "study" / "recording" / "results") == {"x"}


def test_a_device_is_not_replaced_by_a_file(tmp_path):
    os.mkfifo(tmp_path / "pipe")
    with pytest.raises(OSError, match="no file"):
        write_text(tmp_path / "pipe", "x")
    assert (tmp_path / "pipe").is_fifo()


# SIGKILL before every single thing that is done to the disk.

KILLED = f"""
import os, signal, sys
from pathlib import Path
from imu_shoulder import files

out, last, exchange = Path(sys.argv[1]), int(sys.argv[2]), sys.argv[3] == "True"
if not exchange:
    files._exchanged = lambda one, other: False
steps = 0

def step(event, _):
    global steps
    if event == "open" or event.split(".")[0] in ("os", "shutil", "tempfile", "ctypes"):
        steps += 1
        if steps == last:
            os.kill(os.getpid(), signal.SIGKILL)

sys.addaudithook(step)
with files.whole_folder(out, {NAMES!r}) as scratch:
    for name in {NAMES!r}:
        files.write_text(scratch / name, "new")
print(steps)
"""


def run_killed(out: Path, last: int, exchange: bool) -> subprocess.CompletedProcess:
    command = [sys.executable, "-c", KILLED, str(out), str(last), str(exchange)]
    return subprocess.run(command, capture_output=True, text=True, timeout=60)


@pytest.mark.parametrize("exchange", [True, False])
def test_a_kill_at_any_moment_leaves_one_run_and_the_next_writing_tidies_up(tmp_path, exchange):
    fill(tmp_path / "none", "old")
    total = int(run_killed(tmp_path / "none", 0, exchange).stdout)
    assert total > 20
    seen, missing = set(), 0
    for last in range(1, total + 1):
        out = tmp_path / str(last) / "results"
        fill(out, "old")
        (out / "note.txt").write_text("mine")
        assert run_killed(out, last, exchange).returncode == -9
        if out.exists():
            (found,) = texts(out)
            seen.add(found)
            assert (out / "note.txt").read_text() == "mine"
        else:
            missing += 1
        fill(out, "next")
        assert texts(out) == {"next"}
        assert (out / "note.txt").read_text() == "mine"
        assert list(out.parent.iterdir()) == [out]
    assert seen == {"old", "new"}
    assert missing == (0 if exchange and sys.platform == "linux" else 1)


HELD = """
import sys
from pathlib import Path
from imu_shoulder.files import whole_file

with whole_file(Path(sys.argv[1])) as stream:
    print("open", flush=True)
    stream.write(sys.stdin.readline().encode())
"""


def test_what_another_process_is_still_writing_is_left_alone(tmp_path):
    path = tmp_path / "x"
    command = [sys.executable, "-c", HELD, str(path)]
    with subprocess.Popen(command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True) as process:
        assert process.stdout.readline() == "open\n"
        write_text(tmp_path / "y", "other")
        assert len(list(tmp_path.glob(UNFINISHED + "*"))) == 1
        process.communicate("whole\n", timeout=20)
    assert path.read_text() == "whole\n"
    assert sorted(tmp_path.iterdir()) == [path, tmp_path / "y"]
