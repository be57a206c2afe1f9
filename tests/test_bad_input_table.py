"""Every bad input of the table gets the answer that stands beside it: one sentence and exit code 2, or a result."""

from __future__ import annotations

import json
import shutil
import signal
from pathlib import Path

import pytest
from bad_inputs import FILES, RECORDINGS, Bad
from click.testing import CliRunner

from imu_shoulder.cli import cli
from imu_shoulder.log.entries import Session, pack
from imu_shoulder.log.records import SESSION
from imu_shoulder.log.samples import pack_samples
from imu_shoulder.log.writer import LogWriter
from imu_shoulder.sources.folder import read_recording

DOCS = Path(__file__).parents[1] / "docs"
DRILL = Path(__file__).parents[1] / "imu_shoulder" / "drills" / "full_can.toml"
PLAN = 'schema = 1\nathlete = "{}"\n[[drill]]\nid = "full_can"\nside = "right"\n'


def run(words: str):
    return CliRunner().invoke(cli, words.split(), color=True)


@pytest.fixture(scope="module")
def workspace(small_recording, tmp_path_factory):
    """A folder with one of everything that the program reads."""
    place = tmp_path_factory.mktemp("bad") / "workspace"
    place.mkdir()
    shutil.copytree(small_recording, place / "r")
    athlete = read_recording(place / "r").athlete
    assert run(f"analyse {place}/r --out {place}/results").exit_code == 0
    assert run(f"export {place}/r --out {place}/bids --no-angles").exit_code == 0
    shutil.copytree(place / "results", place / "earlier")
    summary = json.loads((place / "earlier" / "summary.json").read_text())
    summary["recording"]["start"] = "2020-01-01T00:00:00+00:00"
    (place / "earlier" / "summary.json").write_text(json.dumps(summary))
    shutil.copy(place / "results" / "calibration.json", place)
    (place / "drill.toml").write_text(DRILL.read_text().replace('id = "full_can"', 'id = "mine"'))
    (place / "plan.toml").write_text(PLAN.format(athlete))
    (place / "data").mkdir()
    shutil.copy(DOCS / "column_map_sample.toml", place / "map.toml")
    for name, y in (("forearm.csv", 0.0), ("upper.csv", 0.1)):
        rows = "".join(f"{20 * n};{y};0;-1;{n % 7};{n % 5};{n % 3}\n" for n in range(3000))
        (place / "data" / name).write_text("a\nb\nStamp;AX;AY;AZ;GX;GY;GZ\n" + rows)
    (place / "data" / "events.tsv").write_text("onset\tduration\ttrial_type\tdrill\tside\n")
    log = LogWriter(place / "a.log")
    log.append([(SESSION, pack(Session("M.K.", "2026-05-04T09:30:00+02:00", 0, 1e9)))])
    for stream in read_recording(place / "r").streams.values():
        log.append([(9, payload) for payload in pack_samples(stream)])
    log.close()
    return place


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


def test_there_are_many_and_no_two_of_one_name():
    names = [bad.name for bad in [*RECORDINGS, *FILES]]
    assert len(names) >= 80
    assert len(set(names)) == len(names)
    commands = {bad.words.split()[0] for bad in [*RECORDINGS, *FILES]}
    assert commands >= {"analyse", "live", "range", "drills", "simulate", "demo", "record", "recover", "validate"}
    assert commands >= {"sensor-check", "export", "import", "compare-filters", "plan-study", "report"}


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
