"""The calibration file: its round trip, its reuse for the same mounting, and what it refuses.

Truth of the reused seats: the simulator's angles, with the mounting of the first session kept in the second.
"""

from __future__ import annotations

import json
from dataclasses import replace

import numpy as np
import pytest
from click.testing import CliRunner
from scipy.spatial.transform import Rotation

from imu_shoulder.calibrate.store import SCHEMA, calibration_document, read_calibration, write_calibration
from imu_shoulder.cli import cli
from imu_shoulder.errors import CalibrationError
from imu_shoulder.findings import finding_of
from imu_shoulder.frames import quat_from_rotation, rotation_from_quat
from imu_shoulder.pipeline import analyse
from imu_shoulder.simulate import Athlete, Pause, Pose, Scenario, SetScript, simulate
from imu_shoulder.simulate.scenarios import drill_scenario
from imu_shoulder.sources.folder import write_recording

WORN = ("right_wrist", "right_upper_arm", "sternum")
# Stands near neutral, so that the angles can be held against truth without the pose's own error.
COACHED = Athlete(pose_elevation_deg=2.0, pose_rotation_deg=2.0, pose_elbow_deg=3.0, pose_forearm_deg=2.0)


def later(mountings, seed=8):
    """Another session of the same person: neutral pose and one set, no other calibration movement."""
    blocks = (Pose(), Pause(3, "stand"), SetScript("full_can", "right", reps=3, hold_s=5.4), Pause(2, "stand"))
    given = {placement: tuple(float(v) for v in quat) for placement, quat in mountings.items()}
    return simulate(Scenario(COACHED, blocks, placements=WORN, rate_hz=50.0, mountings=given), seed)


def document_of(analysis, findings=()):
    time_s = analysis.aligned.time_s
    return calibration_document(analysis.recording, analysis.calibration, time_s, analysis.attitudes, findings)


@pytest.fixture(scope="module")
def first():
    return simulate(
        drill_scenario("full_can", athlete=COACHED, placements=WORN, rate_hz=50.0, reps=2, hold_s=3.0), seed=7
    )


@pytest.fixture(scope="module")
def first_analysis(first):
    return analyse(first.recording)


@pytest.fixture(scope="module")
def document(first_analysis):
    return document_of(first_analysis)


@pytest.fixture
def stored(document, tmp_path):
    write_calibration(document, tmp_path / "calibration.json")
    return read_calibration(tmp_path / "calibration.json")


@pytest.fixture(scope="module")
def second(first):
    return later(first.truth.mountings)


def errors_deg(run, analysis, column, truth):
    """Wrapped differences of one angle at the tops of the set."""
    judged = analysis.sets[0].judged
    time_s = analysis.aligned.time_s
    top = np.any([(time_s > j.rep.top_start_s) & (time_s < j.rep.top_end_s) for j in judged], axis=0)
    true = np.interp(time_s[top], run.truth.time_s, run.truth.angles["right"][truth])
    return (analysis.arms["right"].angles[column][top] - true + 180) % 360 - 180


def test_the_file_names_schema_units_and_frames(document):
    assert document["schema"] == SCHEMA
    assert document["units"]["angles"] == "deg"
    assert {"sensor", "segment", "earth", "quat_sensor_from_segment"} <= set(document["frames"])
    assert set(document["arms"]["right"]["sensors"]) == set(WORN)


def test_what_is_written_is_what_is_read(first_analysis, stored):
    arm, kept = first_analysis.calibration.arms["right"], stored.arms["right"]
    for sensor in (arm.upper_arm, arm.wrist, arm.trunk):
        np.testing.assert_array_equal(
            kept.sensors[sensor.placement].quat_sensor_from_segment, sensor.quat_sensor_from_segment
        )
        assert kept.sensors[sensor.placement].residual_deg == sensor.residual_deg
    assert (kept.pointer_sd_deg, kept.joined, kept.trunk_joined) == (arm.pointer_sd_deg, arm.joined, arm.trunk_joined)
    assert all(s.forward_known for s in (*kept.sensors.values(), arm.upper_arm, arm.wrist))


def test_reused_on_its_own_recording_it_gives_the_same_calibration(first, first_analysis, stored):
    """Without its movements, but with their calibration, the recording calibrates as with them."""
    bare = replace(
        first.recording, events=tuple(e for e in first.recording.events if e.trial_type in ("neutral_pose", "set"))
    )
    again, once = analyse(bare, stored=stored).calibration.arms["right"], first_analysis.calibration.arms["right"]
    for name in ("upper_arm", "wrist", "trunk"):
        new, old = getattr(again, name), getattr(once, name)
        np.testing.assert_array_equal(new.quat_sensor_from_segment, old.quat_sensor_from_segment)
        assert np.degrees(new.body_heading_rad - old.body_heading_rad) == pytest.approx(0.0, abs=0.5)
    assert again.forward_known
    assert "the calibration of" in again.used[1]


