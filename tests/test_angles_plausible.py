"""Angles beyond what joints do raise a warning; what people do does not."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from imu_shoulder.angles.plausible import Beyond
from imu_shoulder.drills import shipped_ids
from imu_shoulder.pipeline import analyse
from imu_shoulder.simulate import Athlete, simulate
from imu_shoulder.simulate.scenarios import drill_scenario

RATE_HZ = 100.0


def findings(column: str, values, rows=None, sd_deg=3.0):
    values = np.asarray(values, dtype=float)
    inside = slice(*(rows or (0, len(values))))
    time_s = np.arange(len(values)) / RATE_HZ
    beyond = Beyond()
    beyond.look(
        "left", time_s[inside], {column: values[inside]}, {column: np.full(time_s[inside].shape, sd_deg)}, RATE_HZ
    )
    return beyond.findings()


# Degrees. AAOS normal ranges (from memory, as widely quoted); external rotation at 90 deg of abduction in young
# athletes, median and the value as far above it as the 5th percentile is below (BMC Sports Sci Med Rehabil 4:33); in
# this project's signs.
PUBLISHED = [
    *(("elbow_deg", 0), ("elbow_deg", 150)),
    *(("forearm_deg", -80), ("forearm_deg", 80)),
    *(("rotation_deg", -70), ("rotation_deg", 90), ("rotation_deg", 101), ("rotation_deg", 122)),
]


@pytest.mark.parametrize(("column", "angle"), PUBLISHED)
def test_published_ranges_are_plausible(column, angle):
    assert not findings(column, np.full(500, float(angle)))


@pytest.mark.parametrize(("column", "angle"), [("elbow_deg", 170), ("forearm_deg", -95), ("rotation_deg", 150)])
def test_beyond_them_for_a_second_is_said_with_its_time(column, angle):
    values = np.full(1000, 20.0)
    values[300:420] = angle
    (found,) = findings(column, values)
    assert (found.code, found.severity, found.value) == ("implausible_angle", "warning", angle)
    assert found.placement.startswith("left_")
    assert (found.start_s, found.end_s) == (3.0, pytest.approx(4.19))
    assert f"{angle:.0f} deg" in found.text


@pytest.mark.parametrize(("column", "angle"), [("elbow_deg", 170), ("forearm_deg", -95), ("rotation_deg", 175)])
def test_an_angle_that_may_as_well_be_within_reach_is_no_sign(column, angle):
    """Before, a rotation with a standard deviation of 100 deg was said of a healthy arm."""
    assert findings(column, np.full(500, float(angle)), sd_deg=5.0)
    assert not findings(column, np.full(500, float(angle)), sd_deg=100.0)


def test_a_moment_a_gap_and_what_is_outside_the_sets_are_not():
    spike = np.full(1000, 20.0)
    spike[300:390] = 175.0
    assert not findings("elbow_deg", spike)
    assert not findings("elbow_deg", np.full(500, np.nan))
    assert not findings("elbow_deg", np.full(500, 175.0), rows=(0, 90))


@pytest.mark.parametrize("drill", shipped_ids())
def test_no_drill_done_well_raises_it(drill):
    analysis = analyse(simulate(drill_scenario(drill, reps=3), seed=5).recording)
    assert not [f for f in analysis.findings if f.code == "implausible_angle"]


def test_a_pose_with_the_palms_forward_is_noticed():
    """Palms forward where thumbs forward were asked: every forearm angle is then off by a quarter turn."""
    athlete = replace(Athlete(), pose_forearm_deg=-92.0)
    analysis = analyse(simulate(drill_scenario("band_external_rotation", athlete=athlete, reps=3), seed=5).recording)
    (found,) = [f for f in analysis.findings if f.code == "implausible_angle" and f.placement == "right_wrist"]
    assert "forearm rotation" in found.text
