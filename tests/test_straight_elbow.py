"""Rotation with a straight elbow: from elbow bends, at the side and at shoulder height.

The truth is the simulator's; what must be exact follows from the formula, which is worked out by hand beside it.
"""

from __future__ import annotations

import json
from dataclasses import replace
from functools import cache

import numpy as np
import pytest
from scipy.spatial.transform import Rotation

from imu_shoulder.analysis import Analysis, Params
from imu_shoulder.angles.joint import AngleParams
from imu_shoulder.angles.straight import Shown, StraightParams, raised_of, straight_line
from imu_shoulder.calibrate.store import calibration_document, read_calibration, write_calibration
from imu_shoulder.frames import quat_from_rotation
from imu_shoulder.model import Recording
from imu_shoulder.pipeline import analyse
from imu_shoulder.report.summary import summarise
from imu_shoulder.simulate import (
    Athlete,
    BendsAtShoulderHeight,
    Pause,
    Pose,
    Scenario,
    SetScript,
    Simulated,
    simulate,
)
from imu_shoulder.simulate.scenarios import CALIBRATION
from imu_shoulder.validate.paper import methods_text

# Hides half of the turning, turns with elevation, and hangs turned: what the estimate does not assume.
HIDDEN = Athlete(
    pose_elevation_deg=0.0,
    pose_rotation_deg=12.0,
    raise_plane_deg=90.0,
    hand_deg=10.0,
    soft_tissue_share=0.5,
    skin_with_elevation_deg=-5.0,
)
ARMS = ("right_wrist", "right_upper_arm", "left_wrist", "left_upper_arm")
HIGH = "bends_at_shoulder_height"


@cache
def recorded(mounting: int = 0, side: str = "right", *, thumb_down: bool = False) -> Simulated:
    rng = np.random.default_rng(200 + mounting)
    worn = tuple(placement for placement in ARMS if placement.startswith(side))
    faults = dict.fromkeys((1, 2, 3), ("thumb_down",)) if thumb_down else {}
    blocks = (
        *CALIBRATION,
        BendsAtShoulderHeight(),
        Pause(3, "stand"),
        SetScript("full_can", side, reps=3, hold_s=3.0, faults=faults),
        Pause(2, "stand"),
    )
    mountings = {placement: tuple(quat_from_rotation(Rotation.random(rng=rng))) for placement in worn}
    return simulate(Scenario(HIDDEN, blocks, placements=worn, rate_hz=50.0, mountings=mountings), seed=3)


def without(recording: Recording, *trial_types: str) -> Recording:
    return replace(recording, events=tuple(e for e in recording.events if e.trial_type not in trial_types))


def off_deg(run: Simulated, analysis: Analysis, column: str = "rotation_deg") -> np.ndarray:
    """Errors over the tops of the set."""
    side = analysis.sets[0].arm_set.side
    time_s = analysis.aligned.time_s
    top = np.any([(time_s > r.top_start_s) & (time_s < r.top_end_s) for r in run.truth.reps], axis=0)
    true = np.interp(time_s[top], run.truth.time_s, run.truth.angles[side][column])
    return (analysis.arms[side].angles[column][top] - true + 180.0) % 360.0 - 180.0


def rms(values: np.ndarray) -> float:
    return float(np.sqrt(np.mean(values**2)))


@pytest.mark.parametrize(("side", "mounting"), [("right", 0), ("right", 1), ("left", 2)])
def test_bends_at_shoulder_height_bring_the_rotation_near_the_truth_whatever_the_skin_and_the_mounting(side, mounting):
    run = recorded(mounting, side)
    high = analyse(run.recording)
    plain = analyse(without(run.recording, HIGH))
    alone = analyse(without(run.recording, HIGH, "elbow_bends"))
    assert rms(off_deg(run, high)) < 5.0
    assert rms(off_deg(run, high)) + 3.0 < rms(off_deg(run, plain)) < rms(off_deg(run, alone))
    # The elbow's own turn is the rest of what both sensors see together.
    assert rms(off_deg(run, high, "forearm_deg")) < 7.0
    said = [float(np.nanmedian(found.arms[side].sd["rotation_deg"])) for found in (high, plain, alone)]
    assert said == sorted(said)