def test_a_pose_alone_does_not_know_forward_and_the_stored_seats_do(second, stored):
    alone, reused = analyse(second.recording), analyse(second.recording, stored=stored)
    assert not alone.calibration.arms["right"].forward_known
    assert not np.isfinite(alone.arms["right"].angles.get("plane_deg", np.full(1, np.nan))).any()
    # The accuracy asked of a calibrated recording: plane 6, thumb 4, elbow 3, and a second pose's own few degrees.
    for column, truth, most_deg in (
        ("plane_deg", "plane_deg", 10.0),
        ("thumb_up_deg", "thumb_up_deg", 8.0),
        ("elbow_deg", "elbow_deg", 6.0),
    ):
        off_deg = errors_deg(second, reused, column, truth)
        assert len(off_deg) > 100
        assert np.sqrt(np.mean(off_deg**2)) < most_deg, column


def test_an_arm_with_movements_of_its_own_keeps_them(first, first_analysis, stored):
    again = analyse(first.recording, stored=stored).calibration.arms["right"]
    assert again.used == first_analysis.calibration.arms["right"].used


@pytest.mark.parametrize(("turned_deg", "said"), [(25.0, r"2\d"), (15.0, r"1\d")])
def test_another_mounting_is_refused_by_gravity(first, stored, turned_deg, said):
    """The wrist sensor turned across the arm between the sessions; a pose is repeated to a few degrees."""
    tilted = Rotation.from_euler("x", turned_deg, degrees=True) * rotation_from_quat(
        first.truth.mountings["right_wrist"]
    )
    mountings = {**first.truth.mountings, "right_wrist": quat_from_rotation(tilted)}
    with pytest.raises(CalibrationError, match=rf"gravity .* right_wrist {said} deg"):
        analyse(later(mountings).recording, stored=stored)


def test_other_placements_are_refused(second, stored):
    fewer = replace(
        second.recording, streams={p: s for p, s in second.recording.streams.items() if p != "right_upper_arm"}
    )
    with pytest.raises(CalibrationError, match=r"sensors worn on the right arm \(right_wrist, sternum\)"):
        analyse(fewer, stored=stored)


def test_a_calibration_whose_strap_slipped_is_refused(first_analysis, tmp_path):
    slip = finding_of("right_wrist", "sensor_slip", "The right wrist sensor turned.")
    write_calibration(document_of(first_analysis, [slip]), tmp_path / "calibration.json")
    with pytest.raises(CalibrationError, match="The right wrist sensor turned"):
        read_calibration(tmp_path / "calibration.json")


DAMAGES = {
    "another schema": (lambda d: d.update(schema=2), "schema 1"),
    "no schema": (lambda d: d.pop("schema"), "schema 1"),
    "no arms": (lambda d: d.pop("arms"), "damaged"),
    "a sensor without its seat": (lambda d: sensor(d).pop("quat_sensor_from_segment"), "damaged"),
    "a seat that is no rotation": (lambda d: sensor(d).update(quat_sensor_from_segment=[1, 1, 0, 0]), "norm 1"),
    "a seat of three numbers": (lambda d: sensor(d).update(quat_sensor_from_segment=[1, 0, 0]), "norm 1"),
    "no number": (lambda d: sensor(d).update(body_from_segment_deg=float("nan")), "finite"),
    "a word for a flag": (lambda d: d["arms"]["right"].update(joined="yes"), "true or false"),
}


def sensor(document):
    return document["arms"]["right"]["sensors"]["right_wrist"]


@pytest.mark.parametrize("damage", DAMAGES)
def test_a_damaged_file_is_refused_in_one_sentence(document, tmp_path, damage):
    spoil, told = DAMAGES[damage]
    changed = json.loads(json.dumps(document))
    spoil(changed)
    write_calibration(changed, tmp_path / "calibration.json")
    with pytest.raises(CalibrationError, match=told) as caught:
        read_calibration(tmp_path / "calibration.json")
    assert "\n" not in str(caught.value)


@pytest.mark.parametrize("content", [None, b"not json", b"[1, 2]", b"\xff\xfe"])
def test_what_is_no_calibration_file_is_refused(tmp_path, content):
    path = tmp_path / "calibration.json"
    if content is not None:
        path.write_bytes(content)
    with pytest.raises(CalibrationError):
        read_calibration(path)


def test_the_command_writes_the_file_and_takes_it_back(first, second, tmp_path):
    runner = CliRunner()
    for name, run in (("first", first), ("second", second)):
        write_recording(run.recording, tmp_path / name)
    done = runner.invoke(cli, ["analyse", str(tmp_path / "first"), "--out", str(tmp_path / "a")])
    assert done.exit_code == 0, done.output
    file = tmp_path / "a" / "calibration.json"
    arguments = ["analyse", str(tmp_path / "second"), "--out", str(tmp_path / "b"), "--calibration", str(file)]
    done = runner.invoke(cli, arguments)
    assert done.exit_code == 0, done.output
    told = json.loads((tmp_path / "b" / "summary.json").read_text())["calibration"]["right"]["text"]
    assert "the calibration of" in told

    file.write_text('{"schema": 7}')
    refused = runner.invoke(cli, arguments)
    assert refused.exit_code == 2
    assert "schema 1" in refused.output
    assert "Traceback" not in refused.output
