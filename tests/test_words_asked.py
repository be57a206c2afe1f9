"""What is said of reps that nobody asked for or could score, of sets on a bare arm, and of a pose that moves."""

from __future__ import annotations

import re
import shutil
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner
from scipy.spatial.transform import Rotation

from imu_shoulder.assess.judge import JudgedRep
from imu_shoulder.assess.words import headline
from imu_shoulder.calibrate.pose import CalibrateParams, find_pose
from imu_shoulder.cli import cli
from imu_shoulder.drills import load_shipped
from imu_shoulder.errors import CalibrationError
from imu_shoulder.frames import quat_from_rotation
from imu_shoulder.model import Event, Track
from imu_shoulder.orient.attitude import Attitude
from imu_shoulder.orient.bias import BiasTrack
from imu_shoulder.report.headlines import first_lines, overall

ROOT = Path(__file__).parents[1]


def summary_of(reps: int, scored: int, clean: int | None, *, asked: int | None = None) -> dict:
    by = {"sets": 1, "reps": asked, "by": "plan"} if asked else {"sets": None, "reps": None, "by": None}
    why = "sensor_slip"
    entry = {
        "set": 1,
        "side": "right",
        "role": "lift",
        "title": "Full can raise",
        "drill": "full_can",
        "asked": by,
        "done": {"reps": reps, "scored": scored, "clean": clean},
        "excluded": [{"rep": k, "why": why, "text": ""} for k in range(reps - scored)],
        "unseen_s": 0.0,
        "faults": [],
    }
    return {"sets": [entry], "plan": None, "pain": {"text": ""}, "notes": []}


def test_reps_of_which_none_was_scored_are_not_called_unclean():
    said = overall(summary_of(30, 0, 0))
    assert said == "1 set: 30 reps done, 30 could not be scored."
    assert overall(summary_of(30, 0, None)).startswith("1 set: 30 reps done")
    assert overall(summary_of(30, 28, 0)).startswith("1 set: 30 reps done, 0 clean")


def test_a_sets_headline_says_so_too():
    drill = load_shipped("full_can")
    judged = [JudgedRep.__new__(JudgedRep) for _ in range(3)]
    for one in judged:
        object.__setattr__(one, "excluded", "sensor_slip")
        object.__setattr__(one, "faults", ())
    assert "clean" not in headline(drill, judged, 10, None)
    assert "3 could not be scored" in headline(drill, judged, 10, None)


def test_one_rep_is_one_rep():
    assert overall(summary_of(1, 1, 1, asked=1)).startswith("1 set: 1 of 1 asked rep done")
    assert overall(summary_of(1, 1, 1)).startswith("1 set: 1 rep done")


def test_no_word_of_the_live_page_counts_one_reps():
    """Every number before the word goes through what knows one from many."""
    for path in (ROOT / "imu_shoulder" / "live" / "web").glob("*.js"):
        found = re.findall(r"\$\{[^}]*\}[^`${]{0,6}\breps\b", path.read_text())
        assert found == [], path.name


@pytest.fixture(scope="module")
def with_a_bare_arm(small_recording, tmp_path_factory):
    """A recording with sensors on the right arm, and a set marked on the left one too; analysed."""
    place = tmp_path_factory.mktemp("bare")
    shutil.copytree(small_recording, place / "r")
    with (place / "r" / "events.tsv").open("a") as events:
        header = (place / "r" / "events.tsv").read_text().split("\n")[0].split("\t")
        row = {"onset": "1", "duration": "3", "trial_type": "set", "drill": "full_can", "side": "left"}
        events.write("\t".join(row.get(name, "n/a") for name in header) + "\n")
    said = CliRunner().invoke(cli, ["analyse", str(place / "r"), "--out", str(place / "o")])
    assert said.exit_code == 0, said.output
    return said.output, (place / "o" / "report.html").read_text()


def test_a_set_on_an_arm_without_a_sensor_says_so_first(with_a_bare_arm):
    output, report = with_a_bare_arm
    head = output.split("Not seen by these sensors")[0]
    assert "Set 1, left arm: no sensor sat on it" in head
    first = report.split("<table", 1)[0]
    assert "Set 1, left arm: no sensor sat on it" in first


def attitude(placement: str, tilt_deg: np.ndarray) -> Attitude:
    turned = Rotation.from_rotvec(np.outer(np.radians(tilt_deg), [1.0, 0.0, 0.0]))
    rows = len(tilt_deg)
    bias = BiasTrack(np.zeros(0), np.zeros((0, 3)), np.zeros(0))
    return Attitude(placement, quat_from_rotation(turned), np.zeros((rows, 3)), np.ones(rows, dtype=bool), bias)


def test_a_pose_that_moves_names_what_moved_and_when():
    time_s = np.arange(0.0, 10.0, 0.02)
    still, moved = np.zeros(len(time_s)), np.where((time_s > 4.0) & (time_s < 5.5), 25.0, 0.0)
    attitudes = {"right_wrist": attitude("right_wrist", still), "left_wrist": attitude("left_wrist", moved)}
    pose = Event(1.0, 7.0, "neutral_pose")
    with pytest.raises(CalibrationError) as caught:
        find_pose(time_s, attitudes, [pose], None, CalibrateParams())
    assert "left_wrist moves by 25 deg from 4.0 to 5.5 s" in str(caught.value)
    assert "right" not in str(caught.value)


@pytest.mark.parametrize(("clipped_s", "named"), [((8.5, 9.0), True), ((4.2, 4.4), True), ((30.0, 31.0), False)])
def test_a_pose_that_seems_to_move_where_a_sensor_clips_names_its_clipping(clipped_s, named):
    time_s = np.arange(0.0, 40.0, 0.02)
    moved = np.where((time_s > 6.0) & (time_s < 7.5), 11.0, 0.0)
    rows = len(time_s)
    clipped = (time_s > clipped_s[0]) & (time_s < clipped_s[1])
    track = Track("left_wrist", np.zeros((rows, 3)), np.zeros((rows, 3)), np.ones(rows, dtype=bool), clipped)
    tracks = {"left_wrist": track}
    with pytest.raises(CalibrationError) as caught:
        find_pose(
            time_s,
            {"left_wrist": attitude("left_wrist", moved)},
            [Event(1.0, 7.0, "neutral_pose")],
            None,
            CalibrateParams(),
            tracks,
        )
    assert ("left_wrist reaches the end of its range" in str(caught.value)) == named
    assert ("stands still" in str(caught.value)) != named


def test_the_worst_of_several_is_named():
    time_s = np.arange(0.0, 10.0, 0.02)
    little = np.where((time_s > 2.0) & (time_s < 4.0), 8.0, 0.0)
    much = np.where((time_s > 5.0) & (time_s < 7.0), 40.0, 0.0)
    attitudes = {"right_wrist": attitude("right_wrist", little), "sternum": attitude("sternum", much)}
    with pytest.raises(CalibrationError, match=r"sternum moves by 40 deg from 5\.0 to 7\.0 s"):
        find_pose(time_s, attitudes, [Event(1.0, 8.0, "neutral_pose")], None, CalibrateParams())


def test_first_lines_stay_quiet_where_every_arm_has_its_sensors():
    assert not any("no sensor sat" in line for line in first_lines(summary_of(5, 5, 5)))
