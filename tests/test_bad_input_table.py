"""Every bad input of the table gets the answer that stands beside it: one sentence and exit code 2, or a result."""

from __future__ import annotations

import shutil
import signal
import subprocess
import sys
from pathlib import Path

import pytest
from bad_inputs import FILES, RECORDINGS, Bad
from bad_workspace import make_workspace, run


@pytest.fixture(scope="module")
def workspace(small_recording, tmp_path_factory):
    return make_workspace(tmp_path_factory.mktemp("bad") / "workspace", small_recording)


@pytest.fixture(autouse=True)
def no_hang():
    """Whatever takes over 30 s is stopped and fails."""

    def stop(*_: object) -> None:
        raise TimeoutError("it takes over 30 s")

    signal.signal(signal.SIGALRM, stop)
    signal.setitimer(signal.ITIMER_REAL, 30)
    yield
    signal.setitimer(signal.ITIMER_REAL, 0)


def listing(place: Path) -> set[str]:
    return {str(path.relative_to(place)) for path in place.rglob("*")}


@pytest.mark.parametrize("bad", [*RECORDINGS, *FILES], ids=lambda bad: bad.name)
def test_the_answer_is_the_one_that_is_allowed(bad: Bad, workspace, tmp_path, monkeypatch):
    place = tmp_path / "w"
    shutil.copytree(workspace, place)
    bad.spoil(place)
    monkeypatch.chdir(place)
    before = listing(place)
    found = run(bad.words)
    assert found.exception is None or isinstance(found.exception, SystemExit), repr(found.exception)
    for part in bad.said:
        assert part in found.output
    assert "\x1b" not in found.output
    assert "\x07" not in found.output
    if bad.accepted:
        assert found.exit_code == 0, found.output
        return
    assert found.exit_code == 2, found.output
    lines = found.stderr.splitlines()
    assert lines[-1].startswith("Error: "), found.output
    assert len(lines) == 1 or lines[0].startswith("Usage: ")
    assert len(lines[-1]) < 2000
    assert listing(place) == before


@pytest.mark.parametrize(
    "words",
    [
        "analyse r --out o/p",
        "report results --out o",
        "import bids --out o",
        "export r --out o/p",
        "map r --yes --out m",
        "history add r --db n.db --kept nk",
    ],
)
def test_a_full_disk_leaves_nothing_behind(words, workspace, tmp_path):
    """Files may grow to 300 bytes and no further."""
    place = shutil.copytree(workspace, tmp_path / "w")
    before = listing(place)
    limit = "import resource, sys; resource.setrlimit(resource.RLIMIT_FSIZE, (300, 300)); "
    program = limit + "from imu_shoulder.cli import cli; cli(sys.argv[1:])"
    found = subprocess.run(
        [sys.executable, "-c", program, *words.split()], cwd=place, capture_output=True, text=True, timeout=60
    )
    assert found.returncode == 2, found.stderr
    expected = "a history at" if words.startswith("history") else "to write"
    assert found.stderr.splitlines()[-1].startswith(f"Error: expected {expected}")
    assert listing(place) == before


def test_there_are_many_and_no_two_of_one_name():
    names = [bad.name for bad in [*RECORDINGS, *FILES]]
    assert len(names) >= 80
    assert len(set(names)) == len(names)
    commands = {bad.words.split()[0] for bad in [*RECORDINGS, *FILES]}
    assert commands >= {"analyse", "live", "range", "drills", "simulate", "demo", "record", "recover", "validate"}
    assert commands >= {"sensor-check", "export", "import", "compare-filters", "plan", "plan-study", "report"}


def test_the_workspace_is_good_before_it_is_spoiled(workspace, tmp_path, monkeypatch):
    """So that what is refused is refused for what was spoiled."""
    monkeypatch.chdir(shutil.copytree(workspace, tmp_path / "w"))
    for words in (
        "analyse r --out o1 --plan plan.toml --calibration calibration.json --history earlier",
        "drills check drill.toml",
        "report results --out o2",
        "import bids --out o3",
        "recover a.log --out o4",
    ):
        found = run(words)
        assert found.exit_code == 0, found.output
