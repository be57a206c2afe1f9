"""Swapped and unworn sensors are named from the movements, and rightly worn ones never are.

A swap is made by exchanging the names of two sensors of one simulated recording, as a wrong strap or label does.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy.spatial.transform import Rotation
from test_orient import sensed

from imu_shoulder.align import align_recording
from imu_shoulder.analysis import Params
from imu_shoulder.calibrate.mounting import MountingParams, mounting_findings, stretch_of
from imu_shoulder.drills import load_shipped
from imu_shoulder.model import Event, Track
from imu_shoulder.orient.attitude import orient_afterwards
from imu_shoulder.pipeline import analyse
from imu_shoulder.simulate import simulate
from imu_shoulder.simulate.scenarios import drill_scenario

ARM = {"right_wrist": "right_upper_arm", "right_upper_arm": "right_wrist"}
WRISTS = {"right_wrist": "left_wrist", "left_wrist": "right_wrist"}


class Worn:
    """One recording on the common grid, whose sensors can be given other names."""

    def __init__(self, recording):
        params = Params()
        self.aligned = align_recording(recording, params.align)
        self.tracks = dict(self.aligned.tracks)
        self.attitudes = {p: orient_afterwards(t, self.aligned.rate_hz, params.orient) for p, t in self.tracks.items()}
        self.events, self.recording = recording.events, recording

    def found(self, names=None, events=None):
        """(placement, code) -> text, with sensors renamed: new name -> the sensor that is really meant."""
        names = {p: (names or {}).get(p, p) for p in self.attitudes}
        drills = {e.drill: load_shipped(e.drill) for e in self.events if e.drill}
        rows = self.aligned.time_s, self.aligned.rate_hz
        tracks = {p: replace(self.tracks[q], placement=p) for p, q in names.items()}
        attitudes = {p: replace(self.attitudes[q], placement=p) for p, q in names.items()}
        stretches, sets = [], 0
        for event in self.events if events is None else events:
            sets += event.trial_type == "set"
            found = stretch_of(event, sets, *rows, tracks, attitudes, MountingParams())
            stretches += [] if found is None else [found]
        findings = mounting_findings(stretches, drills, MountingParams())
        return {(f.placement, f.code): f.text for f in findings}

    def without(self, *trial_types):
        return [event for event in self.events if event.trial_type not in trial_types]


@pytest.fixture(scope="module")
def worn():
    return Worn(simulate(drill_scenario("full_can", reps=2, hold_s=3.0, rate_hz=50.0), seed=4).recording)


@pytest.fixture(scope="module")
def rotating():
    return Worn(simulate(drill_scenario("band_external_rotation", reps=3, hold_s=2.0, rate_hz=50.0), seed=4).recording)


def test_sensors_worn_rightly_are_not_blamed(worn, rotating):
    for recording in (worn, rotating):
        for left_out in ((), ("elbow_bends",), ("elbow_bends", "forward_raises")):
            assert recording.found(events=recording.without(*left_out)) == {}


def test_elbow_bends_show_a_wrist_and_an_upper_arm_swapped(worn):
    found = worn.found(ARM)
    assert list(found) == [("right_wrist", "swapped_segments")]
    assert "elbow bends" in found["right_wrist", "swapped_segments"]


def test_raises_show_the_same_without_elbow_bends(worn):
    found = worn.found(ARM, worn.without("elbow_bends"))
    assert list(found) == [("right_wrist", "swapped_segments")]
    assert "swings further" in found["right_wrist", "swapped_segments"]


def test_what_the_movements_do_not_show_is_not_said(rotating):
    assert rotating.found(ARM, rotating.without("elbow_bends", "forward_raises")) == {}


def test_a_set_of_one_arm_shows_swapped_sides_and_is_named(worn):
    found = worn.found(WRISTS)
    assert list(found) == [("right_wrist", "swapped_sides")]
    assert "set 1 (right)" in found["right_wrist", "swapped_sides"]


def test_swapped_sides_explain_that_a_sensor_stayed_still(worn):
    """The right upper arm is raised in the set, and the sensor called the right wrist's hangs on the left one."""
    sets = [event for event in worn.events if event.trial_type == "set"]
    assert list(worn.found(WRISTS, sets)) == [("right_wrist", "swapped_sides")]


def test_both_sensors_of_swapped_arms_are_named(worn):
    names = WRISTS | {"right_upper_arm": "left_upper_arm", "left_upper_arm": "right_upper_arm"}
    assert set(worn.found(names)) == {("right_wrist", "swapped_sides"), ("right_upper_arm", "swapped_sides")}


def test_one_set_marked_with_the_wrong_side_is_told_from_swapped_sensors(worn):
    set_event = worn.events[-1]
    assert set_event.trial_type == "set"
    wrong = [*worn.events[:-1], set_event, replace(set_event, side="left")]
    text = worn.found(events=wrong)["left_wrist", "swapped_sides"]
    assert "set 2 (left)" in text
    assert "correct the side of that set" in text


@pytest.mark.parametrize("placement", ["right_upper_arm", "right_wrist"])
def test_a_sensor_on_the_chest_instead_of_the_limb_is_said(worn, placement):
    assert list(worn.found({placement: "sternum"})) == [(placement, "not_on_limb")]


