"""A recording without a neutral pose: reps are counted about the sensor's own axis, and what needs a pose is named."""

from __future__ import annotations

import json
from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from click.testing import CliRunner

from imu_shoulder.analysis import Params
from imu_shoulder.cli import cli
from imu_shoulder.errors import CalibrationError
from imu_shoulder.model import Recording
from imu_shoulder.pipeline import analyse
from imu_shoulder.report.tables import reps_table
from imu_shoulder.simulate import Athlete, Scenario, SetScript, simulate
from imu_shoulder.simulate.scenarios import CALIBRATION
from imu_shoulder.sources.folder import write_recording

REPS = 6


@pytest.fixture(scope="module")
def whole() -> Recording:
    blocks = (*CALIBRATION, SetScript("full_can", "right", reps=REPS, hold_s=1.5))
    return simulate(Scenario(Athlete("R.V."), blocks, placements=("right_wrist", "right_upper_arm")), 9400).recording


def cut(recording: Recording, from_s: float, to_s: float, *worn: str) -> Recording:
    """A stretch of some of the sensors, without any mark."""
    streams = {}
    for placement in worn:
        own = recording.streams[placement]
        rows = (own.time_s >= from_s) & (own.time_s < to_s)
        streams[placement] = replace(
            own, time_s=own.time_s[rows], acc_m_s2=own.acc_m_s2[rows], gyr_rad_s=own.gyr_rad_s[rows]
        )
    return replace(recording, streams=streams, events=())


def of_set(recording: Recording) -> tuple[float, float]:
    event = next(event for event in recording.events if event.trial_type == "set")
    return event.onset_s + 0.3, event.end_s


@pytest.mark.parametrize("worn", [("right_wrist",), ("right_upper_arm",), ("right_wrist", "right_upper_arm")])
@pytest.mark.parametrize("afterwards", [True, False])
def test_reps_are_counted_and_no_angle_is_told(whole, worn, afterwards):
    found = analyse(cut(whole, *of_set(whole), *worn), replace(Params(), afterwards=afterwards))
    reps = reps_table(found)
    assert list(reps["excluded"]) == [""] * REPS
    assert set(reps["angle"]) == {"main_axis"}
    assert (reps["lift_s"] > 0.5).all()
    assert reps[["elbow_deg", "thumb_up_deg", "plane_deg"]].isna().all(axis=None)
    assert found.calibration is None
    assert found.no_pose.startswith("expected a neutral pose")
    with pytest.raises(CalibrationError, match="neutral pose"):
        _ = found.calibrated


def test_a_marked_set_is_counted_with_its_drills_name_and_not_judged(whole):
    """The wrist held upside down for the whole set would be every fault there is; nothing of it is known."""
    own = next(event for event in whole.events if event.trial_type == "set")
    recording = replace(cut(whole, *of_set(whole), "right_wrist"), events=(replace(own, onset_s=own.onset_s + 0.3),))
    reps = reps_table(analyse(recording))
    assert (list(reps["drill"]), set(reps["faults"])) == (["full_can"] * REPS, {""})


def test_the_command_says_first_what_is_missing_and_what_would_give_it(whole, tmp_path):
    write_recording(cut(whole, *of_set(whole), "right_wrist"), tmp_path / "bare")
    ran = CliRunner().invoke(cli, ["analyse", str(tmp_path / "bare"), "--out", str(tmp_path / "out")])
    assert ran.exit_code == 0, ran.output
    first = ran.output.splitlines()[1]
    assert first.startswith("Counted only: no neutral pose")
    assert "stand still with the arms hanging" in first
    assert "clean" not in ran.output.splitlines()[2]
    summary = json.loads((tmp_path / "out" / "summary.json").read_text(encoding="utf-8"))
    assert summary["calibration"] == {}
    assert summary["no_pose"].startswith("expected a neutral pose")
    assert not (tmp_path / "out" / "calibration.json").exists()
    assert len(pd.read_csv(tmp_path / "out" / "reps.csv")) == REPS
    assert "no neutral pose" in (tmp_path / "out" / "report.html").read_text(encoding="utf-8")


def test_a_pose_that_was_marked_and_moves_is_refused_as_before(whole):
    from_s, to_s = of_set(whole)
    moving = replace(whole.events[0], trial_type="neutral_pose", onset_s=from_s + 1.0, duration_s=8.0)
    recording = replace(cut(whole, from_s, to_s, "right_wrist", "right_upper_arm"), events=(moving,))
    with pytest.raises(CalibrationError, match="moves by"):
        analyse(recording)


def test_what_comes_before_a_pose_that_was_found_is_counted_too(whole):
    """The set first, then the pose and the movements of calibration: no mark says so."""
    from_s, to_s = of_set(whole)
    worn = ("right_wrist",)
    own, pose = cut(whole, from_s, to_s, *worn).streams[worn[0]], cut(whole, 0.0, 20.0, *worn).streams[worn[0]]
    behind = own.time_s[-1] - pose.time_s[0] + 0.01
    joined = replace(
        own,
        time_s=np.concatenate([own.time_s, pose.time_s + behind]),
        acc_m_s2=np.concatenate([own.acc_m_s2, pose.acc_m_s2]),
        gyr_rad_s=np.concatenate([own.gyr_rad_s, pose.gyr_rad_s]),
    )
    found = analyse(replace(whole, streams={worn[0]: joined}, events=()))
    assert found.calibration is not None
    assert found.calibrated.pose_s[0] > own.time_s[-1] - 2.0
    reps = reps_table(found)
    assert ((reps["end_s"] < own.time_s[-1]) & (reps["excluded"] == "")).sum() == REPS
