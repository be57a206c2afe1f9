"""`drills`: list, show and check."""

from __future__ import annotations

from importlib import resources

import pytest
from click.testing import CliRunner

from imu_shoulder.cautions import CAUTIONS
from imu_shoulder.cli import cli
from imu_shoulder.drills import load_shipped, shipped_ids


def run(*args: object):
    return CliRunner().invoke(cli, ["drills", *map(str, args)])


def shipped_text(drill_id: str) -> str:
    return (resources.files("imu_shoulder.drills") / f"{drill_id}.toml").read_text(encoding="utf-8")


def test_list_names_every_shipped_drill_once():
    found = run("list")
    assert found.exit_code == 0
    assert [line.split()[0] for line in found.stdout.splitlines()] == list(shipped_ids())


@pytest.mark.parametrize("drill_id", shipped_ids())
def test_show_gives_what_a_handout_needs(drill_id):
    drill = load_shipped(drill_id)
    found = run("show", drill_id)
    assert found.exit_code == 0
    for text in (drill.title, drill.purpose, *drill.set_up, *drill.cautions, *CAUTIONS, drill.dose.source):
        assert text in found.stdout


@pytest.mark.parametrize("drill_id", shipped_ids())
def test_check_accepts_a_copy_of_every_shipped_drill(tmp_path, drill_id):
    mine = tmp_path / "mine.toml"
    mine.write_text(shipped_text(drill_id), encoding="utf-8")
    found = run("check", mine)
    assert found.exit_code == 0
    assert "It can be used." in found.stdout
    assert run("show", mine).stdout == run("show", drill_id).stdout


MISTAKES = {
    "no TOML": ("schema = 1", "schema == 1", "TOML"),
    "schema": ("schema = 1", "schema = 7", "schema"),
    "no id": ('id = "full_can"', "", "id"),
    "unknown key": ("schema = 1", "schema = 1\nrest_s = 3", "rest_s"),
    "unknown angle": ('leading_angle = "elevation"', 'leading_angle = "height"', "height"),
    "band upside down": ("at_least = 75, at_most = 105", "at_least = 105, at_most = 75", "at_least"),
    "text for a number": ("hold_s = 5.0", 'hold_s = "five"', "five"),
    "negative tempo": ("lift_at_least_s = 1.0", "lift_at_least_s = -1.0", "lift_at_least_s"),
    "no reps": ("reps = 10", "reps = 0", "reps"),
    "no source": ('source = "common practice; the practitioner decides"', "", "source"),
}


@pytest.mark.parametrize(("old", "new", "said"), MISTAKES.values(), ids=MISTAKES.keys())
def test_a_mistake_in_a_drill_file_is_named(tmp_path, old, new, said):
    text = shipped_text("full_can")
    assert old in text
    mine = tmp_path / "mine.toml"
    mine.write_text(text.replace(old, new, 1), encoding="utf-8")
    found = run("check", mine)
    assert found.exit_code == 2
    assert found.stdout == ""
    assert found.stderr.count("\n") == 1
    assert "mine.toml" in found.stderr
    assert said in found.stderr


@pytest.mark.parametrize("args", [["show", "half_can"], ["show", "gone.toml"], ["check", "gone.toml"], ["check", "/"]])
def test_a_drill_that_is_not_there(args):
    found = run(*args)
    assert found.exit_code == 2
    assert found.stderr.startswith("Error: expected ")
    assert found.stderr.count("\n") == 1


def test_a_drill_of_ones_own_is_used(small_recording, tmp_path):
    """Under the id of a shipped drill, a file of the user's goes first: its dose is what is asked."""
    mine = tmp_path / "mine.toml"
    mine.write_text(shipped_text("full_can").replace("reps = 10", "reps = 3"), encoding="utf-8")
    command = ["analyse", str(small_recording), "--out", str(tmp_path / "out"), "--drill-file", str(mine)]
    found = CliRunner().invoke(cli, command)
    assert found.exit_code == 0, found.output
    assert "2 reps (usual dose 3), 2 clean." in found.stdout
