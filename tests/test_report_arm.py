"""The arm as a picture: the page's drawing against figure.py, the embedded postures, and the handout's drawings."""

from __future__ import annotations

import json
import re
import xml.etree.ElementTree as ET

import numpy as np
import pandas as pd
import pytest
from click.testing import CliRunner
from report_fixture import finished, warm_up
from test_report_browser import CHROMIUM, browser  # noqa: F401

from imu_shoulder.cli import cli
from imu_shoulder.drills import load_shipped, parse_drill, shipped_ids
from imu_shoulder.errors import DrillError
from imu_shoulder.report import figure, handout, poses
from imu_shoulder.report.curves import DIGITS
from imu_shoulder.report.html import build_report

# Even degrees: what the page embeds without rounding. One per set and arm of the fixture, the last one of a left arm.
POSTURES = [
    figure.Posture(90, 40, 50, 0, -20),
    figure.Posture(0, 30, 40, 90, 60),
    figure.Posture(90, 0, 90, 90, 0),
    figure.Posture(150, 100, -62, 36, 20),
    figure.Posture(64, -20, 24, 118, -44),
]


def held_still():
    """The fixture's warm-up with each arm held in one posture through its set."""
    summary, reps, angles = finished(warm_up())
    for entry, posture in zip(summary["sets"], POSTURES, strict=True):
        inside = angles["time_s"].between(entry["start_s"] - 5, entry["end_s"] + 5)
        for name in poses.ANGLES:
            angles.loc[inside, f"{entry['side']}_{name}_deg"] = getattr(posture, f"{name}_deg")
    return summary, reps, angles


def limbs(posture, side, view):
    shoulder, elbow, wrist, hand, thumb = figure.arm_points(posture, side)
    root = wrist + figure.THUMB_FROM * (hand - wrist)
    ends = {"upper-arm": (shoulder, elbow), "forearm": (elbow, wrist), "hand": (wrist, hand), "thumb": (root, thumb)}
    return {name: figure.view_points(np.stack(pair), view) for name, pair in ends.items()}


@pytest.mark.skipif(CHROMIUM is None, reason="chromium is not installed")
@pytest.mark.xdist_group("browser")
@pytest.mark.parametrize("motion", ["no-preference", "reduce"])
def test_the_page_draws_what_the_package_draws_and_plays_only_when_asked(browser, tmp_path, motion):  # noqa: F811
    path = tmp_path / "report.html"
    made = held_still()
    path.write_text(build_report(*made), encoding="utf-8")
    page = browser.new_context(reduced_motion=motion, offline=True).new_page()
    page.clock.install(time=0)  # the page's time passes as the test asks, however busy the machine
    page.goto(path.as_uri())
    page.clock.pause_at(3600)
    for entry, posture in zip(made[0]["sets"], POSTURES, strict=True):
        section = page.locator(f"#set-{entry['set']}-{entry['side']}")
        for view in (0, 1):
            for name, expected in limbs(posture, entry["side"], view).items():
                dots = section.locator(".posture svg").nth(view).locator(f".{name}").get_attribute("points")
                drawn = np.array([dot.split(",") for dot in dots.split()], dtype=float)
                np.testing.assert_allclose(drawn, expected, atol=0.011, err_msg=f"{posture} {view} {name}")
    said = page.locator("#set-1-right .angles")
    before = said.text_content()
    page.clock.run_for(300)
    assert said.text_content() == before
    button = page.locator("#set-1-right .play").nth(2)
    assert button.get_attribute("aria-label") == "Play rep 3"
    button.click()
    seen = set()
    for _ in range(6):
        page.clock.run_for(100)
        seen.add(said.text_content())
    assert len(seen) == 1 if motion == "reduce" else len(seen) > 2
    assert button.text_content() == "■"
    button.click()
    assert button.text_content() == "▶"
    page.context.close()


def decoded(keys):
    """What the page's script does with the key frames: degrees per step (n, 5), NaN where unknown."""
    frames, level, now = [], np.zeros(5), None
    for at in range(0, len(keys), 6):
        frames += [now] * DIGITS.index(keys[at])
        if at + 1 == len(keys):
            break
        changes = keys[at + 1 : at + 6]
        level = level + [0 if one == "." else DIGITS.index(one) - poses.MOST for one in changes]
        now = [np.nan if one == "." else 2 * value for one, value in zip(changes, level, strict=True)]
    return np.array(frames)