def test_a_wrist_sensor_off_the_limb_shows_in_a_set_of_raises_alone(worn):
    sets = [event for event in worn.events if event.trial_type == "set"]
    assert list(worn.found({"right_wrist": "sternum"}, sets)) == [("right_wrist", "not_on_limb")]


def test_the_results_name_the_set_that_shows_swapped_sides(worn):
    streams = {p: replace(worn.recording.streams[WRISTS.get(p, p)], placement=p) for p in worn.recording.streams}
    found = analyse(replace(worn.recording, streams=streams)).findings
    (swapped,) = [finding for finding in found if finding.code == "swapped_sides"]
    assert "In set 1 (right)" in swapped.text


def test_a_wrist_sensor_off_the_limb_shows_in_the_elbow_bends_alone(worn):
    bends = [event for event in worn.events if event.trial_type == "elbow_bends"]
    assert list(worn.found({"right_wrist": "sternum"}, bends)) == [("right_wrist", "not_on_limb")]


def test_the_other_wrist_alone_shows_it_as_well(worn):
    """Without upper-arm sensors."""
    wrists = Worn(replace(worn.recording, streams={p: worn.recording.streams[p] for p in (*WRISTS, "sternum")}))
    bends = [event for event in worn.events if event.trial_type == "elbow_bends"]
    assert list(wrists.found({"right_wrist": "sternum"}, bends)) == [("right_wrist", "not_on_limb")]


def test_a_sensor_on_the_table_is_stiller_than_any_person():
    clean = simulate(drill_scenario("full_can", reps=1, hold_s=2.0, rate_hz=50.0), seed=4).recording
    stream, rng = clean.streams["sternum"], np.random.default_rng(0)
    shape = stream.acc_m_s2.shape
    table = replace(
        stream,
        acc_m_s2=np.array([0.0, 0.0, 9.81]) + 0.01 * rng.normal(size=shape),
        gyr_rad_s=np.radians([0.4, -0.3, 0.2]) + np.radians(0.05) * rng.normal(size=shape),
    )
    found = Worn(replace(clean, streams={**clean.streams, "sternum": table})).found()
    assert list(found) == [("sternum", "not_on_limb")]
    assert "lay still" in found["sternum", "not_on_limb"]


def test_where_nothing_moved_nothing_is_said_to_lie_still():
    """All sensors on a table: a recording without movements shows nobody's mistake."""
    clean = simulate(drill_scenario("full_can", reps=1, hold_s=2.0, rate_hz=50.0), seed=4).recording
    streams, rng = {}, np.random.default_rng(0)
    for placement in ("right_wrist", "right_upper_arm"):
        stream = clean.streams[placement]
        acc, gyr = (scale * rng.normal(size=(len(stream.time_s), 3)) for scale in (0.01, np.radians(0.05)))
        streams[placement] = replace(stream, acc_m_s2=np.array([0.0, 0.0, 9.81]) + acc, gyr_rad_s=gyr)
    assert Worn(replace(clean, streams=streams)).found() == {}


def test_a_curl_is_no_reason_to_blame_the_upper_arm(worn):
    bends = next(event for event in worn.events if event.trial_type == "elbow_bends")
    curl = Event(bends.onset_s, bends.duration_s, "set", None, "right")
    assert worn.found(events=[curl]) == {}


@pytest.mark.parametrize(("own_swings", "said"), [(1, True), (2, True), (4, False), (10, False)])
def test_sides_are_called_swapped_where_the_other_arm_moved_four_times_as_far(own_swings, said):
    """In a set of the right arm the left wrist swings ten times by 20 deg and back, 400 deg in all (MountingParams).
    Five times as far is said, 2.5 times as far may be an arm that helps."""
    rate_hz, placements = 100.0, ("right_wrist", "left_wrist")
    aligned_s = np.arange(round(25 * rate_hz)) / rate_hz
    tracks, attitudes = {}, {}
    for placement, swings in zip(placements, (own_swings, 10), strict=True):
        swing = np.radians(20.0) * 0.5 * (1 - np.cos(np.pi * aligned_s))
        angle = np.where((aligned_s >= 2.0) & (aligned_s < 2.0 + 2.0 * swings), swing, 0.0)
        rng = np.random.default_rng(len(placement))
        # A person is never quieter than this.
        trembling = Rotation.from_rotvec(np.cumsum(rng.normal(0, 1e-4, (len(angle), 3)), axis=0))
        gyr, acc = sensed(Rotation.from_rotvec(np.outer(angle, [1.0, 0.0, 0.0])) * trembling)
        seen = np.ones(len(angle), dtype=bool)
        tracks[placement] = Track(placement, acc, gyr, seen, ~seen)
        attitudes[placement] = orient_afterwards(tracks[placement], rate_hz, Params().orient)
    event = Event(1.0, 23.0, "set", None, "right")
    stretch = stretch_of(event, 1, aligned_s, rate_hz, tracks, attitudes, MountingParams())
    found = mounting_findings([stretch], {}, MountingParams())
    swapped = [finding.text for finding in found if finding.code == "swapped_sides"]
    assert len(swapped) == said
    # No other set shows the sensors on the right arms, so it may be either.
    assert all("are swapped, or the set is marked with the wrong side" in text for text in swapped)
