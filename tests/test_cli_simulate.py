"""`simulate`, and the recordings that were made with it."""

from __future__ import annotations

import shlex
from pathlib import Path

import pandas as pd
import pytest
from click.testing import CliRunner

from imu_shoulder.cli import cli

ROOT = Path(__file__).parents[1]
RECORDINGS = ROOT / "recordings"
MADE_WITH = [
    line for line in (RECORDINGS / "README.md").read_text().splitlines() if line.startswith("imu-shoulder simulate")
]


def run(*args: object):
    return CliRunner().invoke(cli, [str(arg) for arg in args])


def test_every_recording_has_its_command():
    folders = {path.name for path in RECORDINGS.iterdir() if path.is_dir()}
    assert {shlex.split(line)[-1].removeprefix("recordings/") for line in MADE_WITH} == folders
    assert len(folders) >= 5


@pytest.mark.parametrize("line", MADE_WITH, ids=lambda line: shlex.split(line)[-1])
def test_the_command_makes_the_same_bytes_again(line, tmp_path):
    *words, target = shlex.split(line)[1:]
    assert run(*words, tmp_path / "again").exit_code == 0
    for folder in (ROOT / target, tmp_path / "again"):
        assert {path.name for path in folder.iterdir()} == {path.name for path in (ROOT / target).iterdir()}
    for path in (ROOT / target).iterdir():
        assert path.read_bytes() == (tmp_path / "again" / path.name).read_bytes(), path.name


def test_recordings_are_small():
    sizes = {path: path.stat().st_size for path in RECORDINGS.rglob("*") if path.is_file()}
    assert max(sizes.values()) < 1_500_000
    for folder in RECORDINGS.iterdir():
        assert sum(size for path, size in sizes.items() if folder in path.parents) < 4_500_000


@pytest.mark.parametrize("name", ["clean_warm_up", "faulty_warm_up", "damaged_warm_up", "planned_warm_up"])
def test_recordings_give_the_true_reps(name, tmp_path):
    """Against what the simulated athlete truly did: as many reps per set and arm, at the true times."""
    found = run("analyse", RECORDINGS / name, "--out", tmp_path)
    assert found.exit_code == 0, found.output
    reps = pd.read_csv(tmp_path / "reps.csv", keep_default_na=False)
    truth = pd.read_csv(RECORDINGS / name / "true_reps.csv", keep_default_na=False)
    done = reps[(reps.role == "lift") & ~reps.excluded.isin(["partial", "false_start"])]
    did = truth[(truth.role == "lift") & truth.counts]
    by_arm = ["set", "drill", "side"]
    assert done.groupby(by_arm).size().to_dict() == did.groupby(by_arm).size().to_dict()
    tops = [frame.sort_values([*by_arm, "start_s"])[["top_start_s", "top_end_s"]].mean(axis=1) for frame in (done, did)]
    # 0.5 s: half the shortest way of a rep, so that no rep is taken for its neighbour.
    assert (tops[0].to_numpy() - tops[1].to_numpy()).__abs__().max() < 0.5


def test_simulate_then_analyse(tmp_path):
    made = run("simulate", "--scenario", "full_can", "--side", "left", "--rate", 50, "--out", tmp_path / "left")
    assert made.exit_code == 0, made.output
    assert (tmp_path / "left" / "true_angles.parquet").exists()
    found = run("analyse", tmp_path / "left", "--out", tmp_path / "out")
    assert found.exit_code == 0, found.output
    assert "left arm: 10 reps (usual dose 10), 10 clean." in found.stdout


def test_another_seed_is_another_recording(tmp_path):
    for seed in (1, 2):
        run("simulate", "--scenario", "full_can", "--rate", 20, "--seed", seed, "--out", tmp_path / str(seed))
    first, second = ((tmp_path / seed / "right_wrist.csv").read_bytes() for seed in ("1", "2"))
    assert first != second


@pytest.mark.parametrize(
    "options",
    [
        ["--scenario", "perfect"],
        ["--scenario", "full_can", "--side", "up"],
        ["--side", "left"],
        ["--rate", "5"],
        ["--rate", "nan"],
        ["--seed", "-1"],
        ["--truth", "some"],
    ],
)
def test_what_cannot_be_simulated_is_refused(options, tmp_path):
    found = run("simulate", "--out", tmp_path / "out", *options)
    assert found.exit_code == 2
    assert "Error: " in found.stderr
    assert found.exception is None or isinstance(found.exception, SystemExit)
    assert not (tmp_path / "out").exists()


def test_a_folder_with_files_is_not_written_over(tmp_path):
    (tmp_path / "mine.txt").write_text("mine")
    found = run("simulate", "--scenario", "full_can", "--rate", 20, "--out", tmp_path)
    assert found.exit_code == 2
    assert [path.name for path in tmp_path.iterdir()] == ["mine.txt"]