def test_the_rotation_is_the_same_for_every_mounting():
    found = [off_deg(recorded(mounting), analyse(recorded(mounting).recording)).mean() for mounting in range(3)]
    assert np.ptp(found) < 1.5


def test_a_hand_turned_on_purpose_is_not_taken_for_the_upper_arm():
    """Thumb down in every rep: the forearm turns by 52 deg and the upper arm by 51 the other way."""
    run = recorded(thumb_down=True)
    assert rms(off_deg(run, analyse(run.recording))) < 15.0


@pytest.mark.parametrize("afterwards", [True, False], ids=["afterwards", "as live"])
def test_what_was_used_is_said_and_is_known_live_as_in_the_file(afterwards):
    run = recorded()
    analysis = analyse(run.recording, replace(Params(), afterwards=afterwards))
    arm = analysis.calibration.arms["right"]
    assert arm.used[-1] == HIGH
    assert [anchor.kind for anchor in arm.anchors] == ["neutral_pose", "elbow_bends", HIGH]
    text = summarise(analysis)["calibration"]["right"]["text"]
    assert "elbow bends at shoulder height" in text
    assert rms(off_deg(run, analysis)) < 6.0


def test_bends_without_raises_before_them_say_nothing_of_a_forward_nobody_showed():
    run = recorded()
    alone = analyse(without(run.recording, "elbow_bends", "forward_raises"))
    assert alone.calibration.arms["right"].anchors == ()
    assert HIGH not in alone.calibration.arms["right"].used


def test_a_stored_calibration_keeps_what_the_bends_showed(tmp_path):
    run = recorded()
    first = analyse(run.recording)
    document = calibration_document(
        first.recording, first.calibration, first.aligned.time_s, first.attitudes, first.findings
    )
    write_calibration(document, tmp_path / "calibration.json")
    stored = read_calibration(tmp_path / "calibration.json")
    mountings = {placement: tuple(float(v) for v in quat) for placement, quat in run.truth.mountings.items()}
    blocks = (Pose(), Pause(3, "stand"), SetScript("full_can", "right", reps=3, hold_s=3.0), Pause(2, "stand"))
    again = simulate(Scenario(HIDDEN, blocks, placements=ARMS[:2], rate_hz=50.0, mountings=mountings), seed=4)
    with_it = analyse(again.recording, stored=stored)
    assert [anchor.kind for anchor in with_it.calibration.arms["right"].anchors] == [
        "neutral_pose",
        "elbow_bends",
        HIGH,
    ]
    assert rms(off_deg(again, with_it)) < 7.0
    assert abs(off_deg(again, with_it).mean() - off_deg(run, first).mean()) < 5.0


def test_without_an_anchor_the_sensors_turn_is_divided_by_the_share():
    line = straight_line(0.7, 0.12, None, StraightParams())
    rotation, variance = line.of_sensor(np.radians([14.0, 14.0]), np.array([0.0, 1.0]))
    assert np.degrees(rotation) == pytest.approx([20.0, 20.0])
    # 14 deg by the slope's own sd, 0.12 / 0.7^2; raised, the skin's turn of 7 deg over the share as well.
    assert np.degrees(np.sqrt(variance)) == pytest.approx([3.4286, np.hypot(3.4286, 10.0)], rel=1e-4)
    # Nothing is known of the hand then.
    assert line.corrected(rotation, variance, np.radians([50.0, 50.0]), np.array([0.0, 1.0]))[0] is rotation


def line_of(turn_deg: tuple[float, ...] = (0.0, 0.0), **params: float):
    """Anchors: sensor at 2 and 30 deg where the rotation is -5 and 45."""
    shown = Shown(
        np.radians([2.0, 30.0]),
        raised_of(np.array([1.0, 0.0])),
        np.radians([-5.0, 45.0]),
        np.radians(turn_deg),
        np.array([True, True]),
    )
    return straight_line(0.7, 0.12, shown, StraightParams(**params))


