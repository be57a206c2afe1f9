"""Whatever angle a recording does not give is named with the movement or sensor that would, and with it is there."""

from __future__ import annotations

from dataclasses import replace
from functools import cache

import pytest

from imu_shoulder.analysis import Params
from imu_shoulder.assess.unseen import live_lines, missing_angles
from imu_shoulder.drills import load_shipped
from imu_shoulder.model import Recording
from imu_shoulder.pipeline import analyse
from imu_shoulder.report.summary import summarise
from imu_shoulder.simulate import simulate
from imu_shoulder.simulate.scenarios import drill_scenario

ANGLES = ("elevation", "plane", "rotation", "elbow", "forearm", "thumb_up")
PLAIN = {"thumb_up": "thumb"}
# A lift at 2 deg/s; a quick one; one at the side, about the vertical, that does not join the sensors.
SETS = {
    "slow lift": ("full_can", 40.0),
    "full can": ("full_can", 1.8),
    "turning at the side": ("band_external_rotation", 1.8),
}
MOVEMENTS = {
    "pose alone": (),
    "elbow bends": ("elbow_bends",),
    "forward raises": ("forward_raises",),
    "both": ("elbow_bends", "forward_raises"),
}


@cache
def recorded(name: str, side: str) -> Recording:
    drill, lift_s = SETS[name]
    arm = (f"{side}_wrist", f"{side}_upper_arm")
    scenario = drill_scenario(drill, side, placements=arm, rate_hz=50.0, reps=1, lift_s=lift_s, lower_s=lift_s)
    return simulate(scenario, seed=4).recording


def only(recording: Recording, *trial_types: str) -> Recording:
    kept = ("neutral_pose", "set", *trial_types)
    return replace(recording, events=tuple(e for e in recording.events if e.trial_type in kept))


def named_in(lines: list[str], side: str, angle: str) -> list[str]:
    """The lines that name an angle of an arm as missing."""
    word = PLAIN.get(angle, angle)
    return [line for line in lines if line.startswith(f"{side.capitalize()} ") and word in line.split(":")[0]]


@pytest.mark.parametrize("movements", MOVEMENTS)
@pytest.mark.parametrize(
    ("name", "side"), [("slow lift", "right"), ("full can", "left"), ("turning at the side", "right")]
)
def test_an_angle_is_missing_exactly_where_it_is_named_with_the_movement_that_gives_it(name, side, movements):
    analysis = analyse(only(recorded(name, side), *MOVEMENTS[movements]))
    found, lines = analysis.arms[side].angles, summarise(analysis)["not_seen"]
    for angle in ANGLES:
        told = named_in(lines, side, angle)
        assert (f"{angle}_deg" not in found) == bool(told), (angle, lines)
        for line in told:
            assert "forward raises" in line
    if "forward_raises" in MOVEMENTS[movements]:
        assert {f"{angle}_deg" for angle in ANGLES} <= set(found)


@pytest.mark.parametrize("afterwards", [True, False], ids=["afterwards", "as live"])
@pytest.mark.parametrize("movements", [(), ("elbow_bends",)], ids=["pose alone", "elbow bends"])
def test_an_elbow_that_nothing_shows_is_named_in_findings_and_not_seen(movements, afterwards):
    """Of turning at the side, and of bends with no set at all: both were silent in the findings before."""
    recording = only(recorded("turning at the side", "right"), *movements)
    # Nor any that is found: what is looked at is the marks.
    no_set = replace(recording, events=tuple(e for e in recording.events if e.trial_type != "set"), proposals=())
    for one in (recording, no_set):
        analysis = analyse(one, Params(afterwards=afterwards))
        assert "elbow_deg" not in analysis.arms["right"].angles
        (finding,) = [f for f in analysis.findings if f.code == "heading_not_shared"]
        for line in (finding.text, *named_in(summarise(analysis)["not_seen"], "right", "elbow")):
            assert "elbow and forearm" in line
            assert "forward raises" in line
        assert named_in(summarise(analysis)["not_seen"], "right", "elbow")
        assert "elbow" in summarise(analysis)["calibration"]["right"]["text"]


def test_a_slow_lift_alone_shows_the_elbow():
    """At 2 deg/s it was missing before."""
    analysis = analyse(only(recorded("slow lift", "right")))
    assert "elbow_deg" in analysis.arms["right"].angles
    assert not [f for f in analysis.findings if f.code == "heading_not_shared"]
    assert not named_in(summarise(analysis)["not_seen"], "right", "elbow")


@pytest.mark.parametrize(
    ("worn", "bare", "missing"),
    [
        ("wrist", "upper arm", {"elevation", "plane", "rotation", "elbow", "forearm"}),
        ("upper_arm", "wrist", {"elbow", "forearm", "thumb_up"}),
    ],
)
def test_angles_that_a_sensor_would_give_are_named_with_it(worn, bare, missing):
    recording = recorded("full can", "left")
    streams = {f"left_{worn}": recording.streams[f"left_{worn}"]}
    analysis = analyse(replace(recording, streams=streams))
    lines = summarise(analysis)["not_seen"]
    for angle in ANGLES:
        assert (f"{angle}_deg" not in analysis.arms["left"].angles) == (angle in missing)
        assert bool(named_in(lines, "left", angle)) == (angle in missing)
    assert any(f"A sensor on the {bare} gives them" in line for line in lines)


def test_the_athlete_is_told_only_of_what_the_drill_asks():
    arm = analyse(only(recorded("turning at the side", "right"))).calibration.arms["right"]
    assert {name for found in missing_angles(arm) for name in found.angles} == {"elbow", "forearm", "plane", "thumb_up"}
    assert live_lines(load_shipped("full_can"), [arm]) == [
        "Not seen without the forward raises: right elbow, plane and thumb."
    ]
    assert live_lines(load_shipped("band_external_rotation"), [arm]) == [
        "Not seen without the forward raises: right elbow."
    ]
    assert live_lines(load_shipped("full_can"), []) == []


def test_the_athlete_is_told_that_lying_elevation_takes_a_sensor_on_the_trunk():
    arm = analyse(recorded("full can", "left")).calibration.arms["left"]
    lying = replace(load_shipped("full_can"), body="lying")
    assert live_lines(load_shipped("full_can"), [arm]) == []
    assert live_lines(lying, [arm]) == [
        "Not seen without a sensor on the breastbone, for you are not upright: elevation and plane."
    ]
