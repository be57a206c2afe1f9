"""Reps in which a sensor was lost, counted by the arm's other one."""

from __future__ import annotations

import json
from dataclasses import replace

import numpy as np
import pytest
from print_wide import lost

from imu_shoulder.model import Recording
from imu_shoulder.orient.attitude import Attitude
from imu_shoulder.orient.bias import BiasTrack
from imu_shoulder.pipeline import analyse
from imu_shoulder.report.folder import write_outputs
from imu_shoulder.segment.beside import with_reps_beside
from imu_shoulder.segment.model import ArmSet, Rep
from imu_shoulder.segment.reps import RepParams
from imu_shoulder.simulate import simulate
from imu_shoulder.simulate.scenarios import drill_scenario

RATE_HZ, REPS = 50.0, 6


def harmed(drill: str, placement: str) -> Recording:
    """A third of the set is missing of one sensor."""
    recording = simulate(drill_scenario(drill, reps=REPS), 9000).recording
    return replace(recording, streams={**recording.streams, placement: lost(recording.streams[placement], recording)})


@pytest.mark.parametrize(
    ("drill", "placement"),
    [("band_external_rotation", "right_wrist"), ("row_rotate", "right_wrist")],
)
def test_a_sensor_that_is_lost_for_a_third_of_a_set_costs_no_rep_and_blames_nobody(drill, placement, tmp_path):
    """Before, the reps around what was lost were one: 6 reps were 4 or 5."""
    analysis = analyse(harmed(drill, placement))
    (found,) = (own for own in analysis.sets if own.arm_set.side == "right" and own.arm_set.role == "lift")
    assert [judged.rep.kind for judged in found.judged] == ["rep"] * REPS
    reasons = [judged.excluded for judged in found.judged]
    assert reasons.count("gap") >= 2
    assert set(reasons) == {"", "gap"}
    assert not any(judged.faults for judged in found.judged if not judged.excluded)
    assert found.arm_set.unseen == ()
    write_outputs(analysis, tmp_path / "out")
    said = json.loads((tmp_path / "out" / "summary.json").read_text(encoding="utf-8"))
    assert [own["done"]["reps"] for own in said["sets"] if own["side"] == "right"] == [REPS]


def a_set(unseen: tuple[tuple[float, float], ...]) -> ArmSet:
    """Four reps of 5 s were seen of six."""
    reps = tuple(Rep(5.0 * k, 5 * k + 2, 5 * k + 3, 5 * k + 4.8, 5 * k + 5, 5.0, 90.0, 5.0) for k in (0, 1, 4, 5))
    return ArmSet(1, None, "right", "lift", "elevation", 0.0, 30.0, (0, 1500), np.full(1500, 5.0), reps, False, unseen)


def a_limb(turned_deg: np.ndarray) -> Attitude:
    half = np.radians(turned_deg) / 2
    quat = np.column_stack([np.cos(half), np.sin(half), 0 * half, 0 * half])
    nothing = BiasTrack(np.zeros(0), np.zeros((0, 3)), np.zeros(0))
    return Attitude("right_upper_arm", quat, np.zeros((1500, 3)), np.ones(1500, dtype=bool), nothing)


TIME_S = np.arange(1500) / RATE_HZ
UP_AND_DOWN = 0.5 - 0.5 * np.cos(2 * np.pi * np.clip(TIME_S % 5.0, 0.0, 4.8) / 4.8)
LOST = ((10.1, 19.8),)


def beside(arm_set: ArmSet, turned_deg: np.ndarray) -> ArmSet:
    return with_reps_beside(arm_set, TIME_S, RATE_HZ, [a_limb(turned_deg)], RepParams())


def test_the_other_sensor_counts_what_was_not_seen():
    found = beside(a_set(LOST), 40.0 * UP_AND_DOWN)
    assert [round(rep.start_s / 5) for rep in found.reps] == [0, 1, 2, 3, 4, 5]
    assert [np.isnan(rep.top_deg) for rep in found.reps] == [False, False, True, True, False, False]
    assert found.reps[1].next_start_s == found.reps[2].start_s
    assert found.unseen == ()


@pytest.mark.parametrize(
    "turned_deg",
    [10.0 * UP_AND_DOWN, np.where(TIME_S < 20.0, 40.0 * UP_AND_DOWN, 0.0)],
    ids=["hardly turns", "does not find what was seen"],
)
def test_a_sensor_that_does_not_show_the_reps_that_were_seen_counts_none(turned_deg):
    arm_set = a_set(LOST)
    assert beside(arm_set, turned_deg) == arm_set


def test_nothing_is_added_where_all_was_seen():
    arm_set = a_set(())
    assert beside(arm_set, 40.0 * UP_AND_DOWN) is arm_set