def test_embedded_postures_stay_within_a_level_of_the_angles():
    _, _, angles = finished(warm_up())
    angles.loc[3000:3100, "right_rotation_deg"] = np.nan
    start_s, end_s = 20.0, 120.0
    found = decoded(poses.encode(angles, "right", start_s, end_s, poses.STEP_S))
    grid_s = np.arange(start_s, end_s, poses.STEP_S)
    assert len(found) == len(grid_s)
    rows = np.searchsorted(angles["time_s"], grid_s)
    true = angles[[f"right_{name}_deg" for name in poses.ANGLES]].to_numpy()[rows]
    np.testing.assert_array_equal(np.isnan(found), np.isnan(true))
    assert np.isnan(found).any()
    assert np.nanmax(np.abs(found - true)) <= poses.KEEP_DEG


def test_the_plane_goes_on_where_it_means_nothing_and_an_unseen_arm_is_not_drawn():
    angles = pd.DataFrame({"time_s": np.arange(0, 2, 0.01), "right_elevation_deg": 5.0, "right_plane_deg": np.nan})
    assert decoded(poses.encode(angles, "right", 0.0, 2.0, 0.1))[-1][1] == poses.SCAPULAR_PLANE_DEG
    assert poses.encode(angles, "left", 0.0, 2.0, 0.1) == ""


def inside(asked, angle_deg, base_deg):
    return base_deg + asked.low_deg <= angle_deg <= base_deg + asked.high_deg


@pytest.mark.parametrize("drill_id", shipped_ids())
def test_drawn_postures_meet_what_the_drill_asks(drill_id):
    drill = load_shipped(drill_id)
    steps = dict(handout.postures(drill))
    base = {"start": steps["Start"], **{s.name: steps[s.name.capitalize()] for s in drill.stations}}
    for place, ranges in [("start", drill.start), *((s.name, s.ranges) for s in drill.stations)]:
        for asked in ranges:
            above = 0.0 if asked.above is None else getattr(base[asked.above], f"{asked.angle}_deg")
            assert inside(asked, getattr(base[place], f"{asked.angle}_deg"), above), (place, asked)
    top = base[drill.top.name]
    for limits, value in (
        (drill.form.ends_of("thumb_up"), handout.thumb_up_deg(top)),
        (drill.form.ends_of("elbow"), top.elbow_deg),
        (drill.form.ends_of("plane"), top.plane_deg),
    ):
        assert limits is None or limits[0] <= value <= limits[1]


@pytest.mark.parametrize("side", ["right", "left"])
def test_show_writes_the_drawing(tmp_path, side):
    path = tmp_path / "drill.svg"
    found = CliRunner().invoke(cli, ["drills", "show", "full_can_hold_and_lift", "--svg", str(path), "--side", side])
    assert found.exit_code == 0, found.output
    drawing = ET.parse(path).getroot()
    texts = [element.text for element in drawing.iter() if element.tag.endswith("text")]
    assert [text for text in texts if text in ("Start", "Top")] == ["Start", "Top"]
    arms = [element for element in drawing.iter() if element.get("class") == "upper-arm"]
    assert len(arms) == 8  # two postures, two views, the holding arm too
    assert all(re.fullmatch(r"[\d., -]+", arm.get("points")) for arm in arms)


def test_a_drawing_that_cannot_be_written_is_one_sentence(tmp_path):
    found = CliRunner().invoke(cli, ["drills", "show", "full_can", "--svg", str(tmp_path / "gone" / "drill.svg")])
    assert found.exit_code != 0
    assert "to write the drawing" in found.output
    assert "Traceback" not in found.output


@pytest.mark.parametrize("hint", ["middle = { elbow = 3 }", "start = { knee = 3 }", 'start = { elbow = "bent" }'])
def test_a_posture_that_means_nothing_is_refused(hint):
    from importlib import resources

    text = (resources.files("imu_shoulder.drills") / "full_can.toml").read_text()
    with pytest.raises(DrillError, match=r"posture|start|elbow"):
        parse_drill(f"{text}\n[posture]\n{hint}\n", "mine.toml")


def test_the_embedded_geometry_is_the_packages():
    data = json.loads(re.search(r'id="curves">(.*?)</script>', build_report(*held_still()), re.S)[1])
    assert data["body"] == figure.page_geometry()