def test_between_two_exact_anchors_the_rotation_lies_on_their_line():
    """As worked out by hand, elevation left out: -5 + (u - 2) (45 - -5) / (30 - 2)."""
    line = line_of(elbow_axis_deg=1e-3, skin_lift_deg=1e-3)
    sensor_deg = np.array([2.0, 16.0, 30.0])
    rotation, _ = line.of_sensor(np.radians(sensor_deg), np.array([0.0, 0.5, 1.0]))
    assert np.degrees(rotation) == pytest.approx(-5.0 + (sensor_deg - 2.0) * 50.0 / 28.0, abs=0.01)


def test_anchors_that_are_close_leave_the_share_where_it_was():
    shown = Shown(np.radians([0.0, 1.0]), np.zeros(2), np.radians([0.0, 9.0]), np.zeros(2), np.array([True, True]))
    line = straight_line(0.7, 0.12, shown, StraightParams())
    assert line.mean[1] == pytest.approx(1 / 0.7, abs=0.05)


def test_a_wrapped_turn_is_the_same_turn():
    shown = Shown(np.radians([170.0]), np.zeros(1), np.radians([-170.0]), np.zeros(1), np.array([True]))
    line = straight_line(1.0, 0.05, shown, StraightParams())
    assert np.degrees(line.of_sensor(np.radians([170.0]), np.zeros(1))[0]) == pytest.approx([190.0], abs=1.0)


def test_the_forearm_is_heard_by_its_variance_and_less_the_further_it_is_off():
    line = line_of(turn_deg=(0.0, 0.0))
    raised = np.ones(4)
    # Off by 0, 5, 20 and 80 deg, where the sensor may be off by 8.
    off, variance = np.radians([0.0, 5.0, 20.0, 80.0]), np.full(4, np.radians(8.0) ** 2)
    heard, left = line.corrected(np.zeros(4), variance, off, raised)
    share = -heard[1:] / off[1:]
    assert heard[0] == 0.0
    assert 0.5 < share[0] < 1.0
    assert (np.diff(share) < 0).all()
    assert share[-1] < 0.05
    assert left[1:] == pytest.approx(variance[1:] * (1 - share))
    # Without bends there: 8 deg of the sensor against the 10 of the hand.
    without_high = straight_line(
        0.7, 0.12, Shown(np.zeros(1), np.zeros(1), np.zeros(1), np.zeros(1), np.array([True])), StraightParams()
    )
    assert -without_high.corrected(np.zeros(4), variance, off, raised)[0][1] / off[1] == pytest.approx(
        64 / 164, rel=1e-3
    )


def test_the_methods_text_says_where_the_rotation_came_from():
    run = recorded()
    by_movements = (analyse(run.recording), analyse(without(run.recording, HIGH, "elbow_bends", "forward_raises")))
    texts = [methods_text(json.loads(json.dumps(summarise(analysis)))) for analysis in by_movements]
    assert "bent by 45 deg or more, and from the turning of both sensors since the elbow bends" in texts[0]
    assert "bent by 25 deg or more, and from the upper-arm sensor below 15 deg" in texts[1]


def test_the_forearm_takes_over_later_where_elbow_bends_anchor_the_rotation():
    run = recorded()
    for recording, low, high in (
        (run.recording, 25.0, 45.0),
        (without(run.recording, HIGH, "elbow_bends"), 15.0, 25.0),
    ):
        # By the bend as the long axes show it, all but without the carrying angle.
        params = Params(angles=AngleParams(carrying_deg=0.4))
        arm = analyse(recording, params).arms["right"]
        elbow, share = arm.angles["elbow_deg"], arm.rotation_from_forearm
        assert (share[elbow < low - 0.4] == 0).all()
        between = share[(elbow > low + 0.5) & (elbow < high - 0.5)]
        assert between.size > 20
        assert ((between > 0) & (between < 1)).all()
        assert (share[elbow > high + 0.4] == 1).all()
